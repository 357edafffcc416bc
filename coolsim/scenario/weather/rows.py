"""The rows of a weather file as numbers, before anything is judged; and the faults that stop the reading."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coolsim.errors import Fault, InputError
from coolsim.fields import Array
from coolsim.scenario import schema, units
from coolsim.scenario.reader import shown
from coolsim.scenario.schema import Key
from coolsim.scenario.weather.record import Remark

LARGEST_FILE = 500_000_000  # bytes; thirty years of hourly EPW have about 50 million
MISSING = frozenset({"", "-", "na", "n/a", "nan", "null", "none"})
LISTED = 5  # lines named in a message; the rest is counted


@dataclass(frozen=True)
class Rows:
    """A file's rows in its own order; numbers in SI, nan where the file has none."""

    name: str
    place: str
    line: NDArray[np.intp]
    time: NDArray[np.datetime64]
    utc_offset: Array
    columns: dict[str, Array]  # temperature, pressure, humidities; by the names of the keys of [air]
    usual_pressure: float  # of the station, for rows without
    remarks: list[Remark] = field(default_factory=list)


WEATHER = "name a weather file: EPW, or CSV with the columns time, temperature and a humidity"


def text_of(path: str | Path, where: str, key: str, allowed: str = WEATHER) -> str:
    """Return the text of a file of rows; raises InputError where there is none, said of a key or an option."""
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _unreadable(where, key, allowed, f"{name}, which does not exist") from None
    except IsADirectoryError:
        raise _unreadable(where, key, allowed, f"{name}, a folder") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _unreadable(where, key, allowed, f"{name}, which cannot be read ({reason})") from None
    if len(data) > LARGEST_FILE:
        raise _unreadable(where, key, allowed, f"{name}, of more than {LARGEST_FILE} bytes")
    if not data.strip():
        raise _unreadable(where, key, allowed, f"{name}, an empty file")
    if b"\0" in data[:4096]:
        raise _unreadable(where, key, allowed, f"{name}, which is no text")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # station names of older files; numbers are the same in both


def _unreadable(where: str, key: str, allowed: str, found: str) -> InputError:
    return InputError([Fault(where, key, found, allowed)])


def numbers(cells: Sequence[str], lines: Sequence[int], name: str, key: str) -> tuple[Array, list[Fault]]:
    """Return cells as numbers, nan where missing, and one fault that names the cells that are no numbers."""
    values, wrong = np.full(len(cells), np.nan), []
    for i, cell in enumerate(cells):
        try:
            values[i] = float(cell)
            if math.isinf(values[i]) or "_" in cell:  # Python reads 1_000
                wrong.append(i)
        except ValueError:
            if cell.strip().lower() not in MISSING:
                wrong.append(i)
    return values, cells_fault(
        cells, lines, name, key, wrong, "needs a number such as 12.5, or an empty cell"
    )


def cells_fault(
    cells: Sequence[str], lines: Sequence[int], name: str, key: str, wrong: Sequence[int], allowed: str
) -> list[Fault]:
    """Return one fault for all cells of a column that cannot be read, or none."""
    if not wrong:
        return []
    first, others = wrong[0], [lines[i] for i in wrong[1:]]
    found = shown(cells[first]) + (f" (and more of this kind: {lines_text(others)})" if others else "")
    return [Fault(f"{name}:{lines[first]}", key, found, allowed)]


def lines_text(lines: Sequence[int]) -> str:
    """Return "line 7" or "lines 7, 8, 9 and 20 more"."""
    if len(lines) == 1:
        return f"line {lines[0]}"
    named = ", ".join(str(n) for n in lines[:LISTED])
    return f"lines {named}" + (f" and {len(lines) - LISTED} more" if len(lines) > LISTED else "")


def air_key(name: str) -> Key:
    """Return the scenario's own key for a quantity of the air: its dimension and what is possible."""
    key = schema.find(f"air.{name}")
    assert key is not None and key.dimension is not None
    return key


def in_si(values: Array, unit: str, name: str) -> Array:
    """Return a column in SI; every unit of scenarios is a straight line."""
    dimension = air_key(name).dimension
    assert dimension is not None
    zero = units.convert(0.0, unit, dimension)
    return zero + (units.convert(1.0, unit, dimension) - zero) * values
