"""What moves the exit: a bar for each thing alone, and a map over the two that move it most."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from scipy.interpolate import RectBivariateSpline

from coolsim.case.quantities import Quantity
from coolsim.output.lever_tables import end_text
from coolsim.output.page import Page
from coolsim.output.plots import style
from coolsim.output.plots.maps import contours, limits, target_lines
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, PALE, PLUM, TEAL, Scale, scale
from coolsim.output.quantities import unit_of
from coolsim.scenario import units as u
from coolsim.simulate.finishing import uncoated
from coolsim.support.fields import Array

if TYPE_CHECKING:
    from coolsim.studies.lever_study import LeverMap, Levers, Span

FINER = 8  # lines of a map for each that was predicted
THICK = 0.5  # of a bar, as a share of a row
ROOM = 0.26  # beside the longest bar, for the values at its ends: a share of the axis
SET: dict[str, Any] = {"facecolor": TEAL, "edgecolor": TEAL}
CHANGES: dict[str, Any] = {"facecolor": "none", "edgecolor": BROWN, "hatch": "////"}
BAND: dict[str, Any] = {"color": FAINT, "alpha": 0.25, "linewidth": 0.0}
TODAY: dict[str, Any] = {"color": "white", "marker": "o", "markersize": 9, "markeredgecolor": PLUM}
ADVICE: dict[str, Any] = {"color": PLUM, "marker": "*", "markersize": 16, "markeredgecolor": "white"}


def levers(levers: Levers, ax: Any = None, *, units: str = "si") -> list[Axes]:
    """Draw how far each thing alone moves exit moisture and temperature, from end to end of its range.

    levers: of `coolsim.levers(case)`. Filled bars are what may be set, hatched ones what may change by itself. The
    upright lines are today's exit and its target, the pale strip what the inputs leave open. Returns both axes.
    """
    percent, temperature, page = scale(u.FRACTION, units), scale(u.TEMPERATURE, units), Page(units=units)
    axes = style.side_by_side(ax, 2, (9.2, 1.6 + 0.42 * len(levers.spans)), (3, 2))
    rows = np.arange(len(levers.spans))[::-1]
    for k, s in zip(rows, levers.spans):
        for axis, ends, now, measure in (
            (axes[0], s.moisture_wb, levers.moisture_wb, percent),
            (axes[1], s.temperature, levers.temperature, temperature),
        ):
            _bar(axis, float(k), s, ends, now, measure)
        _values(axes[0], float(k), s, percent, page)
    keys = [_upright(axes[0], *line) for line in _of_moisture(levers, percent)]
    keys += [_upright(axes[1], *line) for line in _of_temperature(levers, temperature)]
    band = levers.band
    if band is not None:
        axes[0].axvspan(*map(float, percent(np.array(band.moisture_wb, float))), **BAND, zorder=0.5)
        axes[1].axvspan(*map(float, temperature(np.array(band.temperature, float))), **BAND, zorder=0.5)
    _room(axes[0])
    axes[1].margins(x=0.05)
    axes[0].set_yticks(rows, [s.label for s in levers.spans])
    axes[1].tick_params(axis="y", length=0, labelleft=False)
    for axis in axes:
        axis.set_ylim(-0.6, len(rows) - 0.4)
        axis.grid(axis="x", color=PALE, linewidth=0.7)
        axis.set_axisbelow(True)
        axis.spines[["top", "right", "left"]].set_visible(False)
    axes[0].set_xlabel(percent.named("exit moisture", " wet basis"))
    axes[1].set_xlabel(temperature.named("exit temperature"))
    _name(axes[0], keys, levers)
    return axes


def _bar(axis: Axes, row: float, s: Span, ends: tuple[float, float], now: float, measure: Scale) -> None:
    known = [float(measure(x)) for x in (*ends, now) if np.isfinite(x)]
    low, high = min(known), max(known)
    look = SET if s.may_be_set else CHANGES
    axis.barh(row, high - low, THICK, left=low, linewidth=0.9, **look, gid=f"lever {s.key}")
    for x, kept in zip(ends, s.kept):
        if np.isfinite(x) and not kept:
            axis.plot(measure(x), row, "X", color=ORANGE, markersize=8, markeredgecolor="white", zorder=4)


def _values(axis: Axes, row: float, s: Span, percent: Scale, page: Page) -> None:
    """At each end of a bar the value that gives it."""
    low, high = s.moisture_wb
    left_is_low = not (np.isfinite(low + high) and low > high)
    for x, value, other in ((low, s.ends[0], left_is_low), (high, s.ends[1], not left_is_low)):
        if np.isfinite(x):
            text, sign = end_text(s.quantity, value, page), -1 if other else 1
            axis.annotate(
                text, (float(percent(x)), row), (6 * sign, 0), textcoords="offset points",
                ha="right" if other else "left", va="center", size=style.SMALL, zorder=4,
                path_effects=[withStroke(linewidth=2.5, foreground="white")],
            )  # fmt: skip


def _room(axis: Axes) -> None:
    low, high = axis.dataLim.intervalx
    more = ROOM * (high - low)
    axis.set_xlim(low - more, high + more)


Line = tuple[float, str, dict[str, Any]]


TODAY_LINE: dict[str, Any] = {"color": PLUM, "linewidth": 1.4, "linestyle": (0, (3, 2))}
WANTED: dict[str, Any] = {"color": PLUM, "linewidth": 2.2}


def _of_moisture(levers: Levers, percent: Scale) -> Iterator[Line]:
    """Today's exit moisture, and the target or both edges of its band."""
    yield float(percent(levers.moisture_wb)), f"today {100 * levers.moisture_wb:.2f} %", TODAY_LINE
    wanted = uncoated(levers.case).target
    goal, slack = wanted.moisture, wanted.tolerance or 0.0
    if goal is not None:
        name = f"target {100 * goal:.4g} %" + (f" ± {100 * slack:.2g}" if slack else "")
        for edge in sorted({goal - slack, goal + slack}):
            yield float(percent(edge)), name, WANTED


def _of_temperature(levers: Levers, temperature: Scale) -> Iterator[Line]:
    """Today's exit temperature, and the warmest that is wanted in the air as it is."""
    yield float(temperature(levers.temperature)), "", TODAY_LINE
    above = levers.case.target.maximum_above_ambient
    if above is not None:
        yield float(temperature(levers.case.air.temperature + above)), "", WANTED


def _upright(axis: Axes, x: float, label: str, look: dict[str, Any]) -> Line2D:
    return axis.axvline(x, **look, label=label or None, gid=label.partition(" ")[0], zorder=3)


def _name(axis: Axes, keys: list[Line2D], levers: Levers) -> None:
    named = {k.get_label(): k for k in keys if not str(k.get_label()).startswith("_")}
    handles: list[Any] = list(named.values())
    if levers.band is not None:
        handles.append(Patch(**BAND, label="what the inputs leave open"))
    handles.append(Patch(**SET, label="may be set"))
    handles.append(Patch(**CHANGES, label="may change (range assumed)"))
    if not all(all(s.kept) for s in levers.spans):
        handles.append(
            Line2D([], [], linestyle="", marker="X", color=ORANGE, markersize=8, label="a limit is broken")
        )
    axis.figure.legend(
        handles=handles,
        loc="outside upper center",
        ncols=3,
        frameon=False,
        fontsize=style.SMALL,
        handlelength=2.4,
    )


# ---- The map --------------------------------------------------------------------------------------------


def _finer(x: Array, y: Array, tables: Array) -> tuple[Array, Array, Array]:
    """Tables (some, up, across) on as fine a grid as the eye takes for smooth, through what was predicted."""
    if min(tables.shape[1:]) < 4 or not np.isfinite(tables).all():
        return x, y, tables
    fine = [
        np.interp(np.linspace(0, len(v) - 1, FINER * (len(v) - 1) + 1), np.arange(len(v)), v) for v in (x, y)
    ]
    across, up = fine
    splines = [RectBivariateSpline(y, x, table) for table in tables]
    return across, up, np.array([spline(up, across) for spline in splines])


def lever_map(found: LeverMap, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw exit moisture over the two things that move it most, with target, limits, today and the advice.

    found: of `coolsim.studies.lever_study.lever_map`. A ring is today, a star what to set; where other settings
    differ between the two, the map is of those to set, and the ring's own moisture stands in the legend.
    """
    page = Page(units=units)
    x, y = (_scale(s.quantity, page) for s in (found.across, found.up))
    percent = scale(u.FRACTION, units)
    (axis,) = style.panels(ax, 1, (7.8, 5.0))
    tables = np.concatenate([percent(found.moisture_wb)[None], found.violations])
    across, up, (M, *beyond) = _finer(x(found.values_across), y(found.values_up), tables)
    contours(axis, across, up, M)
    keys = limits(axis, across, up, found.constraints, np.array(beyond).reshape(-1, *M.shape), units)
    keys += target_lines(axis, found.case, across, up, M)
    for place, name, look in ((found.today, "today", TODAY), (found.advice, "to set", ADVICE)):
        if place is not None:
            label = f"{name}, {100 * place.moisture_wb:.2f} %"
            at = float(x(place.across)), float(y(place.up))
            keys += axis.plot(*at, linestyle="", **look, label=label, gid=name, zorder=5, clip_on=False)
    style.name_axes(axis, x.named(found.across.label), y.named(found.up.label))
    axis.grid(False)
    style.legend(axis, at_the_side=True, title="on the curves: exit\nmoisture, wet basis", handles=keys)
    return axis


def _scale(q: Quantity, page: Page) -> Scale:
    return Scale(u.DIMENSIONS[q.dimension], unit_of(q, page))
