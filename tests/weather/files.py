"""Weather files for tests: EPW text by the format's definition, and a real typical year.

The layout of EPW is that of EnergyPlus Auxiliary Programs, "EPW Data Dictionary" (seen): eight headers; year,
month, day, hour 1–24, minute, flags, dry bulb °C, dew point °C, relative humidity %, pressure Pa, then 25 fields
of sun, wind and rain, which are given their codes for missing here.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

REST = "9999,9999,9999,9999,9999,9999,999999,999999,999999,9999,999,999,99,99,9999,99999,9,999999999,999,.999"
REST += ",999,99,999,999,99"
FLAGS = "?9?9?9?9E0?9?9?9?9?9?9?9?9?9?9?9?9?9?9?9*9*9?9?9?9"


def epw_header(
    zone: float = 7.0, elevation: float = 12.0, per_hour: int = 1, last: str = "12/31"
) -> list[str]:
    return [
        f"LOCATION,Rivertown,-,XXX,invented,999999,10.5,106.5,{zone},{elevation}",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,invented for a test",
        "COMMENTS 2,",
        f"DATA PERIODS,1,{per_hour},Data,Sunday, 1/ 1,{last}",
    ]


def epw_row(date: Sequence[int], T: float, dew: float, RH: float, p: float) -> str:
    year, month, day, hour, minute = date
    return f"{year},{month},{day},{hour},{minute},{FLAGS},{T:.1f},{dew:.1f},{RH:.0f},{p:.0f},{REST}"


def epw(rows: Sequence[str], **header: float | int | str) -> str:
    return "\n".join([*epw_header(**header), *rows]) + "\n"  # type: ignore[arg-type]


@dataclass(frozen=True)
class Year:
    """A typical year as its own file says it: hour 1–24 of each day, °C, %, Pa."""

    date: list[tuple[int, int, int, int]]
    temperature: list[float]
    dew_point: list[float]
    humidity: list[float]
    pressure: list[float]


@cache
def typical_year() -> Year:
    """The typical year that travels in pvlib's wheel (Greensboro, TMY3: 8760 h, −16.7 … 35.6 °C)."""
    pvlib = pytest.importorskip("pvlib", reason="the real year travels in pvlib's wheel")
    text = (Path(pvlib.__file__).parent / "data" / "723170TYA.CSV").read_text(encoding="ascii")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    dates = []
    for row in rows:
        month, day, year = (int(part) for part in row["Date (MM/DD/YYYY)"].split("/"))
        dates.append((year, month, day, int(row["Time (HH:MM)"][:2])))
    columns = ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)", "Pressure (mbar)")
    T, dew, RH, p = ([float(row[name]) for row in rows] for name in columns)
    return Year(dates, T, dew, RH, [100 * value for value in p])


def typical_year_as_epw() -> str:
    year = typical_year()
    columns = zip(year.date, year.temperature, year.dew_point, year.humidity, year.pressure)
    return epw([epw_row((*date, 0), *values) for date, *values in columns], zone=-5.0, elevation=273.0)
