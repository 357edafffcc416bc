"""What maps of exit moisture have in common: levels with their names, the target, and the limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from coolsim.case.case import Case
from coolsim.case.quantities import LIMITED
from coolsim.output.page import Page
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, MOISTURES, ORANGE, PLUM, TEAL, VIOLET
from coolsim.output.quantities import bound_text
from coolsim.simulate.finishing import uncoated
from coolsim.simulate.requirements import SWEATING, Constraint
from coolsim.support.fields import Array

ROOM = np.array([0.15, 0.06])  # that a level's name takes, shares of the width and height of a small map
LEVELS = 9  # of moisture, about
HATCH = "#3A3A3A"
# How the line is drawn at which a quantity passes its bound, in the order of the table of limits: each has a dash
# and marks of its own, so that they are told apart in grey. Of what is in no table there is the hatching alone.
_DRAWN: tuple[tuple[str, Any, str], ...] = (
    (ORANGE, "--", "^"),
    (VIOLET, "-.", "D"),
    (TEAL, ":", "X"),
    (ORANGE, (0, (1, 1)), "P"),
    (BROWN, ":", "o"),
    (TEAL, (0, (8, 2)), "s"),
    (VIOLET, (0, (5, 1, 1, 1, 1, 1)), "v"),
    (BROWN, "-.", "*"),
    (TEAL, (0, (3, 1, 1, 1)), "<"),  # of limits to come
    (ORANGE, (0, (8, 2, 1, 2)), "h"),
    (VIOLET, (0, (2, 3)), ">"),
    (BROWN, (0, (5, 3)), "p"),
)
_LOOKS = dict(zip((*(q.name for q, _ in LIMITED), SWEATING), _DRAWN))
MARKS = 5  # along each line


def contours(axis: Axes, x: Array, y: Array, M: Array, unit: str = "%") -> None:
    """Fill a map by moisture, or what else is in a unit, with lines at its levels and their names."""
    axis.contourf(x, y, M, LEVELS, cmap=MOISTURES, alpha=0.85)
    lines = axis.contour(x, y, M, LEVELS, colors=FAINT, linewidths=0.6)
    _name_levels(axis, lines, x, y, unit)


def _name_levels(axis: Axes, lines: Any, x: Array, y: Array, unit: str) -> None:
    """Write each level on its line, farthest from the others; one that finds no room stays without."""
    low, wide = (np.array([f(x), f(y)]) for f in (np.min, np.ptp))
    taken: list[Array] = []
    for level, path in zip(lines.levels, lines.get_paths()):
        at = (path.vertices - low) / wide
        at = at[np.all((at > ROOM) & (at < 1 - ROOM), axis=1)]
        away = np.min([np.abs((at - x) / ROOM).max(axis=1) for x in taken] or [np.ones(len(at)) * 2], axis=0)
        if not len(at) or away.max() < 1.0:
            continue
        taken.append(at[away.argmax()])
        across, up = low + wide * taken[-1]
        axis.text(
            across,
            up,
            f"{level:g} {unit}".rstrip(),
            size=style.SMALL - 1,
            ha="center",
            va="center",
            zorder=4,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
        )


def target_lines(axis: Axes, case: Case, x: Array, y: Array, M: Array) -> list[Any]:
    """Draw the target moisture, or the edges of its band; returns what the legend shows."""
    target = uncoated(case).target  # of what leaves the machine
    if target.moisture is None:
        return []
    slack = target.tolerance or 0.0
    edges = sorted({100 * (target.moisture - slack), 100 * (target.moisture + slack)})
    inside = [edge for edge in edges if np.nanmin(M) < edge < np.nanmax(M)]
    if inside:
        axis.contour(x, y, M, inside, colors=PLUM, linewidths=2.2)
    name = f"target {100 * target.moisture:.4g} %" + (f" ± {100 * slack:.2g}" if slack else "")
    nowhere = "" if inside else (", all drier" if np.nanmax(M) <= edges[-1] else ", all wetter")
    return [Line2D([], [], color=PLUM, linewidth=2.2, label=name + nowhere)]


def limits(
    axis: Axes, x: Array, y: Array, constraints: Sequence[Constraint], beyond: Array, units: str
) -> list[Any]:
    """Draw where limits and wishes run across, and hatch beyond them; returns what the legend shows.

    beyond: by how much each is broken, (constraints, up, across); of a fan that is not known there is nothing.
    """
    keys: list[Any] = []
    page = Page(units=units)
    excess = np.fmax.reduce([np.full(beyond.shape[1:], -np.inf), *beyond])
    for c, its in zip(constraints, beyond):
        if c.quantity.name in _LOOKS and its.min() < 0.0 < its.max():
            colour, dash, marker = _LOOKS[c.quantity.name]
            bound = bound_text(c.quantity, float(np.ravel(c.bound)[0]), page)
            name = f"{c.quantity.label} {'≤' if c.sense > 0 else '≥'} {bound}"
            line = axis.contour(x, y, its, [0.0], linewidths=2.0, colors=colour, linestyles=[dash])
            look: dict[str, Any] = {
                "color": colour,
                "marker": marker,
                "markeredgecolor": "white",
                "markersize": 7,
            }
            for some in line.get_paths()[0].to_polygons(closed_only=False):
                along = np.asarray(some)
                places = np.linspace(0, len(along) - 1, MARKS + 2).round().astype(int)[1:-1]
                axis.plot(*along[np.unique(places)].T, linestyle="", **look, zorder=3)
            assumed = " (assumed)" if c.assumed else ""
            keys.append(Line2D([], [], label=name + assumed, linestyle=dash, linewidth=2.0, **look))
    if excess.max() > 0.0:
        hatched = axis.contourf(x, y, excess, [0.0, excess.max()], colors="none", hatches=["///"])
        hatched.set(edgecolor=HATCH, linewidth=0.0, zorder=1.5)  # below the lines of the limits
        keys.append(Patch(facecolor="none", edgecolor=HATCH, hatch="///", label="a limit is broken"))
    return keys
