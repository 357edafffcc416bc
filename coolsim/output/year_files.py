"""A year as files: the hourly table and the settings chart as CSV, all of it as one line of JSON."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
import re
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import machine_of
from coolsim.output import json as as_json
from coolsim.output import quantities, year_uncertainty
from coolsim.output.json import group, head
from coolsim.studies.years import Seasons, Strategy
from coolsim.studies.years.chart_answer import Chart, Dial
from coolsim.studies.years.hours import Hours
from coolsim.support.fields import Array, written_name
from coolsim.support.visible import one_line

# What begins a formula in a spreadsheet, and does not where it begins a number
_FORMULA, _NUMBER = ("=", "+", "-", "@"), re.compile(r"[+-]?\d+(\.\d*)?")

HOURLY = (
    *("scenario", "strategy", "time", "ahead of UTC [h]", "temperature [degC]", "relative_humidity [%]"),
    *("pressure [Pa]", "airflow [m3/h]", "fan_speed [%]", "bed_depth [m]", "residence_time [min]"),
    *("inlet_air_temperature [degC]", "feed_moisture [%]", "exit_moisture [%]", "exit_temperature [degC]"),
    *("water_activity", "exhaust_temperature [degC]", "lift_off [%]", "pressure_drop [Pa]", "product [kg/h]"),
    *("given_away [kg/h]", "electricity [kW]", "heat [kW]", "cost [/h]", "within", "too_wet", "too_dry"),
    *("too_warm", "over_limit", "reachable", "computed"),
)


# Columns behind these, in files that dryers go into; empty in the rows of coolers
HOURLY_OF_DRYERS = (
    "recirculation [%]",
    "belt_speed [m/min]",
    "hottest_pellet_temperature [degC]",
    "moisture_deviation [%]",
)


def hourly(seasons: Seasons, scenario: str, of_dryers: bool = False) -> str:
    """Return the hourly table of all strategies as CSV, without its heading; flags are 1 and 0.

    of_dryers: with the columns that only dryers have.
    """
    lines = (row for strategy in seasons.strategies for row in _hours(strategy, scenario, of_dryers))
    return _csv(lines)


def _hours(strategy: Strategy, scenario: str, of_dryers: bool) -> Iterator[list[str]]:
    h, s, o, w = strategy.hours, strategy.hours.settings, strategy.hours.outcome, strategy.hours.weather
    count = len(w)
    reachable = np.full(count, np.nan) if strategy.reachable is None else strategy.reachable
    columns = [
        *(_text(x, d) for x, d in ((w.utc_offset, 2), (w.temperature, 2), (100 * w.relative_humidity, 2))),
        *(_text(x, d) for x, d in ((w.pressure, 0), (3600 * s.airflow, 1), (100 * s.fan_speed, 2))),
        *(
            _text(x, d)
            for x, d in ((s.bed_depth, 4), (s.residence_time / 60, 3), (s.inlet_air_temperature, 2))
        ),
        *(_text(x, d) for x, d in ((100 * h.feed_moisture, 3), (100 * o.moisture, 4), (o.temperature, 3))),
        *(_text(x, d) for x, d in ((o.water_activity, 4), (o.air_temperature, 2), (100 * o.lift_off, 2))),
        *(_text(x, d) for x, d in ((o.pressure_drop, 1), *((_known(x, h), 4) for x in _flows(h)))),
        *(_text(x, 0) for x in (h.within, h.too_wet, h.too_dry, h.too_warm, h.over_limit)),
        *(_text(x, 0) for x in (reachable, h.computed)),
        *(_of_dryers(h) if of_dryers else ()),
    ]
    times = np.datetime_as_string(w.time, unit="m")
    for time, *cells in zip(times, *columns):
        yield [scenario, strategy.name, str(time), *cells]


def _of_dryers(h: Hours) -> Iterator[list[str]]:
    scales = {
        "recirculation": (100, 2),
        "belt_speed": (60, 4),
        "pellet_temperature": (1, 2),
        "deviation": (100, 3),
    }
    for name, (factor, digits) in scales.items():
        values = np.full(len(h.computed), np.nan) if h.dryer is None else getattr(h.dryer, name)
        yield _text(factor * values, digits)


def _flows(h: Hours) -> tuple[Array, ...]:
    return h.product, h.given_away, h.electricity, h.heat, h.cost


def _known(values: Array, hours: Hours) -> Array:
    return np.where(hours.computed, values, np.nan)


def _text(values: Any, digits: int) -> list[str]:
    """Numbers as text; what is not known stays empty."""
    return ["" if math.isnan(v) else f"{v:.{digits}f}" for v in np.asarray(values, float)]


def _csv(rows: Iterable[list[str]]) -> str:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows([_cell(text) for text in row] for row in rows)
    return stream.getvalue()


def _cell(text: str) -> str:
    """Return a cell that no spreadsheet takes for a formula, and that shows all that is in it."""
    text = one_line(text)
    return f"'{text}" if text[:1] in _FORMULA and not _NUMBER.fullmatch(text) else text


def heading(columns: tuple[str, ...]) -> str:
    """Return the first line of a CSV."""
    return _csv([list(columns)])


# -- the chart


CHART = (
    *("scenario", "strategy", "temperature from [degC]", "to [degC]", "relative_humidity from [%]", "to [%]"),
    *("hours", "met [%]", "fan_speed [%]", "airflow [m3/h]", "bed_depth [m]", "residence_time [min]"),
    *("inlet_air_temperature [degC]", "feed_moisture [%]", "required_feed_moisture [%]"),
)


CHART_OF_DRYERS = ("recirculation [%]", "belt_speed [m/min]")


_HAVE_COLUMNS = ("airflow", "inlet_air_temperature", "duration", "recirculation", "bed_depth", "belt_speed")


def dials_of(cases: Iterable[Case]) -> dict[str, str]:
    """Columns of what [limits] opens and no other column has, by the keys of settings: of lines, and of batches."""
    found = {}
    for case in cases:
        if case.cooler.arrangement != "counter-flow":
            for s in machine_of(case).settings:
                if s.opened and (s.place or s.key not in _HAVE_COLUMNS):
                    found[s.key] = f"{s.key} [{s.quantity.unit or '%'}]"
    return found


def chart_rows(seasons: Seasons, scenario: str, of_dryers: bool = False, dials: Iterable[str] = ()) -> str:
    """Return every cell of every chart as CSV, without its heading; cells without hours are left out.

    of_dryers: with the columns that only dryers have. dials: keys of settings that have a column, too.
    """
    rows: list[list[str]] = []
    for strategy in seasons.strategies:
        if strategy.chart is not None:
            cells = _cells(strategy.chart, [scenario, strategy.name], of_dryers)
            more = _settings_of_cells(strategy.chart, tuple(dials))
            rows += ([*cell, *others] for cell, others in zip(cells, more, strict=True))
    return _csv(rows)


def _settings_of_cells(chart: Chart, dials: tuple[str, ...]) -> Iterator[list[str]]:
    """Settings by their keys, in each cell that has hours."""
    known = {dial.setting.key: dial for dial in chart.dials}
    for i, j in np.argwhere(chart.hours > 0):
        yield [_written(known[key], float(known[key].values[i, j])) if key in known else "" for key in dials]


def _written(dial: Dial, value: float) -> str:
    q = dial.setting.quantity
    shown = quantities.written(q, value)[0]
    return "" if shown is None else f"{shown if q.unit else 100 * shown:.6g}"


def _cells(chart: Chart, before: list[str], of_dryers: bool) -> Iterator[list[str]]:
    T, RH = chart.bands.temperature, 100 * chart.bands.relative_humidity
    scales = {
        "hours": (1, 1),
        "met": (100, 1),
        "fan_speed": (100, 1),
        "airflow": (3600, 0),
        "bed_depth": (1, 3),
        "residence_time": (1 / 60, 1),
        "inlet_air_temperature": (1, 1),
        "feed_moisture": (100, 2),
        "required_feed_moisture": (100, 1),
    } | ({"recirculation": (100, 1), "belt_speed": (60, 3)} if of_dryers else {})
    tables = {name: _table(chart, name) for name in scales}
    for i, j in np.argwhere(chart.hours > 0):
        edges = [f"{x:g}" for x in (T[i], T[i + 1])] + [f"{x:.0f}" for x in (RH[j], RH[j + 1])]
        values = (_text([factor * tables[n][i, j]], digits)[0] for n, (factor, digits) in scales.items())
        yield [*before, *edges, *values]


def _table(chart: Chart, name: str) -> Array:
    values = getattr(chart, name)
    return np.full(chart.hours.shape, np.nan) if values is None else np.asarray(values)


# -- JSON


def document(seasons: Seasons, scenario: str, version: str) -> dict[str, Any]:
    """Return what `seasons --json` writes of one site."""
    return {
        **head(seasons.case, scenario, version),
        "weather": _weather(seasons),
        "currency": seasons.case.costs.currency,
        "strategies": [_strategy(strategy) for strategy in seasons.strategies],
    }


def line(document: dict[str, Any]) -> str:
    """Return a document as one line of JSON."""
    return as_json.dumped(document) + "\n"


def charts(document: dict[str, Any]) -> str:
    """Return the charts of a document as one line of JSON."""
    kept = [{k: s[k] for k in ("strategy", "chart")} for s in document["strategies"] if s["chart"]]
    return line({"scenario": document["scenario"], "coolsim": document["coolsim"], "charts": kept})


def _weather(seasons: Seasons) -> dict[str, Any]:
    w = seasons.weather
    return {
        "file": w.name,
        "place": w.place,
        "rows": len(w),
        "step_h": w.step,
        "from": str(w.time[0]),
        "to": str(w.time[-1]),
        "remarks": [
            {"kind": r.kind, "count": r.count, "found": r.found, "rule": r.rule, "lines": list(r.lines[:100])}
            for r in w.remarks
        ],
    }


def _strategy(strategy: Strategy) -> dict[str, Any]:
    error, reachable = strategy.hours.error, strategy.reachable
    step = strategy.hours.weather.step
    return {
        "strategy": strategy.name,
        "method": strategy.hours.method,
        "map_error": None if error is None else dataclasses.asdict(error),
        "total": _sums(strategy.total),
        "months": [{"month": month} | _sums(sums) for month, sums in strategy.months],
        "reachable_h": None if reachable is None else step * float(reachable.sum()),
        "reachable_met": None if reachable is None else strategy.reachable_met,
        "chart": None if strategy.chart is None else _chart(strategy.chart),
    } | ({"uncertainty": year_uncertainty.written(strategy.sure)} if strategy.sure else {})


def _sums(data: Any) -> dict[str, Any]:
    unknown: dict[str, Any] = {
        f.name: None for f in dataclasses.fields(data) if math.isnan(getattr(data, f.name))
    }
    return group(dataclasses.replace(data, **unknown), "total") or {}


def _chart(chart: Chart) -> dict[str, Any]:
    """Arrays as nested lists, temperature bands outside; null where no hour fell or nothing is known."""
    written: dict[str, Any] = {}
    for field in dataclasses.fields(chart.bands):
        written[written_name(field)] = getattr(chart.bands, field.name).tolist()
    for field in dataclasses.fields(chart):
        if field.name not in ("bands", "dials") and getattr(chart, field.name) is not None:
            values = np.asarray(getattr(chart, field.name)) * field.metadata["factor"]
            name = written_name(field)
            written[name] = [[None if math.isnan(v) else float(v) for v in row] for row in values]
    return written | ({"settings": [_dial(dial) for dial in chart.dials]} if chart.dials else {})


def _dial(dial: Dial) -> dict[str, Any]:
    """One thing to set, in the unit of its quantity."""
    s, q = dial.setting, dial.setting.quantity
    values = [[quantities.written(q, float(v))[0] for v in row] for row in dial.values]
    return {"name": s.key, "stage": s.stage or None, "unit": q.unit, "values": values}
