"""The doors: the weather of a case, or of a file."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from coolsim.case.argument_checks import path_of
from coolsim.case.case import Air, Case
from coolsim.physics.air import STANDARD_PRESSURE
from coolsim.scenario.csv_table import text_of
from coolsim.scenario.validation import faults_of_field, in_words
from coolsim.scenario.weather import columns, epw
from coolsim.scenario.weather.record import Weather
from coolsim.scenario.weather.rules import weather_of
from coolsim.support.errors import Fault, InputError

WANTED = "name a weather file: EPW, or CSV with the columns time, temperature and a humidity"


def load_weather(
    path: str | os.PathLike[str],
    units: Mapping[str, str] | None = None,
    *,
    pressure: float = STANDARD_PRESSURE,
) -> Weather:
    """Return what a weather file says: EPW, or CSV with named columns.

    units: of the columns of a CSV, such as {"temperature": "degC", "relative_humidity": "%"}.
    pressure: of the site [Pa], for a CSV without that column and for its rows without a value.

    Raises InputError with every fault found. What was left out or repaired stands in `Weather.remarks`.
    """
    name = Path(path_of(path, "file", "a weather file"))
    faults = [*_faults_of_units(units), *faults_of_field("pressure", pressure, Air, "pressure", arrays=False)]
    if faults:
        raise InputError(faults)
    return _weather(name, units or {}, pressure, "", "file", "")


def _faults_of_units(units: Any) -> Iterator[Fault]:
    allowed = 'needs the units of the columns by their names, such as {"temperature": "degC"}'
    if not isinstance(units, Mapping):
        if units is not None:
            yield Fault("", "units", in_words(units), allowed)
        return
    for key, unit in units.items():
        if not (isinstance(key, str) and isinstance(unit, str)):
            yield Fault("", "units", f"{in_words(key)} = {in_words(unit)}", allowed)


def read_weather(case: Case) -> Weather:
    """Return the weather that [weather] of a case names, within its operating hours; raises InputError."""
    where = getattr(case.source, "where", lambda key: "")
    if not case.weather:
        allowed = 'a year needs weather: [weather] file = "weather.epw", EPW or CSV'
        raise InputError([Fault(where(""), "weather", "no [weather] table", allowed)])
    table = case.weather
    weather = _weather(
        Path(str(table.file)),
        table.units,
        float(case.air.pressure),
        where("weather.file"),
        "weather.file",
        where("weather.units"),
    )
    inside = weather.between(table.operating_hours)
    if not len(inside):
        found = f"no row of {weather.name} between them"
        raise InputError(
            [Fault(where("weather.operating_hours"), "weather.operating_hours", found, "widen them")]
        )
    return inside


def _weather(
    path: Path, units: Mapping[str, str], pressure: float, where: str, key: str, where_units: str
) -> Weather:
    text, name = text_of(path, where, key, WANTED), str(path)
    if epw.is_epw(text) or path.suffix.lower() == ".epw":
        return weather_of(epw.read(text, name))
    return weather_of(columns.read(text, name, units, where_units, pressure))
