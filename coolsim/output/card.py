"""A settings chart as one page to hang beside the cooler: weather bands down, humidity across."""

from __future__ import annotations

import io
import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.errors import Fault, InputError
from coolsim.output import letters, quantities
from coolsim.output.page import Page
from coolsim.scenario import units as u
from coolsim.studies.asked import where
from coolsim.studies.seasons.chart import Chart, Dial
from coolsim.studies.seasons.study import why_no_chart
from coolsim.visible import one_line, visible

PAPERS = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}  # mm, ISO 216 and ANSI/ASME Y14.1, lying
MARGIN = 10.0  # mm; what office printers leave white
HEAD, FOOT, SIDE, TOP = 21.0, 41.0, 24.0, 9.0  # mm: title, words below, names of the bands
INK, PAPER, PALE, DARK = "#1a1a1a", "#ffffff", "#e2e2e2", "#4a4a4a"
LINE = 1.46  # of the type size, from one line to the next: 1.25 of DejaVu Sans' own 1.17


@dataclass(frozen=True)
class Cell:
    """What one cell says, in lines from large to small, and how it is shaded."""

    lines: tuple[str, ...]
    fill: str = PAPER
    ink: str = INK


def check(case: Case) -> None:
    """Raise InputError where no card can be made, naming what is needed."""
    if not case.weather:
        allowed = 'a card follows a year of weather: below [weather], such as file = "weather.epw"'
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
    need = float(chart.required_feed_moisture[at])
    lines = _dials(chart, at, page) if chart.dials else _of_cooler(chart, at, page)
    if math.isnan(need):
        return Cell((*lines, "out of reach"), DARK, PAPER)
    feed = f"feed ≤ {math.floor(1000 * need + 1e-6) / 10:.1f} %"
    if need < case.feed.moisture - 5e-5:  # as it comes it is too wet in some of these hours
        return Cell((*lines, feed), PALE)
    return Cell((*lines, feed))


def _of_cooler(chart: Chart, at: tuple[int, int], page: Page) -> tuple[str, ...]:
    minutes = f"{chart.residence_time[at] / 60:.1f} min"
    return _air(chart, at, page), f"{minutes}, {_depth(chart.bed_depth[at], page)}"


def _dials(chart: Chart, at: tuple[int, int], page: Page) -> tuple[str, ...]:
    """Everything that is set, in two lines at the most."""
    told = [_dial(dial, float(dial.values[at]), page) for dial in chart.dials]
    half = -(-len(told) // 2)
    return tuple(", ".join(part) for part in (told[:half], told[half:]) if part)


def _dial(dial: Dial, value: float, page: Page) -> str:
    return quantities.dialled(dial.setting.quantity, value, dial.setting.step, page)


def _depth(depth: float, page: Page) -> str:
    """Return a depth as it is dialled in: charts choose whole centimetres."""
    return page.number(depth, u.LENGTH, *((1, "in") if page.units == "us" else (0, "cm")))


def _air(chart: Chart, at: tuple[int, int], page: Page) -> str:
    speed = float(chart.fan_speed[at])
    if math.isnan(speed):
        return page.number(chart.airflow[at], u.VOLUME_FLOW, 0)
    return f"{100 * speed:.0f} %"


# -- the words


def words(case: Case, chart: Chart, page: Page) -> list[str]:
    """Return what stands below the chart: how to read it, what to do off it, and the cautions."""
    target = case.target
    feed = page.number(case.feed.moisture, u.FRACTION, 1)
    wet = page.number(target.moisture + (target.tolerance or 0.0), u.FRACTION, 1)
    warm = target.maximum_above_ambient
    than = f" or more than {page.number(warm, u.DIFFERENCE, 0)} warmer than the air outside" if warm else ""
    air = "fan speed" if np.isfinite(chart.fan_speed).any() else "airflow"
    what, wait = f"{air}; minutes in the bed and depth of the bed", "wait twice its minutes"
    if chart.dials:
        what, wait = ", ".join(dial.setting.label for dial in chart.dials), "wait for pellets made so"
    return [
        f"In each box: {what}; wettest feed that can meet the target "
        f"there. Chosen for feed at {feed} and {page.number(case.feed.throughput, u.MASS_FLOW, 0)}. Grey box: at "
        f"{feed} some hours miss the target: bring the feed to the moisture shown. Dark box: no feed is dry "
        "enough in all hours there; set what it says and check every lot.",
        "Off the chart (weather outside all bands, or an empty box): set what the nearest filled box says, "
        f"{wait}, then measure the moisture and temperature of the pellets. Tell the shift lead.",
        f"Whatever the chart says: do not bag pellets above {wet} moisture{than}. Wet or warm feed moulds and can "
        "heat itself. Dust explodes: no sparks, keep it clean. Stop and lock out before reaching in. Site rules "
        "and local codes come first.",
    ]


# -- the page


def card(case: Case, chart: Chart, paper: str = "a4", units: str = "si") -> bytes:
    """Return the card as a PDF of one page; `paper` is "a4" or "letter"."""
    import matplotlib
    from matplotlib.figure import Figure

    width, height = PAPERS[paper]
    page = Page(units=units)
    with matplotlib.rc_context({"pdf.fonttype": 42, "font.family": letters.FONT, "text.parse_math": False}):
        figure = Figure(figsize=(width / 25.4, height / 25.4))
        sheet = figure.add_axes((0, 0, 1, 1))
        sheet.set(xlim=(0, width), ylim=(height, 0))  # mm from the upper left corner, as one measures paper
        sheet.axis("off")
        _head(sheet, case, width)
        _grid(sheet, case, chart, page, width, height)
        _foot(sheet, words(case, chart, page), width, height)
        stream = io.BytesIO()
        stamp = {"CreationDate": None, "Creator": None, "Producer": None, "Title": visible(case.title)}
        figure.savefig(stream, format="pdf", metadata=stamp)  # without a date the bytes repeat
    return stream.getvalue()


def title_of(case: Case) -> str:
    """Return the title of a card, as a page can hold it."""
    return one_line(case.title) or "Settings chart"


def _head(sheet: Any, case: Case, width: float) -> None:
    whole = letters.drawable(title_of(case))
    title = _shortened(whole, (width - 2 * MARGIN) * 72 / 25.4, 19)
    family = letters.families(whole)[0]
    _write(sheet, MARGIN, MARGIN + 1, title, 19, weight="bold", va="top", family=family)
    target = case.target
    if target.tolerance is not None:
        wanted = f"{100 * target.moisture:.4g} ± {100 * target.tolerance:.3g} % moisture"
    else:
        wanted = f"{100 * target.moisture:.4g} % moisture or drier"
    _write(
        sheet,
        MARGIN,
        MARGIN + 12,
        f"What to set by the weather outside, for pellets at {wanted}",
        13,
        va="top",
    )


def _grid(sheet: Any, case: Case, chart: Chart, page: Page, width: float, height: float) -> None:
    shown = cells(case, chart, page)
    unit = page.unit(u.TEMPERATURE)
    T = [u.shown(float(t), u.TEMPERATURE, unit) for t in chart.bands.temperature]
    RH = [100 * float(h) for h in chart.bands.relative_humidity]
    left, top = MARGIN + SIDE, MARGIN + HEAD + TOP
    wide = (width - MARGIN - left) / (len(RH) - 1)
    high = (height - MARGIN - FOOT - top) / (len(T) - 1)
    degrees = "°F" if page.units == "us" else "°C"
    _write(sheet, left, top - TOP + 1.2, "relative humidity outside, %", 9)
    _write(sheet, MARGIN, top - 2.5, f"outside, {degrees}", 9)
    for j, (a, b) in enumerate(itertools.pairwise(RH)):
        x = left + (j + 0.5) * wide
        _write(sheet, x, top - 2.5, f"{a:.0f}…{b:.0f}", 12, weight="bold", ha="center")
    for i, (a, b) in enumerate(itertools.pairwise(T)):
        y = top + (i + 0.5) * high
        _write(sheet, left - 2, y, f"{a:.0f}…{b:.0f}", 14, weight="bold", ha="right")
        for j, cell in enumerate(shown[i]):
            _box(sheet, cell, left + j * wide, top + i * high, wide, high)


def _box(sheet: Any, cell: Cell, x: float, y: float, wide: float, high: float) -> None:
    from matplotlib.patches import Rectangle

    sheet.add_patch(Rectangle((x, y), wide, high, facecolor=cell.fill, edgecolor="#707070", linewidth=0.8))
    if not cell.lines:
        return
    # three lines fill a box of any height, and none is wider than the box
    sizes = (min(16.0, 1.0 * high), min(10.5, 0.65 * high), min(10.5, 0.65 * high))
    weights = ("bold", "normal", "normal")
    for line, size, at, weight in zip(cell.lines, sizes, (0.27, 0.6, 0.84), weights):
        small = size * min(1.0, 0.92 * wide * 72 / 25.4 / _width(line, size, weight))
        _write(sheet, x + wide / 2, y + at * high, line, small, weight=weight, ha="center", color=cell.ink)


def _foot(sheet: Any, paragraphs: list[str], width: float, height: float) -> None:
    size, y = 9.5, height - MARGIN - FOOT + 3
    for k, text in enumerate(paragraphs):
        weight = "bold" if k == len(paragraphs) - 1 else "normal"  # the cautions
        lines = _filled(text, (width - 2 * MARGIN) * 72 / 25.4, size, weight)
        _write(sheet, MARGIN, y, "\n".join(lines), size, weight=weight, va="top", linespacing=1.25)
        y += len(lines) * size * LINE * 25.4 / 72 + 1.5


def _shortened(text: str, room: float, size: float) -> str:
    """Return a title that fits into one line of `room` [pt], cut where it does not."""
    cut = text
    while _width(cut, size, "bold") > room:
        cut = f"{cut.removesuffix(' …')[:-1].rstrip()} …"
    return cut


def _filled(text: str, room: float, size: float, weight: str) -> list[str]:
    """Return a text in lines that are no wider than `room` [pt]."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if _width(longer, size, weight) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _width(text: str, size: float, weight: str) -> float:
    """Return how wide a text is drawn [pt]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family=letters.families(text)[0], size=size, weight=weight)
    return float(text_to_path.get_text_width_height_descent(text, font, ismath=False)[0])


def _write(sheet: Any, x: float, y: float, text: str, size: float, **more: Any) -> None:
    sheet.text(x, y, text, size=size, **({"va": "center", "color": INK} | more))
