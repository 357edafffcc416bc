"""The machine of a case as it is typed: a counter-flow cooler, a batch, a belt and its zones."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.support.fields import documented

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
