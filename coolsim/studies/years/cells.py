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
import operator
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.machines import Setting, machine_of
from coolsim.machines.base import bill
from coolsim.simulate.requirements import FEASIBLE, Bounds, constraints_of
from coolsim.studies.drying.batching import Request, Requests, answered, side_by_side
from coolsim.studies.drying.find import best_alone, cheapest
from coolsim.studies.drying.problem import SearchProblem
from coolsim.studies.drying.search import Found as State
from coolsim.studies.drying.search import Search, searched
from coolsim.studies.drying.survey import Goal, best_on_survey, forth, smoothed
from coolsim.studies.years.chart import MARGIN
from coolsim.studies.years.chart_answer import Bands, bands_of
from coolsim.studies.years.dryer_hours import (
    OF_COOLERS,
    Found,
    HourlySettings,
    Index,
    MachineSite,
    followed,
    settings_read,
)
from coolsim.studies.years.hours_given_up import OTHER, WET, given_up, grave, rank_of
from coolsim.studies.years.response import Response
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array
from coolsim.support.progress import in_steps

MOST_BANDS = 5  # either way: each cell is a search of its own
AGAIN = 2  # how often cells are searched once more that leave hours too wet
GIVEN_UP = -1e3  # of a scale: room of a wish that is given up
FAR = 1.5  # steps to either side of an optimum that are tried, where few things are set; else one
MOST_STEPS = 25  # combinations of dial steps that are tried around an optimum


@dataclass(frozen=True)
class Cells:
    """The bands of the weather that have hours in them."""

    bands: Bands
    numbers: Index  # of the cells, as `Bands.cell` counts
    which: Index  # cell of each hour, by its place in `numbers`
    hardest: Index  # hour of each cell

    def hours(self, k: int) -> Index:
        """The hours of a cell."""
        return np.flatnonzero(self.which == k)


@dataclass(frozen=True)
class FoundForHour:
    """What a search found for an hour."""

    case: Case  # set so, on the dial
    least: float  # what some settings break least, in the scale of limits; ≤ 0: everything can be kept
    lacking: Array  # what its survey lacked where it was best, as `survey.smoothed` has outcomes


def cells_of(place: MachineSite, today: Found) -> Cells:
    """The cells of a place's weather."""
    w = place.weather
    bands = bands_of(w.temperature, w.relative_humidity, MOST_BANDS)
    numbers, which = np.unique(bands.cell(w.temperature, w.relative_humidity), return_inverse=True)
    wet = np.nan_to_num(wetness(place, today), nan=-np.inf)
    hardest = [int(np.flatnonzero(which == k)[wet[which == k].argmax()]) for k in range(len(numbers))]
    return Cells(bands, numbers, which, np.array(hardest, int))


def wetness(place: MachineSite, found: Found) -> Array:
    """How far each hour is too wet, in the scale of limits (hours,)."""
    wet = np.array([rank_of(c) == WET for c in place.constraints])
    return np.asarray(found.violations[wet].max(axis=0))


# -- the settings of an hour


def best_in(
    place: MachineSite,
    problem: SearchProblem,
    hours: Sequence[int],
    rooms: Sequence[Mapping[str, float]] | None = None,
    feed: Sequence[float] | None = None,
) -> list[FoundForHour | None]:
    """The cheapest settings of some hours, side by side, and what must be broken there; None where a search fails.

    rooms: kept free before bounds, by their full names. feed: moisture of the feed in each of the hours.
    """
    rooms = [room_of(place.case)] * len(hours) if rooms is None else rooms
    cases = [_fed(place, hour, None if feed is None else feed[n]) for n, hour in enumerate(hours)]
    with in_steps(len(hours)) as step:

        def found() -> None:
            step("settings of the boxes")

        found()
        asking = [_best(case, problem, room, found) for case, room in zip(cases, rooms)]
        return answered(side_by_side(asking), problem.solve)


def least_in(
    place: MachineSite,
    problem: SearchProblem,
    hours: Sequence[int],
    feed: Sequence[float],
    looks: Sequence[FoundForHour | None],
) -> Array:
    """What must be broken at least in some hours with some feed, in scales; nan where a search fails.

    looks: what was found for an hour in the same cell; its survey lacked as much.
    """
    cases = [_fed(place, hour, moisture) for hour, moisture in zip(hours, feed)]
    asking = [_least(case, problem, look) for case, look in zip(cases, looks)]
    return np.array(answered(side_by_side(asking), problem.solve), float)


def room_of(case: Case, spread: Array | float = 0.0) -> dict[str, float]:
    """The room that a map takes before each bound, and what other hours take beside (constraints,), in scales."""
    constraints = constraints_of(case)
    each = np.broadcast_to(spread, len(constraints))
    return {c.full_name: (MARGIN + float(x)) * c.quantity.scale for c, x in zip(constraints, each)}


def _fed(place: MachineSite, hour: int, moisture: float | None) -> Case:
    case = place.case if moisture is None else place.machine.at({"feed_moisture": moisture})
    return place.during(hour, case)


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
        lacking = _lacking(search, best)
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


def _lacking(search: Search, known: State) -> Array:
    """What the survey of the whole box lacks at a state that was predicted."""
    whole = search.whole
    u = np.array([forth(name, known.knobs[name]) for name in search.box.names])
    there = whole.one(u, known.knobs.get("duration", float(whole.times[-1])))
    return np.asarray(smoothed(known.outcomes, whole.plain) - there)


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
    return cheapest(dataclasses.replace(case, safety_margins=rooms), problem)


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
    longest = [cases[max(some, key=ends.__getitem__)] for some in marches.values()]
    times = [[ends[k] for k in some] for some in marches.values()]
    rough = yield [*map(Request, longest, times), Request(best.case)]
    if rough[-1] is None:
        raise NotConverged("the settings found did not converge", ())
    added = best.outcomes - rough[-1][:, 0]
    outcomes = np.full((len(added), len(cases)), np.nan)
    for some, one in zip(marches.values(), rough[:-1]):
        outcomes[:, some] = np.nan if one is None else one + added[:, None]
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
    place: MachineSite, problem: SearchProblem, cells: Cells, today: Found, base: Response | None
) -> tuple[HourlySettings, Found, list[FoundForHour | None]]:
    """Settings of every cell, what comes of them in every hour, and what the search of hardest hours found."""
    looks = best_in(place, problem, cells.hardest.tolist())
    hourly = HourlySettings(tuple(place.case if look is None else look.case for look in looks), cells.which)
    found = followed(place, hourly, base, checked=False)
    for _ in range(AGAIN):
        hard = grave(place.constraints)
        over = np.nan_to_num(found.violations[hard].max(axis=0), nan=-np.inf)
        again = [k for k in range(len(looks)) if over[cells.hours(k)].max() > FEASIBLE]
        if not again:
            break
        worst = [int(cells.hours(k)[over[cells.hours(k)].argmax()]) for k in again]
        rooms = [_rooms(place, found, cells.hours(k), hour) for k, hour in zip(again, worst)]
        others = best_in(place, problem, worst, rooms)
        tried = {k: look.case for k, look in zip(again, others) if look is not None}
        hourly, found = better(place, hourly, found, tried, base)
    hourly, found = better(place, hourly, found, _of_neighbours(place, cells, hourly, found), base)
    return *_no_wetter(place, hourly, found, today), looks


def _of_neighbours(place: MachineSite, cells: Cells, hourly: HourlySettings, found: Found) -> dict[int, Case]:
    """For cells that miss some hours, the settings of the nearest cell that misses fewer of its own."""
    share = np.array(
        [(found.violations[:, cells.hours(k)] > FEASIBLE).any(axis=0).mean() for k in _all(cells)]
    )
    x = place.points[:2] / np.maximum(np.ptp(place.points[:2], axis=1, keepdims=True), 1e-9)
    middles = np.array([x[:, cells.hours(k)].mean(axis=1) for k in _all(cells)])
    tried = {}
    for k in np.flatnonzero(share > 0):
        fewer = np.flatnonzero(share < share[k])
        if len(fewer):
            tried[int(k)] = hourly.cases[fewer[((middles[fewer] - middles[k]) ** 2).sum(axis=1).argmin()]]
    return tried


def _all(cells: Cells) -> range:
    return range(len(cells.numbers))


def _rooms(place: MachineSite, found: Found, hours: Index, hour: int) -> dict[str, float]:
    """As much room in an hour as keeps the others of a cell, as far as they are further off with today's chart."""
    there = np.nan_to_num(found.violations[:, hours], nan=-np.inf).max(axis=1) - found.violations[:, hour]
    return room_of(place.case, np.where(grave(place.constraints), np.maximum(there, 0.0), 0.0))


def better(
    place: MachineSite,
    hourly: HourlySettings,
    found: Found,
    tried: Mapping[int, Case],
    base: Response | None,
    is_better: Callable[[tuple[float, ...], tuple[float, ...]], bool] = operator.lt,
) -> tuple[HourlySettings, Found]:
    """In some hourly the cases tried, where their score is better: where they give up less or cost less."""
    if not tried:
        return hourly, found
    at = np.flatnonzero(np.isin(hourly.which, list(tried)))
    trial = HourlySettings(tuple(tried.get(k, case) for k, case in enumerate(hourly.cases)), hourly.which)
    other = followed(place.of(at), trial.of(at), base, checked=False)
    rows, cases = found.rows.copy(), list(hourly.cases)
    for k, case in tried.items():
        here = np.flatnonzero(hourly.which[at] == k)
        old, new = found.rows[:, at[here]], other.rows[:, here]
        if is_better(score(place, case, new), score(place, hourly.cases[k], old)):
            rows[:, at[here]], cases[k] = new, case
    return HourlySettings(tuple(cases), hourly.which), Found(rows, found.error)


def _no_wetter(
    place: MachineSite, hourly: HourlySettings, found: Found, today: Found
) -> tuple[HourlySettings, Found]:
    """Today's settings in cells where they give up less, if [limits] allows them."""
    (at,) = settings_read([place.case])
    opened = [s for s in place.machine.settings if s.opened]
    if any(not s.low - s.step <= at.get(s.key, np.nan) <= s.high + s.step for s in opened):
        return hourly, found
    rows, cases = found.rows.copy(), list(hourly.cases)
    for k, case in enumerate(hourly.cases):
        here = np.flatnonzero(hourly.which == k)
        old = today.rows[:, here]
        if score(place, place.case, old)[:-2] < score(place, case, found.rows[:, here])[:-2]:
            rows[:, here], cases[k] = old, place.case
    return HourlySettings(tuple(cases), hourly.which), Found(rows, found.error)


def score(place: MachineSite, case: Case, rows: Array) -> tuple[float, ...]:
    """How badly settings do in the hours of a cell: what they give up, the gravest first, then their cost."""
    known = rows[:, np.isfinite(rows).all(axis=0)]
    failed = rows.shape[1] - known.shape[1]
    if not known.size:
        return (float(failed),)
    lost = given_up(place.constraints, known[len(rows) - len(place.constraints) :], np.ones(known.shape[1]))
    electricity, heat, feed = known[OF_COOLERS : OF_COOLERS + 3]
    cost = bill(place.case, electricity, heat, feed, feed * (1 - case.feed.moisture), known[0])
    return (float(failed), *map(float, lost), float(np.mean(cost.per_tonne)))


def table(cells: Cells, values: Any) -> Array:
    """Values of the cells that have hours as a table (temperature bands, humidity bands), nan elsewhere."""
    shape = (len(cells.bands.temperature) - 1, len(cells.bands.relative_humidity) - 1)
    found = np.full(shape, np.nan)
    found[np.unravel_index(cells.numbers, shape)] = values
    return found
