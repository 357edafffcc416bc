"""What `size` answers of any machine: what to buy, each product in each weather, what fixes it, other floors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.machines.dryers import DryerSettings
from coolsim.machines.plant import Settings
from coolsim.simulate.requirements import AtLimit
from coolsim.simulate.verdicts import Verdict
from coolsim.support.display import Displayed
from coolsim.support.fields import documented

SAME_FLOOR = 0.02  # of a floor: two that were searched in different ways and are as near are the same


@dataclass(frozen=True, repr=False)
class LineExit(Displayed):
    """How pellets leave the line that a sized stage stands in."""

    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    temperature: float = documented("°C", "exit temperature")
    water_activity: float = documented("-", "of the pellets in store, as it is judged")


@dataclass(frozen=True, repr=False)
class Served(Displayed):
    """A product in a weather, at the cheapest settings on this floor, as predicted; of dryers, of one of them."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    settings: Settings | DryerSettings = documented("-", "what is set, on the steps of the dials")
    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    temperature: float = documented("°C", "exit temperature")
    water_activity: float = documented("-", "of the pellets in store, as it is judged")
    exhaust_humidity: float = documented("-", "relative humidity of the exhaust")
    lift_off: float = documented("-", "highest velocity as a share of what lifts the bed")
    pressure_drop: float = documented("Pa", "of the clean bed")
    heat: float = documented("W", "to the air, mean over the drying")
    specific_energy: float = documented("kWh/t", "electricity and heat per tonne of wet feed, clean bed")
    cost_per_tonne: float | None = documented("1/t", "running cost; None where nothing has a price")
    exact_cost_per_tonne: float | None = documented("1/t", "the same before the steps of the dials")
    load: float = documented("-", "throughput as a share of what the machines can take")
    binding: tuple[AtLimit, ...] = documented(
        "-", "limits at which it stands, but for the steps of the dials"
    )
    air_ratio: float | None = documented("kg/kg", "of a cooler: dry air per wet feed", default=None)
    face_velocity: float | None = documented("m/s", "of a cooler: outside air per floor area", default=None)
    fan_flow: float | None = documented("m³/s", "of a cooler: at the fan's inlet", default=None)
    fan_pressure: float | None = documented(
        "Pa", "of a cooler: of bed and duct, the bed's with the margin", default=None
    )
    fan_density: float | None = documented(
        "kg/m³", "of a cooler: of the air at the fan's inlet", default=None
    )
    deviation: float | None = documented(
        "kg/kg wet", "of a dryer: standard deviation of the moisture over the bed", default=None
    )
    highest_heat: float | None = documented(
        "W", "of a dryer: to the air, of the step that takes most", default=None
    )
    heat_per_water: float | None = documented(
        "J/kg",
        "of a dryer: heat per kilogram of water lost",
        default=None,
        json="MJ_per_kg_water",
        factor=1e-6,
    )
    set: Mapping[str, str] = documented(
        "-", "keys and texts that make the scenario this machine, set so", default=MappingProxyType({})
    )
    verdicts: tuple[Verdict, ...] = documented("-", "on every wish and limit", default=())
    chance: float | None = documented("-", "probability that all of them are kept, if asked", default=None)
    line_exit: LineExit | None = documented("-", "of a stage: how its line is left", default=None)


@dataclass(frozen=True, repr=False)
class Floor(Displayed):
    """One point of the trade-off between floor and running, at the throughput with the reserve."""

    floor_area: float = documented("m²", "floor area, of all dryers together")
    bed_depth: float = documented("m", "deepest bed")
    specific_energy: float = documented("kWh/t", "mean over products and weathers")
    highest_energy: float = documented("kWh/t", "of the product and weather that take most")
    cost_per_tonne: float | None = documented("1/t", "mean running cost; None where nothing has a price")
    fan_flow: float | None = documented("m³/s", "of coolers: largest flow at the fan's inlet", default=None)
    fan_pressure: float | None = documented(
        "Pa", "of coolers: largest pressure, with the margin", default=None
    )
    motor: float | None = documented("W", "of coolers: next standard motor", default=None)
    served: tuple[Served, ...] = documented(
        "-", "of coolers: every product in every weather there, before the steps of the dials", default=()
    )


@dataclass(frozen=True, repr=False)
class Governs(Displayed):
    """What fixes a part of the size: a product in a weather, and the limits at which it does."""

    part: str = documented("-", "floor, depth, time, flow, pressure, heater or energy")
    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    limits: tuple[AtLimit, ...] = documented("-", "at which it stands (floor: on the smallest one)")


@dataclass(frozen=True, repr=False)
class WithoutLeastBed(Displayed):
    """The size with no least time in the bed and no least depth, where something stands at one of them."""

    floor_area: float | None = documented("m²", "floor area; None where there is no size")
    bed_depth: float | None = documented("m", "deepest bed")
    cost_per_tonne: float | None = documented("1/t", "mean of all products and weathers, before the dials")


@dataclass(frozen=True, repr=False)
class FanDuty(Displayed):
    """The fan to ask for."""

    flow: float = documented("m³/s", "largest volume at its inlet; of dryers, largest mean")
    pressure: float = documented("Pa", "largest pressure, the bed's with the margin")
    density: float = documented("kg/m³", "of the air at its inlet, at that pressure")
    efficiency: float = documented("-", "air power per shaft power")
    shaft_power: float = documented("W", "at that flow and pressure")
    electric_power: float = documented("W", "that the motor then takes")
    motor: float = documented("W", "next standard motor")


@dataclass(frozen=True, repr=False)
class AirPart(Displayed):
    """What one zone of the belt needs; of a batch dryer there is one, the dryer itself."""

    length: float | None = documented("m", "along the belt")
    floor_area: float = documented("m²", "of this zone")
    airflow: float = documented("m³/s", "largest, as volume of outside air")
    fan: FanDuty = documented(
        "-",
        "the fan to ask for, for the mean flow of a zone, or of drying or cooling",
    )
    heater: float | None = documented("W", "largest heat to the air; None where it is not heated")


@dataclass(frozen=True, repr=False)
class Body(Displayed):
    """Inner dimensions of a cooler's body, round or square."""

    diameter: float = documented("m", "of a round floor")
    side: float = documented("m", "of a square floor")
    bed_depth: float = documented("m", "deepest bed")
    freeboard: float = documented("m", "room above it")
    height: float = documented("m", "from grate to cover")


@dataclass(frozen=True, repr=False)
class Missed(Displayed):
    """A product and weather that no size serves, and its driest exit on any floor within the machine's limits."""

    product: str = documented("-", "name of the product")
    weather: str = documented("-", "name of the weather")
    driest: float = documented("kg/kg wet", "driest exit", json="driest_moisture_wb")
    temperature: float = documented("°C", "exit temperature there")
    floor_area: float = documented("m²", "floor area there, of all dryers")
    settings: Settings | DryerSettings = documented("-", "settings there")
    broken: tuple[AtLimit, ...] = documented("-", "limits and wishes broken there")
    binding: tuple[AtLimit, ...] = documented(
        "-", "of dryers: ends of ranges and limits at which it stands", default=()
    )


@dataclass(frozen=True, repr=False)
class SizeAnswer(Displayed):
    """The answer of `size`; where `met` is false there is no size, and `missed` or `smallest_floor` say why.

    Floor, fans and heaters are for the throughput with its reserve, and for what is served; `served` is at the
    throughput of the scenario.
    """

    met: bool = documented("-", "whether a size serves every product in every weather")
    arrangement: str = documented("-", "counter-flow, batch or belt")
    margin: float = documented("-", "added to the bed's pressure for fouling and fines")
    reserve: float = documented("-", "throughput beyond that of the feed for which floor, fans, heaters are")
    warnings: tuple[Warning, ...] = documented("-", "what is assumed, and what to look at")
    floor_area: float | None = documented("m²", "floor, of one dryer", default=None)
    bed_depth: float | None = documented("m", "deepest bed", default=None)
    heater: float | None = documented(
        "W", "largest heat to the air, of one dryer; None without heaters", default=None
    )
    specific_energy: float | None = documented(
        "kWh/t", "of the product and weather that take most", default=None
    )
    smallest_floor: float | None = documented(
        "m²", "smallest floor on which all is served, of all dryers together", default=None
    )
    served: tuple[Served, ...] = documented("-", "every product in every weather", default=())
    governing: tuple[Governs, ...] = documented("-", "what fixes the size", default=())
    curve: tuple[Floor, ...] = documented(
        "-", "trade-off from the smallest floor to where nothing is gained", default=()
    )
    missed: tuple[Missed, ...] = documented("-", "where not met: what no size serves", default=())
    without_least_bed: WithoutLeastBed | None = documented(
        "-", "where something stands at the least bed: what that costs", default=None
    )
    stage: str | None = documented("-", "of a line: name of the stage that is sized", default=None)
    airflow: float | None = documented("m³/s", "of a cooler: largest, as volume of outside air", default=None)
    fan: FanDuty | None = documented("-", "of a cooler: the fan to ask for", default=None)
    body: Body | None = documented("-", "of a cooler: dimensions", default=None)
    dryers: int | None = documented("-", "dryers alike, side by side", default=None)
    belt_width: float | None = documented("m", "of a belt, as given", default=None)
    belt_length: float | None = documented("m", "of a belt, all zones", default=None)
    batch_mass: float | None = documented("kg", "heaviest batch of wet pellets", default=None)
    batches_per_shift: float | None = documented(
        "-", "that one dryer fills in 8 h, at most, with the reserve", default=None
    )
    drying_time: float | None = documented(
        "s", "of a dryer: longest drying, or time on the belt", default=None
    )
    zones: tuple[AirPart, ...] = documented(
        "-", "fan and heater of each zone; of a batch dryer, of one dryer", default=()
    )
    heat_per_water: float | None = documented(
        "J/kg",
        "of a dryer: most heat per kilogram of water",
        default=None,
        json="MJ_per_kg_water",
        factor=1e-6,
    )
    case: Case | None = documented("-", "what was asked", default=None)

    def is_as_large(self, floor_area: float) -> bool:
        """Whether a floor [m²] that was searched in another way is the same."""
        assert self.floor_area is not None, "there is a size"
        return abs(floor_area / self.floor_area - 1) < SAME_FLOOR

    @property
    def mean_cost_per_tonne(self) -> float | None:
        """Mean of all products and weathers, before the dials; None where nothing is priced."""
        costs = [s.exact_cost_per_tonne for s in self.served if s.exact_cost_per_tonne is not None]
        return sum(costs) / len(costs) if costs else None
