"""What the mean hides: pellets in the order of their moisture and of their temperature."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, PALE, TEAL, scale
from coolsim.scenario import units as u
from coolsim.simulate.finishing import uncoated
from coolsim.support.errors import Fault, InputError

TENTH = 10.0  # %
MEAN: dict[str, Any] = {"color": BROWN, "linestyle": "--", "linewidth": 1.4}
WORST: dict[str, Any] = {"color": TEAL, "linestyle": "-", "linewidth": 3.0}
WANTED: dict[str, Any] = {"color": FAINT, "linestyle": ":", "linewidth": 1.8}


def between_pellets(result: Result, case: Case, ax: Any = None, *, units: str = "si") -> list[Axes]:
    """Draw between which moistures and temperatures the middle 80 % of the pellets lie, their mean and the worst
    tenth, beside what the target asks of them; returns the two axes.

    Raises InputError where all pellets are alike: those of an even cooler, and of an even bed that is turned over.
    """
    told = result.between_pellets
    if told is None:
        allowed = (
            "all pellets are alike; state cooler.depth_deviation, or ask of a dryer whose bed is not turned"
        )
        raise InputError([Fault("", "result", "nothing between its pellets", allowed)])
    if np.ndim(told.wettest_tenth.moisture_wb):
        raise ValueError("this picture shows one case: predict the one to show by itself")
    axes = style.panels(ax, 2, (7.0, 5.6))
    percent, degrees = scale(u.FRACTION, units), scale(u.TEMPERATURE, units)
    out, target = result.pellets_out, uncoated(case).target
    warmest = (
        None if target.maximum_above_ambient is None else case.air.temperature + target.maximum_above_ambient
    )
    _draw(axes[0], percent(told.moisture_wb), percent(out.moisture_wb), percent(told.wettest_tenth.moisture_wb),
          None if target.moisture is None else percent(target.moisture), "wettest tenth")  # fmt: skip
    _draw(axes[1], degrees(told.temperature), degrees(out.temperature), degrees(told.warmest_tenth.temperature),
          None if warmest is None else degrees(warmest), "warmest tenth")  # fmt: skip
    style.name_axes(axes[0], "", percent.named("moisture", " wet basis"))
    style.name_axes(
        axes[1], "share of the pellets, the driest or coolest first [%]", degrees.named("temperature")
    )
    for axis in axes:
        axis.set_xlim(0.0, 100.0)
        axis.margins(y=0.12)
    return axes


def _draw(axis: Axes, ends: Any, mean: Any, tenth: Any, wanted: Any, name: str) -> None:
    low, high = map(float, ends)
    axis.add_patch(Rectangle((TENTH, low), 100 - 2 * TENTH, high - low, facecolor=PALE, label="middle 80 %"))
    axis.plot([0, 100], [float(mean)] * 2, **MEAN, label="mean")
    axis.plot([100 - TENTH, 100], [float(tenth)] * 2, **WORST, solid_capstyle="butt", label=name)
    if wanted is not None:
        axis.plot([0, 100], [float(wanted)] * 2, **WANTED, label="target")
    style.legend(axis, at_the_side=True)
