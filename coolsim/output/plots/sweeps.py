"""A case over one or two keys of its scenario: curves, or a map."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from coolsim.case.quantities import READABLE, Quantity
from coolsim.output.frames import of_result
from coolsim.output.page import Page, pretty
from coolsim.output.plots import style
from coolsim.output.plots.maps import contours
from coolsim.output.plots.style import FAMILY, PLUM, Scale
from coolsim.output.quantities import bound_text, unit_of
from coolsim.scenario import schema
from coolsim.scenario import units as u
from coolsim.simulate.requirements import constraints_of, predicted_state
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

if TYPE_CHECKING:
    from coolsim.studies.sweeping import Sweep, Swept

CURVES = len(FAMILY)  # that can be told apart


@dataclasses.dataclass(frozen=True)
class _Drawn:
    """What is drawn: its name with the unit, its numbers, and the bounds that it has."""

    name: str
    values: Array
    bounds: tuple[tuple[str, float], ...] = ()


def sweep(
    sweep: Sweep,
    quantity: str = "moisture",
    ax: Any = None,
    *,
    units: str = "si",
    at: Mapping[str, Any] | None = None,
) -> Axes:
    """Draw what leaves over one or two keys that were varied: curves where one has few values, else a map.

    quantity: a name such as "moisture", "temperature" or "lift_off", or a number of the result by its name in
    Python ("air_out.temperature"), which is drawn in SI. at: of more than two keys, the values of the others.
    """
    part = sweep.at(at or {})
    if not 1 <= len(part.swept) <= 2:
        names = ", ".join(one.key for one in part.swept)
        allowed = f"one or two can be drawn: hold the others, at={{key: value}}, of {names or 'none'}"
        raise InputError([Fault("", "at", f"{len(part.swept)} keys", allowed)])
    drawn = _drawn(part, quantity, units)
    (axis,) = style.panels(ax, 1, (7.4, 4.6))
    if len(part.swept) == 1:
        _curves(axis, part.swept[0], None, drawn, units)
    else:
        first, second = part.swept
        few = [one for one in (second, first) if one.stored is None or len(one.typed) <= CURVES]
        if few:
            other = first if few[0] is second else second
            _curves(axis, other, few[0], drawn if few[0] is second else _turned(drawn), units)
        else:
            _map(axis, first, second, drawn, units)
    return axis


def _turned(drawn: _Drawn) -> _Drawn:
    return dataclasses.replace(drawn, values=drawn.values.T)


def _drawn(part: Sweep, quantity: str, units: str) -> _Drawn:
    """The numbers of a quantity on the grid, in the units of the reader."""
    state = predicted_state(part.result, part.outside, part.case)
    judged = {q.name: q for q in READABLE if q.on(state)}
    if quantity in judged:
        q, page = judged[quantity], Page(units=units)
        stored = np.asarray(q.of(state), float)
        scale = _scale(q, page)
        unit = "points" if q.points else pretty(unit_of(q, page))
        bounds = tuple(
            (
                f"{'target' if c.of_target else 'limit'} {bound_text(q, float(c.bound), page)}",
                float(scale(c.bound)),
            )
            for c in constraints_of(part.case)
            if c.quantity.name == quantity and not c.place and not c.assumed
        )
        name = {"moisture": "exit moisture", "temperature": "exit temperature"}.get(quantity, q.label)
        return _Drawn(f"{name} [{unit}]" if unit else name, scale(stored).reshape(part.shape), bounds)
    columns = of_result(part.result)
    if quantity not in columns:
        allowed = f"{', '.join(judged)}, or a number of the result, such as air_out.temperature"
        raise InputError([Fault("", "quantity", f'"{quantity}"', f"allowed: {allowed}")])
    column = columns[quantity]
    unit = f" [{column.unit}]" if column.unit else ""
    return _Drawn(f"{quantity}{unit}", np.asarray(column.values, float).reshape(part.shape))


def _scale(q: Quantity, page: Page) -> Any:
    unit = unit_of(q, page)
    return Scale(u.DIMENSIONS[q.dimension], unit) if unit else lambda stored: np.asarray(stored, float)


def _axis_of(one: Swept, units: str) -> tuple[str, Array]:
    """Name and numbers of a key: in the unit in which it was given, or the usual US one."""
    definition = schema.find(one.key)
    name, unit, values = one.key, one.unit, np.asarray(one.values, float)
    if (
        units == "us"
        and one.stored is not None
        and definition is not None
        and definition.dimension is not None
    ):
        unit = definition.unit("us")
        values = Scale(definition.dimension, unit)(one.stored)
    return f"{name} [{pretty(unit)}]" if unit else name, values


def _curves(axis: Axes, along: Swept, of: Swept | None, drawn: _Drawn, units: str) -> None:
    """Draw a curve along one key for each value of another."""
    rows = drawn.values.reshape(len(along.typed), -1).T
    look = style.family(len(rows), "curves of a sweep")
    if along.stored is None:
        name, x = along.key, np.arange(len(along.typed), dtype=float)
        axis.set_xticks(x, [str(one) for one in along.typed])
    else:
        name, x = _axis_of(along, units)
    order = np.argsort(x)
    for k, (row, one) in enumerate(zip(rows, look)):
        label = None if of is None else pretty_value(of.typed[k])
        axis.plot(x[order], row[order], **one, markersize=3.5, label=label)
    for label, bound in drawn.bounds:
        axis.axhline(bound, color=PLUM, linewidth=1.2, label=label, gid="bound")
    style.name_axes(axis, name, drawn.name)
    if of is not None or drawn.bounds:
        style.legend(axis, at_the_side=True, title="" if of is None else of.key)


def pretty_value(typed: Any) -> str:
    """A value as it was typed, with its unit as it is printed."""
    if not isinstance(typed, str):
        return f"{typed:g}" if isinstance(typed, int | float) else str(typed)
    number, _, unit = typed.partition(" ")
    try:
        return f"{float(number):.5g} {pretty(unit)}".rstrip()
    except ValueError:
        return typed


def _map(axis: Axes, first: Swept, second: Swept, drawn: _Drawn, units: str) -> None:
    """Draw a map with its levels named, and the bounds as thick lines; what was not predicted is left white."""
    (x_name, x), (y_name, y) = _axis_of(first, units), _axis_of(second, units)
    i, j = np.argsort(x), np.argsort(y)
    Z = np.ma.masked_invalid(drawn.values[np.ix_(i, j)].T)
    unit = drawn.name.partition("[")[2].rstrip("]")
    contours(axis, x[i], y[j], Z, unit)
    keys = []
    for label, bound in drawn.bounds:
        inside = Z.min() < bound < Z.max()
        if inside:
            axis.contour(x[i], y[j], Z, [bound], colors=PLUM, linewidths=2.2)
        nowhere = "" if inside else ", all below" if Z.max() <= bound else ", all above"
        keys.append(Line2D([], [], color=PLUM, linewidth=2.2, label=label + nowhere))
    style.name_axes(axis, x_name, y_name)
    axis.grid(False)
    style.legend(axis, at_the_side=True, title=f"on the curves:\n{drawn.name}", handles=keys)
