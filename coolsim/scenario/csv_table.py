"""Rows below a line of names, as spreadsheets and loggers write them: read once, for weather and for trials.

Cells are parted by commas, semicolons or tabs, numbers have a point or a comma: both are found in the file and
told. A line is a row, whatever its quotes, and is counted as an editor counts it. Lines that start with # are
passed over, as are rows and last columns without a cell that is filled.
"""

from __future__ import annotations

import codecs
import csv
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coolsim.scenario.reader import shown
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

LARGEST_FILE = 500_000_000  # bytes; thirty years of hourly EPW have about 50 million
MOST_COLUMNS = 500
MISSING = frozenset({"", "-", "na", "n/a", "nan", "null", "none"})
LISTED = 5  # lines named in a message; the rest is counted
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_BREAK = re.compile(r"\r\n|\r|\n")
_PREFERENCE = re.compile(r'"?sep=([,;\t])"?', re.IGNORECASE)  # what spreadsheets write for one another
_COMMA = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+")  # or a number with three decimals: nobody can tell


@dataclass(frozen=True)
class Table:
    """The rows of a file, as text."""

    name: str
    heading: int  # line of the names
    names: list[str]
    lines: list[int]  # of each row
    rows: list[list[str]]
    delimiter: str

    def reading_notes(self, comma: bool) -> str:
        """Say how the file was read, where another way was possible; "" for commas and points."""
        marks = [f"cells parted by {DELIMITERS[self.delimiter]}"] if self.delimiter != "," else []
        return " and ".join([*marks, "a comma before the decimals"] if comma else marks)


# -- the text of a file


def text_of(path: str | Path, where: str, key: str, allowed: str) -> str:
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
    text = _decoded(data)
    if not text.strip():
        raise _unreadable(where, key, allowed, f"{name}, an empty file")
    if "\0" in text:
        raise _unreadable(where, key, allowed, f"{name}, which is no text")
    return text


def _decoded(data: bytes) -> str:
    """Return bytes as text; with a NUL in it, where they are none."""
    for marks, encoding in (
        ((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE), "utf-32"),  # before UTF-16, whose mark it begins with
        ((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE), "utf-16"),
    ):
        if data.startswith(marks):
            return data.decode(encoding, "replace")
    if b"\0" in data[:4096]:  # UTF-16 without its mark: every other byte of Latin text is NUL
        for first, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
            half = data[first:4096:2]
            if half.count(0) > 0.4 * len(half) and not data[1 - first : 4096 : 2].count(0):
                return data.decode(encoding, "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")  # station names of older files; numbers are the same in both


def _unreadable(where: str, key: str, allowed: str, found: str) -> InputError:
    return InputError([Fault(where, key, found, allowed)])


# -- lines and cells


def lines_of(text: str) -> list[str]:
    """Return the lines of a text as editors count them."""
    return _BREAK.split(text)


def cells_of(line: str, delimiter: str) -> list[str] | None:
    """Return the cells of a line; None where a quote is still open at its end."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        if "end of data" in str(error):
            return None
    try:  # something behind a closing quote: taken as it stands
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
    except csv.Error:  # a cell of more than 131,072 characters
        return None


def read(text: str, name: str, example: str) -> tuple[Table, list[Fault]]:
    """Return the rows of a text and what is wrong with them; with faults, their cells may be ragged.

    `example` is a line of names; raises InputError where there is none.
    """
    numbered = [(n, line) for n, line in enumerate(lines_of(text), 1) if _says_something(line)]
    sep = _PREFERENCE.fullmatch(numbered[0][1].strip(" ")) if numbered else None
    body = numbered[1:] if sep else numbered
    if not body:
        raise InputError([Fault(name, "rows", "none", f"needs a line of names such as {example}")])
    at, heading = body[0]
    delimiter = sep[1] if sep else _delimiter(heading)
    names = [cell.strip() for cell in cells_of(heading, delimiter) or [heading]]
    cells = [(n, cells_of(line, delimiter)) for n, line in body[1:]]
    filled = [(n, row) for n, row in cells if row is not None and any(cell.strip() for cell in row)]
    faults = _open_quotes([n for n, row in cells if row is None], name)
    lines, rows = [n for n, _ in filled], [row for _, row in filled]
    if not lines and not faults:
        faults.append(Fault(name, "rows", "none below the names", "needs at least one"))
    while len(names) > 1 and not names[-1]:  # a spreadsheet's empty last columns
        names.pop()
    rows = [_without_empty_ends(row, len(names)) for row in rows]
    if len(names) > MOST_COLUMNS:  # nothing more is said: each of them would be looked up
        raise InputError([Fault(f"{name}:{at}", "columns", str(len(names)), f"at most {MOST_COLUMNS}")])
    faults += _ragged(lines, rows, len(names), delimiter, name)
    return Table(name, at, names, lines, rows, delimiter), faults


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.startswith(("#", '"#'))


def _delimiter(heading: str) -> str:
    """Return what parts the cells of a line of names: of what is outside quotes, the most frequent."""
    outside = re.sub(r'"[^"]*"?', "", heading)
    return max(DELIMITERS, key=outside.count)


def _without_empty_ends(row: list[str], count: int) -> list[str]:
    while len(row) > count and not row[-1].strip():
        row.pop()
    return row


def _open_quotes(lines: Sequence[int], name: str) -> list[Fault]:
    if not lines:
        return []
    found = f"a quote that is not closed on its line ({lines_text(lines)})"
    allowed = "a row is one line: close the quote, or take it away and the line break in the cell with it"
    return [Fault(f"{name}:{lines[0]}", "row", found, allowed)]


def _ragged(
    lines: Sequence[int], rows: Sequence[Sequence[str]], count: int, delimiter: str, name: str
) -> list[Fault]:
    ragged = [n for n, row in zip(lines, rows) if len(row) != count]
    if not ragged:
        return []
    found = f"another number of cells than there are names ({lines_text(ragged)})"
    allowed = f"needs {count} cells, parted by {shown(delimiter)}"
    if delimiter == ",":
        allowed += "; a number has a point, not a comma, where commas part the cells"
    return [Fault(f"{name}:{ragged[0]}", "row", found, allowed)]


# -- numbers


def has_decimal_commas(columns: Iterable[Sequence[str]]) -> bool:
    """Return whether the numbers of these columns are written with a comma before the decimals.

    "1,234" may be a thousand and more: such cells count only beside others that can be nothing else.
    """
    points = commas = 0
    for column in columns:
        for cell in column:
            if "." in cell:
                points += 1
            elif "," in cell and _COMMA.fullmatch(cell.strip()) and not _THOUSANDS.fullmatch(cell.strip()):
                commas += 1
    return commas > points


def with_point(cell: str, comma: bool) -> str:
    """Return a number's text as we read it; what a comma makes ambiguous is left as it is, and no number."""
    return cell.replace(",", ".") if comma and _COMMA.fullmatch(cell.strip()) else cell


def number_wanted(comma: bool) -> str:
    """Say how a cell with a number looks in a file."""
    if comma:
        return "needs a number such as 12,5, its comma before the decimals and no other, or an empty cell"
    return "needs a number such as 12.5, without a comma for thousands, or an empty cell"


def numbers(
    cells: Sequence[str], lines: Sequence[int], name: str, key: str, comma: bool = False
) -> tuple[Array, list[Fault]]:
    """Return cells as numbers, nan where missing, and one fault that names the cells that are no numbers."""
    values, wrong = np.full(len(cells), np.nan), []
    for i, cell in enumerate(cells):
        try:
            if comma:
                if "." in cell:
                    raise ValueError
                cell = with_point(cell, comma)
            values[i] = float(cell)
            if math.isinf(values[i]) or "_" in cell:  # Python reads 1_000
                wrong.append(i)
        except ValueError:
            if cell.strip().lower() not in MISSING:
                wrong.append(i)
    return values, cells_fault(cells, lines, name, key, wrong, number_wanted(comma))


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
