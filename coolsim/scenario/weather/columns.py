"""CSV with named columns: time, temperature, one humidity, and pressure if there is one.

Times are ISO 8601, local, with or without an offset from UTC; units come from [weather.units].
"""

from __future__ import annotations

import datetime
import difflib
from collections.abc import Mapping, Sequence

import numpy as np

from coolsim.scenario import csv_table, schema, units
from coolsim.scenario.csv_table import cells_fault
from coolsim.scenario.reader import shown
from coolsim.scenario.weather.record import Remark
from coolsim.scenario.weather.rows import Rows, air_key, in_si
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

MOST_NAMED = 20  # of the columns that are not used
KNOWN = ("time", "temperature", *schema.AIR_HUMIDITIES, "pressure")


def read(text: str, name: str, unit_of: Mapping[str, str], where: str, pressure: float) -> Rows:
    """Return the rows of a CSV file; raises InputError with every fault found.

    `unit_of` maps columns to units, `where` is the place of [weather.units], `pressure` [Pa] is the site's.
    """
    table, ragged = csv_table.read(text, name, ",".join(KNOWN[:3]))
    names, number = table.names, table.lines
    faults = _heading_faults(names, f"{name}:{table.heading}")
    used = [n for n in names if n in KNOWN and n != "time"]
    faults += _unit_faults(used, unit_of, where)
    faults += ragged
    if faults:
        raise InputError(faults)
    column = dict(zip(names, zip(*table.rows)))
    comma = csv_table.has_decimal_commas(column[key] for key in used)
    time, offset, faults = _times(column["time"], number, name)
    columns = {}
    for key in used:
        values, found_faults = csv_table.numbers(column[key], number, name, key, comma)
        columns[key], faults = in_si(values, unit_of[key], key), faults + found_faults
    if faults:
        raise InputError(faults)
    columns.setdefault("pressure", np.full(len(number), pressure))
    notes = _notes(names, used, bool(np.isnan(offset).any()), table.reading_notes(comma))
    return Rows(name, "", np.array(number), time, offset, columns, pressure, notes)


def _notes(names: Sequence[str], used: Sequence[str], no_zone: bool, marks: str) -> list[Remark]:
    notes = [Remark("note", 0, (), "times", "each interval counts from the time written for it")]
    if marks:
        notes.append(Remark("note", 0, (), marks, "found in the file and read so"))
    others = [n for n in names if n not in KNOWN]
    if others:
        notes.append(Remark("note", 0, (), f"other columns ({_some(others)})", "not used"))
    if "pressure" not in used:
        notes.append(Remark("note", 0, (), "no column pressure", "the pressure of [air] holds throughout"))
    if no_zone:
        notes.append(Remark("note", 0, (), "times without an offset from UTC", "taken as local times"))
    return notes


def _heading_faults(names: Sequence[str], where: str) -> list[Fault]:
    faults = []
    for wanted in ("time", "temperature"):
        if wanted not in names:
            faults.append(
                Fault(where, wanted, _found(names), f"needs a column {wanted}{_meant(wanted, names)}")
            )
    given = [n for n in names if n in schema.AIR_HUMIDITIES]
    if len(given) != 1:
        found = " and ".join(given) if given else _found(names)
        wanted = ", ".join(schema.AIR_HUMIDITIES)
        near = "" if given else "".join(_meant(h, names) for h in schema.AIR_HUMIDITIES[:3])
        faults.append(Fault(where, "humidity", found, f"needs exactly one column of {wanted}{near}"))
    for twice in sorted({n for n in names if names.count(n) > 1 and n in KNOWN and n not in given}):
        faults.append(Fault(where, twice, "two columns of this name", "needs one"))
    return faults


def _some(names: Sequence[str]) -> str:
    named = ", ".join(shown(n)[1:-1] for n in names[:MOST_NAMED])
    return f"{named} and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else named


def _found(names: Sequence[str]) -> str:
    return f"the columns {shown(', '.join(names))}"


def _meant(wanted: str, names: Sequence[str]) -> str:
    """Say which column was probably meant, and where its unit goes."""
    plain = {n.split("[")[0].split("(")[0].strip().lower().replace(" ", "_"): n for n in names}
    near = difflib.get_close_matches(
        wanted, [n for n in plain if n not in KNOWN or plain[n] not in KNOWN], 1, 0.75
    )
    if not near:
        return ""
    unit = ", its unit in [weather.units]" if plain[near[0]].strip()[-1:] in "])" else ""
    return f": rename {shown(plain[near[0]])}{unit}"


def _unit_faults(used: Sequence[str], unit_of: Mapping[str, str], where: str) -> list[Fault]:
    faults = []
    for key in used:
        dimension = air_key(key).dimension
        assert dimension is not None
        example = f'{key} = "{air_key(key).unit("si")}"'
        if key not in unit_of:
            allowed = f"the file does not say in which unit: below [weather.units], such as {example}"
            faults.append(Fault(where, f"weather.units.{key}", "nothing", allowed))
            continue
        try:
            units.convert(1.0, unit_of[key], dimension)
        except units.Misread as error:
            faults.append(Fault(where, f"weather.units.{key}", shown(unit_of[key]), f"needs {error}"))
    return faults


def _times(cells: Sequence[str], lines: Sequence[int], name: str) -> tuple[np.ndarray, Array, list[Fault]]:
    """Return local times, hours ahead of UTC (nan where not said), and a fault that names what is no time."""
    times: list[datetime.datetime | None] = []
    offset, wrong = np.full(len(cells), np.nan), []
    for i, cell in enumerate(cells):
        try:
            when = datetime.datetime.fromisoformat(cell.strip())
        except ValueError:
            times.append(None)
            wrong.append(i)
            continue
        ahead = when.utcoffset()
        if ahead is not None:
            offset[i] = ahead.total_seconds() / 3600
        times.append(when.replace(tzinfo=None))
    allowed = "needs a time such as 2023-07-01T13:00 or 2023-07-01 13:00+07:00 (ISO 8601, hours 00 to 23)"
    return np.array(times, "datetime64[s]"), offset, cells_fault(cells, lines, name, "time", wrong, allowed)
