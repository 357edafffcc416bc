"""The best settings of any machine, exact: cheapest, driest and wettest. One search serves them all.

What a machine is to it stands in its `SearchProblem`: how it is set, what comes of it, what a state costs to try.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.feed_following import in_air
from coolsim.simulate.requirements import Constraint
from coolsim.studies.optimise.batching import Requests, T, answered, side_by_side
from coolsim.studies.optimise.best_states import best_alone, best_of, best_states, ends, least_cost
from coolsim.studies.optimise.machines import problem_of
from coolsim.studies.optimise.search import Found, Search, Sketch, predict_state, searched


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
    without_least_bed: Optimum | None  # the best then, where it was searched beside
    again: RepeatedSearch


HALVINGS = 5  # in search of how much room there is


def between(low: dict[str, float], high: dict[str, float], share: float) -> dict[str, float]:
    """Safety margins between two; one that the lower lacks is nothing there."""
    return {name: low.get(name, 0.0) + share * (x - low.get(name, 0.0)) for name, x in high.items()}


class RepeatedSearch:
    """A search that is asked again and again, with other safety margins, after one survey."""

    def __init__(self, search: Search, best: Found) -> None:
        self._search, self._problem, self._best = search, search.problem, best

    def sketch(self, roomy: Case) -> Sketch:
        """Nearly the cheapest settings, or those nearest to what is asked: as a survey has them."""
        found = self._solved(self._search.sketch(least_cost(roomy, self._problem), self._best))
        return dataclasses.replace(found, case=in_air(found.case))

    def within(self, case: Case, low: dict[str, float], high: dict[str, float]) -> dict[str, float]:
        """Nearly the largest safety margins between two that some settings have; some have the lower."""
        a, b = 0.0, 1.0
        for _ in range(HALVINGS):
            share = 0.5 * (a + b)
            roomy = dataclasses.replace(case, safety_margins=between(low, high, share))
            reached = self._search.reaches(least_cost(roomy, self._problem), self._best)
            a, b = (share, b) if reached else (a, share)
        return between(low, high, a * (1 - 0.5**HALVINGS))

    def values(self, sketch: Sketch, constraints: Sequence[Constraint]) -> dict[str, float]:
        """What a sketch has of what is bounded, and its exit."""
        row = self._problem.row
        keys = {c.key for c in constraints} | {"moisture"}
        return {key: float(sketch.outcomes[row(key)]) for key in keys}

    def predict(self, roomy: Case, sketch: Sketch) -> Optimum:
        """What was sketched as it is predicted."""
        goal, search = least_cost(roomy, self._problem), self._search
        return _optimum(self._solved(predict_state(search.case, goal, sketch.knobs, self._problem)))

    def best(self, roomy: Case) -> Optimum:
        """The cheapest settings, or those nearest to what is asked."""
        return _optimum(self._solved(best_alone(self._search, least_cost(roomy, self._problem))))

    def _solved(self, asking: Requests[T]) -> T:
        return answered(asking, self._problem.solve)


def optima(case: Case) -> Optima:
    """The cheapest settings of a case in one weather, and its driest and wettest exit."""
    problem = problem_of(case)
    found = answered(best_states(case, problem), problem.solve)
    best, driest, wettest = map(_optimum, (found.best, found.driest, found.wettest))
    free = None if found.without_least_bed is None else _optimum(found.without_least_bed)
    again = RepeatedSearch(found.search, found.best)
    return Optima(best, driest, wettest, found.required_feed, found.hardly_matters, free, again)


def optimum_of(case: Case) -> Optimum:
    """The cheapest settings of a case in one weather, or those nearest to what is asked."""
    problem = problem_of(case)
    return _optimum(answered(best_of(case, problem), problem.solve))


def window(case: Case) -> tuple[Optimum, Optimum]:
    """Driest and wettest exit within the machine's limits."""
    problem = problem_of(case)
    search = answered(searched(case, problem.bounds(case), problem), problem.solve)
    driest, wettest = map(_optimum, answered(side_by_side(ends(search)), problem.solve))
    return driest, wettest


def _optimum(found: Found) -> Optimum:
    return Optimum(found.met, in_air(found.case), found.result, found.cost)
