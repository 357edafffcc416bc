"""What a search is of: how it is set, what comes of it, what that costs and what it must keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case
from coolsim.case.costs import Cost
from coolsim.machines import dryers
from coolsim.simulate.requirements import Bounds, bounds_on, constraints_of
from coolsim.studies.drying.course import OUTCOMES
from coolsim.support.fields import Array

Solve = Callable[
    [list[Any]], list[Any]
]  # what searches ask for side by side (batching.Request): its outcomes


@dataclass(frozen=True)
class SearchProblem:
    """Machines whose settings are searched. Outcomes are rows of arrays, told by their numbers."""

    ranges: Callable[[Case], Mapping[str, tuple[float, float]]]  # of the knobs that are open, by name
    with_settings: Callable[[Case, Mapping[str, float]], Case]  # the case with its knobs set
    row: Callable[[str], int]  # number of the outcome of a constraint's key
    costly: tuple[int, ...]  # outcomes that costs are made of; exit moisture first
    plain: tuple[int, ...]  # outcomes that are fitted as they are, the others as logarithms
    whole: Callable[[Array], Array] = lambda outcomes: outcomes  # (outcomes, …) as of one machine, OUTCOMES
    solve: Solve | None = None  # None: dryers, as studies.drying.batching solves them

    def bounds(self, case: Case) -> Bounds:
        """Everything that a state must keep."""
        return bounds_on(constraints_of(case), self.row)

    def bill(self, case: Case, outcomes: Array) -> Cost:
        """What running costs."""
        return dryers.running_cost(case, dict(zip(OUTCOMES, self.whole(outcomes))))


DRYERS = SearchProblem(
    dryers.ranges,
    dryers.with_settings,
    OUTCOMES.index,
    tuple(map(OUTCOMES.index, ("moisture", "heat", "fan"))),
    tuple(map(OUTCOMES.index, ("temperature", "above_ambient", "pellet_temperature"))),
)
