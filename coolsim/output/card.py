"""A settings chart as one page to hang beside the machine, and a trial sheet to fill in by hand behind it.

The chart has bands of temperature down and of humidity across, or a row for each weather that was typed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.output import fonts, paper, quantities
from coolsim.output.page import Page
from coolsim.output.paper import DARK, INK, MARGIN, PALE, PAPER, PAPERS, POINT
from coolsim.output.trial_sheet import trial_sheet
from coolsim.scenario import units as u
from coolsim.simulate.finishing import uncoated
from coolsim.studies.card import Row, Season
from coolsim.studies.prerequisites import where
from coolsim.studies.years.chart import Chart, Dial
from coolsim.studies.years.study import why_no_chart
from coolsim.support.errors import Fault, InputError
from coolsim.support.visible import one_line

HEAD, FOOT, SIDE, TOP = 27.0, 47.0, 24.0, 9.0  # mm: title, words below, names of the bands
FRAME = 2.2  # pt, of a box that differs from nearly all
NEARLY_ALL = 0.8  # share of the boxes from which what they say stands above them


@dataclass(frozen=True)
class Cell:
    """What one cell says, in lines from large to small, and how it is shaded."""

    lines: tuple[str, ...]
    fill: str = PAPER
    ink: str = INK

    @property
    def set(self) -> tuple[str, ...]:
        """What is set there, without the feed."""
        return self.lines[:-1]


def check(case: Case) -> None:
    """Raise InputError where no card can be made, naming what is needed."""
    if not case.weather and not case.card.weather:
        allowed = (
            'a card follows a year of weather: below [weather], such as file = "weather.epw"; or a few weathers of '
            "a season, each below [[card.weather]] with a name and the keys of [air] that differ"
        )
        raise InputError([Fault(where(case, "weather"), "weather", "no [weather] table", allowed)])
    why = why_no_chart(case)
    if why:
        raise InputError(
            [Fault(where(case, "limits"), "limits", "a scenario without settings to choose", why)]
        )


def cells(case: Case, chart: Chart, page: Page) -> list[list[Cell]]:
    """Return what stands in each cell, temperature bands down and humidity bands across."""
    rows, columns = chart.hours.shape
    return [[_cell(case, chart, (i, j), page) for j in range(columns)] for i in range(rows)]


def _cell(case: Case, chart: Chart, at: tuple[int, int], page: Page) -> Cell:
    if not chart.hours[at]:
        return Cell(())
    lines = _dials(chart, at, page) if chart.dials else _of_cooler(chart, at, page)
    return _with_feed(case, lines, float(chart.required_feed_moisture[at]))


def _with_feed(case: Case, lines: tuple[str, ...], need: float) -> Cell:
    """What is set, and the wettest feed that goes with it; nan: none is dry enough."""
    if math.isnan(need):
        return Cell((*lines, "out of reach"), DARK, PAPER)
    # as it comes it is too wet in some of these hours
    fill = PALE if need < case.feed.moisture - 5e-5 else PAPER
    return Cell((*lines, f"feed ≤ {math.floor(1000 * need + 1e-6) / 10:.1f} %"), fill)


def _of_cooler(chart: Chart, at: tuple[int, int], page: Page) -> tuple[str, ...]:
    minutes = f"{chart.residence_time[at] / 60:.1f} min"
    return _air(chart, at, page), f"{minutes}, {_depth(chart.bed_depth[at], page)}"


def _dials(chart: Chart, at: tuple[int, int], page: Page) -> tuple[str, ...]:
    """Everything that is set, in two lines at the most."""
    told = [_dial(dial, float(dial.values[at]), page) for dial in chart.dials]
    half = -(-len(told) // 2)
    return tuple(", ".join(part) for part in (told[:half], told[half:]) if part)


def _dial(dial: Dial, value: float, page: Page) -> str:
    return quantities.setting_text(dial.setting.quantity, value, dial.setting.step, page)


def _depth(depth: float, page: Page) -> str:
    """Return a depth as it is dialled in: charts choose whole centimetres."""
    return page.number(depth, u.LENGTH, *((1, "in") if page.units == "us" else (0, "cm")))


def _air(chart: Chart, at: tuple[int, int], page: Page) -> str:
    speed = float(chart.fan_speed[at])
    if math.isnan(speed):
        return page.number(chart.airflow[at], u.VOLUME_FLOW, 0)
    return f"fan {quantities.text(QUANTITIES['fan_speed'], speed, page)}"


def common(shown: Sequence[Sequence[Cell]]) -> tuple[tuple[str, ...], int]:
    """What nearly all filled boxes say is to be set, and how many say something else; nothing where they differ."""
    said = [cell.set for row in shown for cell in row if cell.lines]
    most = max(set(said), key=said.count, default=())
    others = len(said) - said.count(most)
    return (most, others) if len(said) > 1 and said.count(most) >= NEARLY_ALL * len(said) else ((), others)


def serves(shown: Sequence[Sequence[Cell]]) -> str:
    """In a line, where one setting serves all boxes, or nearly all; else nothing."""
    what, others = common(shown)
    if not what:
        return ""
    where_ = f"in all boxes but {others} (thick frame)" if others else "in all boxes"
    return f"One setting {where_}: {', '.join(what)}"


# -- the words


def words(case: Case, chart: Chart | None, page: Page, labels: Sequence[str] = ()) -> list[str]:
    """Return what stands below: how to read it, what to do off it, and the cautions."""
    target = case.target
    feed = page.number(case.feed.moisture, u.FRACTION, 1)
    wet = page.number(target.moisture + (target.tolerance or 0.0), u.FRACTION, 1)
    warm = target.maximum_above_ambient
    than = f" or more than {page.number(warm, u.DIFFERENCE, 0)} warmer than the air outside" if warm else ""
    what, wait, off = _in_each(chart, labels)
    return [
        f"In each {what}; wettest feed that can meet the target "
        f"there. Chosen for feed at {feed} and {page.number(case.feed.throughput, u.MASS_FLOW, 0)}. Grey: at "
        f"{feed} some hours miss the target: bring the feed to the moisture shown. Dark: no feed is dry "
        "enough in all hours there; set what it says and check every lot. As computed, without what is not known "
        "exactly: check the first lots.",
        f"{off}, {wait}, then measure the moisture and temperature of the pellets. Tell the shift lead.",
        f"Whatever the chart says: do not bag pellets above {wet} moisture{than}{_once_coated(case)}. Wet "
        "or warm feed moulds and can heat itself. Dust explodes: no sparks, keep it clean. Stop and lock out "
        "before reaching in. Site rules and local codes come first.",
    ]


def _in_each(chart: Chart | None, labels: Sequence[str]) -> tuple[str, str, str]:
    """What stands in each box or row, how long to wait after setting it, and what to do off the chart."""
    off = "Off the chart (weather outside all bands, or an empty box): set what the nearest filled box says"
    if chart is None:
        return f"row: {', '.join(labels)}", "wait for pellets made so", "In other weather set the nearest row"
    if chart.dials:
        labels = [dial.setting.label for dial in chart.dials]
        return f"box: {', '.join(labels)}", "wait for pellets made so", off
    air = "fan speed" if np.isfinite(chart.fan_speed).any() else "airflow"
    return f"box: {air}; minutes in the bed and depth of the bed", "wait twice its minutes", off


# -- the pages


def card(case: Case, chart: Chart | Season, size: str = "a4", units: str = "si", version: str = "") -> bytes:
    """Return the card and its trial sheet as a PDF of two pages; `size` is "a4" or "letter"."""
    import matplotlib

    wide, high = PAPERS[size]
    page = Page(units=units)
    with matplotlib.rc_context(paper.LOOKS):
        first = paper.sheet(wide, high)
        _head(first, case, wide)
        if isinstance(chart, Season):
            _rows(first, case, chart, page, wide, high)
            told = words(case, None, page, [s.label for s in chart.settings])
        else:
            _grid(first, case, chart, page, wide, high)
            told = words(case, chart, page)
        paper.paragraphs(first, told, high - MARGIN - FOOT + 3, 9.0, wide, "bold")
        _signed(first, version, wide, high)
        return paper.pdf([first, trial_sheet(case, page, size)], title_of(case))


def title_of(case: Case) -> str:
    """Return the title of a card, as a page can hold it."""
    return one_line(case.title) or "Settings chart"


def _once_coated(case: Case) -> str:
    """Wishes are of coated pellets; readings at the machine are of those before, which may be wetter."""
    if not case.coating:
        return ""
    before = uncoated(case).target
    return f", once coated (before: {100 * (before.moisture + (before.tolerance or 0.0)):.4g} %)"


def _head(sheet: Any, case: Case, wide: float) -> None:
    whole = fonts.drawable(title_of(case))
    title = paper.shortened(whole, (wide - 2 * MARGIN) / POINT, 19)
    family = fonts.families(whole)[0]
    paper.write(sheet, MARGIN, MARGIN + 1, title, 19, weight="bold", va="top", family=family)
    target = case.target
    if target.tolerance is not None:
        wanted = f"{100 * target.moisture:.4g} ± {100 * target.tolerance:.3g} % moisture"
    else:
        wanted = f"{100 * target.moisture:.4g} % moisture or drier"
    text = f"What to set by the weather outside, for pellets at {wanted}{_once_coated(case)}"
    paper.write(sheet, MARGIN, MARGIN + 11, text, 12, va="top")


def _signed(sheet: Any, version: str, wide: float, high: float) -> None:
    """Whose card it is: the version that computed it, and lines for a date and a name."""
    y = high - MARGIN - 1
    paper.write(sheet, MARGIN, y, f"coolsim {version}".strip(), 9)
    for x, word in ((wide - 150, "date"), (wide - 90, "name")):
        paper.write(sheet, x, y, word, 9, ha="right")
        end = wide - MARGIN if word == "name" else wide - 105
        sheet.plot([x + 2, end], [y + 1.5, y + 1.5], color=INK, linewidth=0.8)


def _served(sheet: Any, shown: Sequence[Sequence[Cell]], wide: float) -> tuple[str, ...]:
    """Say large where one setting serves (nearly) all boxes; returns it."""
    text = serves(shown)
    if text:
        paper.fitted(sheet, MARGIN, MARGIN + 21, text, 17, wide - 2 * MARGIN, weight="bold")
    return common(shown)[0]


def _grid(sheet: Any, case: Case, chart: Chart, page: Page, width: float, height: float) -> None:
    shown = cells(case, chart, page)
    usual = _served(sheet, shown, width)
    unit = page.unit(u.TEMPERATURE)
    down = bands([u.shown(float(t), u.TEMPERATURE, unit) for t in chart.bands.temperature])
    across = bands([100 * float(h) for h in chart.bands.relative_humidity])
    left, top = MARGIN + SIDE, MARGIN + HEAD + TOP
    wide, high = (width - MARGIN - left) / len(across), (height - MARGIN - FOOT - top) / len(down)
    degrees = "°F" if page.units == "us" else "°C"
    paper.write(sheet, left, top - TOP + 1.2, "relative humidity outside, %", 9)
    paper.write(sheet, MARGIN, top - 2.5, f"outside, {degrees}", 9)
    for j, band in enumerate(across):
        paper.write(sheet, left + (j + 0.5) * wide, top - 2.5, band, 12, weight="bold", ha="center")
    for i, band in enumerate(down):
        paper.write(sheet, left - 2, top + (i + 0.5) * high, band, 13, weight="bold", ha="right")
        for j, cell in enumerate(shown[i]):
            odd = bool(usual) and bool(cell.lines) and cell.set != usual
            _box(sheet, cell, (left + j * wide, top + i * high, wide, high), FRAME if odd else 0.8)


def bands(edges: Sequence[float]) -> list[str]:
    """Name bands between ascending edges in whole numbers, so that no reading stands in two of them.

    A reading belongs to the band above its edge; the lowest band and the highest are open.

    >>> bands([18.0, 24.0, 25.0, 33.0]), bands([64.4, 75.2, 91.4])
    (['≤ 23', '24', '≥ 25'], ['≤ 75', '≥ 76'])
    """
    first = [math.ceil(edge - 1e-6) for edge in edges[1:-1]]
    if not first:
        return ["all"]
    middle = [f"{a}" if a + 1 >= b else f"{a} – {b - 1}" for a, b in itertools.pairwise(first)]
    return [f"≤ {first[0] - 1}", *middle, f"≥ {first[-1]}"]


def _box(sheet: Any, cell: Cell, at: tuple[float, float, float, float], line: float) -> None:
    x, y, wide, high = at
    if line > 1.0:  # inside its own edges, or a neighbour would cover half of it
        paper.box(sheet, x + 0.5, y + 0.5, wide - 1.0, high - 1.0, cell.fill, line)
    else:
        paper.box(sheet, x, y, wide, high, cell.fill, line)
    # three lines fill a box of any height, and none is wider than the box
    sizes = (min(16.0, 1.0 * high), min(10.5, 0.65 * high), min(10.5, 0.65 * high))
    weights = ("bold", "normal", "normal")
    for text, size, down, weight in zip(cell.lines, sizes, (0.27, 0.6, 0.84), weights):
        look: dict[str, Any] = {"weight": weight, "ha": "center", "color": cell.ink}
        paper.fitted(sheet, x + wide / 2, y + down * high, text, size, 0.92 * wide, **look)


# -- a season in a few weathers


def row_of(case: Case, season: Season, row: Row, page: Page) -> Cell:
    """What a row says: each setting, how the pellets leave, and the wettest feed."""
    told = tuple(
        quantities.setting_text(s.quantity, row.values[s.key], s.step, page) for s in season.settings
    )
    need = case.feed.moisture if row.required_feed_moisture is None else row.required_feed_moisture
    return _with_feed(case, told, need if row.met or not math.isnan(need) else math.nan)


def _rows(sheet: Any, case: Case, season: Season, page: Page, width: float, height: float) -> None:
    shown = [row_of(case, season, row, page) for row in season.rows]
    named = [
        [Cell((*map(": ".join, zip((s.label for s in season.settings), cell.set)), ""))] for cell in shown
    ]
    _served(sheet, named, width)
    titles = ["weather outside", *(s.label for s in season.settings), "pellets leave at", "wettest feed"]
    top = MARGIN + HEAD + TOP
    shares = np.array([1.8, *[1.0] * len(season.settings), 1.3, 1.0])
    edges = MARGIN + np.append(0.0, np.cumsum(shares)) / shares.sum() * (width - 2 * MARGIN)
    high = min((height - MARGIN - FOOT - top) / len(shown), 22.0)
    for title, a, b in zip(titles, edges, edges[1:]):
        paper.fitted(sheet, (a + b) / 2, top - 3, title, 11, 0.92 * (b - a), weight="bold", ha="center")
    for k, (row, cell) in enumerate(zip(season.rows, shown)):
        air = row.weather.air
        assert air is not None
        outside = ", ".join(
            (
                page.number(air.temperature, u.TEMPERATURE, 0),
                page.number(air.relative_humidity, u.FRACTION, 0),
            )
        )
        leave = (
            f"{page.number(row.moisture_wb, u.FRACTION, 2)}, {page.number(row.temperature, u.TEMPERATURE, 1)}"
        )
        texts = [
            (one_line(row.weather.name), outside),
            *((t,) for t in cell.set),
            (leave,),
            (cell.lines[-1],),
        ]
        for n, (lines, a, b) in enumerate(zip(texts, edges, edges[1:])):
            y = top + k * high
            paper.box(sheet, a, y, b - a, high, cell.fill)
            large = 0 < n <= len(season.settings)
            for text, down in zip(lines, (0.5,) if len(lines) == 1 else (0.33, 0.72)):
                size, weight = (min(17.0, high), "bold") if large else (min(11.5, 0.6 * high), "normal")
                look: dict[str, Any] = {"weight": weight, "ha": "center", "color": cell.ink}
                paper.fitted(sheet, (a + b) / 2, y + down * high, text, size, 0.9 * (b - a), **look)
