"""A shift of a line: when each step runs, and moisture and mass along the line."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Patch

from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, PALE, TEAL
from coolsim.scenario.units import FRACTION, TIME
from coolsim.studies.planning.flow import Clock
from coolsim.studies.planning.places import moisture_and_mass
from coolsim.support.visible import visible

if TYPE_CHECKING:
    from coolsim.studies.planning.answer import Plan

PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8}  # behind numbers on a line
MOST_BARS = 400  # of a step: more are one


def shift(plan: Plan, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw when each step of the line runs in a shift: batches as bars, breaks as pale bands.

    units: a shift has hours in either system.
    """
    style.scale(TIME, units)  # refuses any other
    (axis,) = style.panels(ax, 1, (7.4, 1.2 + 0.5 * len(plan.passed)))
    clock = _clock(plan)
    end = plan.shift.work
    for begin, length in clock.breaks:
        axis.axvspan(begin / 3600, (begin + length) / 3600, color=PALE, linewidth=0)
    for row, p in enumerate(plan.passed):
        bars = [(b, min(e, end)) for b, e in zip(p.begin, p.end) if b < end]
        look: dict[str, Any] = {
            "color": BROWN if row % 2 == 0 else TEAL,
            "linewidth": 0.6,
            "edgecolor": "white",
        }
        if p.step.batch is None or len(bars) > MOST_BARS:
            first = np.flatnonzero(p.arrives.mass > 0)
            bars = [(float(p.arrives.time[max(int(first[0]) - 1, 0)]), end)] if len(first) else []
            look |= {"hatch": "///"}
        units_ = max(round(p.step.count), 1)
        for k, (begin, finish) in enumerate(bars):
            lane = row - 0.35 + 0.7 * (k % units_) / units_
            for left, right in _pieces(begin, finish, clock, p.step.goes_on):
                axis.barh(lane, (right - left) / 3600, 0.66 / units_, left / 3600, align="edge", **look)
    axis.set_yticks(range(len(plan.passed)), [visible(p.step.name) for p in plan.passed])
    axis.set_ylim(len(plan.passed) - 0.4, -0.6)
    axis.set_xlim(0, plan.shift.hours / 3600)
    style.name_axes(axis, "time since the shift began [h]", "")
    kinds: tuple[tuple[str, dict[str, Any]], ...] = (("in batches", {}), ("all the time", {"hatch": "///"}))
    looks = [Patch(facecolor=BROWN, edgecolor="white", label=name, **look) for name, look in kinds]
    breaks = [Patch(facecolor=PALE, label="break")] if clock.breaks else []
    style.legend(axis, handles=[*looks, *breaks], ncols=len(looks) + len(breaks))
    axis.grid(False)
    return axis


def _clock(plan: Plan) -> Clock:
    return Clock(plan.shift.hours, tuple(plan.case.shift.breaks))


def _pieces(begin: float, end: float, clock: Clock, goes_on: bool) -> list[tuple[float, float]]:
    """A time of work as times by the clock, broken where a break is, unless it goes on through it."""
    if goes_on:
        return [(float(clock.by_clock(begin + 1e-6)), float(clock.by_clock(end)))]
    marks, passed = [begin], 0.0
    for at, length in clock.breaks:
        if begin < at - passed < end:
            marks.append(at - passed)
        passed += length
    marks.append(end)
    found = []
    for a, b in itertools.pairwise(marks):
        left = float(clock.by_clock(a + 1e-6))
        found.append((left, left + (b - a)))
    return found


def along_the_line(plan: Plan, ax: Sequence[Axes] | None = None, *, units: str = "si") -> list[Axes]:
    """Draw moisture and mass from place to place along the line; mass per 100 of mash, whatever the unit.

    units: percent and shares are the same in either system.
    """
    style.scale(FRACTION, units)
    names, moisture, mass = moisture_and_mass(plan)
    axes = style.panels(ax, 2, (7.4, 4.6))
    place = np.arange(len(names))
    shown: tuple[tuple[Axes, Any, dict[str, Any], str], ...] = (
        (axes[0], 100 * moisture, {"color": BROWN, "marker": "o"}, f"moisture [{pretty('%')} wet basis]"),
        (axes[1], 100 * mass, {"color": TEAL, "marker": "s", "linestyle": "--"}, "mass, per mash [%]"),
    )
    for axis, values, look, label in shown:
        axis.plot(place, values, **look)
        for x, y in zip(place, values):
            axis.annotate(f"{y:.1f}", (x, y), xytext=(0, 6), textcoords="offset points", ha="center",
                          fontsize=style.SMALL, bbox=PAPER)  # fmt: skip
        low, high = float(values.min()), float(values.max())
        room = 0.25 * max(high - low, 0.02 * high)
        axis.set_ylim(low - room, high + 1.6 * room)
        style.name_axes(axis, "", label)
    target = plan.case.target.moisture
    if target is not None:
        axes[0].axhline(100 * target, color=ORANGE, linestyle=":", label="target")
        axes[0].autoscale_view()
        style.legend(axes[0])
    axes[1].axhline(100.0, color=FAINT, linewidth=0.7)
    axes[1].set_xticks(place, [name.replace("out of ", "out of\n") for name in names])
    return axes
