"""What `size` answers about a dryer: floor, fans, heaters, each product, what fixes them, other floors."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.fields import documented
from coolsim.machines.dryers import DryerSettings
from coolsim.requirements import AtLimit
from coolsim.result import Warning
from coolsim.studies.sizing.answer import FanDuty, Governs


@dataclass(frozen=True)
class DryerServed:
    """A product in a weather, at the cheapest settings on this floor; of one dryer, as predicted."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    settings: DryerSettings = documented("-", "its air, depth and time")
    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    temperature: float = documented("°C", "exit temperature", json="temperature_C")
    water_activity: float = documented("-", "of the pellets, once equalised")
    deviation: float = documented("kg/kg wet", "standard deviation of the moisture over the bed")
    exhaust_humidity: float = documented("-", "relative humidity of the exhaust")
    lift_off: float = documented("-", "highest velocity as a share of what lifts the bed")
    pressure_drop: float = documented("Pa", "of the clean bed", json="pressure_drop_Pa")
    heat: float = documented("W", "to the air, mean over the drying", json="heat_kW", factor=1e-3)
    highest_heat: float = documented(
        "W", "to the air, of the step that takes most", json="highest_heat_kW", factor=1e-3
    )
    heat_per_water: float = documented(
        "J/kg", "heat per kilogram of water lost", json="MJ_per_kg_water", factor=1e-6
    )
    specific_energy: float = documented(
        "kWh/t", "electricity and heat per tonne of wet feed, clean bed", json="specific_energy_kWh_t"
    )
    cost_per_tonne: float | None = documented("1/t", "running cost; None where nothing has a price")
    load: float = documented("-", "throughput as a share of what the dryers can take")
    binding: tuple[AtLimit, ...] = documented("-", "limits at which it stands")


@dataclass(frozen=True)
class DryerFloor:
    """One point of the trade-off between floor and running, each state as predicted but for the last digits."""

    floor_area: float = documented("m²", "of all dryers together", json="floor_area_m2")
    bed_depth: float = documented("m", "deepest bed", json="bed_depth_m")
    specific_energy: float = documented(
        "kWh/t", "mean over products and weathers", json="specific_energy_kWh_t"
    )
    highest_energy: float = documented(
        "kWh/t", "of the product and weather that take most", json="highest_energy_kWh_t"
    )
    cost_per_tonne: float | None = documented("1/t", "mean running cost; None where nothing has a price")


@dataclass(frozen=True)
class AirPart:
    """What one zone of the belt needs; of a batch dryer there is one, the dryer itself."""

    length: float | None = documented("m", "along the belt", json="length_m")
    floor_area: float = documented("m²", "of this zone", json="floor_area_m2")
    airflow: float = documented(
        "m³/s", "largest, as volume of outside air", json="airflow_m3_h", factor=3600.0
    )
    fan: FanDuty = documented(
        "-",
        "the fan to ask for, for the mean flow of a zone, or of drying or cooling",
    )
    heater: float | None = documented(
        "W", "largest heat to the air; None where it is not heated", json="heater_kW", factor=1e-3
    )


@dataclass(frozen=True)
class DryerMissed:
    """A product and weather that no size serves, and its driest exit within the machine's limits."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    driest: float = documented("kg/kg wet", "driest exit", json="driest_moisture_wb")
    temperature: float = documented("°C", "exit temperature there", json="temperature_C")
    floor_area: float = documented("m²", "of all dryers there", json="floor_area_m2")
    settings: DryerSettings = documented("-", "settings there")
    broken: tuple[AtLimit, ...] = documented("-", "limits and wishes broken there")
    binding: tuple[AtLimit, ...] = documented("-", "ends of ranges and limits at which it stands")


@dataclass(frozen=True)
class DryerSize:
    """The answer of `size` for a dryer; where `met` is false there is no size, and `missed` says why."""

    met: bool = documented("-", "whether a size serves every product in every weather")
    arrangement: str = documented("-", "batch or belt")
    dryers: int | None = documented("-", "dryers alike, side by side")
    floor_area: float | None = documented("m²", "of one dryer", json="floor_area_m2")
    belt_width: float | None = documented("m", "of a belt, as given", json="belt_width_m")
    belt_length: float | None = documented("m", "of a belt, all zones", json="belt_length_m")
    bed_depth: float | None = documented("m", "deepest bed", json="bed_depth_m")
    batch_mass: float | None = documented("kg", "heaviest batch of wet pellets", json="batch_mass_kg")
    batches_per_shift: float | None = documented("-", "that one dryer fills in 8 h, at most")
    drying_time: float | None = documented("s", "longest drying or dwell", json="drying_time_s")
    zones: tuple[AirPart, ...] = documented(
        "-", "fan and heater of each zone; of a batch dryer, of one dryer"
    )
    heater: float | None = documented(
        "W", "largest heat to one dryer's air, all zones; None without heaters", json="heater_kW", factor=1e-3
    )
    specific_energy: float | None = documented(
        "kWh/t", "of the product and weather that take most", json="specific_energy_kWh_t"
    )
    heat_per_water: float | None = documented(
        "J/kg", "likewise, heat per kilogram of water", json="MJ_per_kg_water", factor=1e-6
    )
    margin: float = documented("-", "added to the bed's pressure for fouling and fines")
    smallest_floor: float | None = documented(
        "m²", "smallest floor of all dryers together that serves all", json="smallest_floor_m2"
    )
    served: tuple[DryerServed, ...] = documented("-", "every product in every weather")
    governing: tuple[Governs, ...] = documented("-", "what fixes the size")
    curve: tuple[DryerFloor, ...] = documented(
        "-", "trade-off from the smallest floor to where nothing is gained"
    )
    missed: tuple[DryerMissed, ...] = documented("-", "where not met: what no size serves")
    warnings: tuple[Warning, ...] = documented("-", "what is assumed, and what to look at")
