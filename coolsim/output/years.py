"""A year as text: strategies side by side, months, and the settings chart."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case
from coolsim.machines.conditioner import HELD, ranges
from coolsim.output import dryer_year, tables, year_uncertainty
from coolsim.output.page import NARROW, Page, beside, grid, joined, pretty, table, wrapped
from coolsim.output.year_uncertainty import Sum, sums
from coolsim.scenario import units as u
from coolsim.scenario.weather import Weather
from coolsim.studies.years import Seasons, Strategy
from coolsim.studies.years.chart_answer import AS_THEY_ARE, CHART, FEED, HEATED, Chart
from coolsim.studies.years.study import check, why_no_chart
from coolsim.support.errors import Fault, joined_to
from coolsim.support.fields import Array

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SHORT = {AS_THEY_ARE: "as it is", CHART: "chart", HEATED: "chart, heat", FEED: "chart, feed"}
WORDS = {
    CHART: "follow the settings chart: fan and time in the bed by temperature and humidity outside",
    HEATED: "a chart that also heats the inlet air",
    FEED: "a chart that also says how moist the feed should come in",
}


def year(seasons: Seasons, page: Page) -> str:
    """Return the answer of a year as text."""
    parts = [
        tables.heading(seasons.case.title, page),
        wrapped(how_sure(seasons), page),
        side_by_side(seasons, page),
        hour_by_hour(seasons, page),
        notes(seasons, page),
    ]
    return joined(parts)


def how_sure(seasons: Seasons) -> str:
    """Say before all hours how far they can be relied on."""
    known = [(SHORT[s.name], s.sure.within) for s in seasons.strategies if s.sure is not None]
    if not known:
        return (
            "As computed, with every number taken as exact: how many hours may really be within target and limits, "
            "--uncertainty tells."
        )
    told = "; ".join(f"{name} {within.low:.0f} – {within.high:.0f} h" for name, within in known)
    return (
        "As computed; what is known only to some ± leaves the hours within target and limits open (19 times in "
        f"20): {told}."
    )


def hour_by_hour(seasons: Seasons, page: Page) -> str:
    """How far strategies reach, how sure that is, months, and the settings chart."""
    parts = [
        "".join(wrapped(text, page) for text in _sentences(seasons, page)),
        year_uncertainty.summary(seasons, SHORT, page),
        *(_months(seasons, strategy, page) for strategy in seasons.strategies[:2]),
        *(_chart(seasons.case, strategy, page) for strategy in seasons.strategies[1:2]),
    ]
    return joined(parts)


def notes(seasons: Seasons, page: Page) -> str:
    """What was done with the weather, and what to know of the numbers."""
    parts = [
        "".join(wrapped(text, page) for text in weather_text(seasons.weather)),
        "".join(wrapped(f"note: {text}", page) for text in _notes(seasons, page)),
    ]
    return joined(parts)


# -- strategies


def side_by_side(seasons: Seasons, page: Page) -> str:
    """Hours, product, energy and money of each strategy."""
    rows = [(one.label, *(_sum(one, s) for s in seasons.strategies)) for one in sums(seasons, page)]
    titles = ("Hours of the year", *(SHORT[s.name] for s in seasons.strategies))
    return beside([titles, *rows], page, right=range(1, len(titles)), bold=(0, 1))


def _sum(one: Sum, strategy: Strategy) -> str:
    if one.name == "reachable":
        return _out_of_reach(strategy)
    return _number(one.factor * getattr(strategy.total, one.name), one.digits)


def _out_of_reach(strategy: Strategy) -> str:
    if strategy.reachable is None:
        return ""
    return _number(strategy.hours.weather.step * float((~strategy.reachable).sum()), 0)


def _number(value: float, digits: int) -> str:
    return "unknown" if math.isnan(value) else f"{value:.{digits}f}"


def _sentences(seasons: Seasons, page: Page) -> Iterator[str]:
    for strategy in seasons.strategies[1:]:
        words = dryer_year.words(seasons.case) if _marched(seasons.case) else WORDS
        met = f"{100 * strategy.reachable_met:.1f} %"
        yield f"{SHORT[strategy.name]}: {words[strategy.name]}. It meets {met} of the hours within its reach."
    yield from _traded(seasons)
    why = why_no_chart(seasons.case)
    if why and len(seasons.strategies) == 1:
        yield f"No settings chart: {why}."


def _traded(seasons: Seasons) -> Iterator[str]:
    """What a chart gave up where no settings are right in all hours of a band."""
    missed = [s for s in seasons.strategies[1:] if not s.hours.within[s.hours.computed].all()]
    if not missed:
        return
    yield (
        "Where no settings of a chart are right in all hours of a band, those that pass a limit of the machine are "
        "fewest, then those too wet (they mould), then those too warm; those too dry cost money, and come last."
    )
    now = seasons.strategies[0].total
    for s in missed:
        t = s.total
        given = {"too wet": t.too_wet, "too warm": t.too_warm, "too dry": t.too_dry}
        parts = [f"{hours:.0f} hours {name}" for name, hours in given.items() if hours]
        if t.over_limit:
            parts.append(f"{t.over_limit:.0f} beyond a limit")
        more = " (more than as it is: nothing drier keeps the limits)" if t.too_wet > now.too_wet else ""
        yield f"{SHORT[s.name]}: so it leaves {', '.join(parts)}{more}." if parts else ""


def _marched(case: Case) -> bool:
    """Whether a case is a dryer or a line, which are marched through time."""
    return case.cooler.arrangement != "counter-flow"


# -- months


def _months(seasons: Seasons, strategy: Strategy, page: Page) -> str:
    priced, us = bool(seasons.case.costs), page.units == "us"
    per_kg = 1.0 / u.convert(1.0, "lb/h", u.MASS_FLOW) / 3600.0 if us else 1.0
    rows = []
    for month, t in strategy.months:
        sums = [t.hours, t.within, t.too_wet, t.too_dry, t.too_warm, t.given_away * per_kg]
        sums += [t.electricity + t.heat, *([t.cost] if priced else [])]
        rows.append((MONTHS[month - 1], *(_number(x, 0) for x in sums), _number(100 * t.moisture_wb, 2)))
    given = f"given, {'lb' if us else 'kg'}"
    titles = ("hours", "within", "wet", "dry", "warm", given, "kWh", *(["cost"] if priced else []), "exit %")
    return grid((SHORT[strategy.name], *titles), rows, page)


# -- the chart


def _chart(case: Case, strategy: Strategy, page: Page) -> str:
    """Return the chart: a line per cell would be long, so one table per thing to set."""
    chart = strategy.chart
    if chart is None:
        return ""
    shown = dryer_year.shown(chart, page) if _marched(case) else _of_cooler(chart, page)
    unit = pretty(page.unit(u.TEMPERATURE))
    words = f"Settings chart: temperature outside in {unit} down the side, relative humidity in % across"
    tables = (_cells(title, chart, values, digits, page) for title, values, digits in shown)
    return joined([wrapped(words, page, style="bold"), *tables])


def _of_cooler(chart: Chart, page: Page) -> Iterator[tuple[str, Array, int]]:
    """What is set on a cooler, a table each: title, values and digits."""
    if np.isfinite(chart.fan_speed).any():
        yield "Fan, %", 100 * chart.fan_speed, 0
    else:
        unit = page.unit(u.VOLUME_FLOW)
        yield f"Airflow, {pretty(unit)}", chart.airflow * u.shown(1.0, u.VOLUME_FLOW, unit), 0
    yield "Time in the bed, min", chart.residence_time / 60, 1
    yield "Feed moisture it needs, % or drier", 100 * chart.required_feed_moisture, 1


def _cells(title: str, chart: Chart, values: Array, digits: int, page: Page) -> str:
    """Return one table of the chart; a dot where no hour fell, a dash where nothing does."""
    unit = page.unit(u.TEMPERATURE)
    T = _bands([u.shown(float(t), u.TEMPERATURE, unit) for t in chart.bands.temperature])
    RH = _bands([100 * float(h) for h in chart.bands.relative_humidity])
    rows = []
    for i, band in enumerate(T):
        cells = [_cell(chart.hours[i, j], values[i, j], digits) for j in range(len(RH))]
        rows.append((band, *cells))
    if page.width >= NARROW + 20:
        text = table([("", *RH), *rows], page, right=range(1, len(RH) + 1))
        return wrapped(title, page, style="bold") + text
    return wrapped(title, page, style="bold") + "".join(
        wrapped(f"{band}: {', '.join(f'at {c} % {v}' for c, v in zip(RH, cells))}", page, indent=2)
        for band, *cells in rows
    )


def _bands(edges: list[float]) -> list[str]:
    """Return "20…24" between edges: an en dash would read as a minus below zero."""
    return [f"{a:.0f}…{b:.0f}" for a, b in itertools.pairwise(edges)]


def _cell(hours: float, value: float, digits: int) -> str:
    if not hours:
        return "·"
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


# -- the weather


def understood(case: Case, weather: Weather, page: Page) -> str:
    """Return what a year of a case would begin with, for who only checks it: its weather, and what it lacks."""
    lacking: list[Fault] = []
    with joined_to(lacking):
        check(case)
    words = [f"`coolsim seasons` would need more: {fault}." for fault in lacking]
    return "".join(wrapped(text, page) for text in (*weather_text(weather), *words))


def weather_text(w: Weather) -> Iterator[str]:
    """Yield what a file of weather holds and what was done with its rows, in sentences."""
    place = f" ({w.place})" if w.place else ""
    begin, end = (np.datetime_as_string(t, unit="m").replace("T", " ") for t in (w.time[0], w.time[-1]))
    yield f"Weather: {w.name}{place}, {len(w)} rows of {w.step:g} h from {begin} to {end}."
    for r in w.remarks:
        lines = (
            f" (line {', '.join(map(str, r.lines[:5]))}{' …' if len(r.lines) > 5 else ''})" if r.lines else ""
        )
        count = f"{r.count} " if r.count else ""
        yield f"{r.kind}: {count}{'rows: ' if count else ''}{r.found}{lines}; {r.rule}."


def _notes(seasons: Seasons, page: Page) -> Iterator[str]:
    for strategy in seasons.strategies:
        error = strategy.hours.error
        if error is None:
            yield f"{SHORT[strategy.name]}: each hour was predicted by itself."
        else:
            degrees = page.unit(u.DIFFERENCE)
            off = f"{u.shown(error.temperature, u.DIFFERENCE, degrees):.1g} {pretty(degrees)}"
            yield (
                f"{SHORT[strategy.name]}: hours are read from a map of the exit; on {error.states} hours held out "
                f"it was off by {100 * error.moisture:.1g} points and {off} at most."
            )
    if _marched(seasons.case):
        yield from dryer_year.notes(seasons)
    elif len(seasons.strategies) > 1:
        yield "throughput is of wet feed: with moister feed there is less dry feed in it, and less product."
    if ranges(seasons.case):
        yield HELD
    if seasons.case.target.tolerance is None:
        yield "drier than the target is allowed (no target.tolerance); the weight it costs is counted."
    if not seasons.case.fan and not _marched(seasons.case):
        yield "no [fan] is given: electricity is that of an assumed fan."
