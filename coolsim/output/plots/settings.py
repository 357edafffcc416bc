"""What airflow, dwell and weather do to the exit: curves and a map over results of many cases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from coolsim.answer import of_coolers
from coolsim.case import Case
from coolsim.fields import Array
from coolsim.finishing import target_moisture, uncoated
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, MOISTURES, ORANGE, PLUM, TEAL, VIOLET, scale
from coolsim.requirements import constraints_of, values_of
from coolsim.result import Result
from coolsim.scenario import units as u

ROOM = np.array([0.15, 0.06])  # that a level's name takes, shares of the width and height of a small map
LEVELS = 9  # of moisture, about
HATCH = "#3A3A3A"


def dwell(
    result: Result,
    curves: Sequence[str],
    ax: Sequence[Axes] | None = None,
    *,
    case: Case | None = None,
    title: str = "",
    units: str = "si",
) -> list[Axes]:
    """Draw exit moisture and exit temperature against dwell, one curve for each airflow or weather.

    result: of many cases; curves: for each case the name of the curve it lies on, such as "1200 m³/h".
    case: its target, where given, is drawn too. title: what the names are of. Returns the two axes.
    """
    of_coolers(result, "the picture over dwell")
    time, percent, temperature = (scale(d, units) for d in (u.TIME, u.FRACTION, u.TEMPERATURE))
    out, x = result.pellets_out, np.atleast_1d(time(result.bed.residence_time))
    if len(curves) != len(x):
        raise ValueError(f"curves are {len(curves)} names for {len(x)} cases; give one name for each case")
    axes = style.panels(ax, 2, (7.4, 6.0))
    names = list(dict.fromkeys(curves))
    for axis, y in zip(axes, (percent(out.moisture_wb), temperature(out.temperature))):
        for name, look in zip(names, style.family(len(names), "curves over dwell")):
            (on,) = np.nonzero([c == name for c in curves])
            on = on[np.argsort(x[on])]
            axis.plot(x[on], np.atleast_1d(y)[on], **look, markersize=3.5, label=name)
    if case is not None and target_moisture(case) is not None:
        wanted = float(percent(target_moisture(case)))
        axes[0].axhline(wanted, color=PLUM, linewidth=1.2, label=f"target {wanted:.4g} %", gid="target")
    style.name_axes(axes[0], "", percent.named("exit moisture", " wet basis"))
    style.name_axes(axes[1], time.named("dwell"), temperature.named("exit temperature"))
    style.legend(axes[0], beside=True, title=title)
    return axes


# ---- The map -------------------------------------------------------------------------------------------


# How the line is drawn at which a quantity passes its bound, by its name; of others there is the hatching alone.
_LOOKS: Mapping[str, tuple[str, str, Any]] = {
    "above_ambient": ("warmest exit", ORANGE, "--"),
    "water_activity": ("highest water activity in store", VIOLET, "-."),
    "exhaust_relative_humidity": ("highest exhaust humidity", TEAL, (0, (8, 2))),
    "lift_off": ("highest lift-off", BROWN, ":"),
    "bed_pressure_drop": ("highest pressure drop", VIOLET, (0, (5, 1, 1, 1, 1, 1))),
}


def moisture_map(
    result: Result, case: Case, ax: Any = None, *, chosen: Result | None = None, units: str = "si"
) -> Axes:
    """Draw exit moisture over airflow and dwell, with the target, the limits, and chosen settings.

    result: of many cases whose airflows and dwells form a grid, each of every pair once, in any order.
    chosen: the result at the settings to mark. Where a limit or wish other than the moisture is broken, the
    map is hatched.
    """
    of_coolers(result, "the map")
    flow, time, percent = (scale(d, units) for d in (u.VOLUME_FLOW, u.TIME, u.FRACTION))
    order = _grid(result, case)
    q, t = flow(airflow(result, case)[order]), time(result.bed.residence_time[order])
    M = percent(result.pellets_out.moisture_wb[order])
    (axis,) = style.panels(ax, 1, (7.6, 5.0))
    axis.contourf(q, t, M, LEVELS, cmap=MOISTURES, alpha=0.85)
    lines = axis.contour(q, t, M, LEVELS, colors=FAINT, linewidths=0.6)
    keys = [*_bounds(axis, result, case, order, q, t), *_target(axis, case, q, t, M)]
    _name_levels(axis, lines, q, t)
    if chosen is not None:
        style.one_case(chosen, "the mark of the chosen settings")
        at = float(flow(airflow(chosen, case))), float(time(chosen.bed.residence_time))
        look: dict[str, Any] = {"marker": "*", "markersize": 15, "markeredgecolor": "white", "color": PLUM}
        look["clip_on"] = False  # the best often lies on an edge
        keys += axis.plot(*at, linestyle="", **look, label="chosen", gid="chosen", zorder=5)
    style.name_axes(axis, flow.named("airflow"), time.named("dwell"))
    axis.grid(False)
    style.legend(axis, beside=True, title="on the curves: exit\nmoisture, wet basis", handles=keys)
    return axis


def _name_levels(axis: Axes, lines: Any, q: Array, t: Array) -> None:
    """Write each level on its line, farthest from the others; one that finds no room stays without."""
    low, wide = (np.array([f(q), f(t)]) for f in (np.min, np.ptp))
    taken: list[Array] = []
    for level, path in zip(lines.levels, lines.get_paths()):
        at = (path.vertices - low) / wide
        at = at[np.all((at > ROOM) & (at < 1 - ROOM), axis=1)]
        away = np.min([np.abs((at - x) / ROOM).max(axis=1) for x in taken] or [np.ones(len(at)) * 2], axis=0)
        if not len(at) or away.max() < 1.0:
            continue
        taken.append(at[away.argmax()])
        x, y = low + wide * taken[-1]
        axis.text(
            x,
            y,
            f"{level:g} %",
            size=style.SMALL - 1,
            ha="center",
            va="center",
            zorder=4,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )


def airflow(result: Result, case: Case) -> Any:
    """Return the airflow of a result [m³/s, as volume of outside air]."""
    return result.bed.face_velocity * case.cooler.floor_area


def _grid(result: Result, case: Case) -> NDArray[np.intp]:
    """Return the indices of the cases as a grid, shape (dwells, airflows), both rising."""
    q, t = np.atleast_1d(airflow(result, case)), np.atleast_1d(result.bed.residence_time)
    # settings of one row differ by rounding alone
    column = np.unique(np.array([float(f"{x:.6g}") for x in q]), return_inverse=True)
    row = np.unique(np.array([float(f"{x:.6g}") for x in t]), return_inverse=True)
    shape = len(row[0]), len(column[0])
    place = row[1] * shape[1] + column[1]
    if min(shape) < 2 or not np.array_equal(np.sort(place), np.arange(shape[0] * shape[1])):
        raise ValueError(
            f"a map needs every pair of two or more airflows and two or more dwells once; found {len(q)} cases "
            f"with {shape[1]} airflows and {shape[0]} dwells"
        )
    return np.argsort(place).reshape(shape)


def _target(axis: Axes, case: Case, q: Array, t: Array, M: Array) -> list[Any]:
    """Draw the target moisture, or the edges of its band; returns what the legend shows."""
    target = uncoated(case).target  # of what leaves the machine
    if target.moisture is None:
        return []
    slack = target.tolerance or 0.0
    edges = sorted({100 * (target.moisture - slack), 100 * (target.moisture + slack)})
    inside = [edge for edge in edges if M.min() < edge < M.max()]
    if inside:
        axis.contour(q, t, M, inside, colors=PLUM, linewidths=2.2)
    name = f"target {100 * target.moisture:.4g} %" + (f" ± {100 * slack:.2g}" if slack else "")
    nowhere = "" if inside else (", all drier" if M.max() <= edges[-1] else ", all wetter")
    return [Line2D([], [], color=PLUM, linewidth=2.2, label=name + nowhere)]


def _bounds(axis: Axes, result: Result, case: Case, order: NDArray[np.intp], q: Array, t: Array) -> list[Any]:
    """Draw where limits and wishes run across, and hatch beyond them; returns what the legend shows."""
    keys: list[Any] = []
    excess = np.full(order.shape, -np.inf)
    bounds = [c for c in constraints_of(case) if c.quantity.name != "moisture"]
    values = values_of(bounds, result, case.air.temperature, case)
    for c in bounds:
        beyond = np.broadcast_to(c.violation(values[c.key]), order.size)[order]
        excess = np.fmax(excess, beyond)  # of a fan that is not known there is nothing
        if c.quantity.name in _LOOKS and beyond.min() < 0.0 < beyond.max():
            name, colour, dash = _LOOKS[c.quantity.name]
            axis.contour(q, t, beyond, [0.0], linewidths=2.0, colors=colour, linestyles=[dash])
            assumed = " (assumed)" if c.assumed else ""
            keys.append(Line2D([], [], label=name + assumed, color=colour, linestyle=dash, linewidth=2.0))
    if excess.max() > 0.0:
        hatched = axis.contourf(q, t, excess, [0.0, excess.max()], colors="none", hatches=["///"])
        hatched.set(edgecolor=HATCH, linewidth=0.0, zorder=1.5)  # below the lines of the limits
        keys.append(Patch(facecolor="none", edgecolor=HATCH, hatch="///", label="a limit is broken"))
    return keys
