"""What `size` answers: a body and a fan, what each product does in them, what fixes them, and other floors."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.fields import documented
from coolsim.machines.plant import Settings
from coolsim.requirements import AtLimit
from coolsim.result import Warning


@dataclass(frozen=True)
class Served:
    """A product in a weather, at the cheapest settings on this floor."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    settings: Settings = documented("-", "its airflow, depth, dwell and inlet air")
    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    temperature: float = documented("°C", "exit temperature", json="temperature_C")
    water_activity: float = documented("-", "of the pellets, once equalised")
    exhaust_humidity: float = documented("-", "relative humidity of the exhaust")
    air_ratio: float = documented("kg/kg", "dry air per wet feed")
    face_velocity: float = documented("m/s", "outside air per floor area", json="face_velocity_m_s")
    lift_off: float = documented("-", "highest velocity as a share of what lifts the bed")
    pressure_drop: float = documented("Pa", "of the clean bed", json="pressure_drop_Pa")
    fan_flow: float = documented("m³/s", "volume at the fan's inlet", json="fan_flow_m3_h", factor=3600.0)
    fan_pressure: float = documented(
        "Pa", "of bed and duct, the bed's with the margin", json="fan_pressure_Pa"
    )
    fan_density: float = documented("kg/m³", "of the air at the fan's inlet", json="fan_density_kg_m3")
    heat: float = documented("W", "to the inlet air", json="heat_kW", factor=1e-3)
    specific_energy: float = documented(
        "kWh/t", "electricity and heat per tonne of wet feed, clean bed", json="specific_energy_kWh_t"
    )
    cost_per_tonne: float | None = documented("1/t", "running cost; None where nothing has a price")
    binding: tuple[AtLimit, ...] = documented("-", "limits at which it stands")


@dataclass(frozen=True)
class Floor:
    """One point of the trade-off between floor and running."""

    floor_area: float = documented("m²", "floor area", json="floor_area_m2")
    bed_depth: float = documented("m", "deepest bed", json="bed_depth_m")
    fan_flow: float = documented(
        "m³/s", "largest flow at the fan's inlet", json="fan_flow_m3_h", factor=3600.0
    )
    fan_pressure: float = documented("Pa", "largest pressure, with the margin", json="fan_pressure_Pa")
    motor: float = documented("W", "next standard motor", json="motor_kW", factor=1e-3)
    specific_energy: float = documented(
        "kWh/t", "mean over products and weathers", json="specific_energy_kWh_t"
    )
    highest_energy: float = documented(
        "kWh/t", "of the product and weather that take most", json="highest_energy_kWh_t"
    )
    cost_per_tonne: float | None = documented("1/t", "mean running cost; None where nothing has a price")


@dataclass(frozen=True)
class Governs:
    """What fixes a part of the size: a product in a weather, and the limits at which it does."""

    part: str = documented("-", "floor, depth, flow, pressure, heater or energy")
    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    limits: tuple[AtLimit, ...] = documented("-", "at which it stands (floor: on the smallest one)")


@dataclass(frozen=True)
class FanDuty:
    """The fan to ask for."""

    flow: float = documented(
        "m³/s", "largest volume at its inlet; of dryers, largest mean", json="flow_m3_h", factor=3600.0
    )
    pressure: float = documented("Pa", "largest pressure, the bed's with the margin", json="pressure_Pa")
    density: float = documented("kg/m³", "of the air at its inlet, at that pressure", json="density_kg_m3")
    efficiency: float = documented("-", "air power per shaft power")
    shaft_power: float = documented("W", "at that flow and pressure", json="shaft_power_kW", factor=1e-3)
    electric_power: float = documented(
        "W", "that the motor then takes", json="electric_power_kW", factor=1e-3
    )
    motor: float = documented("W", "next standard motor", json="motor_kW", factor=1e-3)


@dataclass(frozen=True)
class Body:
    """Inner dimensions of the body, round or square."""

    diameter: float = documented("m", "of a round floor", json="diameter_m")
    side: float = documented("m", "of a square floor", json="side_m")
    bed_depth: float = documented("m", "deepest bed", json="bed_depth_m")
    freeboard: float = documented("m", "room above it", json="freeboard_m")
    height: float = documented("m", "from grate to cover", json="height_m")


@dataclass(frozen=True)
class Missed:
    """A product and weather that no size serves, and its driest exit on any floor within the machine's limits."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    driest: float = documented("kg/kg wet", "driest exit", json="driest_moisture_wb")
    temperature: float = documented("°C", "exit temperature there", json="temperature_C")
    floor_area: float = documented("m²", "floor area there", json="floor_area_m2")
    settings: Settings = documented("-", "settings there")
    broken: tuple[AtLimit, ...] = documented("-", "limits and wishes broken there")


@dataclass(frozen=True)
class SizeAnswer:
    """The answer of `size`; where `met` is false there is no size, and `missed` or `smallest_floor` say why."""

    met: bool = documented("-", "whether a size serves every product in every weather")
    floor_area: float | None = documented("m²", "floor area", json="floor_area_m2")
    bed_depth: float | None = documented("m", "deepest bed", json="bed_depth_m")
    airflow: float | None = documented(
        "m³/s", "largest, as volume of outside air", json="airflow_m3_h", factor=3600.0
    )
    fan: FanDuty | None = documented("-", "the fan to ask for")
    heater: float | None = documented(
        "W", "largest heat to the inlet air; None without one", json="heater_kW", factor=1e-3
    )
    specific_energy: float | None = documented(
        "kWh/t", "of the product and weather that take most", json="specific_energy_kWh_t"
    )
    body: Body | None = documented("-", "dimensions")
    margin: float = documented("-", "added to the bed's pressure for fouling and fines")
    smallest_floor: float | None = documented(
        "m²", "smallest floor on which all is served, to 1 %", json="smallest_floor_m2"
    )
    served: tuple[Served, ...] = documented("-", "every product in every weather")
    governing: tuple[Governs, ...] = documented("-", "what fixes the size")
    curve: tuple[Floor, ...] = documented("-", "trade-off from the smallest floor to where nothing is gained")
    missed: tuple[Missed, ...] = documented("-", "where not met: what no size serves")
    warnings: tuple[Warning, ...] = documented("-", "what is assumed, and what to look at")
