"""A dryer's course: moisture, drying rate and temperatures over time, zone by zone."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.errors import Fault, InputError
from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, TEAL, VIOLET, scale
from coolsim.result import Result
from coolsim.scenario import units as u

HOUR = 3600.0  # s
Curves = tuple[tuple[str, str, dict[str, Any]], ...]
_LAYERS: Curves = (  # of a history: field, name, look
    ("moisture_wb", "mean", {"color": BROWN, "marker": "o"}),
    ("bottom_moisture_wb", "lowest layer", {"color": TEAL, "linestyle": "--", "marker": "s"}),
    ("top_moisture_wb", "highest layer", {"color": ORANGE, "linestyle": "-.", "marker": "^"}),
)
_TEMPERATURES: Curves = (
    ("temperature", "pellets, mean", {"color": BROWN, "marker": "o"}),
    ("highest_temperature", "pellets, hottest layer", {"color": VIOLET, "linestyle": ":", "marker": "D"}),
    ("inlet_air_temperature", "air blown in", {"color": ORANGE, "linestyle": "-.", "marker": "^"}),
    ("outlet_air_temperature", "air leaving", {"color": TEAL, "linestyle": "--", "marker": "s"}),
)


def drying_curve(result: Result, ax: Any = None, *, units: str = "si") -> list[Axes]:
    """Draw moisture, drying rate and temperatures of a batch or belt dryer over time.

    result: of one dryer, which has a history. Zones of a belt are parted by lines. A rate is the mean of its step.
    Returns the three axes.
    """
    history = result.history
    if history is None:
        found = "an answer without a course over time"
        allowed = "a drying curve is of one batch or belt dryer; `bed` shows a counter-flow cooler"
        raise InputError([Fault("", "result", found, allowed)])
    axes = style.panels(ax, 3, (8.0, 7.6))
    minutes, percent, degrees = (scale(d, units) for d in (u.TIME, u.FRACTION, u.TEMPERATURE))
    t = minutes(history.time)
    for name, label, look in _LAYERS:
        axes[0].plot(t, percent(getattr(history, name)), markersize=3, label=label, **look)
    axes[1].stairs(HOUR * history.drying_rate, np.concatenate([[0.0], t]), color=BROWN, linewidth=1.5)
    for name, label, look in _TEMPERATURES:
        axes[2].plot(t, degrees(getattr(history, name)), markersize=3, label=label, **look)
    for change in t[:-1][np.diff(history.zone) != 0]:
        for axis in axes:
            axis.axvline(change, color=FAINT, linewidth=0.9, gid="zone")
    style.name_axes(axes[0], "", percent.named("moisture", " wet basis"))
    style.name_axes(axes[1], "", "drying rate [kg/h per kg dry solid]")
    style.name_axes(axes[2], minutes.named("time since the pellets were laid"), degrees.named("temperature"))
    axes[1].set_ylim(bottom=min(0.0, float(HOUR * history.drying_rate.min())))
    axes[0].set_xlim(left=0.0)
    for axis in (axes[0], axes[2]):
        style.legend(axis, beside=True)
    return axes
