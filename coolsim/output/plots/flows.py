"""Where water and heat go, as bands whose widths are the streams."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, PLUM, TEAL, VIOLET, Scale, scale
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension
from coolsim.simulate.balances import Balance, heat_balance, water_balance

POWER = Dimension("a power", "W", "kW", "kBTU/h", ("kW", "W", "kBTU/h"), "20 kW")

# A band's look by the first word of its stream; hatches tell them apart in grey.
_LOOKS: Mapping[str, tuple[str, str]] = {
    "feed": (BROWN, ""),
    "pellets": (BROWN, ""),
    "flashed": (ORANGE, "xx"),
    "air": (TEAL, ".."),
    "warming": (TEAL, ".."),
    "given": (ORANGE, "//"),
    "evaporation": (ORANGE, "//"),
    "condensation": (ORANGE, "//"),
    "freeing": (VIOLET, "\\\\"),
    "binding": (VIOLET, "\\\\"),
    "heater": (PLUM, "--"),
    "fan": (VIOLET, "oo"),
}

SLOT = 0.2  # of the picture's height: the least room a band and its two lines of words take
GAP = 0.05
BED = (0.45, 0.55)  # where the bed stands, across


def balance(result: Result, case: Case, ax: Sequence[Axes] | None = None, *, units: str = "si") -> list[Axes]:
    """Draw what becomes of the water and of the heat that enter the bed; returns the two axes.

    Heat counts from the air outside, water as liquid. ax: two axes, or None for a new figure.
    """
    style.one_case(result, "the flow diagram")
    axes = style.panels(ax, 2, (7.4, 6.4))
    streams = (
        (water_balance(result, case), scale(u.MASS_FLOW, units), "water"),
        (heat_balance(result, case), scale(POWER, units), "heat above the air outside"),
    )
    for axis, (flows, shown, name) in zip(axes, streams):
        _draw(axis, flows, shown)
        axis.set_title(shown.named(name), loc="left", fontsize="medium")
    return axes


def _draw(axis: Axes, flows: Balance, shown: Scale) -> None:
    """Draw bands from the left into the bed and out to the right, in the order of the streams."""
    whole = max(sum(flows.enters.values()), sum(flows.leaves.values()))
    height = max(_needed(flows.enters, whole), _needed(flows.leaves, whole))
    for streams, end, side in ((flows.enters, 0.0, "right"), (flows.leaves, 1.0, "left")):
        top, joint = 0.5 * (height + _needed(streams, whole)), 0.5 * (height + 1.0)
        for name, amount in streams.items():
            share = amount / whole
            slot = max(share, SLOT)
            middle = top - 0.5 * slot
            _band(axis, name, (end, middle), (BED[0] if end == 0.0 else BED[1], joint - 0.5 * share), share)
            figures = f"{_digits(float(shown(amount)))} {pretty(shown.unit)}, {_digits(100 * share)} %"
            outward = -0.015 if end == 0.0 else 0.015
            axis.text(
                end + outward, middle, f"{name}\n{figures}", ha=side, va="center", fontsize=style.SMALL,
            )  # fmt: skip
            top, joint = top - slot - GAP, joint - share
    bar = Rectangle((BED[0], 0.5 * (height - 1.0)), BED[1] - BED[0], 1.0, facecolor=PLUM)
    axis.add_patch(bar)
    axis.text(0.5, 0.5 * height, "bed", color="white", ha="center", va="center", fontsize=style.SMALL)
    axis.set_xlim(-0.02, 1.02)
    axis.set_ylim(-0.02, height + 0.02)
    axis.set_axis_off()


def _needed(streams: Mapping[str, float], whole: float) -> float:
    """Return the height that streams take, one above the other, where all of one side is 1."""
    return sum(max(x / whole, SLOT) for x in streams.values()) + GAP * (len(streams) - 1)


def _band(axis: Axes, name: str, end: tuple[float, float], joint: tuple[float, float], width: float) -> None:
    """Draw one band between an end of the picture and the bed; `width` is its height all along."""
    (x0, y0), (x1, y1) = end, joint
    half, turn = 0.5 * width, 0.5 * (x0 + x1)
    corners = [
        (x0, y0 + half), (turn, y0 + half), (turn, y1 + half), (x1, y1 + half),
        (x1, y1 - half), (turn, y1 - half), (turn, y0 - half), (x0, y0 - half), (x0, y0 + half),
    ]  # fmt: skip
    codes = [Path.MOVETO, *[Path.CURVE4] * 3, Path.LINETO, *[Path.CURVE4] * 3, Path.CLOSEPOLY]
    colour, hatch = _LOOKS.get(name.split(maxsplit=1)[0].rstrip(","), (FAINT, ""))
    look: dict[str, Any] = {"facecolor": colour, "edgecolor": "white", "hatch": hatch, "linewidth": 0.6}
    axis.add_patch(PathPatch(Path(corners, codes), **look, gid=name))


def _digits(number: float) -> str:
    """Return a number with three digits, or as a whole where it has more.

    >>> _digits(135.6), _digits(4.605), _digits(1234.5)
    ('136', '4.61', '1234')
    """
    return f"{number:.0f}" if abs(number) >= 100 else f"{number:.3g}"
