"""Strategies of a dryer or a line: a chart of all that [limits] opens, and one that also asks for drier feed.

An hour is within reach if some settings of those opened keep everything in it. That is searched in the hardest hour
of each cell; in cells where a chart misses some hours also in their easiest and their middle one, and taken between
these by the straightest surface through them all.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Line
from coolsim.case.machine import Batch, Belt
from coolsim.machines import machine_of
from coolsim.machines.dryers import DryerSettings
from coolsim.studies.drying.batching import Request, solved_dryers
from coolsim.studies.drying.course import Predicted
from coolsim.studies.drying.problem import SearchProblem
from coolsim.studies.settings.optimum import problem_for
from coolsim.studies.years.cells import (
    Cells,
    FoundForHour,
    best_in,
    better,
    cells_of,
    followed_best,
    least_in,
    table,
    wetness,
)
from coolsim.studies.years.chart import TENTH
from coolsim.studies.years.chart_answer import Chart, Dial
from coolsim.studies.years.dryer_hours import (
    Found,
    HourlySettings,
    Index,
    MachineSite,
    as_it_is,
    followed,
    judged,
    settings_read,
)
from coolsim.studies.years.fewest_boxes import alike
from coolsim.studies.years.hours import Hours, Mask
from coolsim.studies.years.options import FEED_ABOVE, FEED_BELOW
from coolsim.studies.years.response import Response
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Followed:
    """A chart, and the year with it."""

    chart: Chart
    hours: Hours
    reachable: Mask
    violations: Array


@dataclass(frozen=True)
class Searched:
    """A place's cells with their settings, and what the search of their hardest hours found."""

    place: MachineSite
    problem: SearchProblem
    cells: Cells
    looks: list[FoundForHour | None]
    hourly: HourlySettings
    found: Found
    needed: Array  # wettest feed of each cell; nan: none


def searched(place: MachineSite, today: Found, base: Response | None) -> Searched:
    """Settings of all cells."""
    problem, cells = economical(problem_for(place.case)), cells_of(place, today)
    hourly, found, looks = followed_best(place, problem, cells, today, base)
    hourly, _ = alike(place, cells, hourly, found, base)
    found = followed(place, hourly, base)
    return Searched(place, problem, cells, looks, hourly, found, required_feeds(place, problem, cells, looks))


def economical(problem: SearchProblem) -> SearchProblem:
    """The same search, whose last predictions of dryers are without their error: hours are predicted again."""
    if problem.solve is not None:
        return problem

    def solve(asked: list[Request]) -> list[Any]:
        if asked[0].mesh != "full":
            return solved_dryers(asked)
        ends = solved_dryers([dataclasses.replace(one, mesh="quick") for one in asked])
        return [None if end is None else Predicted(None, end[:, 0]) for end in ends]  # type: ignore[arg-type]

    return dataclasses.replace(problem, solve=solve)


def chart_of(s: Searched, today: Found) -> Followed:
    """The chart of all that is opened."""
    hours = judged(s.place, s.hourly, s.found)
    return Followed(
        _chart(s, s.hourly, hours), hours, hours.within | _reachable(s, hours, today), s.found.violations
    )


def chart_alone(s: Searched) -> Chart:
    """The same chart, whatever else could be reached."""
    return _chart(s, s.hourly, judged(s.place, s.hourly, s.found))


def with_feed(s: Searched, first: Followed, base: Response | None) -> Followed:
    """The same chart, and drier feed where as it comes some hours cannot be met."""
    now, cells = s.place.case.feed.moisture, s.cells
    missed = [k for k in range(len(cells.numbers)) if not first.hours.within[cells.hours(k)].all()]
    asked = [k for k in missed if s.needed[k] < now]  # nan asks for nothing
    feed = [np.floor(s.needed[k] / TENTH + 1e-6) * TENTH for k in asked]
    looks = best_in(s.place, s.problem, [int(cells.hardest[k]) for k in asked], feed=feed)
    tried = {k: look.case for k, look in zip(asked, looks) if look is not None}
    hourly, found = better(s.place, s.hourly, s.found, tried, base)
    if hourly.cases != s.hourly.cases:
        found = followed(s.place, hourly, base)
    hours = judged(s.place, hourly, found)
    near = np.isin(cells.which, list(tried))
    return Followed(_chart(s, hourly, hours), hours, first.reachable | hours.within | near, found.violations)


def hourly_settings(place: MachineSite, chart: Chart | None) -> HourlySettings:
    """How the machine is set in each hour: as the chart says, or as it is."""
    if chart is None:
        return as_it_is(place)
    w = place.weather
    numbers, which = np.unique(chart.bands.cell(w.temperature, w.relative_humidity), return_inverse=True)
    tables = {dial.setting.sought: dial.sought for dial in chart.dials}
    tables["feed_moisture"] = chart.feed_moisture
    cells = [{key: float(values.ravel()[k]) for key, values in tables.items()} for k in numbers]
    return HourlySettings(tuple(place.machine.at(cell) for cell in cells), which)


# -- reach


def required_feeds(
    place: MachineSite, problem: SearchProblem, cells: Cells, looks: list[FoundForHour | None]
) -> Array:
    """Wettest feed with which everything can be kept in the hardest hour of each cell; nan where none does.

    Looked for from 3 points below what it is to 2 above. What must be broken is nearly straight between two feeds.
    """
    now = place.case.feed.moisture
    here = np.array([np.nan if look is None else look.least for look in looks])
    other = np.where(here > 0, max(now - FEED_BELOW, TENTH), now + FEED_ABOVE)
    there = least_in(place, problem, cells.hardest.tolist(), other.tolist(), looks)
    found = np.where((here <= 0) & (there <= 0), other, np.nan)
    open_ = np.flatnonzero((here > 0) != (there > 0))
    open_ = open_[np.isfinite(here + there)[open_]]
    if len(open_):
        between = _crossing(np.full(len(open_), now), here[open_], other[open_], there[open_])
        some = [looks[k] for k in open_]
        at = least_in(place, problem, cells.hardest[open_].tolist(), between.tolist(), some)
        same = (at > 0) == (here[open_] > 0)  # the crossing is on the other side of what was tried
        ends = np.where(same, other[open_], now), np.where(same, there[open_], here[open_])
        found[open_] = np.where(np.isfinite(at), _crossing(between, at, *ends), between)
    return found


def _crossing(a: Array, at_a: Array, b: Array, at_b: Array) -> Array:
    """Where straight lines between two points cross zero."""
    return np.asarray(a + (b - a) * at_a / np.where(at_a == at_b, 1.0, at_a - at_b))


def _reachable(s: Searched, hours: Hours, today: Found) -> Mask:
    """Hours in which some settings of those opened keep everything."""
    cells, wet = s.cells, np.nan_to_num(wetness(s.place, today), nan=-np.inf)
    found = np.ones(len(cells.which), bool)
    missed = [k for k in range(len(cells.numbers)) if not hours.within[cells.hours(k)].all()]
    if not missed:
        return found
    at, least = list(cells.hardest), [np.nan if look is None else look.least for look in s.looks]
    looks = [s.looks[k] for k in missed for _ in range(2)]
    for k in missed:
        by_wetness = cells.hours(k)[wet[cells.hours(k)].argsort()]
        at += [by_wetness[0], by_wetness[len(by_wetness) // 2]]
    more = at[len(least) :]
    least += least_in(s.place, s.problem, more, [s.place.case.feed.moisture] * len(more), looks).tolist()
    for k in missed:
        found[cells.hours(k)] = _between(s.place, np.array(at), np.array(least), cells.hours(k)) <= 0
    return found


def _between(place: MachineSite, at: Index, values: Array, hours: Index) -> Array:
    """Values known in some hours, in others: the straightest surface over temperature and humidity ratio."""
    from scipy.interpolate import RBFInterpolator

    x = place.points[:2] / np.maximum(np.ptp(place.points[:2], axis=1, keepdims=True), 1e-9)
    known = np.flatnonzero(np.isfinite(values))
    points, first = np.unique(np.round(x[:, at[known]].T, 9), axis=0, return_index=True)
    values = values[known][first]
    if len(points) < 2:
        return np.full(len(hours), values[0] if len(values) else np.inf)
    return np.asarray(RBFInterpolator(points, values, kernel="linear")(x[:, hours].T))


# -- the chart


def _chart(s: Searched, hourly: HourlySettings, hours: Hours) -> Chart:
    cells, place = s.cells, s.place
    typical = [int(cells.hours(k)[len(cells.hours(k)) // 2]) for k in range(len(cells.numbers))]
    cases = [place.during(hour, case) for hour, case in zip(typical, hourly.cases)]
    read = settings_read(cases)
    count = np.bincount(cells.which, minlength=len(cells.numbers))

    def of(values: Any) -> Array:
        return table(cells, values)

    nothing = of(np.nan)
    told: dict[str, Array] = {}
    if not isinstance(place.case.cooler, Line):
        each = [machine_of(c).named_settings(c, None) for c in cases]  # type: ignore[arg-type]
        names = (f.name for f in dataclasses.fields(DryerSettings) if not f.name.startswith("zone"))
        told = {name: of([getattr(one, name) for one in each]) for name in names}
    is_dryer = isinstance(place.case.cooler, (Batch, Belt))
    return Chart(
        bands=cells.bands,
        hours=np.nan_to_num(of(hours.weather.step * count)),
        met=of(np.bincount(cells.which, hours.within, len(cells.numbers)) / count),
        fan_speed=nothing,
        airflow=told.get("airflow", nothing),
        bed_depth=told.get("bed_depth", nothing),
        residence_time=told.get("duration", nothing),
        inlet_air_temperature=told.get("inlet_air_temperature", nothing),
        feed_moisture=of([case.feed.moisture for case in hourly.cases]),
        required_feed_moisture=of(s.needed),
        recirculation=told["recirculation"] if is_dryer else None,
        belt_speed=told["belt_speed"] if is_dryer else None,
        dials=tuple(
            Dial(
                setting,
                *(of([each.get(key, np.nan) for each in read]) for key in (setting.key, setting.sought)),
            )
            for setting in place.machine.settings
            if setting.opened
        ),
    )
