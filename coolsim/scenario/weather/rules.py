"""Rows → a record to compute with: what is impossible, double or absent is left out by these rules, and counted.

1. A row without temperature or humidity, or with one outside of what nature allows, is left out. Where the file
   has a dew point beside a missing relative humidity, the dew point is used.
2. Relative humidity of 100 to 110 % (fog, rounding) counts as 100 %.
3. A missing or impossible pressure is replaced by that of the site.
4. Of rows for the same time the first is kept.
5. Rows are put in the order of time. Times without a row are counted; nothing is filled in.
6. Months of different years in the order of one year, as typical years have, count as one year.
More than one row in a hundred outside of what is possible is no bad sensor but a wrong unit: that is refused.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from coolsim.physics import air
from coolsim.scenario import units
from coolsim.scenario.build import humidity_ratio
from coolsim.scenario.keys.air import AIR_HUMIDITIES
from coolsim.scenario.values import ends
from coolsim.scenario.weather.record import DAY, Remark, Weather
from coolsim.scenario.weather.rows import Rows, air_key
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

FOG = 1.10  # relative humidity up to which a value is rounding or fog
MOST_IMPOSSIBLE = 0.01  # share of rows
MOST_LEFT_OUT = 0.5  # share of rows; a record of less than half is none
HOTTEST_MEAN = 45.0  # °C over a file; a July in Death Valley has 42 (memory, medium)
LONGEST_STEP = 3.0  # h; a day's mean has no night in it
LEFT_OUT, REPAIRED, ABSENT, NOTE = "left out", "repaired", "absent", "note"
HINTS = {
    "temperature": "is the column in degF or K? [weather.units] says what the numbers are",
    "relative_humidity": "is it in %?",
    "pressure": "is it in hPa, kPa or Pa?",
}

Mask = NDArray[np.bool_]
Times = NDArray[np.datetime64]


def weather_of(rows: Rows) -> Weather:
    """Judge the rows of a file; raises InputError where they cannot be what they claim to be."""
    faults = [fault for key in rows.columns for fault in _slip(rows, key)]
    if faults:
        raise InputError(faults)
    remarks = list(rows.remarks)
    p = _pressure(rows, remarks)
    T = _possible(rows, "temperature", remarks)
    RH = _relative_humidity(rows, T, p, remarks)
    usable = np.isfinite(T) & np.isfinite(RH)
    impossible = _noted(
        remarks,
        rows,
        usable & ((RH < 0) | (RH > FOG)),
        LEFT_OUT,
        "more water than the air can hold, or less than none",
        "row left out",
    )
    usable &= ~impossible
    _noted(remarks, rows, usable & (RH > 1), REPAIRED, "100 to 110 % relative humidity", "set to 100 %")
    time = _one_year(rows, remarks)
    since = time - _ahead_of_utc(rows)
    step = _step(since, rows)
    _absent(remarks, rows, since, step)
    ordered = _in_order(remarks, rows, since, usable)
    if len(ordered) < (1 - MOST_LEFT_OUT) * len(usable):
        why = "; ".join(f"{r.count} with {r.found}" for r in remarks if r.kind == LEFT_OUT)
        found = f"{len(ordered)} usable rows of {len(usable)} ({why})"
        raise InputError([Fault(rows.name, "rows", found, "at least half of them must be usable")])
    return Weather(
        name=rows.name,
        place=rows.place,
        time=time[ordered],
        utc_offset=rows.utc_offset[ordered],
        step=step,
        temperature=T[ordered],
        relative_humidity=np.minimum(RH, 1.0)[ordered],
        pressure=p[ordered],
        line=rows.line[ordered],
        remarks=tuple(remarks),
    )


def _noted(remarks: list[Remark], rows: Rows, which: Mask, kind: str, found: str, rule: str) -> Mask:
    if which.any():
        lines = tuple(int(n) for n in rows.line[which])
        remarks.append(Remark(kind, len(lines), lines, found, rule))
    return which


# -- what is possible


def _range(key: str) -> tuple[float, float]:
    """Return lowest and highest possible value: the scenario's own, with fog for weather."""
    definition = air_key(key)
    assert definition.dimension is not None
    low, high = ends(definition)
    return (low, FOG) if key == "relative_humidity" else (low, high)


def _outside(rows: Rows, key: str) -> Mask:
    low, high = _range(key)
    return (rows.columns[key] < low) | (rows.columns[key] > high)


def _slip(rows: Rows, key: str) -> list[Fault]:
    """Return a fault where so much of a column is impossible that its unit must be another."""
    values, bad = rows.columns[key], _outside(rows, key)
    known = values[np.isfinite(values)]
    if not len(known):
        return []
    hot = key == "temperature" and known.mean() > HOTTEST_MEAN
    as_fractions = key == "relative_humidity" and len(known) > 1 and known.max() <= 0.01
    if bad.sum() <= MOST_IMPOSSIBLE * len(known) and not hot and not as_fractions:
        return []
    at = int(np.flatnonzero(bad)[0]) if bad.any() else 0
    found = f"{_text(key, known.min())} to {_text(key, known.max())}, mean {_text(key, known.mean())}"
    if bad.any():
        found += f"; {bad.sum()} of {len(known)} rows impossible"
    mean = f", mean up to {HOTTEST_MEAN:g} degC" if key == "temperature" else ""
    allowed = f"possible is {_range_text(key)}{mean}; {HINTS.get(key, HINTS['temperature'])}"
    return [Fault(f"{rows.name}:{rows.line[at]}", key, found, allowed)]


def _text(key: str, value: float) -> str:
    definition = air_key(key)
    assert definition.dimension is not None
    return units.text_of(float(value), definition.dimension, definition.unit("si"), 4)


def _possible(rows: Rows, key: str, remarks: list[Remark]) -> Array:
    """Return a column with nan for what is impossible."""
    values, words = rows.columns[key], key.replace("_", " ")
    _noted(remarks, rows, np.isnan(values), LEFT_OUT, f"no {words}", "row left out")
    bad, found = _outside(rows, key), f"{words} outside {_range_text(key)}"
    return np.where(_noted(remarks, rows, bad, LEFT_OUT, found, "row left out"), np.nan, values)


def _range_text(key: str) -> str:
    definition = air_key(key)
    return f"{definition.low} to {'110 %' if key == 'relative_humidity' else definition.high}"


def _pressure(rows: Rows, remarks: list[Remark]) -> Array:
    p = rows.columns["pressure"]
    bad = np.isnan(p) | _outside(rows, "pressure")
    rule = f"the site's {_text('pressure', rows.usual_pressure)} used"
    _noted(remarks, rows, bad, REPAIRED, "missing or impossible pressure", rule)
    return np.where(bad, rows.usual_pressure, p)


def _relative_humidity(rows: Rows, T: Array, p: Array, remarks: list[Remark]) -> Array:
    """Return the relative humidity (over ice below 0 °C) of whichever humidity the file has; not yet judged."""
    given = [name for name in AIR_HUMIDITIES if name in rows.columns]
    if "relative_humidity" not in given:
        return _converted(given[0], _possible(rows, given[0], remarks), T, p)
    RH = rows.columns["relative_humidity"]
    if "dew_point" in given:
        dew_point = np.where(_outside(rows, "dew_point"), np.nan, rows.columns["dew_point"])
        other = _converted("dew_point", dew_point, T, p)
        instead = np.isnan(RH) & np.isfinite(other)
        _noted(remarks, rows, instead, REPAIRED, "no relative humidity", "taken from the dew point")
        columns = rows.columns | {"relative_humidity": np.where(instead, other, RH)}
        rows = dataclasses.replace(rows, columns=columns)
    return _possible(rows, "relative_humidity", remarks)


def _converted(name: str, values: Array, T: Array, p: Array) -> Array:
    saturated = air.humidity_ratio_from_relative_humidity(T, 1.0, p)
    ratio = humidity_ratio(name, values, T, p)
    return np.asarray(air.vapour_pressure(ratio, p) / air.vapour_pressure(saturated, p))


# -- time


def _one_year(rows: Rows, remarks: list[Remark]) -> Times:
    """Return local times; those of a typical year, whose months come from different years, in one year."""
    years = rows.time.astype("datetime64[Y]")
    within = _in_year(rows.time, 2004)  # a leap year, so that 29 February has a place
    if len(set(years.tolist())) == 1 or not (np.diff(within) > np.timedelta64(0, "s")).all():
        return rows.time
    months = rows.time.astype("datetime64[M]").astype(int) % 12
    days = (rows.time.astype("datetime64[D]") - rows.time.astype("datetime64[M]")).astype(int)
    leap = bool(((months == 1) & (days == 28)).any())
    found = f"months of different years ({years.min()} to {years.max()}), as typical years have"
    remarks.append(Remark(NOTE, 0, (), found, f"counted as one year, {2004 if leap else 2001}"))
    return within if leap else _in_year(rows.time, 2001)


def _in_year(time: Times, year: int) -> Times:
    month = time.astype("datetime64[M]")
    moved = month - month.astype("datetime64[Y]") + np.datetime64(str(year), "M")
    return np.asarray(moved.astype("datetime64[s]") + (time - month))


def _ahead_of_utc(rows: Rows) -> NDArray[np.timedelta64]:
    """How far local time is ahead of UTC; none where any row does not say, so that rows stay comparable."""
    offset = rows.utc_offset
    seconds = np.zeros(len(offset)) if np.isnan(offset).any() else 3600 * offset
    return seconds.astype("timedelta64[s]")


def _step(since: Times, rows: Rows) -> float:
    """Length of an interval [h]: the usual distance between rows."""
    apart = np.diff(np.unique(since)).astype(float) / 3600
    step = float(np.median(apart)) if len(apart) else 1.0
    if step > LONGEST_STEP:
        allowed = (
            f"needs at least one row every {LONGEST_STEP:g} h: a cooler feels the night, not the day's mean"
        )
        raise InputError([Fault(f"{rows.name}:{rows.line[0]}", "time", f"rows {step:g} h apart", allowed)])
    return step


def _absent(remarks: list[Remark], rows: Rows, since: Times, step: float) -> None:
    order = np.argsort(since, kind="stable")
    missing = np.rint(np.diff(since[order]).astype(float) / 3600 / step).astype(int) - 1
    before = order[:-1][missing > 0]
    if len(before):
        lines = tuple(int(n) for n in rows.line[before])
        days = missing[missing > 0].sum() * step * 3600 / DAY
        found = f"{len(before)} gap{'s' if len(before) > 1 else ''} of {days:.3g} days in all"
        remarks.append(
            Remark(ABSENT, int(missing[missing > 0].sum()), lines, found, "not filled in, not counted")
        )


def _in_order(remarks: list[Remark], rows: Rows, since: Times, usable: Mask) -> NDArray[np.intp]:
    """Return the rows to keep, in the order of time: of those for the same time, the first of the file."""
    late = since < np.maximum.accumulate(since)
    _noted(remarks, rows, late, NOTE, "rows out of order", "put in the order of time")
    order = np.argsort(since, kind="stable")
    order = order[usable[order]]
    again = np.zeros(len(usable), bool)
    again[order[1:]] = since[order[1:]] == since[order[:-1]]
    _noted(remarks, rows, again, LEFT_OUT, "a time that an earlier row has", "row left out")
    return order[~again[order]]
