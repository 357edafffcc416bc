"""What is asked: one cooler, its feed and its air, and what is wanted of it, as frozen data in SI units.

Temperatures are in °C and fractions are fractions (0.12); everything else is SI. The text side
(units, files, faults) lives in `scenario`. Every public field carries its symbol, unit and meaning as
metadata, which `coolsim explain` tells.
"""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from coolsim.case.line_parts import (
    Arrival,
    Bag,
    Coating,
    Conditioning,
    Die,
    Equipment,
    FeedState,
    Ingredient,
    Recipe,
    Shift,
    Way,
)
from coolsim.case.table import Given, Range, Table
from coolsim.physics.air import STANDARD_PRESSURE
from coolsim.physics.materials import Diffusivity, Isotherm, Material, Provenance
from coolsim.support.display import Displayed
from coolsim.support.fields import Number, documented

__all__ = [
    "Air",
    "Arrival",
    "Bag",
    "Batch",
    "Belt",
    "Case",
    "Coating",
    "Conditioning",
    "Cooler",
    "Costs",
    "DesignWeather",
    "Die",
    "Diffusivity",
    "DuctData",
    "Equipment",
    "FanData",
    "Feed",
    "FeedState",
    "Ingredient",
    "Isotherm",
    "Limits",
    "Line",
    "Material",
    "Product",
    "Provenance",
    "Recipe",
    "ScheduleData",
    "Shift",
    "Sizing",
    "Stage",
    "Target",
    "Way",
    "WeatherFile",
    "Zone",
]


def read_only(mapping: Mapping[Any, Any]) -> MappingProxyType[Any, Any]:
    """Return a read-only view of a mapping: what a pickled one becomes again."""
    return MappingProxyType(dict(mapping))


# Python itself cannot pickle its read-only mappings, and cases travel to other processes
copyreg.pickle(MappingProxyType, lambda mapping: (read_only, (dict(mapping),)))


@dataclass(frozen=True)
class Feed:
    """Wet pellets as they reach the cooler."""

    diameter: float = documented("m", "pellet diameter", "d")
    length: float = documented("m", "pellet length", "l")
    throughput: float = documented("kg/s", "wet feed entering")
    temperature: float = documented("°C", "feed temperature before any flash", "Tp_in")
    moisture: float = documented("kg/kg wet", "feed moisture, wet basis, before any flash", "M_in")
    bulk_density: float = documented("kg/m³", "bulk density of the wet feed", "ρ_bulk")
    void_fraction: float = documented("-", "share of the bed that is air between pellets", "ε")
    fines: float | None = documented("-", "share of dust and broken pellets, by mass", default=None)


@dataclass(frozen=True)
class Air:
    """The air outside. Fields may be arrays that broadcast with each other."""

    temperature: Number = documented("°C", "dry-bulb temperature outside", "T_amb")
    relative_humidity: Number = documented("-", "relative humidity outside (over ice below 0 °C)", "RH")
    pressure: Number = documented("Pa", "barometric pressure", "p", default=STANDARD_PRESSURE)


_DEPTH = "standard deviation of the depth over the floor, as a share of its mean; even if left out"
_DEPTH_LENGTH = "the same as a length, in place of depth_deviation"
_SPEED = "standard deviation, over the floor, of the speed of the pellets, as a share of its mean"


@dataclass(frozen=True)
class Cooler:
    """A counter-flow cooler: a bin with a level bed, pellets down, air up."""

    floor_area: float = documented("m²", "floor area of the bed", "A")
    bed_depth: float = documented("m", "depth of the bed", "L")
    airflow: float | None = documented(
        "m³/s", "air through the bed, as volume of outside air", "V", default=None
    )
    air_ratio: float | None = documented("kg/kg", "dry air per wet feed, in place of airflow", default=None)
    inlet_air_temperature: float | None = documented(
        "°C", "outside air is heated to this before the bed", default=None
    )
    depth_deviation: float | None = documented("-", _DEPTH, default=None)
    depth_deviation_length: float | None = documented("m", _DEPTH_LENGTH, default=None)
    speed_deviation: float | None = documented("-", _SPEED, default=None)
    arrangement: str = documented("-", "how air and pellets meet", default="counter-flow")


_FROM = "from which side the air comes: up (from below) or down"
_BACK = "share of the exhaust that is mixed with fresh air and blown in again"


@dataclass(frozen=True)
class Batch:
    """A batch dryer: pellets lie in a bed, air is blown through them for a while."""

    floor_area: float = documented("m²", "floor area of the bed", "A")
    bed_depth: float = documented("m", "depth of the bed as filled", "L")
    duration: float = documented("s", "how long the air is blown through it", "t")
    airflow: float = documented("m³/s", "air through the bed, as volume of outside air", "V")
    inlet_air_temperature: float | None = documented("°C", "what the heater aims at", default=None)
    heater_power: float | None = documented("W", "the most heat that it gives to the air", default=None)
    recirculation: float = documented("-", _BACK, "r", default=0.0)
    air_direction: str = documented("-", _FROM, default="up")
    reverse_every: float | None = documented("s", "after which time the air changes sides", default=None)
    mixing: str = documented(
        "-", "none, or continuous: the pellets are turned over all the time", default="none"
    )
    shrinkage: float = documented("-", "volume that pellets lose, per volume of water lost", default=0.0)
    cooling_time: float = documented(
        "s", "after the duration: the heater is off, outside air goes through once", default=0.0
    )
    depth_deviation: float | None = documented("-", _DEPTH, default=None)
    depth_deviation_length: float | None = documented("m", _DEPTH_LENGTH, default=None)
    arrangement: str = documented("-", "how air and pellets meet", default="batch")


@dataclass(frozen=True)
class Zone:
    """One zone of a belt dryer, with fans along it: air is mixed across the belt, not along it."""

    length: float = documented("m", "length of the zone along the belt")
    airflow: float = documented("m³/s", "air through the bed of the zone, as volume of outside air", "V")
    inlet_air_temperature: float | None = documented(
        "°C", "what its heater aims at; unheated outside air if left out", default=None
    )
    recirculation: float = documented("-", _BACK, "r", default=0.0)
    air_direction: str = documented("-", _FROM, default="up")


@dataclass(frozen=True)
class Belt:
    """A belt dryer: a bed that rides through zones of different air; its speed follows from the throughput."""

    belt_width: float = documented("m", "width of the bed on the belt")
    bed_depth: float = documented("m", "depth of the bed as laid", "L")
    zones: tuple[Zone, ...] = documented("-", "zones in the order in which the pellets meet them")
    shrinkage: float = documented("-", "volume that pellets lose, per volume of water lost", default=0.0)
    depth_deviation: float | None = documented("-", _DEPTH, default=None)
    depth_deviation_length: float | None = documented("m", _DEPTH_LENGTH, default=None)
    speed_deviation: float | None = documented("-", _SPEED, default=None)
    arrangement: str = documented("-", "how air and pellets meet", default="belt")


# ---- Tables that questions read ------------------------------------------------------------------------


@dataclass(frozen=True)
class Target(Table):
    """What is wanted of the pellets that leave."""

    moisture: Given = documented(
        "kg/kg wet", "their moisture: a ceiling, or with a tolerance a band", default=None
    )
    tolerance: Given = documented("kg/kg wet", "half the width of that band", default=None)
    maximum_above_ambient: Given = documented(
        "K", "how much warmer than the air outside they may be", default=None
    )
    maximum_water_activity: Given = documented("-", "highest water activity", "a_w", default=None)
    water_activity_at: Given = documented(
        "°C", "temperature of the store in which the water activity counts", default=None
    )
    maximum_deviation: Given = documented(
        "kg/kg wet", "of a dryer: highest standard deviation of moisture over the bed", default=None
    )
    no_sweating: bool | None = documented("-", "whether pellets must not sweat in their bag", default=None)


@dataclass(frozen=True)
class Limits(Table):
    """What the machine allows: ranges of what may be set, and what must not be exceeded."""

    airflow: Range = documented("m³/s", "lowest and highest airflow", "V", default=None)
    fan_speed: Range = documented("-", "lowest and highest share of the fan's full speed", default=None)
    bed_depth: Range = documented("m", "lowest and highest depth of the bed", "L", default=None)
    residence_time: Range = documented("s", "lowest and highest time in the bed, for its depth", default=None)
    inlet_air_temperature: Range = documented(
        "°C", "lowest and highest temperature of heated air", default=None
    )
    duration: Range = documented("s", "of a batch: shortest and longest drying", "t", default=None)
    recirculation: Range = documented(
        "-", "of a batch: lowest and highest share blown in again", "r", default=None
    )
    batch_mass: Range = documented("kg", "of a batch: lightest and heaviest, for its depth", default=None)
    cooling_time: Range = documented("s", "of a batch: shortest and longest cooling", default=None)
    reverse_every: Range = documented("s", "of a batch: least and most time between reversals", default=None)
    conditioning_water: Range = documented(
        "kg/kg", "least and most water that is added to the mash, per mash", default=None
    )
    conditioning_temperature: Range = documented(
        "°C", "lowest and highest temperature to which steam takes the mash", default=None
    )
    mixing: str | None = documented(
        "-", "of a batch: either, where its pellets may be turned or not", default=None
    )
    minimum_residence_time: Given = documented(
        "s", "least time in the bed that settings and sizes choose", default=None
    )
    minimum_depth_in_deviations: Given = documented(
        "-", "least depth that they choose, in deviations of the depth that are a length", default=None
    )
    maximum_pellet_temperature: Given = documented("°C", "of the hottest pellets in a dryer", default=None)
    maximum_exhaust_relative_humidity: Given = documented(
        "-", "above it the exhaust wets the duct", default=None
    )
    maximum_lift_off: Given = documented(
        "-", "highest velocity as a share of the one that lifts the bed", default=None
    )
    maximum_bed_pressure_drop: Given = documented("Pa", "what the fan can pull", "Δp", default=None)


@dataclass(frozen=True)
class Costs(Table):
    """What it costs, in one currency."""

    electricity: Given = documented("1/J", "price of electricity", default=None)
    heat: Given = documented("1/J", "price of the heat that reaches the air", default=None)
    feed: Given = documented("1/kg", "value of the feed as sold", default=None)
    currency: str = documented("-", "of all prices; empty where none was named", default="")


@dataclass(frozen=True)
class FanData(Table):
    """What is known of the fan; equipment.fan makes a Fan of it."""

    curve: Any = documented(
        "m³/s, Pa, -", "points of airflow, pressure and perhaps efficiency at full speed", default=None
    )
    rated_flow: Given = documented("m³/s", "airflow of its rated point, in place of a curve", default=None)
    rated_pressure: Given = documented("Pa", "pressure of its rated point", default=None)
    curve_density: Given = documented("kg/m³", "air density for which the curve holds", "ρ₁", default=None)
    efficiency: Given = documented("-", "air power per shaft power", "η", default=None)
    motor_efficiency: Given = documented("-", "shaft power per electric power", "η_m", default=None)
    position: str | None = documented("-", "draw-through or blow-through", default=None)
    speed: Given = documented("-", "share of full speed, in place of an airflow", default=None)


@dataclass(frozen=True)
class DuctData(Table):
    """What is known of duct and cyclone; equipment.duct makes a Duct of it."""

    pressure_loss: Any = documented("Pa, m³/s", "loss, and the airflow at which it was found", default=None)
    leakage: Given = documented("-", "share of the fan's dry air that bypasses the bed", default=None)


@dataclass(frozen=True)
class Product:
    """A product that a cooler to buy must serve."""

    name: str = documented("-", "how the answer calls it")
    material: Material = documented("-", "what its pellets are made of")
    feed: Feed = documented("-", "its pellets as they reach the cooler")


@dataclass(frozen=True)
class DesignWeather:
    """Air outside that a size or a card is for: as typed, or of a size an hour of the weather file."""

    name: str = documented("-", "how the answer calls it")
    air: Air | None = documented("-", "the air; None where a percentile picks it", default=None)
    percentile: float | None = documented(
        "-", "share of the weather file's hours whose enthalpy is no higher", default=None
    )


@dataclass(frozen=True)
class Sizing(Table):
    """A machine to buy: what it must serve, and by which rule it is chosen."""

    margin: Given = documented(
        "-", "what fines and fouling add to the bed's pressure, as a share", default=None
    )
    bed_depth: Range = documented("m", "lowest and highest depth of the bed", "L", default=None)
    air_ratio: Range = documented("kg/kg", "lowest and highest dry air per wet feed", default=None)
    above_least: Given = documented(
        "-", "the smallest floor is taken that costs this share more to run than the best", default=None
    )
    floor_area: Given = documented("m²", "floor that is taken, in place of above_least", "A", default=None)
    freeboard: Given = documented("m", "room above the bed", default=None)
    reserve: Given = documented(
        "-", "throughput beyond that of the feed for which floor, fan and heater are", default=None
    )
    stage: str | None = documented("-", "of a line: name of the stage that is sized", default=None)
    product: tuple[Product, ...] = documented("-", "other products that it must serve", default=())
    weather: tuple[DesignWeather, ...] = documented("-", "air outside in which it must serve", default=())


@dataclass(frozen=True)
class CardData(Table):
    """What a card shows where no weather file is named."""

    weather: tuple[DesignWeather, ...] = documented("-", "the weathers of a season, as typed", default=())


@dataclass(frozen=True)
class WeatherFile(Table):
    """The air outside, hour by hour, as it stands in a file."""

    file: str | None = documented("-", "path of an EPW or CSV file", default=None)
    operating_hours: Range = documented("s", "from and to, since midnight", default=None)
    units: Mapping[str, str] = documented("-", "units of a CSV's columns", default=MappingProxyType({}))


@dataclass(frozen=True)
class ScheduleData(Table):
    """Batch after batch: what a dryer's cycle holds beside drying and cooling."""

    filling: Given = documented("s", "how long a dryer is filled", default=None)
    emptying: Given = documented("s", "how long a dryer is emptied", default=None)
    dryers: Given = documented("-", "how many dryers, alike and filled in turn", default=None)


# By the names that they have in a scenario and on a Case.
TABLES: Mapping[str, type[Table]] = MappingProxyType(
    {
        "target": Target,
        "limits": Limits,
        "costs": Costs,
        "fan": FanData,
        "duct": DuctData,
        "sizing": Sizing,
        "weather": WeatherFile,
        "card": CardData,
        "schedule": ScheduleData,
        "shift": Shift,
        "recipe": Recipe,
        "conditioning": Conditioning,
        "die": Die,
        "way": Way,
        "coating": Coating,
        "bag": Bag,
    }
)


# ---- The question ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stage:
    """One machine of a line: a Cooler, Batch or Belt, and the tables that are its own."""

    name: str = documented("-", "how the answer calls it")
    cooler: Cooler | Batch | Belt = documented("-", "the machine and its settings")
    stand_by: float = documented(
        "s", "how long pellets stand before it, closed: moisture evens out inside them", default=0.0
    )
    air: Air | None = documented("-", "the air that it draws; the line's if left out", default=None)
    fan: FanData = documented("-", "its fan", default=FanData())
    duct: DuctData = documented("-", "between its bed and its fan", default=DuctData())
    schedule: ScheduleData = documented("-", "of a batch dryer: batch after batch", default=ScheduleData())
    limits: Limits = documented("-", "what it allows", default=Limits())


@dataclass(frozen=True)
class Line:
    """Machines in a row: the pellets that leave one are the feed of the next."""

    stages: tuple[Stage, ...] = documented("-", "machines in the order in which pellets meet them")
    arrangement: str = documented("-", "how air and pellets meet", default="line")


@dataclass(frozen=True, repr=False)
class Case(Displayed):
    """One question: this feed, in this air, through this cooler or dryer."""

    title: str = documented("-", "title of the scenario")
    material: Material = documented("-", "what the pellets are made of")
    feed: Feed = documented("-", "wet pellets as they reach the cooler")
    air: Air = documented("-", "air outside")
    cooler: Any = documented("-", "the Cooler, Batch, Belt or Line and its settings")
    target: Target = documented("-", "what is wanted", default=Target())
    limits: Limits = documented(
        "-", "what the machine allows; of a line each stage has its own", default=Limits()
    )
    costs: Costs = documented("-", "what it costs", default=Costs())
    fan: FanData = documented("-", "the fan; of a line each stage has its own", default=FanData())
    duct: DuctData = documented(
        "-", "between bed and fan; of a line each stage has its own", default=DuctData()
    )
    sizing: Sizing = documented("-", "a machine to buy", default=Sizing())
    weather: WeatherFile = documented("-", "the air outside, hour by hour", default=WeatherFile())
    card: CardData = documented("-", "a season in a few weathers, for a card", default=CardData())
    schedule: ScheduleData = documented(
        "-", "of a batch dryer: batch after batch; of a line each stage has its own", default=ScheduleData()
    )
    shift: Shift = documented("-", "how long the line runs", default=Shift())
    recipe: Recipe = documented("-", "the mash before the line", default=Recipe())
    conditioning: Conditioning = documented("-", "steam and water into the mash", default=Conditioning())
    die: Die = documented("-", "the heat of the die", default=Die())
    way: Way = documented("-", "from the die to the cooler", default=Way())
    coating: Coating = documented("-", "what is put on the pellets that leave", default=Coating())
    bag: Bag = documented("-", "how they are bagged and stored", default=Bag())
    equipment: tuple[Equipment, ...] = documented("-", "the machines of the line in order", default=())
    arrival: Arrival | None = documented(
        "-", "how the feed follows from what is before the cooler; None where it is typed", default=None
    )
    safety_margins: Mapping[str, float] = documented(
        "-",
        "how far settings are to stay off each bound, by its name, in its unit",
        default=MappingProxyType({}),
    )
    source: Mapping[str, Any] = documented(
        "-", "the scenario as it was typed, for replace()", default=MappingProxyType({})
    )
    plus_minus: Mapping[str, Any] = documented(
        "-", "what was typed with a ±, by dotted key", default=MappingProxyType({})
    )
