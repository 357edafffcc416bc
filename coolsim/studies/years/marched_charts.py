"""Charts of a dryer or a line: one of all that [limits] opens, and one that also asks for drier feed.

An hour is within reach if some settings of those opened keep everything in it. That is searched in the hardest hour
of each cell; in cells where a chart misses some hours also in their easiest and their middle one, and taken between
these by the straightest surface through them all.

Marches are too dear, and their heaters and reversals too kinked, for one map over weather and settings, as coolers
have: so their settings are searched hour by hour, and a year with them is told from a few hours of each cell.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.streams import Air
from coolsim.studies.optimise.batching import Request, solved_dryers
from coolsim.studies.optimise.machines import problem_of
from coolsim.studies.optimise.march_outcomes import Predicted
from coolsim.studies.optimise.problem import SearchProblem
from coolsim.studies.years.chart import Cells, Charted, better, cells_of, chart_of, wetness
from coolsim.studies.years.chart_answer import CHART, FEED, Chart
from coolsim.studies.years.fewest_boxes import alike
from coolsim.studies.years.hours import Hours, Mask, judged_hours
from coolsim.studies.years.hours_given_up import FEED_ABOVE, FEED_BELOW, TENTH
from coolsim.studies.years.marched_cells import FoundForHour, best_in, followed_best, least_in
from coolsim.studies.years.response import Response
from coolsim.studies.years.site import Found, HourlySettings, Index, Site, checked, mapped, read
from coolsim.support.fields import Array

MOST_BANDS = 5  # either way: each cell is a search of its own


@dataclass(frozen=True)
class Searched:
    """A site's cells with their settings, and what the search of their hardest hours found."""

    site: Site
    problem: SearchProblem
    cells: Cells
    looks: list[FoundForHour | None]
    hourly: HourlySettings
    found: Found
    needed: Array  # wettest feed of each cell; nan: none


def charts(site: Site, today: Found, base: Response | None) -> Iterator[Charted]:
    """The chart of all that is opened, and the same with drier feed where as it comes some hours cannot be met."""
    s = _searched(site, today, base)
    hours = judged_hours(site, s.hourly, s.found)
    first = _charted(s, CHART, s.hourly, s.found, hours, hours.within | _reachable(s, hours, today))
    yield first
    hourly, found, near = _with_feed(s, hours, base)
    fed = judged_hours(site, hourly, found)
    yield _charted(s, FEED, hourly, found, fed, first.reachable | fed.within | near)


def chart_alone(site: Site) -> Chart:
    """The first chart, whatever could be reached."""
    base = mapped(site)
    s = _searched(site, read(site, base), base)
    return chart_of(site, s.cells, s.hourly, judged_hours(site, s.hourly, s.found), s.needed)


def _charted(
    s: Searched, name: str, hourly: HourlySettings, found: Found, hours: Hours, reachable: Mask
) -> Charted:
    return Charted(name, chart_of(s.site, s.cells, hourly, hours, s.needed), hours, found, reachable)


def _searched(site: Site, today: Found, base: Response | None) -> Searched:
    """Settings of all cells."""
    problem, cells = economical(problem_of(site.case)), cells_of(site, today, MOST_BANDS)
    hourly, found, looks = followed_best(site, problem, cells, today, base)
    hourly, found = alike(site, cells, hourly, found, base)
    needed = required_feeds(site, problem, cells, looks)
    return Searched(site, problem, cells, looks, hourly, checked(site, hourly, found, base), needed)


def economical(problem: SearchProblem) -> SearchProblem:
    """The same search, with predictions of dryers on the rough mesh and what that lacks in the hour's weather.

    What it lacks hardly hangs on settings; hours are predicted again with what is found.
    """
    if problem.solve is not None:
        return problem
    lacking: dict[Air, Array | None] = {}

    def solve(asked: list[Request]) -> list[Any]:
        if asked[0].mesh == "rough":
            return solved_dryers(asked)
        rough = solved_dryers([dataclasses.replace(one, mesh="rough") for one in asked])
        new = {one.case.air: k for k, one in enumerate(asked) if one.case.air not in lacking}
        fine = (
            solved_dryers([dataclasses.replace(asked[k], mesh="quick") for k in new.values()]) if new else []
        )
        for (air, k), one in zip(new.items(), fine):
            if one is not None and rough[k] is not None:
                lacking[air] = one - rough[k]
        ends = [
            None if end is None or one.case.air not in lacking else end + lacking[one.case.air]
            for one, end in zip(asked, rough)
        ]
        if asked[0].mesh == "quick":
            return ends
        return [None if end is None else Predicted(None, end[:, 0]) for end in ends]  # type: ignore[arg-type]

    return dataclasses.replace(problem, solve=solve)


def _with_feed(s: Searched, first: Hours, base: Response | None) -> tuple[HourlySettings, Found, Mask]:
    """The first chart with drier feed in cells that miss some hours; which hours are in those."""
    now, cells = s.site.case.feed.moisture, s.cells
    missed = [k for k in cells.all if not first.within[cells.hours(k)].all()]
    asked = [k for k in missed if s.needed[k] < now]  # nan asks for nothing
    feed = [np.floor(s.needed[k] / TENTH + 1e-6) * TENTH for k in asked]
    looks = best_in(s.site, s.problem, [int(cells.hardest[k]) for k in asked], feed=feed)
    tried = {k: look.case for k, look in zip(asked, looks) if look is not None}
    hourly, found = better(s.site, s.hourly, s.found, tried, base)
    if hourly.cases != s.hourly.cases:
        found = checked(s.site, hourly, found, base)
    return hourly, found, np.isin(cells.which, list(tried))


# -- reach


def required_feeds(
    site: Site, problem: SearchProblem, cells: Cells, looks: list[FoundForHour | None]
) -> Array:
    """Wettest feed with which everything can be kept in the hardest hour of each cell; nan where none does.

    Looked for from 3 points below what it is to 2 above. What must be broken is nearly straight between two feeds.
    """
    now = site.case.feed.moisture
    here = np.array([np.nan if look is None else look.least for look in looks])
    other = np.where(here > 0, max(now - FEED_BELOW, TENTH), now + FEED_ABOVE)
    there = least_in(site, problem, cells.hardest.tolist(), other.tolist(), looks)
    found = np.where((here <= 0) & (there <= 0), other, np.nan)
    open_ = np.flatnonzero((here > 0) != (there > 0))
    open_ = open_[np.isfinite(here + there)[open_]]
    if len(open_):
        between = _crossing(np.full(len(open_), now), here[open_], other[open_], there[open_])
        some = [looks[k] for k in open_]
        at = least_in(site, problem, cells.hardest[open_].tolist(), between.tolist(), some)
        same = (at > 0) == (here[open_] > 0)  # the crossing is on the other side of what was tried
        ends = np.where(same, other[open_], now), np.where(same, there[open_], here[open_])
        found[open_] = np.where(np.isfinite(at), _crossing(between, at, *ends), between)
    return found


def _crossing(a: Array, at_a: Array, b: Array, at_b: Array) -> Array:
    """Where straight lines between two points cross zero."""
    return np.asarray(a + (b - a) * at_a / np.where(at_a == at_b, 1.0, at_a - at_b))


def _reachable(s: Searched, hours: Hours, today: Found) -> Mask:
    """Hours in which some settings of those opened keep everything."""
    cells, wet = s.cells, np.nan_to_num(wetness(s.site, today), nan=-np.inf)
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
    least += least_in(s.site, s.problem, more, [s.site.case.feed.moisture] * len(more), looks).tolist()
    for k in missed:
        found[cells.hours(k)] = _between(s.site, np.array(at), np.array(least), cells.hours(k)) <= 0
    return found


def _between(site: Site, at: Index, values: Array, hours: Index) -> Array:
    """Values known in some hours, in others: the straightest surface over temperature and humidity ratio."""
    from scipy.interpolate import RBFInterpolator

    x = site.points[:2] / np.maximum(np.ptp(site.points[:2], axis=1, keepdims=True), 1e-9)
    known = np.flatnonzero(np.isfinite(values))
    points, first = np.unique(np.round(x[:, at[known]].T, 9), axis=0, return_index=True)
    values = values[known][first]
    if len(points) < 2:
        return np.full(len(hours), values[0] if len(values) else np.inf)
    return np.asarray(RBFInterpolator(points, values, kernel="linear")(x[:, hours].T))
