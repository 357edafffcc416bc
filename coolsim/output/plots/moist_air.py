"""Air on its way through the bed, on a psychrometric chart of the site's pressure.

The chart's own curves are psychrolib's, which follows ASHRAE Fundamentals, ch. 1; the path is the result's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import psychrolib
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import FAINT, PLUM, TEAL, Scale, scale
from coolsim.physics import air
from coolsim.scenario import units as u
from coolsim.support.fields import Array

HUMIDITIES = (0.2, 0.4, 0.6, 0.8, 1.0)
BULB_STEP = {"degC": 5.0, "degF": 10.0}
MOST_BULBS = 14  # lines of wet bulb; where there would be more, every other one is drawn
POINTS = 120  # along each curve
BELOW_BOILING = 0.98  # of the pressure: psychrolib says 1e-7 for air saturated at or above boiling
LEAST_HEATING = 0.05  # K; less is no heating
MARGIN = 4.0  # K of the chart beyond the coldest and hottest air
ROOM = 1.15  # of the chart above the most humid air
SATURATED_LEFT = 0.4  # of the chart's height: above saturated air, at the left, the key has its place
NAMED = (0.08, 0.75)  # of the chart's height: below, names of wet bulbs would crowd; above stands the key
APART = 0.075  # of the chart's width: names of curves nearer than this would run into each other
LOW = 0.08  # of the chart's height: a state below is named above its mark, not on the axis

NEAR = 0.25  # of the chart both ways: marks nearer than this have their names on different sides


@dataclass(frozen=True)
class _Chart:
    """An axis, its scales, and the air that it has room for."""

    axis: Axes
    temperature: Scale
    humidity: Scale
    T: Array  # °C, from the left end to the right
    top: float  # kg/kg
    pressure: float  # Pa

    def line(self, T: Any, Y: Any, *marker: str, **look: Any) -> None:
        """Draw air of temperatures [°C] and humidity ratios [kg/kg]."""
        self.axis.plot(self.temperature(T), self.humidity(Y), *marker, **look)

    def write(self, text: str, T: float, Y: float, shift: tuple[float, float], **more: Any) -> None:
        """Write beside a state, on a pale edge that keeps curves out of the letters."""
        look: dict[str, Any] = {"fontsize": style.SMALL - 1, "color": "#555555", "zorder": 5} | more
        edge = [withStroke(linewidth=2.5, foreground="white")]
        place = float(self.temperature(T)), float(self.humidity(Y))
        self.axis.annotate(text, place, xytext=shift, textcoords="offset points", path_effects=edge, **look)


def psychrometric(result: Result, case: Case, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw the path of the air through the bed between curves of relative humidity and wet bulb.

    The chart is for the barometric pressure of `case`; its curves end where the drawn range of humidity does.
    """
    style.one_case(result, "the psychrometric chart")
    chart = _chart(result, case, ax, units)
    axis, T, Y = chart.axis, result.kept_profile.air_temperature, result.kept_profile.humidity_ratio
    _humidity_curves(chart)
    _wet_bulb_lines(chart)
    _, T, Y = style.smooth(result.kept_profile.z, T, Y)
    chart.line(T, Y, color=TEAL, linewidth=2.2, zorder=3, label="air in the bed", gid="path")
    _arrow(axis, chart.temperature(T), chart.humidity(Y))
    _states(chart, result, case)
    humidity = chart.humidity.named("humidity ratio", " dry air")
    style.name_axes(axis, chart.temperature.named("dry bulb"), humidity, right=True)
    axis.yaxis.tick_right()
    axis.grid(False)
    axis.set_xlim(*chart.temperature(chart.T[[0, -1]]))
    axis.set_ylim(0.0, float(chart.humidity(chart.top)))
    look: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "framealpha": 0.9, "borderpad": 0.2}
    axis.legend(loc="upper left", fontsize=style.SMALL, borderaxespad=0.1, **look)
    return axis


def _chart(result: Result, case: Case, ax: Any, units: str) -> _Chart:
    """Lay out a chart with room for all states of the air, and for the key above saturated air."""
    T, top = result.kept_profile.air_temperature, ROOM * float(result.kept_profile.humidity_ratio.max())
    pressure = float(case.air.pressure)
    coldest = min(float(T.min()), float(case.air.temperature)) - MARGIN
    low = 5.0 * np.floor(min(coldest, float(air.dew_point(SATURATED_LEFT * top, pressure))) / 5.0)
    high = 5.0 * np.ceil((float(T.max()) + MARGIN) / 5.0)
    temperature = scale(u.TEMPERATURE, units)
    humidity = scale(u.HUMIDITY_RATIO, units, "g/kg", "grain/lb")
    (axis,) = style.panels(ax, 1, (7.6, 5.2))
    return _Chart(axis, temperature, humidity, np.linspace(low, high, POINTS), top, pressure)


@contextmanager
def _si_units() -> Iterator[None]:
    """psychrolib keeps its units for the whole process: leave them as they were found."""
    before = psychrolib.GetUnitSystem()
    psychrolib.SetUnitSystem(psychrolib.SI)
    try:
        yield
    finally:
        if before is not None:  # until somebody sets them there are none
            psychrolib.SetUnitSystem(before)


def humidity_curve(relative_humidity: float, temperature: Array, pressure: float) -> Array:
    """Humidity ratio [kg/kg] along a curve of relative humidity [-]; nan where water boils. psychrolib."""
    return _along(
        lambda T: psychrolib.GetHumRatioFromRelHum(T, relative_humidity, pressure), temperature, pressure
    )


def wet_bulb_curve(wet_bulb: float, temperature: Array, pressure: float) -> Array:
    """Humidity ratio [kg/kg] along a line of thermodynamic wet bulb [°C]; nan left of it. psychrolib."""

    def at(T: float) -> float:
        # psychrolib answers at least 1e-7, also where the air would have to be drier than dry
        Y = psychrolib.GetHumRatioFromTWetBulb(T, wet_bulb, pressure) if wet_bulb <= T else np.nan
        return Y if not Y <= psychrolib.MIN_HUM_RATIO else np.nan

    return _along(at, temperature, pressure)


def _along(function: Callable[[float], float], temperature: Array, pressure: float) -> Array:
    with _si_units():
        boils = [psychrolib.GetSatVapPres(T) >= BELOW_BOILING * pressure for T in temperature]
        return np.array([np.nan if hot else function(T) for T, hot in zip(temperature.tolist(), boils)])


def _humidity_curves(chart: _Chart) -> None:
    """Draw curves of relative humidity, each with its name where it leaves the chart."""
    T, ends, last_named = chart.T, chart.T[[0, -1]], np.inf
    for share in HUMIDITIES:
        Y = humidity_curve(share, T, chart.pressure)
        look: dict[str, Any] = {"color": FAINT, "linewidth": 0.8}
        if share == 1.0:
            look = {"color": PLUM, "linewidth": 1.6, "label": "saturated"}
        elif share == HUMIDITIES[0]:
            look["label"] = "relative humidity"
        chart.line(T, Y, **look, gid=f"relative humidity {share:g}")
        k = int(np.flatnonzero(chart.top >= Y)[-1])
        if share == 1.0 or last_named - T[k] < APART * np.ptp(ends):  # the key names saturated air
            continue
        if k > 0.9 * len(T):  # it leaves by the side, where its name would stand on the axis
            chart.write(f"{100 * share:.0f} %", T[k], Y[k], shift=(-8, 0), ha="right")
        else:
            chart.write(f"{100 * share:.0f} %", T[k], Y[k], shift=(4, -4), va="top")
            last_named = T[k]


def _wet_bulb_lines(chart: _Chart) -> None:
    """Draw lines of wet bulb at round numbers, with their names left of saturated air."""
    step, ends = BULB_STEP[chart.temperature.unit], chart.temperature(chart.T[[0, -1]])
    if np.ptp(ends) > MOST_BULBS * step:
        step = 2 * step
    bulbs = chart.temperature.stored(np.arange(np.ceil(ends[0] / step) * step, ends[1], step))
    for bulb in bulbs[humidity_curve(1.0, bulbs, chart.pressure) <= chart.top]:
        T = np.append(bulb, chart.T[bulb < chart.T])
        Y = wet_bulb_curve(bulb, T, chart.pressure)
        look: dict[str, Any] = {"color": FAINT, "linewidth": 0.7, "linestyle": ":"}
        look["label"] = "wet bulb" if bulb == bulbs[0] else None
        chart.line(T, Y, **look, gid=f"wet bulb {bulb:g}")
        if NAMED[0] * chart.top <= Y[0] <= NAMED[1] * chart.top:
            name = f"{chart.temperature(bulb):.0f} {pretty(chart.temperature.unit)}".replace("-", "−")
            chart.write(name, bulb, Y[0], shift=(-4, 2), ha="right")


def _states(chart: _Chart, result: Result, case: Case) -> None:
    """Mark the air outside, as it enters the bed, and as it leaves."""
    outside, exhaust = float(case.air.temperature), result.air_out
    enters = float(result.kept_profile.air_temperature[-1]), float(result.kept_profile.humidity_ratio[-1])
    leaves = float(exhaust.temperature), float(exhaust.humidity_ratio)
    below: dict[str, Any] = {"shift": (0, -10), "ha": "center", "va": "top"}
    if enters[1] < LOW * chart.top:
        below = {"shift": (0, 10), "ha": "center", "va": "bottom"}
    beside: dict[str, Any] = {"shift": (-10, 0), "ha": "right", "va": "center"}
    close = abs(leaves[1] - enters[1]) < NEAR * chart.top
    if close and abs(leaves[0] - enters[0]) < NEAR * np.ptp(chart.T[[0, -1]]):
        beside = {"shift": (10, 0), "ha": "left", "va": "center"}
    states = [("enters the bed", "s", enters, below), ("leaves the bed", "^", leaves, beside)]
    if enters[0] > outside + LEAST_HEATING:  # heated, nothing added
        look: dict[str, Any] = {"color": TEAL, "linewidth": 2.2, "linestyle": "--", "label": "heated"}
        chart.line([outside, enters[0]], [enters[1]] * 2, **look, gid="heating")
        states.append(("outside", "o", (outside, enters[1]), below))
    for name, marker, state, place in states:
        chart.line(*state, marker, color=TEAL, markersize=8, gid=name, zorder=4)
        chart.write(name, *state, **place | {"color": PLUM, "fontsize": style.SMALL})


def _arrow(axis: Axes, x: Array, y: Array) -> None:
    """Show which way the air goes, some way along its path as drawn."""
    far = np.hypot(*((a - a[-1]) / max(np.ptp(a), 1e-9) for a in (x, y)))
    k = max(int(np.flatnonzero(far >= 0.5 * far.max())[-1]), 1)
    look = {"arrowstyle": "-|>,head_width=0.4,head_length=0.8", "color": TEAL, "linewidth": 2.2}
    axis.annotate("", (x[k - 1], y[k - 1]), (x[k], y[k]), arrowprops=look)
