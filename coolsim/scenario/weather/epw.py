"""EPW, the open format of building-weather files: eight header lines, then one line of 35 fields per interval.

Source: EnergyPlus Auxiliary Programs, "EnergyPlus Weather File (EPW) Data Dictionary" (seen). Used here are the
station, its time zone and elevation (LOCATION), the period promised (DATA PERIODS), and of each line the date,
dry bulb, dew point, relative humidity and pressure. A value at or above the code of its field is missing.
"""

from __future__ import annotations

import datetime
import re

import numpy as np

from coolsim.physics import air
from coolsim.scenario.csv_table import cells_fault, cells_of, lines_of, lines_text, numbers
from coolsim.scenario.reader import shown
from coolsim.scenario.weather.record import Remark
from coolsim.scenario.weather.rows import Rows, in_si
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

HEADERS = 8
FIELDS = 10  # needed of each line, up to the pressure; the rest is sun, wind and rain
# field → (place in a line, unit, code for missing)
COLUMNS = {
    "temperature": (6, "degC", 99.9),
    "dew_point": (7, "degC", 99.9),
    "relative_humidity": (8, "%", 999.0),
    "pressure": (9, "Pa", 999_999.0),
}


def is_epw(text: str) -> bool:
    """Return whether a text starts as EPW does."""
    return text.lstrip()[:9].upper() == "LOCATION,"


def read(text: str, name: str) -> Rows:
    """Return the rows of an EPW file; raises InputError with every fault found."""
    lines = lines_of(text)
    heads = [cells_of(line, ",") or line.split(",") for line in lines[:HEADERS]]
    header = {parts[0].strip().upper(): parts[1:] for parts in heads}
    offset, elevation, faults = _location(header, name)
    rows = ((n, line) for n, line in enumerate(lines[HEADERS:], HEADERS + 1) if line.strip())
    body = [(n, cells_of(line, ",") or line.split(",")) for n, line in rows]
    short = [n for n, cells in body if len(cells) < FIELDS]
    if short:
        found = f"fewer than {FIELDS} fields ({lines_text(short)})"
        faults.append(Fault(f"{name}:{short[0]}", "row", found, "the file is cut off: fetch it again"))
    body = [(n, cells) for n, cells in body if len(cells) >= FIELDS]
    if not body:
        faults.append(Fault(name, "rows", "none after the header", "the file is cut off: fetch it again"))
        raise InputError(faults)
    number = [n for n, _ in body]
    per_hour = _records_per_hour(header)
    time, wrong = _times(body, per_hour)
    faults += cells_fault(
        [" ".join(cells[:5]) for _, cells in body],
        number,
        name,
        "date",
        wrong,
        "needs year, month, day, hour 1–24 and minute 0–60",
    )
    columns = {}
    for key, (field, unit, missing) in COLUMNS.items():
        values, found_faults = numbers([cells[field] for _, cells in body], number, name, key)
        faults += found_faults
        columns[key] = in_si(np.where(values >= missing, np.nan, values), unit, key)
    if faults:
        raise InputError(faults)
    _check_whole(header, time, per_hour, name, number[-1])
    place = ", ".join(part.strip() for part in header["LOCATION"][:3] if part.strip() not in ("", "-"))
    return Rows(
        name,
        place,
        np.array(number),
        time,
        np.full(len(number), offset),
        columns,
        float(air.standard_pressure(elevation)),
        [_dates(per_hour)],
    )


def _dates(per_hour: int) -> Remark:
    rule = "hour 1 is 00:00 to 01:00: each interval counts from its begin"
    return Remark("note", 0, (), f"{per_hour} interval{'s' if per_hour > 1 else ''} per hour", rule)


def _location(header: dict[str, list[str]], name: str) -> tuple[float, float, list[Fault]]:
    """Return hours ahead of UTC, elevation [m] and what is wrong with them."""
    fields = header.get("LOCATION", [])
    try:
        offset, elevation = float(fields[7]), float(fields[8])
    except (IndexError, ValueError):
        found = shown(",".join(fields)[:40])
        allowed = "LOCATION,city,state,country,source,station,latitude,longitude,time zone,elevation"
        return 0.0, 0.0, [Fault(f"{name}:1", "LOCATION", found, f"needs {allowed}")]
    if not -12 <= offset <= 14 or not -1000 <= elevation < 9999.9:
        found = f"time zone {offset:g}, elevation {elevation:g} m"
        return (
            0.0,
            0.0,
            [Fault(f"{name}:1", "LOCATION", found, "allowed are −12 to 14 h and −1000 to 9999 m")],
        )
    return offset, elevation, []


def _records_per_hour(header: dict[str, list[str]]) -> int:
    periods = header.get("DATA PERIODS", [])
    return (
        int(periods[1]) if len(periods) > 1 and periods[1].strip() in {"1", "2", "3", "4", "6", "12"} else 1
    )


def _times(body: list[tuple[int, list[str]]], per_hour: int) -> tuple[np.ndarray, list[int]]:
    """Return the begin of each interval, and which lines have no date.

    With one line per hour the minute is ignored: files hold 0 or 60 for the same hour. With more, the minute is
    the interval's end, or its begin in files that count from 0.
    """
    step = 60 // per_hour
    ends = per_hour > 1 and any(cells[4].strip() == "60" for _, cells in body)
    times: list[datetime.datetime | None] = []
    wrong = []
    for i, (_, cells) in enumerate(body):
        try:
            year, month, day, hour, minute = (int(float(cell)) for cell in cells[:5])
            begin = 0 if per_hour == 1 else minute - step * ends
            if not (1 <= hour <= 24 and 0 <= minute <= 60):
                raise ValueError
            times.append(datetime.datetime(year, month, day, hour - 1) + datetime.timedelta(minutes=begin))
        except (ValueError, OverflowError):
            times.append(None)
            wrong.append(i)
    return np.array(times, "datetime64[s]"), wrong


def _check_whole(header: dict[str, list[str]], time: Array, per_hour: int, name: str, last_line: int) -> None:
    """Raise InputError where the file ends before the last day that its header promises."""
    periods = header.get("DATA PERIODS", [])
    if len(periods) < 6 or periods[0].strip() != "1":  # several periods: gaps are counted, ends not known
        return
    match = re.fullmatch(r"\s*(\d+)\s*/\s*(\d+)(?:\s*/\s*\d+)?\s*", periods[5])
    if not match:
        return
    day = time[-1].astype("datetime64[D]").item()
    last = 24 - 1.0 / per_hour - 1e-9
    hour = (time[-1] - time[-1].astype("datetime64[D]")).astype(float) / 3600
    if (day.month, day.day) != (int(match[1]), int(match[2])) or hour < last:
        end = f"{day.day} {day:%B}, hour {int(hour) + 1}"
        found = f"an end on {end}, where the header promises {periods[5].strip()}"
        allowed = "the file is cut off: fetch it again (a gap between rows would only be counted)"
        raise InputError([Fault(f"{name}:{last_line}", "rows", found, allowed)])
