"""A cooler to buy: what a larger floor saves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, PLUM, TEAL, scale
from coolsim.scenario import units as u
from coolsim.support.fields import Array

if TYPE_CHECKING:
    from coolsim.studies.sizing.answer import SizeAnswer


def size_curve(answer: SizeAnswer, ax: Any = None, *, currency: str = "", units: str = "si") -> list[Axes]:
    """Draw energy and, where things have a price, running cost against floor area, with the floor that is taken.

    answer: of `coolsim.size`, where a size serves everything. Returns the axis, or the two with cost.
    """
    if not answer.met or not answer.curve or answer.floor_area is None:
        raise ValueError("no size serves every product in every weather: there is no curve to draw")
    area, taken = scale(u.AREA, units), answer.floor_area * (answer.dryers or 1)
    floors = np.array([point.floor_area for point in answer.curve])
    priced = all(point.cost_per_tonne is not None for point in answer.curve)
    axes = style.panels(ax, 2 if priced else 1, (7.8, 5.8) if priced else (7.6, 4.2))
    unit = pretty(area.unit).replace("m2", "m²").replace("ft2", "ft²")

    def curve(axis: Axes, name: str, **look: Any) -> None:
        axis.plot(area(floors), _column(answer, name), markersize=4, **look)

    def mark(axis: Axes, name: str) -> None:
        on = float(np.interp(taken, floors, _column(answer, name)))
        star: dict[str, Any] = {"color": PLUM, "markersize": 15, "markeredgecolor": "white", "zorder": 5}
        axis.axvline(float(area(taken)), color=FAINT, linewidth=1.0)
        label = f"taken: {float(area(taken)):.3g} {unit}"
        axis.plot(area(taken), on, "*", **star, gid="taken", label=label)
        axis.set_ylim(bottom=0.0)

    dearest = {"color": TEAL, "linestyle": "--", "marker": "s", "label": "the one that takes most"}
    curve(axes[0], "highest_energy", **dearest)
    curve(axes[0], "specific_energy", color=BROWN, marker="o", label="mean")
    mark(axes[0], "specific_energy")
    style.name_axes(axes[0], "", "energy per tonne of feed [kWh/t]")
    style.legend(axes[0], at_the_side=True, title="all products in all\nweathers, clean bed")
    if priced:
        curve(axes[1], "cost_per_tonne", color=BROWN, marker="o", label="mean")
        mark(axes[1], "cost_per_tonne")
        style.name_axes(axes[1], "", f"running cost [{currency or 'as priced'}/t]")
        style.legend(axes[1], at_the_side=True, title="with feed that is overdried")
    axes[-1].set_xlabel(f"floor area [{unit}]")
    return axes


def _column(answer: SizeAnswer, name: str) -> Array:
    return np.array([getattr(point, name) for point in answer.curve], float)
