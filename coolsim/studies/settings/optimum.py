"""The best settings of any machine, exact: cheapest, driest and wettest. Two searches serve them all.

Coolers are searched on one fit of all their settings (studies.search): thousands of states are weighed at the price
of a few hundred predictions. Dryers and lines are marched through time, which costs a hundred times as much and
answers for every shorter time at once, so their search closes in with few states (studies.drying).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case, Line
from coolsim.case.result import Result
from coolsim.machines import machine_of
from coolsim.machines.base import Forecast, one
from coolsim.machines.plant import Plant
from coolsim.simulate.feed_following import in_air
from coolsim.simulate.least_bed import without_least_bed
from coolsim.simulate.requirements import FEASIBLE, AtLimit, constraints_of
from coolsim.studies.drying.batching import Requests, T, answered, side_by_side
from coolsim.studies.drying.find import best_alone, best_and_ends, cheapest, ends
from coolsim.studies.drying.problem import DRYERS, SearchProblem
from coolsim.studies.drying.search import Found, Sketch, searched
from coolsim.studies.line.outcomes import problem_of
from coolsim.studies.search import Found as FoundCooler
from coolsim.studies.settings import coolers


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
    forecast: Forecast | None = None  # of states around the best, where the search leaves one


def optima(case: Case) -> Optima:
    """The cheapest settings of a case in one weather, and its driest and wettest exit."""
    if case.cooler.arrangement == "counter-flow":
        limits, least = constraints_of(case), coolers.least_bed(case)
        plant = Plant(without_least_bed(case) if least else case)
        found = coolers.answers(case, plant, limits, least)
        best, driest, wettest = (_of_cooler(case, x.one()) for x in (found.best, found.driest, found.wettest))
        free = _of_cooler(case, found.free.one()) if found.free else None
        return Optima(
            best,
            driest,
            wettest,
            required_feed=None if found.needed is None else float(found.needed[0]),
            hardly_matters=bool(found.hardly[0]),
            without_least_bed=free,
            forecast=coolers.forecast(case, found.search, limits),
        )
    problem = problem_for(case)
    return _of_marches(answered(best_and_ends(case, problem), problem.solve))


def window(case: Case) -> tuple[Optimum, Optimum]:
    """Driest and wettest exit within the machine's limits."""
    if case.cooler.arrangement == "counter-flow":
        driest, wettest = (_of_cooler(case, found) for found in coolers.window(case))
        return driest, wettest
    problem = problem_for(case)

    def both():
        search = yield from searched(case, problem.bounds(case), problem)
        return (yield from side_by_side(ends(search)))

    driest, wettest = map(_marched, answered(both(), problem.solve))
    return driest, wettest


@dataclass(frozen=True)
class Looking:
    """How a case is looked at again and again with other safety margins, after one survey."""

    sketch: Callable[[Case], Sketch]  # nearly the cheapest settings, or those nearest to what is asked
    best: Callable[[Case], Optimum]  # the same as they are predicted
    with_ends: Callable[[Case, Optimum], Optima]  # the best of a case with the driest and wettest exit


def looking(case: Case) -> Looking:
    """Survey a case for settings with whatever safety margins."""
    if case.cooler.arrangement == "counter-flow":
        survey = coolers.surveyed(case)

        def best_of(roomy: Case) -> Optimum:
            return _of_cooler(roomy, coolers.best_of(roomy, survey))

        def sketch_of(roomy: Case) -> Sketch:
            found = best_of(roomy)
            return Sketch(found.case, found.met, found.cost)

        return Looking(sketch_of, best_of, lambda roomy, _: optima(roomy))
    problem = problem_for(case)

    def solved(search: Requests[T]) -> T:
        return answered(search, problem.solve)

    search = solved(searched(case, problem.bounds(case), problem))

    def sketched(roomy: Case) -> Sketch:
        found = solved(search.sketch(cheapest(roomy, problem)))
        return dataclasses.replace(found, case=in_air(found.case))

    def best_marched(roomy: Case) -> Optimum:
        return _marched(solved(best_alone(search, cheapest(roomy, problem))))

    def with_ends(_: Case, best: Optimum) -> Optima:
        driest, wettest = map(_marched, solved(side_by_side(ends(search))))
        return Optima(best, driest, wettest, None, False)

    return Looking(sketched, best_marched, with_ends)


def heated_inlet(case: Case, broken: Sequence[AtLimit], settings: Any) -> coolers.Heated | None:
    """What heated inlet air would do for a cooler whose moisture is out of reach; nothing for others."""
    misses = any(limit.limit == "moisture" for limit in broken)
    return (
        coolers.heated_inlet(case, settings) if misses and case.cooler.arrangement == "counter-flow" else None
    )


def problem_for(case: Case) -> SearchProblem:
    """A dryer or a line as the search of marches sees it."""
    return problem_of(case) if isinstance(case.cooler, Line) else DRYERS


def _of_cooler(case: Case, found: FoundCooler) -> Optimum:
    knobs = {name: value for name, value in found.knobs.items() if name != "feed_moisture"}
    tried = found.tried
    return Optimum(
        found.feasible, in_air(machine_of(case).at(knobs)), one(tried.result, 0), float(tried.cost.total[0])
    )


def _of_marches(states: Sequence[Found]) -> Optima:
    best, driest, wettest = (_marched(state) for state in states)
    return Optima(best, driest, wettest, None, False)


def _marched(found: Found) -> Optimum:
    return Optimum(bool((found.excess <= FEASIBLE).all()), in_air(found.case), found.result, found.cost)
