"""A fit beside its trials: predicted against measured, and what the trials taught."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.output.plots import style
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, TEAL, Scale, scale
from coolsim.scenario import units as u

if TYPE_CHECKING:  # estimating loads a second of libraries that no picture needs
    from coolsim.studies.fitting.answer import FitAnswer

_QUANTITIES = {
    "moisture": ("exit moisture", u.FRACTION),
    "temperature": ("exit temperature", u.TEMPERATURE),
    "exhaust_temperature": ("exhaust temperature", u.TEMPERATURE),
    "exhaust_relative_humidity": ("exhaust humidity", u.FRACTION),
}


def measured(answer: FitAnswer, quantity: str = "moisture", ax: Any = None, *, units: str = "si") -> Axes:
    """Draw what the model says of each trial, before and after the fit, against what was measured.

    Bars are of 95 %: across, of the reading; upright, of what the fitted numbers leave open.
    Raises ValueError where the quantity was not measured.
    """
    readings = [r for r in answer.readings if r.quantity == quantity]
    if not readings:
        known = ", ".join(dict.fromkeys(r.quantity for r in answer.readings))
        raise ValueError(f"no trial measured {quantity!r}; there are: {known}")
    place, _, own = quantity.rpartition(".")
    name, dimension = _QUANTITIES[own]
    name = f"{name} of {place}" if place else name
    on = scale(dimension, units)
    (axis,) = style.panels(ax, 1, (5.6, 5.2))
    was, before, after, low, high = (
        on([getattr(r, field) for r in readings]) for field in ("measured", "before", "after", "low", "high")
    )
    within = on([r.measured + r.within for r in readings]) - was  # a width, whatever the zero of the unit
    axis.plot(was, before, "s", color=FAINT, markerfacecolor="none", label="published numbers")
    axis.errorbar(
        was, after, xerr=within, yerr=[after - low, high - after], fmt="o", color=BROWN, ecolor=TEAL,
        elinewidth=1.2, label="fitted",
    )  # fmt: skip
    drawn = np.concatenate([was - within, was + within, before, low, high])
    ends = np.array([drawn.min(), drawn.max()])
    axis.plot(ends, ends, color=FAINT, linestyle=":", label="as measured")
    of = " wet basis" if own == "moisture" else ""
    style.name_axes(axis, on.named(f"measured {name}", of), on.named(f"predicted {name}", of))
    style.legend(axis, at_the_side=True, title=f"{answer.trials} trials")
    return axis


def learned(answer: FitAnswer, ax: Any = None) -> Axes:
    """Draw each fitted number's interval beside its published range, both as shares of that range.

    0 is the lower end of the published range, 1 its upper end; the value that was taken before is a square.
    """
    (axis,) = style.panels(ax, 1, (6.4, 1.2 + 0.7 * len(answer.parameters)))
    for row, p in enumerate(reversed(answer.parameters)):
        to = _share(p.published_low, p.published_high, p.name == "diffusivity")
        first = row == 0
        axis.plot([0, 1], [row - 0.14] * 2, color=FAINT, linewidth=5, solid_capstyle="butt",
                  label="published range" if first else None)  # fmt: skip
        axis.plot(to(p.before), row - 0.14, "s", color=FAINT, markerfacecolor="white")
        axis.plot([to(p.low), to(p.high)], [row + 0.14] * 2, color=TEAL, linewidth=3, linestyle="-",
                  label="by the trials" if first else None)  # fmt: skip
        axis.plot(to(p.value), row + 0.14, "o", color=BROWN)
    names = [p.name.replace("_", " ") for p in reversed(answer.parameters)]
    axis.set_yticks(range(len(names)), names)
    axis.set_ylim(-0.6, len(names) - 0.4)
    style.name_axes(axis, "share of the published range", "")
    style.legend(axis)
    return axis


def _share(low: float, high: float, factors: bool) -> Any:
    """A value as a share of a range; of a range of factors in logarithms."""
    f = np.log if factors else np.asarray
    return lambda x: (f(np.maximum(x, 1e-300) if factors else x) - f(low)) / (f(high) - f(low))


def surer(answer: FitAnswer, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw the scenario's exit moisture before the fit, after it, and after each thing to measure next."""
    on: Scale = scale(u.FRACTION, units)
    (axis,) = style.panels(ax, 1, (7.6, 1.6 + 0.45 * (2 + len(answer.next[:5]))))
    M = answer.after.moisture_wb
    rows = [("published numbers", answer.before.moisture_wb, answer.before.within_wb, FAINT, "s")]
    rows += [("fitted", M, answer.after.within_wb, BROWN, "o")]
    rows += [(m.what, M, m.within_wb, ORANGE, "^") for m in answer.next[:5]]
    for k, (_, middle, within, colour, marker) in enumerate(rows):
        axis.errorbar(on(middle), -k, xerr=on(within) - on(0.0), fmt=marker, color=colour, capsize=3)
    axis.set_yticks([-k for k in range(len(rows))], [_short(label) for label, *_ in rows])
    axis.set_ylim(-len(rows) + 0.4, 0.6)
    style.name_axes(axis, on.named("exit moisture of the scenario, 95 %", " wet basis"), "")
    return axis


def _short(text: str) -> str:
    return text.split(" (")[0].replace(", exhaust", ",\nexhaust").replace(", its exit", ",\nits exit")
