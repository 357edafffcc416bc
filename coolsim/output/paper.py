"""A sheet of paper in millimetres: words of a width that is measured, boxes, and pages as one PDF."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from coolsim.output import fonts
from coolsim.support.visible import visible

PAPERS = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}  # mm, ISO 216 and ANSI/ASME Y14.1, lying
MARGIN = 10.0  # mm; what office printers leave white
INK, PAPER, PALE, DARK = "#1a1a1a", "#ffffff", "#e2e2e2", "#4a4a4a"
EDGE = "#707070"
LINE = 1.46  # of the type size, from one line to the next: 1.25 of DejaVu Sans' own 1.17
POINT = 25.4 / 72  # mm
ROOM = 0.96  # of a line that is filled: letters that a printer fits to its dots are a little wider
LOOKS: dict[Any, Any] = {"pdf.fonttype": 42, "font.family": fonts.FONT, "text.parse_math": False}


def sheet(width: float, height: float) -> Any:
    """An empty sheet: mm from the upper left corner, as one measures paper."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / 25.4, height / 25.4))
    found = figure.add_axes((0, 0, 1, 1))
    found.set(xlim=(0, width), ylim=(height, 0))
    found.axis("off")
    return found


def pdf(sheets: Iterable[Any], title: str) -> bytes:
    """Sheets as a PDF, a page each; without a date the bytes repeat."""
    from matplotlib.backends.backend_pdf import PdfPages

    stream = io.BytesIO()
    stamp = {"CreationDate": None, "Creator": None, "Producer": None, "Title": visible(title)}
    with PdfPages(stream, metadata=stamp) as pages:
        for one in sheets:
            pages.savefig(one.figure)
    return stream.getvalue()


def write(sheet: Any, x: float, y: float, text: str, size: float, **more: Any) -> None:
    """Write at a place; upright in its middle, if nothing else is said."""
    sheet.text(x, y, text, size=size, **({"va": "center", "color": INK} | more))


def box(
    sheet: Any, x: float, y: float, wide: float, high: float, fill: str = PAPER, line: float = 0.8
) -> None:
    """A box with its frame."""
    from matplotlib.patches import Rectangle

    look: dict[str, Any] = {"facecolor": fill, "edgecolor": EDGE if line < 1.5 else INK, "linewidth": line}
    sheet.add_patch(Rectangle((x, y), wide, high, **look))


def fitted(sheet: Any, x: float, y: float, text: str, size: float, room: float, **more: Any) -> None:
    """Write a line no wider than `room` [mm], smaller where it would be."""
    weight = more.get("weight", "normal")
    write(sheet, x, y, text, size * min(1.0, room / POINT / max(width(text, size, weight), 1e-9)), **more)


def paragraphs(sheet: Any, texts: list[str], y: float, size: float, across: float, last: str) -> float:
    """Write paragraphs one below the other over a sheet `across` [mm] wide; the last in another weight."""
    for k, text in enumerate(texts):
        weight = last if k == len(texts) - 1 else "normal"
        lines = filled(text, ROOM * (across - 2 * MARGIN) / POINT, size, weight)
        write(sheet, MARGIN, y, "\n".join(lines), size, weight=weight, va="top", linespacing=1.25)
        y += len(lines) * size * LINE * POINT + 1.5
    return y


def shortened(text: str, room: float, size: float) -> str:
    """Return a title that fits into one line of `room` [pt], cut where it does not."""
    cut = text
    while width(cut, size, "bold") > room:
        cut = f"{cut.removesuffix(' …')[:-1].rstrip()} …"
    return cut


def filled(text: str, room: float, size: float, weight: str) -> list[str]:
    """Return a text in lines that are no wider than `room` [pt]."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if width(longer, size, weight) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def width(text: str, size: float, weight: str) -> float:
    """Return how wide a text is drawn [pt]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family=fonts.families(text)[0], size=size, weight=weight)
    return float(text_to_path.get_text_width_height_descent(text, font, ismath=False)[0])
