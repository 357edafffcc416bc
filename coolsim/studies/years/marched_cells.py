"""The settings chart of a dryer or a line: in each band of the weather the cheapest settings of its hardest hour.

The hardest hour of a cell is that in which most is missed on the wet side as the machine is set today. Where what
is found for it leaves hours of the cell too wet, too warm or beyond a limit of the machine, the worst of these is
searched as well, with as much room as other hours need beside it. Of what was tried the settings are kept that
give up least (`hours_given_up`), then the cheapest. Cells are searched side by side, by the search of
`drying.find`; each optimum is put on the steps of the machine's dials.
"""

from __future__ import annotations

import copy
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.machines import Setting, machine_of
from coolsim.simulate.requirements import FEASIBLE, Bounds, constraints_of
from coolsim.studies.optimise.batching import Request, Requests, answered, side_by_side
from coolsim.studies.optimise.best_states import best_alone, least_cost
from coolsim.studies.optimise.problem import SearchProblem
from coolsim.studies.optimise.search import Found as State
from coolsim.studies.optimise.search import Search, searched
from coolsim.studies.optimise.survey import Goal, best_on_survey
from coolsim.studies.years.chart import Cells, better, no_wetter
from coolsim.studies.years.hours_given_up import MARGIN, OTHER, grave, rank_of
from coolsim.studies.years.response import Response
from coolsim.studies.years.site import Found, HourlySettings, Index, Site, followed, settings_read
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array
from coolsim.support.progress import in_steps

AGAIN = 2  # how often cells are searched once more that leave hours too wet
GIVEN_UP = -1e3  # of a scale: room of a wish that is given up
FAR = 1.5  # steps to either side of an optimum that are tried, where few things are set; else one
MOST_STEPS = 25  # combinations of dial steps that are tried around an optimum


@dataclass(frozen=True)
class FoundForHour:
    """What a search found for an hour."""

    case: Case  # set so, on the dial
    least: float  # what some settings break least, in the scale of limits; ≤ 0: everything can be kept
    lacking: Array  # what its survey lacked where it was best, as `survey.smoothed` has outcomes


# -- the settings of an hour


def best_in(
    site: Site,
    problem: SearchProblem,
    hours: Sequence[int],
    rooms: Sequence[Mapping[str, float]] | None = None,
    feed: Sequence[float] | None = None,
) -> list[FoundForHour | None]:
    """The cheapest settings of some hours, side by side, and what must be broken there; None where a search fails.

    rooms: kept free before bounds, by their full names. feed: moisture of the feed in each of the hours.
    """
    rooms = [room_of(site.case)] * len(hours) if rooms is None else rooms
    cases = [_fed(site, hour, None if feed is None else feed[n]) for n, hour in enumerate(hours)]
    with in_steps(len(hours)) as step:

        def found() -> None:
            step("settings of the boxes")

        found()
        asking = [_best(case, problem, room, found) for case, room in zip(cases, rooms)]
        return answered(side_by_side(asking), problem.solve)


def least_in(
    site: Site,
    problem: SearchProblem,
    hours: Sequence[int],
    feed: Sequence[float],
    looks: Sequence[FoundForHour | None],
) -> Array:
    """What must be broken at least in some hours with some feed, in scales; nan where a search fails.

    looks: what was found for an hour in the same cell; its survey lacked as much.
    """
    cases = [_fed(site, hour, moisture) for hour, moisture in zip(hours, feed)]
    asking = [_least(case, problem, look) for case, look in zip(cases, looks)]
    return np.array(answered(side_by_side(asking), problem.solve), float)


def room_of(case: Case, spread: Array | float = 0.0) -> dict[str, float]:
    """The room that a map takes before each bound, and what other hours take beside (constraints,), in scales."""
    constraints = constraints_of(case)
    each = np.broadcast_to(spread, len(constraints))
    return {c.full_name: (MARGIN + float(x)) * c.quantity.scale for c, x in zip(constraints, each)}


def _fed(site: Site, hour: int, moisture: float | None) -> Case:
    case = site.case if moisture is None else site.machine.at({"feed_moisture": moisture})
    return site.during(hour, case)


def _best(
    case: Case, problem: SearchProblem, rooms: Mapping[str, float], found: Callable[[], None]
) -> Requests[FoundForHour | None]:
    """The cheapest settings that keep everything, or else everything but what costs no more than money."""
    lost = {c.full_name: GIVEN_UP * c.quantity.scale for c in constraints_of(case) if rank_of(c) == OTHER}
    goals = [_goal(case, problem, rooms)] + [_goal(case, problem, {**rooms, **lost})] * bool(lost)
    try:
        search = yield from searched(case, goals[0].limits, problem)
        for goal in goals:
            best = yield from best_alone(_anew(search), goal)
            if best.met:
                break
        lacking = search.lacking(best)
        nearest = _nearest_on(search, case, lacking)
        if not goals[0].limits.excesses(best.outcomes).max() <= FEASIBLE:
            nearest = (yield from _anew(search).quick(_nearest(case, problem))).cost
        set_so = yield from _on_dial(goals, best, problem)
    except NotConverged:
        return None
    finally:
        found()
    return FoundForHour(set_so, nearest, lacking)


def _least(case: Case, problem: SearchProblem, look: FoundForHour | None) -> Requests[float]:
    goal = _nearest(case, problem)
    if look is None:
        return float("nan")
    try:
        search = yield from searched(case, goal.limits, problem)
    except NotConverged:
        return float("nan")
    return _nearest_on(search, case, look.lacking)


def _nearest_on(search: Search, case: Case, lacking: Array) -> float:
    """What must be broken at least, as the survey of the whole box has it."""
    survey = _anew(search).whole
    survey.shift = survey.shift + lacking
    return best_on_survey(survey, _nearest(case, search.problem))[0]


def _anew(search: Search) -> Search:
    """The same survey once more: a search shifts it."""
    other = copy.copy(search)
    other.whole = copy.copy(search.whole)
    return other


def _goal(case: Case, problem: SearchProblem, rooms: Mapping[str, float]) -> Goal:
    return least_cost(dataclasses.replace(case, safety_margins=rooms), problem)


def _nearest(case: Case, problem: SearchProblem) -> Goal:
    """To break as little as can be of what is broken most."""
    bounds = _goal(case, problem, room_of(case)).limits
    costly = (problem.costly[0], *bounds.rows)
    return Goal(lambda outcomes: np.asarray(bounds.excesses(outcomes).max(axis=0)), Bounds((), ()), costly)


def _on_dial(goals: Sequence[Goal], best: State, problem: SearchProblem) -> Requests[Case]:
    """The best of the combinations of dial steps around a state, by what the rough mesh says they change.

    goals: the first that one of them keeps counts, else the last: steps may be wider than what is wished.
    """
    machine = machine_of(best.case)
    settings = [s for s in machine.settings if s.varies]
    at = machine.read(best.case, best.result)
    reach = FAR if len(settings) <= 2 else 1.0
    steps = list(product(*(_steps(s, at, reach) for s in settings)))
    if len(steps) > MOST_STEPS:
        some = np.random.default_rng(len(steps)).choice(len(steps), MOST_STEPS, replace=False)
        steps = [steps[k] for k in sorted({0, len(steps) - 1, *some.tolist()})]
    cases = [machine.at(dict(step)) for step in steps]
    # one march tells of every shorter time; of a line a batch's time is a setting like any other
    timed = not isinstance(best.case.cooler, Line)
    ends = [dict(step).get("duration", np.inf) if timed else np.inf for step in steps]
    marches: dict[Any, list[int]] = {}
    for k, step in enumerate(steps):
        rest = tuple(x for x in step if x[0] != "duration" or np.isinf(ends[k]))
        marches.setdefault(rest, []).append(k)
    longest = [cases[max(alike, key=ends.__getitem__)] for alike in marches.values()]
    times = [[ends[k] for k in alike] for alike in marches.values()]
    rough = yield [*map(Request, longest, times), Request(best.case)]
    if rough[-1] is None:
        raise NotConverged("the settings found did not converge", ())
    added = best.outcomes - rough[-1][:, 0]
    outcomes = np.full((len(added), len(cases)), np.nan)
    for alike, one in zip(marches.values(), rough[:-1]):
        outcomes[:, alike] = np.nan if one is None else one + added[:, None]
    for goal in goals:
        if (goal.limits.excesses(outcomes).max(axis=0) <= FEASIBLE).any():
            break
    ranks = goal.rank(outcomes)
    return cases[int(np.argmin(np.where(np.isfinite(ranks), ranks, np.inf)))]


def _steps(s: Setting, at: Mapping[str, float], reach: float) -> list[tuple[str, float]]:
    """What can be dialled in around a state; what follows from something else, by a share of that."""
    x = at[s.key]
    if not np.isfinite(x):
        return [(s.sought, at[s.sought])]
    values = s.on_dial(x - reach * s.step, x + reach * s.step)
    return [(s.sought, float(v) if s.sought == s.key else at[s.sought] * float(v) / x) for v in values]


# -- the settings of a cell


def followed_best(
    site: Site, problem: SearchProblem, cells: Cells, today: Found, base: Response | None
) -> tuple[HourlySettings, Found, list[FoundForHour | None]]:
    """Settings of every cell, what comes of them in every hour, and what the search of hardest hours found."""
    looks = best_in(site, problem, cells.hardest.tolist())
    hourly = HourlySettings(tuple(site.case if look is None else look.case for look in looks), cells.which)
    found = followed(site, hourly, base, checked=False)
    for _ in range(AGAIN):
        hard = grave(site.constraints)
        over = np.nan_to_num(found.violations[hard].max(axis=0), nan=-np.inf)
        again = [k for k in range(len(looks)) if over[cells.hours(k)].max() > FEASIBLE]
        if not again:
            break
        worst = [int(cells.hours(k)[over[cells.hours(k)].argmax()]) for k in again]
        rooms = [_rooms(site, found, cells.hours(k), hour) for k, hour in zip(again, worst)]
        others = best_in(site, problem, worst, rooms)
        tried = {k: look.case for k, look in zip(again, others) if look is not None}
        hourly, found = better(site, hourly, found, tried, base)
    hourly, found = better(site, hourly, found, _of_neighbours(site, cells, hourly, found), base)
    return *no_wetter(site, hourly, found, today, _opened_now(site)), looks


def _opened_now(site: Site) -> bool:
    """Whether [limits] allows today's settings."""
    (at,) = settings_read(site, [site.case])
    opened = (s for s in site.machine.settings if s.opened)
    return all(s.low - s.step <= at.get(s.key, np.nan) <= s.high + s.step for s in opened)


def _of_neighbours(site: Site, cells: Cells, hourly: HourlySettings, found: Found) -> dict[int, Case]:
    """For cells that miss some hours, the settings of the nearest cell that misses fewer of its own."""
    share = np.array([(found.violations[:, cells.hours(k)] > FEASIBLE).any(axis=0).mean() for k in cells.all])
    x = site.points[:2] / np.maximum(np.ptp(site.points[:2], axis=1, keepdims=True), 1e-9)
    middles = np.array([x[:, cells.hours(k)].mean(axis=1) for k in cells.all])
    tried = {}
    for k in np.flatnonzero(share > 0):
        fewer = np.flatnonzero(share < share[k])
        if len(fewer):
            tried[int(k)] = hourly.cases[fewer[((middles[fewer] - middles[k]) ** 2).sum(axis=1).argmin()]]
    return tried


def _rooms(site: Site, found: Found, hours: Index, hour: int) -> dict[str, float]:
    """As much room in an hour as keeps the others of a cell, as far as they are further off with today's chart."""
    there = np.nan_to_num(found.violations[:, hours], nan=-np.inf).max(axis=1) - found.violations[:, hour]
    return room_of(site.case, np.where(grave(site.constraints), np.maximum(there, 0.0), 0.0))
