"""The settings chart of any machine: bands of temperature and relative humidity outside, and what to set in each.

What each cell is set to is chosen by the machine's own way (`cooler_cells`, `marched_cells`). Here is what all have
in common: the cells, how badly settings do in one, today's settings where they do better, and the chart itself.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import Setting
from coolsim.machines.base import bill
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.years.chart_answer import Bands, Chart, Dial, bands_of
from coolsim.studies.years.hours import Hours, Mask
from coolsim.studies.years.hours_given_up import WET, given_up, rank_of
from coolsim.studies.years.response import Response
from coolsim.studies.years.site import (
    ADDED,
    FIRST,
    OF_COOLERS,
    Found,
    HourlySettings,
    Index,
    Site,
    as_it_is,
    followed,
    set_so,
    settings_read,
)
from coolsim.support.fields import Array


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

    @property
    def all(self) -> range:
        """Cells by their place."""
        return range(len(self.numbers))


def cells_of(site: Site, today: Found, most: int) -> Cells:
    """The cells of a site's weather, `most` bands either way."""
    w = site.weather
    bands = bands_of(w.temperature, w.relative_humidity, most)
    numbers, which = np.unique(bands.cell(w.temperature, w.relative_humidity), return_inverse=True)
    wet = np.nan_to_num(wetness(site, today), nan=-np.inf)
    hardest = [int(np.flatnonzero(which == k)[wet[which == k].argmax()]) for k in range(len(numbers))]
    return Cells(bands, numbers, which, np.array(hardest, int))


def wetness(site: Site, found: Found) -> Array:
    """How far each hour is too wet, in the scale of limits (hours,)."""
    wet = np.array([rank_of(c) == WET for c in site.constraints])
    return np.asarray(found.violations[wet].max(axis=0))


def table(cells: Cells, values: Any) -> Array:
    """Values of the cells that have hours as a table (temperature bands, humidity bands), nan elsewhere."""
    shape = (len(cells.bands.temperature) - 1, len(cells.bands.relative_humidity) - 1)
    found = np.full(shape, np.nan)
    found[np.unravel_index(cells.numbers, shape)] = values
    return found


# -- which settings do better


def score(site: Site, rows: Array) -> tuple[float, ...]:
    """How badly settings do in the hours of a cell: what they give up, the gravest first, then their cost."""
    known = rows[:, np.isfinite(rows).all(axis=0)]
    failed = rows.shape[1] - known.shape[1]
    if not known.size:
        return (float(failed),)
    lost = given_up(site.constraints, known[FIRST:], np.ones(known.shape[1]))
    electricity, heat, feed, moist = known[OF_COOLERS:FIRST][: ADDED.index("hottest")]
    cost = bill(site.case, electricity, heat, feed, feed * (1 - moist), known[0])
    return (float(failed), *map(float, lost), float(np.mean(cost.per_tonne)))


def better(
    site: Site,
    hourly: HourlySettings,
    found: Found,
    tried: Mapping[int, Case],
    base: Response | None,
    is_better: Callable[[tuple[float, ...], tuple[float, ...]], bool] = operator.lt,
) -> tuple[HourlySettings, Found]:
    """In some cells the cases tried, where their score is better: where they give up less or cost less."""
    if not tried:
        return hourly, found
    at = np.flatnonzero(np.isin(hourly.which, list(tried)))
    trial = HourlySettings(tuple(tried.get(k, case) for k, case in enumerate(hourly.cases)), hourly.which)
    other = followed(site.of(at), trial.of(at), base, checked=False)
    rows, cases = found.rows.copy(), list(hourly.cases)
    for k, case in tried.items():
        here = np.flatnonzero(hourly.which[at] == k)
        old, new = found.rows[:, at[here]], other.rows[:, here]
        if is_better(score(site, new), score(site, old)):
            rows[:, at[here]], cases[k] = new, case
    return HourlySettings(tuple(cases), hourly.which), Found(rows, found.error)


def no_wetter(
    site: Site, hourly: HourlySettings, found: Found, today: Found, allowed: bool
) -> tuple[HourlySettings, Found]:
    """Today's settings in cells where they give up less; `allowed`: whether [limits] has them."""
    if not allowed:
        return hourly, found
    rows, cases = found.rows.copy(), list(hourly.cases)
    for k in range(len(cases)):
        here = np.flatnonzero(hourly.which == k)
        old = today.rows[:, here]
        if score(site, old)[:-2] < score(site, found.rows[:, here])[:-2]:
            rows[:, here], cases[k] = old, site.case
    return HourlySettings(tuple(cases), hourly.which), Found(rows, found.error)


# -- the chart


@dataclass(frozen=True)
class Charted:
    """A chart, and the year with it."""

    name: str
    chart: Chart
    hours: Hours
    found: Found
    reachable: Mask


def chart_of(
    site: Site, cells: Cells, hourly: HourlySettings, hours: Hours, needed: Array, fan: Setting | None = None
) -> Chart:
    """The chart that was followed; needed: wettest feed of each cell.

    fan: its dial, where it is a cooler's speed that is set: it hardly varies within a cell, and is told to a step.
    """
    count = np.bincount(cells.which, minlength=len(cells.numbers))
    s, heaters = (
        hours.settings,
        [getattr(case.cooler, "inlet_air_temperature", None) for case in hourly.cases],
    )

    def of(values: Any) -> Array:
        return table(cells, values)

    def middle(values: Array) -> Array:
        return of([np.median(values[cells.hours(k)]) for k in cells.all])

    speed = middle(s.fan_speed)
    own = {name: middle(getattr(s, name)) for name in ("airflow", "bed_depth", "residence_time")}
    if is_dryer(site.case):
        own |= {name: middle(getattr(hours.dryer, name)) for name in ("recirculation", "belt_speed")}
    return Chart(
        bands=cells.bands,
        hours=np.nan_to_num(of(hours.weather.step * count)),
        met=of(np.bincount(cells.which, hours.within, len(cells.numbers)) / count),
        fan_speed=speed if fan is None else np.rint(speed / fan.step) * fan.step,
        # of a cooler what its heater is set to, if it is: air that comes in is warmer than that at times
        inlet_air_temperature=middle(s.inlet_air_temperature)
        if site.marched
        else of(np.array(heaters, float)),
        feed_moisture=of([case.feed.moisture for case in hourly.cases]),
        required_feed_moisture=of(needed),
        dials=_dials(site, cells, hourly) if site.marched else (),
        **own,
    )


def _dials(site: Site, cells: Cells, hourly: HourlySettings) -> tuple[Dial, ...]:
    """What is set in the middle hour of each cell."""
    typical = [int(cells.hours(k)[len(cells.hours(k)) // 2]) for k in cells.all]
    read = settings_read(site, [site.during(hour, case) for hour, case in zip(typical, hourly.cases)])
    return tuple(
        Dial(s, *(table(cells, [each.get(key, np.nan) for each in read]) for key in (s.key, s.sought)))
        for s in site.machine.settings
        if s.opened
    )


def hourly_settings(site: Site, chart: Chart | None) -> HourlySettings:
    """How the machine is set in each hour: as the chart says, or as it is."""
    if chart is None:
        return as_it_is(site)
    w = site.weather
    numbers, which = np.unique(chart.bands.cell(w.temperature, w.relative_humidity), return_inverse=True)
    names = () if site.marched else ("airflow", "bed_depth", "inlet_air_temperature")
    tables = {dial.setting.sought: dial.sought for dial in chart.dials}
    tables |= {name: getattr(chart, name) for name in (*names, "feed_moisture")}
    cells = [{key: float(values.ravel()[k]) for key, values in tables.items()} for k in numbers]
    return HourlySettings(tuple(set_so(site, cell) for cell in cells), which)
