"""What is asked: one cooler, its feed and its air, as frozen data in SI units.

Temperatures are in °C and fractions are fractions (0.12); everything else is SI. The text side
(units, files, faults) lives in `scenario`. Every public field carries its symbol, unit and meaning as
metadata: the glossary in DEVELOPERS.md is held complete against it.
"""

from __future__ import annotations

import copyreg
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from coolsim.fields import Number, documented
from coolsim.physics.air import STANDARD_PRESSURE
from coolsim.physics.materials import Diffusivity, Isotherm, Material, Provenance

__all__ = [
    "Air",
    "Batch",
    "Belt",
    "Case",
    "Cooler",
    "DesignWeather",
    "Diffusivity",
    "Feed",
    "Isotherm",
    "Line",
    "Material",
    "Product",
    "Provenance",
    "Stage",
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


@dataclass(frozen=True)
class Stage:
    """One machine of a line: a Cooler, Batch or Belt, and the tables that are its own."""

    name: str = documented("-", "how the answer calls it")
    cooler: Cooler | Batch | Belt = documented("-", "the machine and its settings")
    stand_by: float = documented(
        "s", "how long pellets stand before it, closed: moisture evens out inside them", default=0.0
    )
    air: Air | None = documented("-", "the air that it draws; the line's if left out", default=None)
    tables: Mapping[str, Any] = documented(
        "-", "its own tables (fan, duct, …), read and in SI", default=MappingProxyType({})
    )


@dataclass(frozen=True)
class Line:
    """Machines in a row: the pellets that leave one are the feed of the next."""

    stages: tuple[Stage, ...] = documented("-", "machines in the order in which pellets meet them")
    arrangement: str = documented("-", "how air and pellets meet", default="line")


@dataclass(frozen=True)
class Product:
    """A product that a cooler to buy must serve."""

    name: str = documented("-", "how the answer calls it")
    material: Material = documented("-", "what its pellets are made of")
    feed: Feed = documented("-", "its pellets as they reach the cooler")


@dataclass(frozen=True)
class DesignWeather:
    """Air outside in which a cooler to buy must serve: as typed, or an hour of the weather file."""

    name: str = documented("-", "how the answer calls it")
    air: Air | None = documented("-", "the air; None where a percentile picks it", default=None)
    percentile: float | None = documented(
        "-", "share of the weather file's hours whose enthalpy is no higher", default=None
    )


@dataclass(frozen=True)
class Case:
    """One question: this feed, in this air, through this cooler or dryer."""

    title: str = documented("-", "title of the scenario")
    material: Material = documented("-", "what the pellets are made of")
    feed: Feed = documented("-", "wet pellets as they reach the cooler")
    air: Air = documented("-", "air outside")
    cooler: Any = documented("-", "the Cooler, Batch, Belt or Line and its settings")
    tables: Mapping[str, Any] = documented(
        "-", "the scenario's other tables (target, limits, …), read and in SI", default=MappingProxyType({})
    )
    source: Mapping[str, Any] = documented(
        "-", "the scenario as it was typed, for replace()", default=MappingProxyType({})
    )
    plus_minus: Mapping[str, Any] = documented(
        "-", "what was typed with a ±, by dotted key", default=MappingProxyType({})
    )
