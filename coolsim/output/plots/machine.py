"""A machine to buy, drawn to scale with its measures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Rectangle

from coolsim.output.page import Page
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, MOISTURES, PALE, PLUM, TEAL
from coolsim.output.quantities import area_of, built, depth, heating, length_of, pressure_of, shaft_power
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.studies.sizing.answer import FanDuty, SizeAnswer

WALL: dict[str, Any] = {"facecolor": "none", "edgecolor": PLUM, "linewidth": 2.0}
BED: dict[str, Any] = {"facecolor": MOISTURES(0.3), "edgecolor": BROWN, "hatch": "..", "linewidth": 0.8}
GRATE: dict[str, Any] = {"color": PLUM, "linewidth": 3.0, "linestyle": (0, (1.2, 0.8))}
PELLETS: dict[str, Any] = {"color": BROWN, "arrowstyle": "-|>", "linewidth": 2.0}
AIR: dict[str, Any] = {"color": TEAL, "arrowstyle": "-|>", "linewidth": 2.0}
MEASURE: dict[str, Any] = {
    "color": FAINT,
    "arrowstyle": "<|-|>",
    "linewidth": 1.0,
    "shrinkA": 0,
    "shrinkB": 0,
}
APART = 0.16  # of the drawing: from a wall to its measure


def to_buy(answer: SizeAnswer, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw a machine to buy, to scale, with its measures, its bed at its deepest, and its fans.

    answer: of `coolsim.size`, where a size serves everything. Of a belt the depth of the bed is drawn tenfold.
    """
    if not answer.met:
        raise ValueError("no size serves every product in every weather: there is no machine to draw")
    (axis,) = style.panels(ax, 1, (6.2, 4.6))
    page = Page(units=units)
    {"counter-flow": _cooler, "belt": _belt, "batch": _batch}[answer.arrangement](axis, answer, page)
    axis.axis("off")
    axis.set_aspect("equal")
    return axis


def _cooler(axis: Axes, answer: SizeAnswer, page: Page) -> None:
    body, fan = answer.body, answer.fan
    assert body is not None and fan is not None
    wide, high, bed = body.side, body.height, body.bed_depth
    far = APART * max(wide, high)
    axis.add_patch(Rectangle((0, 0), wide, bed, **BED))
    axis.add_patch(Rectangle((0, 0), wide, high, **WALL))
    axis.plot([0, wide], [0, 0], **GRATE)
    assert answer.floor_area is not None
    floor = area_of(answer.floor_area, page)
    side, across = built(wide, page), built(body.diameter, page)
    _measure(axis, (-far, 0), (-far, bed), f"bed, at its deepest\n{depth(bed, page)}", "right")
    _measure(axis, (wide + far, 0), (wide + far, high), f"height\n{built(high, page)}", "left")
    _measure(
        axis, (0, -2.2 * far), (wide, -2.2 * far), f"{floor}: side {side}, or diameter {across}", "center"
    )
    _arrow(axis, (0.3 * wide, high + 1.4 * far), (0.3 * wide, high - 0.4 * far), PELLETS)
    _words(axis, 0.3 * wide, high + 1.5 * far, "hot pellets", "center", "bottom")
    for share in (0.25, 0.5, 0.75):
        _arrow(axis, (share * wide, -1.3 * far), (share * wide, 0.1 * far), AIR)
    _words(axis, wide + 0.3 * far, -0.8 * far, "air from outside", "left", "center")
    duct, radius = 0.75 * wide, 0.45 * far
    top = high + 1.6 * far
    axis.plot([duct, duct, wide + 1.2 * far], [high, top, top], color=TEAL, linewidth=2.0)
    _words(axis, duct + 0.2 * far, top + 0.15 * far, "exhaust air", "left", "bottom")
    axis.add_patch(Circle((wide + 1.2 * far + radius, top), radius, **WALL))
    _words(axis, wide + 1.5 * far + 2 * radius, top, _fan(fan, page), "left", "center")
    axis.set_xlim(-3.4 * far, wide + 5.6 * far)
    axis.set_ylim(-3.2 * far, top + 1.6 * far)


def _belt(axis: Axes, answer: SizeAnswer, page: Page) -> None:
    assert answer.belt_length is not None and answer.belt_width is not None and answer.bed_depth is not None
    long, bed = answer.belt_length, 10 * answer.bed_depth
    far, at = APART * long * 0.7, 0.0
    high = max(3.0 * bed, 0.16 * long)
    axis.add_patch(Rectangle((0, 0), long, bed, **BED))
    for number, zone in enumerate(answer.zones, 1):
        assert zone.length is not None
        axis.add_patch(Rectangle((at, -0.6 * high), zone.length, 1.6 * high, **WALL))
        middle = at + zone.length / 2
        words = f"zone {number}\n{length_of(zone.length, page)}\nfan {shaft_power(zone.fan.motor, page)}"
        words += "" if zone.heater is None else f"\nheat {heating(zone.heater, page)}"
        _words(axis, middle, 1.1 * high, words, "center", "bottom")
        at += zone.length
    axis.plot([0, long], [0, 0], **GRATE)
    _arrow(axis, (-far, bed / 2), (-0.1 * far, bed / 2), PELLETS)
    _arrow(axis, (long + 0.1 * far, bed / 2), (long + far, bed / 2), PELLETS)
    width = built(answer.belt_width, page)
    words = f"belt {length_of(long, page)} long, {width} wide; "
    words += f"bed as laid {depth(answer.bed_depth, page)} (drawn tenfold)"
    _measure(axis, (0, -0.6 * high - 0.4 * far), (long, -0.6 * high - 0.4 * far), words, "center")
    axis.set_xlim(-1.3 * far, long + 1.3 * far)
    axis.set_ylim(-0.6 * high - 1.3 * far, 1.1 * high + 1.6 * far)


def _batch(axis: Axes, answer: SizeAnswer, page: Page) -> None:
    assert answer.floor_area is not None and answer.bed_depth is not None and answer.dryers is not None
    (part,) = answer.zones
    side, bed = math.sqrt(answer.floor_area), answer.bed_depth
    far, shown = APART * side, min(answer.dryers, 3)
    high = max(4 * bed, 0.3 * side)
    for k in range(shown):
        x = k * (side + far)
        axis.add_patch(Rectangle((x, 0), side, bed, **BED))
        axis.add_patch(Rectangle((x, -0.5 * high), side, 1.3 * high, **WALL))
        axis.plot([x, x + side], [0, 0], **GRATE)
        for share in (0.3, 0.7):
            _arrow(axis, (x + share * side, -0.45 * high), (x + share * side, -0.08 * high), AIR)
    right = shown * side + (shown - 1) * far
    words = f"bed, as filled\n{depth(bed, page)}"
    _measure(axis, (-0.5 * far, 0), (-0.5 * far, bed), words, "right")
    words = f"side, if square {built(side, page)}"
    _measure(axis, (0, -0.5 * high - 0.6 * far), (side, -0.5 * high - 0.6 * far), words, "center")
    each = f"{answer.dryers} alike, side by side; each:\n" if answer.dryers > 1 else ""
    heat = "" if answer.heater is None else f"\nheater {heating(answer.heater, page)}"
    _words(axis, right / 2, 0.8 * high + 0.4 * far, f"{each}{_fan(part.fan, page)}{heat}", "center", "bottom")
    axis.set_xlim(-3.0 * far, right + 1.2 * far)
    axis.set_ylim(-0.5 * high - 1.8 * far, 0.8 * high + 3.4 * far)


def _fan(fan: FanDuty, page: Page) -> str:
    flow, pressure = page.number(fan.flow, u.VOLUME_FLOW, 0), pressure_of(fan.pressure, page)
    return f"fan {flow},\n{pressure};\nmotor {shaft_power(fan.motor, page)}"


def _measure(axis: Axes, a: tuple[float, float], b: tuple[float, float], words: str, side: str) -> None:
    """A line with heads at both ends, and what it measures beside it."""
    axis.annotate("", b, a, arrowprops=MEASURE)
    x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    place = {"right": (-6, 0), "left": (6, 0), "center": (0, -5)}[side]
    axis.annotate(
        words, (x, y), place, textcoords="offset points", ha=side, va="top" if side == "center" else "center",
        fontsize=style.SMALL,
    )  # fmt: skip


def _arrow(axis: Axes, a: tuple[float, float], b: tuple[float, float], look: dict[str, Any]) -> None:
    axis.annotate("", b, a, arrowprops=look)


def _words(axis: Axes, x: float, y: float, words: str, across: str, up: str) -> None:
    axis.text(
        x, y, words, ha=across, va=up, fontsize=style.SMALL, bbox={"facecolor": PALE, "alpha": 0.0, "pad": 0}
    )
