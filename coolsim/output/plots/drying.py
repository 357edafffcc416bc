"""A dryer's course: over time, layer by layer, and along a belt."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from coolsim.case.case import Case
from coolsim.case.machine import Belt
from coolsim.case.result import History, Layers, Result
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, MOISTURES, ORANGE, PALE, TEAL, VIOLET, scale
from coolsim.scenario import units as u
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array

STEPS = 7  # of moisture, about: more cannot be told apart in grey
ROOM = 0.16  # above the curves, as a share of their span, for the names of zones
ARROWS = {"up": "↑", "down": "↓"}
UNACCOUNTED = 1e-4  # kg/kg dry: a course whose steps leave more water out has a gap

PELLETS: dict[str, Any] = {"color": BROWN, "linestyle": "-"}
TOP: dict[str, Any] = {"color": ORANGE, "linestyle": ":"}
BOTTOM: dict[str, Any] = {"color": VIOLET, "linestyle": "-."}
AIR_IN: dict[str, Any] = {"color": TEAL, "linestyle": "--"}
AIR_OUT: dict[str, Any] = {"color": TEAL, "linestyle": (0, (1, 1)), "linewidth": 2.0}


# Of dryers drawn on the same axes, one after the other: told apart by width and shade, in grey too.
SHADES: tuple[dict[str, Any], ...] = ({}, {"alpha": 0.4, "linewidth": 3.6}, {"alpha": 0.9, "linewidth": 0.6})


def drying_curve(
    result: Result, ax: Any = None, *, case: Case | None = None, units: str = "si", label: str = ""
) -> list[Axes]:
    """Draw moistures and temperatures of a dryer over time; returns the two axes.

    case: its target is drawn too. Axes that hold the curves of other dryers get those of this one in another shade;
    `label` is what the legend of the moistures adds to its mean.
    """
    history, _ = _course(result, "the drying curve")
    time = scale(u.TIME, units)
    axes = style.panels(ax, 2, (7.4, 5.6))
    earlier = _drawn_before(axes[0])
    x = time(history.time)
    style.target(axes[0], None if earlier else case, units)
    _moistures(axes[0], x, history, units, earlier, label)
    _temperatures(axes[1], x, history, units, earlier)
    for axis in axes:
        _mark_cooling(axis, history, units, name=axis is axes[1] and not earlier)
        axis.margins(x=0.01)
    axes[1].set_xlabel(time.named("time since the bed was laid"))
    return axes


def drying_layers(result: Result, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw the moisture of a dryer's bed over time and over the height in the bed as it was laid."""
    history, layers = _course(result, "the picture of the layers")
    time, length, percent = scale(u.TIME, units), scale(u.LENGTH, units, "mm", "in"), scale(u.FRACTION, units)
    (axis,) = style.panels(ax, 1, (8.2, 4.4))
    x, y, M = time(layers.time), length(layers.height), percent(layers.moisture_wb).T
    y = np.concatenate([[0.0], y, [length(result.bed.depth)]])  # the faces look as the layers beside them
    M = np.concatenate([M[:1], M, M[-1:]])
    edges = MaxNLocator(STEPS).tick_values(M.min(), M.max())
    colours = MOISTURES(np.linspace(0.0, 1.0, len(edges) - 1))
    look: dict[str, Any] = {"cmap": ListedColormap(colours), "norm": BoundaryNorm(edges, len(colours))}
    axis.contourf(x, y, M, edges, **look)
    axis.contour(x, y, M, edges, colors=FAINT, linewidths=0.8)
    style.name_axes(axis, time.named("time since the bed was laid"), length.named("height in the bed"))
    axis.grid(False)
    _mark_cooling(axis, history, units, name=True)
    keys = [
        Patch(facecolor=c, edgecolor=FAINT, linewidth=0.5, label=f"{a:g} – {b:g}")
        for c, a, b in zip(colours, edges, edges[1:])
    ]
    title = percent.named("moisture", " wet basis").replace(" [", "\n[")
    style.legend(axis, at_the_side=True, title=title, handles=keys[::-1])
    return axis


def belt_zones(result: Result, case: Case, ax: Any = None, *, units: str = "si") -> list[Axes]:
    """Draw temperatures and moistures along a belt, with its zones by number; returns the two axes.

    The arrow of a zone is the way of its air through the bed.
    """
    history, _ = _course(result, "the picture of zones")
    belt = _belt(case, history)
    length = scale(u.LENGTH, units)
    ends = length(np.cumsum([0.0, *(zone.length for zone in belt.zones)]))
    x = history.time * ends[-1] / float(result.bed.residence_time)
    axes = style.panels(ax, 2, (7.8, 6.0))
    _temperatures(axes[0], x, history, units)
    style.target(axes[1], case, units)
    _moistures(axes[1], x, history, units)
    for axis in axes:
        bottom, top = axis.get_ylim()
        axis.set_ylim(bottom, top + ROOM * (top - bottom))
        axis.grid(axis="x", visible=False)
        for k, (zone, a, b) in enumerate(zip(belt.zones, ends, ends[1:]), 1):
            axis.axvspan(a, b, color=PALE, alpha=0.55 if k % 2 else 0.0, linewidth=0, zorder=0)
            axis.axvline(b, color=FAINT, linewidth=0.7, zorder=0.5)
            words = f"{k} {ARROWS[zone.air_direction]}"
            place: dict[str, Any] = {"ha": "center", "va": "top", "transform": axis.get_xaxis_transform()}
            axis.text((a + b) / 2, 0.98, words, fontsize=style.SMALL, **place)
        axis.set_xlim(ends[0], ends[-1])
    axes[1].set_xlabel(length.named("distance along the belt; zones by number, arrows: way of the air"))
    return axes


def _drawn_before(axis: Axes) -> int:
    """Return how many dryers an axis of moistures shows; more than can be told apart are refused."""
    count = sum(line.get_gid() == "mean moisture" for line in axis.lines)
    if count == len(SHADES):
        raise ValueError(f"these axes show {count} dryers, and no more can be told apart: draw on new ones")
    return count


def _named(name: str, earlier: int) -> str:
    """Return the label of a curve: a legend names those of the first dryer, and leaves out labels with an _."""
    return f"_{name}" if earlier else name


def _mark_cooling(axis: Axes, history: History, units: str, name: bool) -> None:
    """Draw a line where a batch begins to be cooled, if it is; with its name on request."""
    if history.zone[-1] > 0:
        return
    began = scale(u.TIME, units)(history.time[history.zone > 0][-1])
    upright: dict[str, Any] = {"transform": axis.get_xaxis_transform()}
    axis.vlines(began, 0, 1, color=BROWN, linewidth=1.0, linestyle=(0, (6, 3)), zorder=2.5, **upright)
    if name:
        axis.text(began, 0.97, "cooling from here ", fontsize=style.SMALL, ha="right", va="top", **upright)


def _moistures(axis: Axes, x: Array, history: History, units: str, earlier: int = 0, dryer: str = "") -> None:
    """Draw mean, top and bottom from the laid bed on; `dryer` is what the legend adds to the mean."""
    percent = scale(u.FRACTION, units)
    for label, values, look in (
        ("top", history.top_moisture_wb, TOP),
        ("mean", history.moisture_wb, PELLETS),
        ("bottom", history.bottom_moisture_wb, BOTTOM),
    ):
        look = look | SHADES[earlier]
        name = f"mean, {dryer}" if dryer and label == "mean" else _named(label, earlier)
        axis.plot(x, percent(values), **look, label=name, gid=f"{label} moisture")
    style.name_axes(axis, "", percent.named("moisture", " wet basis"))
    if dryer or not earlier:
        style.legend(axis)


def _temperatures(axis: Axes, x: Array, history: History, units: str, earlier: int = 0) -> None:
    """Draw air and pellets; the air starts anew in every zone, so its lines are broken there."""
    temperature = scale(u.TEMPERATURE, units)
    borders = np.flatnonzero(np.diff(history.zone)) + 1
    for label, values, look in (
        ("air in", history.inlet_air_temperature, AIR_IN),
        ("air out", history.outlet_air_temperature, AIR_OUT),
    ):
        broken = np.insert(temperature(values), borders, np.nan)
        look = look | SHADES[earlier]
        axis.plot(np.insert(x, borders, np.nan), broken, **look, label=_named(label, earlier))
    axis.plot(
        x, temperature(history.temperature), **PELLETS | SHADES[earlier], label=_named("pellets", earlier)
    )
    style.name_axes(axis, "", temperature.named("temperature"))
    if not earlier:
        style.legend(axis)


# ---- What cannot be drawn ------------------------------------------------------------------------------


def _course(result: Result, what: str) -> tuple[History, Layers]:
    """Return the course of one dryer that was solved to its end; anything else is refused."""
    if result.stages:
        allowed = f"{what} is of one dryer: draw result.stages[…].result, whose case is result.stages[…].case"
        raise InputError([Fault("", "result", "the answer of a line", allowed)])
    if result.energy is None:
        allowed = f"{what} is drawn for batch and belt dryers; for a cooler draw `bed` or `pellet`"
        raise InputError([Fault("", "result", "the answer of a cooler", allowed)])
    history, layers = result.history, result.layers
    if history is None or layers is None:
        count = np.size(result.pellets_out.moisture_wb)
        raise ValueError(
            f"{what} shows one dryer, the result holds {count}: predict the one to show by itself"
        )
    reached, whole = float(history.time[-1]) / 60, float(result.bed.residence_time) / 60
    unsure = not np.isfinite(result.accuracy.moisture_error_wb)  # a coarser mesh, or this one, gave up
    if unsure or reached < whole * (1 - 1e-6) or _gap(result, history):
        raise NotConverged(
            f"{what} needs the whole course, which ends after {reached:.3g} of {whole:.3g} min or has a gap: "
            "the dryer did not converge; predict it again with gentler air or a shallower bed",
            best=result,
        )
    return history, layers


def _gap(result: Result, history: History) -> bool:
    """Whether the steps leave out water that the pellets lost: a zone in which the solver gave up."""
    steps = np.diff(history.time, prepend=0.0)
    fed = result.feed_in.moisture_wb / (1 - result.feed_in.moisture_wb)
    told = (history.drying_rate * steps).sum()
    return bool(abs(told - (fed - result.pellets_out.moisture_db)) > UNACCOUNTED)


def _belt(case: Case, history: History) -> Belt:
    """Return the belt of the case, if the result can be its own."""
    belt = case.cooler
    if not isinstance(belt, Belt):
        allowed = 'the picture of zones needs "belt"; for a batch draw `drying_curve`'
        raise InputError([Fault("", "cooler.arrangement", f'"{belt.arrangement}"', allowed)])
    met, there = int(history.zone.max()), len(belt.zones)
    if met != there:
        allowed = f"the result has {met}: give the case that it was predicted from"
        raise InputError([Fault("", "cooler.zone", f"{there} zones", allowed)])
    return belt
