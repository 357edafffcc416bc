"""Text for a terminal or a pipe of any width: columns and paragraphs, ASCII where nothing else is held."""

from __future__ import annotations

import io
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, Protocol

from coolsim.scenario.units import HEAT_PER_WATER, Dimension, shown
from coolsim.support.dual_units import for_reader
from coolsim.support.visible import plain, visible

LEAST_COLUMNS = 3  # of a table; with fewer it is none
WIDE = "--wide"
NARROW = 56  # columns; below, what would stand side by side stands one below the other


class Writer(Protocol):
    """Writes tables and paragraphs in another form than text, such as HTML."""

    def table(self, rows: Sequence[tuple[str, ...]], right: Sequence[int]) -> str: ...

    def paragraph(self, text: str, style: str) -> str: ...


@dataclass(frozen=True)
class Page:
    """Where the text goes: columns, whether it may have colour, and what its encoding can hold."""

    width: int = 80
    colour: bool = False
    encoding: str = "utf-8"
    units: str = "si"
    writer: Writer | None = None  # None: plain text
    wide: bool = False  # all columns of tables, however many there are

    def unit(self, dimension: Dimension) -> str:
        """Return the unit in which this page shows a dimension."""
        return dimension.us if self.units == "us" else dimension.si

    def number(self, value: Any, dimension: Dimension, digits: int, unit: str = "") -> str:
        """Return a stored `value` as text with its unit and `digits` behind the point."""
        unit = unit or self.unit(dimension)
        return f"{shown(float(value), dimension, unit):.{digits}f} {pretty(unit)}"

    def between(self, ends: Iterable[Any], dimension: Dimension, digits: int) -> str:
        """Return the ends of a range as text with one unit."""
        unit = self.unit(dimension)
        return (
            f"{' – '.join(f'{shown(float(end), dimension, unit):.{digits}f}' for end in ends)} {pretty(unit)}"
        )


def heat_per_water(joules_per_kilogram: Any, page: Page) -> str:
    """Return what a dryer spends on a mass of water."""
    return page.number(joules_per_kilogram, HEAT_PER_WATER, 0 if page.units == "us" else 2)


def pretty(unit: str) -> str:
    """Return a unit as it is printed; the plain page turns it back into what a scenario holds.

    >>> pretty("m3/h"), pretty("lb/ft3"), pretty("BTU/(lb degF)"), pretty("inH2O")
    ('m³/h', 'lb/ft³', 'BTU/(lb °F)', 'inH2O')
    """
    powers = re.sub(r"\b(m|ft|in)([23])\b", lambda found: found[1] + {"2": "²", "3": "³"}[found[2]], unit)
    return powers.replace("deg", "°")


def table(
    rows: Sequence[tuple[str, ...]], page: Page, right: Sequence[int] = (), bold: Sequence[int] = ()
) -> str:
    """Return rows in columns; those in `right` are flush right. Rows in `bold` stand out on a terminal."""
    rows = [tuple(for_reader(cell, page.units) for cell in row) for row in rows]
    if page.writer is not None:
        return page.writer.table([tuple(map(visible, row)) for row in rows], right)
    from rich.table import Table
    from rich.text import Text

    grid = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    level: Literal["bottom", "top"] = "bottom" if any("\n" in title for title in rows[0]) else "top"
    for column in range(len(rows[0])):
        grid.add_column(justify="right" if column in right else "left", overflow="fold", vertical=level)
    for number, row in enumerate(rows):
        cells = (Text(plain(cell, page.encoding)) for cell in row)
        grid.add_row(*cells, style="bold" if number in bold else "")
    return _rendered(grid, page)


def beside(
    rows: Sequence[tuple[str, ...]],
    page: Page,
    right: Sequence[int] = (),
    bold: Sequence[int] = (0,),
    least: int = NARROW,
) -> str:
    """Return a table whose first row holds titles; on a page narrower than `least` columns a line for each row."""
    return table(rows, page, right, bold) if page.width >= least else _lines(rows[0], rows[1:], page, bold)


def grid(
    titles: Sequence[str], rows: Sequence[tuple[str, ...]], page: Page, first: Sequence[int] | None = None
) -> str:
    """Return a wide table, or one line per row where the page is too narrow for it.

    first: the columns that matter most, in that order, the others then from left to right: given, of a wide table
    those that find room are shown, on a `wide` page all. The first column always stays. Titles stand in several
    lines where that makes room.
    """
    cells = [max(len(row[k]) for row in rows) if rows else 0 for k in range(len(titles))]
    widths = [max(cell, len(title)) for cell, title in zip(cells, titles)]
    whole = sum(widths) + 2 * (len(widths) - 1)
    if page.wide or page.writer is not None:
        page = replace(page, width=max(page.width, whole))
    if whole > page.width:
        stacked = [_stacked(title, cell) for title, cell in zip(titles, cells)]
        widths = [max(cell, *map(len, title.split("\n"))) for cell, title in zip(cells, stacked)]
    else:
        stacked = list(titles)
    order, room = list(dict.fromkeys([0, *(first or ()), *range(len(titles))])), page.width
    kept = [k for n, k in enumerate(order) if sum(widths[i] + 2 for i in order[: n + 1]) - 2 <= room]
    if len(kept) < (len(titles) if first is None else min(len(titles), LEAST_COLUMNS)):
        return _lines(titles, rows, page)
    shown = sorted(kept)
    some = [tuple(row[k] for k in shown) for row in [tuple(stacked), *rows]]
    text = table(some, page, right=tuple(range(1, len(shown))), bold=(0,))
    left = [title for k, title in enumerate(titles) if k not in kept and title]
    return text + (wrapped(f"Left out, {WIDE} prints it: {', '.join(left)}.", page) if left else "")


def _stacked(title: str, width: int) -> str:
    """A title in lines that are no wider than a column, or than its longest word."""
    return "\n".join(textwrap.wrap(title, max(width, *map(len, title.split()), 1))) if title else ""


def _lines(
    titles: Sequence[str], rows: Sequence[tuple[str, ...]], page: Page, bold: Sequence[int] = ()
) -> str:
    """A table as a line for each row; those in `bold`, counted with the titles, stand out."""
    lines = [wrapped(titles[0], page, style="bold")] if titles[0] else []
    for number, row in enumerate(rows, 1):
        cells = (f"{title} {cell}".strip() for title, cell in zip(titles[1:], row[1:]) if cell)
        line = f"{row[0].strip()}: {', '.join(cells)}".removesuffix(": ")
        lines.append(wrapped(line, page, "bold" if number in bold else "", indent=2 * bool(titles[0])))
    return "".join(lines)


def wrapped(text: str, page: Page, style: str = "", indent: int = 0) -> str:
    """Return a paragraph, indented by `indent` columns; `style` shows on a colour terminal only."""
    text = for_reader(text, page.units)
    if page.writer is not None:
        return page.writer.paragraph(visible(text), style)
    from rich.padding import Padding
    from rich.text import Text

    return _rendered(Padding(Text(plain(text, page.encoding), style=style), (0, 0, 0, indent)), page)


def _rendered(content: Any, page: Page) -> str:
    from rich.console import Console

    stream = io.StringIO()
    console = Console(
        file=stream,
        width=page.width,
        force_terminal=page.colour,
        force_jupyter=False,  # a notebook shows what is returned, not what is rendered on the way
        color_system="standard" if page.colour else None,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    console.print(content)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()) + "\n"


def joined(parts: Iterable[str]) -> str:
    """Return paragraphs with an empty line between them; absent ones are left out."""
    return "\n".join(part for part in parts if part)
