"""Tables of a case that questions read: what is wanted, allowed and paid, fan and duct, what is to be bought."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from coolsim.case.line_parts import Bag, Coating, Conditioning, Die, Recipe, Shift, Way
from coolsim.case.quantities import maximum
from coolsim.case.streams import Air, Feed
from coolsim.case.table import Given, Range, Table
from coolsim.physics.materials import Material
from coolsim.support.fields import documented


@dataclass(frozen=True)
class Target(Table):
    """What is wanted of the pellets that leave."""

    moisture: Given = documented(
        "kg/kg wet", "their moisture: a ceiling, or with a tolerance a band", default=None
    )
    tolerance: Given = documented("kg/kg wet", "half the width of that band", default=None)
    maximum_above_ambient: Given = maximum("above_ambient", "K")
    maximum_water_activity: Given = maximum("water_activity", "-", "a_w")
    maximum_deviation: Given = maximum("deviation", "kg/kg wet")
    water_activity_at: Given = documented(
        "°C", "temperature of the store in which the water activity counts", default=None
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
    maximum_pellet_temperature: Given = maximum("pellet_temperature", "°C")
    maximum_lift_off: Given = maximum("lift_off", "-")
    maximum_exhaust_relative_humidity: Given = maximum("exhaust_relative_humidity", "-")
    maximum_bed_pressure_drop: Given = maximum("bed_pressure_drop", "Pa", "Δp")


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
