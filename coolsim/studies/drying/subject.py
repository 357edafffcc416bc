"""What a search is of: how it is set, and which of its outcomes are what; dryers here, lines in studies.line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from coolsim.case import Case
from coolsim.machines import dryers as dials
from coolsim.studies.drying.course import OUTCOMES


@dataclass(frozen=True)
class Subject:
    """Machines whose settings are searched. Outcomes are rows of arrays, told by their numbers."""

    ranges: Callable[[Case], dict[str, tuple[float, float]]]  # of the knobs that are open, by name
    dialled: Callable[[Case, Mapping[str, float]], Case]  # the case with its knobs set
    costly: tuple[int, ...]  # outcomes that costs are made of; exit moisture first
    plain: tuple[int, ...]  # outcomes that are fitted as they are, the others as logarithms


DRYERS = Subject(
    dials.ranges,
    dials.dialled,
    tuple(OUTCOMES.index(n) for n in ("moisture", "heat", "fan")),
    tuple(OUTCOMES.index(n) for n in ("temperature", "above_ambient", "pellet_temperature")),
)
