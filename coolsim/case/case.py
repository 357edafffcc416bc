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

from coolsim.case.line_parts import Arrival, Bag, Coating, Conditioning, Die, Equipment, Recipe, Shift, Way
from coolsim.case.machine import Batch, Belt, Cooler
from coolsim.case.streams import Air, Feed
from coolsim.case.tables import (
    CardData,
    Costs,
    DuctData,
    FanData,
    Limits,
    ScheduleData,
    Sizing,
    Target,
    WeatherFile,
)
from coolsim.physics.materials import Material
from coolsim.support.display import Displayed
from coolsim.support.fields import documented


def read_only(mapping: Mapping[Any, Any]) -> MappingProxyType[Any, Any]:
    """Return a read-only view of a mapping: what a pickled one becomes again."""
    return MappingProxyType(dict(mapping))


# Python itself cannot pickle its read-only mappings, and cases travel to other processes
copyreg.pickle(MappingProxyType, lambda mapping: (read_only, (dict(mapping),)))


# ---- Tables that questions read ------------------------------------------------------------------------


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
    units: str = documented(
        "-", "in which steps of dials, sizes and motors are round numbers: si or us", default="si"
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
