"""The best settings of any machine, exact: cheapest, driest and wettest. One search serves them all.

What a machine is to it stands in its `SearchProblem`: how it is set, what comes of it, what a state costs to try.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.feed_following import in_air
from coolsim.simulate.requirements import FEASIBLE
from coolsim.studies.optimise.batching import Requests, T, answered, side_by_side
from coolsim.studies.optimise.find import best_alone, best_states, cheapest, ends
from coolsim.studies.optimise.machines import problem_of
from coolsim.studies.optimise.search import Found, Search, Sketch, searched


@dataclass(frozen=True)
class Optimum:
    """A state that was searched, and predicted: the case set so."""

    met: bool  # whether it keeps what it was to keep
    case: Case
    result: Result
    cost: float  # per hour

    @property
    def moisture(self) -> float:
        """Exit moisture [kg/kg wet]."""
        return float(self.result.pellets_out.moisture_wb)


@dataclass(frozen=True)
class Optima:
    """What a search finds."""

    best: Optimum  # the cheapest that keeps everything, or the one nearest to that
    driest: Optimum  # within the machine's limits, whatever is wished
    wettest: Optimum
    required_feed: float | None  # wettest feed that can meet the target; nan: none; None: not looked for
    hardly_matters: bool  # whether the depth of the bed could change at next to no cost
    without_least_bed: Optimum | None = None  # the best then, where it was searched beside


def optima(case: Case) -> Optima:
    """The cheapest settings of a case in one weather, and its driest and wettest exit."""
    problem = problem_of(case)
    found = answered(best_states(case, problem), problem.solve)
    best, driest, wettest = map(_optimum, (found.best, found.driest, found.wettest))
    free = None if found.without_least_bed is None else _optimum(found.without_least_bed)
    return Optima(best, driest, wettest, found.required_feed, found.hardly_matters, free)


def cheapest_alone(case: Case) -> Optimum:
    """The cheapest settings of a case in one weather, or those nearest to what is asked."""
    return looking(case).best(case)


def window(case: Case) -> tuple[Optimum, Optimum]:
    """Driest and wettest exit within the machine's limits."""
    return looking(case).ends()


@dataclass(frozen=True)
class Looking:
    """How a case is looked at again and again with other safety margins, after one survey."""

    sketch: Callable[[Case], Sketch]  # nearly the cheapest settings, or those nearest to what is asked
    best: Callable[[Case], Optimum]  # the same as they are predicted
    ends: Callable[[], tuple[Optimum, Optimum]]  # the driest and wettest exit, whatever is asked


def looking(case: Case) -> Looking:
    """Survey a case for settings with whatever safety margins."""
    problem = problem_of(case)

    def solved(search: Requests[T]) -> T:
        return answered(search, problem.solve)

    search: Search = solved(searched(case, problem.bounds(case), problem))

    def sketch_of(roomy: Case) -> Sketch:
        found = solved(search.sketch(cheapest(roomy, problem)))
        return dataclasses.replace(found, case=in_air(found.case))

    def best_of(roomy: Case) -> Optimum:
        return _optimum(solved(best_alone(search, cheapest(roomy, problem))))

    def both_ends() -> tuple[Optimum, Optimum]:
        driest, wettest = map(_optimum, solved(side_by_side(ends(search))))
        return driest, wettest

    return Looking(sketch_of, best_of, both_ends)


def _optimum(found: Found) -> Optimum:
    return Optimum(bool((found.excess <= FEASIBLE).all()), in_air(found.case), found.result, found.cost)
