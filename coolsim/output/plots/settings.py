"""What airflow, dwell and weather do to the exit: curves and a map over results of many cases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.plots import style
from coolsim.output.plots.maps import contours, limits, target_lines
from coolsim.output.plots.style import PLUM, scale
from coolsim.scenario import units as u
from coolsim.simulate.finishing import target_moisture
from coolsim.simulate.requirements import constraints_of, values_of
from coolsim.simulate.result_building import of_coolers
from coolsim.support.fields import Array


def dwell(
    result: Result,
    curves: Sequence[str],
    ax: Sequence[Axes] | None = None,
    *,
    case: Case | None = None,
    title: str = "",
    units: str = "si",
) -> list[Axes]:
    """Draw exit moisture and exit temperature against the time in the bed, one curve for each airflow or weather.

    result: of many cases; curves: for each case the name of the curve it lies on, such as "1200 m³/h".
    case: its target, where given, is drawn too. title: what the names are of. Returns the two axes.
    """
    of_coolers(result, "the picture over the time in the bed")
    time, percent, temperature = (scale(d, units) for d in (u.TIME, u.FRACTION, u.TEMPERATURE))
    out, x = result.pellets_out, np.atleast_1d(time(result.bed.residence_time))
    if len(curves) != len(x):
        raise ValueError(f"curves are {len(curves)} names for {len(x)} cases; give one name for each case")
    axes = style.panels(ax, 2, (7.4, 6.0))
    names = list(dict.fromkeys(curves))
    for axis, y in zip(axes, (percent(out.moisture_wb), temperature(out.temperature))):
        for name, look in zip(names, style.family(len(names), "curves over the time in the bed")):
            (on,) = np.nonzero([c == name for c in curves])
            on = on[np.argsort(x[on])]
            axis.plot(x[on], np.atleast_1d(y)[on], **look, markersize=3.5, label=name)
    if case is not None and target_moisture(case) is not None:
        wanted = float(percent(target_moisture(case)))
        axes[0].axhline(wanted, color=PLUM, linewidth=1.2, label=f"target {wanted:.4g} %", gid="target")
    style.name_axes(axes[0], "", percent.named("exit moisture", " wet basis"))
    style.name_axes(axes[1], time.named("time in the bed"), temperature.named("exit temperature"))
    style.legend(axes[0], at_the_side=True, title=title)
    return axes


# ---- The map -------------------------------------------------------------------------------------------


def moisture_map(
    result: Result, case: Case, ax: Any = None, *, chosen: Result | None = None, units: str = "si"
) -> Axes:
    """Draw exit moisture over airflow and time in the bed, with the target, the limits, and chosen settings.

    result: of many cases whose airflows and times in the bed form a grid, each of every pair once, in any order.
    chosen: the result at the settings to mark. Where a limit or wish other than the moisture is broken, the
    map is hatched.
    """
    of_coolers(result, "the map")
    flow, time, percent = (scale(d, units) for d in (u.VOLUME_FLOW, u.TIME, u.FRACTION))
    order = _grid(result, case)
    q, t = flow(airflow(result, case)[order]), time(result.bed.residence_time[order])
    M = percent(result.pellets_out.moisture_wb[order])
    (axis,) = style.panels(ax, 1, (7.6, 5.0))
    contours(axis, q, t, M)
    keys = [*_bounds(axis, result, case, order, q, t, units), *target_lines(axis, case, q, t, M)]
    if chosen is not None:
        style.one_case(chosen, "the mark of the chosen settings")
        at = float(flow(airflow(chosen, case))), float(time(chosen.bed.residence_time))
        look: dict[str, Any] = {"marker": "*", "markersize": 15, "markeredgecolor": "white", "color": PLUM}
        look["clip_on"] = False  # the best often lies on an edge
        keys += axis.plot(*at, linestyle="", **look, label="chosen", gid="chosen", zorder=5)
    style.name_axes(axis, flow.named("airflow"), time.named("time in the bed"))
    axis.grid(False)
    style.legend(axis, at_the_side=True, title="on the curves: exit\nmoisture, wet basis", handles=keys)
    return axis


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
            f"a map needs every pair of two or more airflows and two or more times in the bed once; found "
            f"{len(q)} cases with {shape[1]} airflows and {shape[0]} times in the bed"
        )
    return np.argsort(place).reshape(shape)


def _bounds(
    axis: Axes, result: Result, case: Case, order: NDArray[np.intp], q: Array, t: Array, units: str
) -> list[Any]:
    """Draw limits and wishes other than the moisture."""
    bounds = [c for c in constraints_of(case) if c.quantity.name != "moisture"]
    values = values_of(bounds, result, case.air.temperature, case)
    each = (np.broadcast_to(c.violation(values[c.key]), order.size)[order] for c in bounds)
    return limits(axis, q, t, bounds, np.array(list(each)), units)
