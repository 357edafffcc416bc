"""Air on its way through the bed, on a psychrometric chart of the site's pressure.

The chart's own curves are psychrolib's, which follows ASHRAE Fundamentals, ch. 1; the path is the result's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import psychrolib
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from coolsim.case import Case
from coolsim.fields import Array
from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.style import FAINT, PLUM, TEAL, Scale, scale
from coolsim.result import Result
from coolsim.scenario import units as u

HUMIDITIES = (0.2, 0.4, 0.6, 0.8, 1.0)
BULB_STEP = {"degC": 5.0, "degF": 10.0}
POINTS = 120  # along each curve
BELOW_BOILING = 0.98  # of the pressure: psychrolib says 1e-7 for air saturated at or above boiling
LEAST_HEATING = 0.05  # K; less is no heating
NAMED = 0.8  # of the chart's height: higher up the key stands
ROOM = 1.12  # of the chart above the most humid air


def psychrometric(result: Result, case: Case, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw the path of the air through the bed between curves of relative humidity and wet bulb.

    The chart is for the barometric pressure of `case`; its curves end where the drawn range of humidity does.
    """
    style.one_case(result, "the psychrometric chart")
    p, outside = result.profile, case.air
    temperature = scale(u.TEMPERATURE, units)
    humidity = scale(u.HUMIDITY_RATIO, units, "g/kg", "grain/lb")
    T, Y = p.air_temperature, p.humidity_ratio
    (axis,) = style.panels(ax, 1, (7.6, 5.2))
    low = 5.0 * np.floor((min(T.min(), float(outside.temperature)) - 4.0) / 5.0)
    high, top = 5.0 * np.ceil((T.max() + 4.0) / 5.0), ROOM * Y.max()
    chart = temperature, humidity, np.linspace(low, high, POINTS), top, float(outside.pressure)
    _humidity_curves(axis, *chart)
    _wet_bulb_lines(axis, *chart)
    axis.plot(
        temperature(T), humidity(Y), color=TEAL, linewidth=2.2, zorder=3, label="air in the bed", gid="path"
    )
    _arrow(axis, temperature(T), humidity(Y))
    _states(axis, result, case, temperature, humidity)
    style.name_axes(
        axis, temperature.named("dry bulb"), humidity.named("humidity ratio", " dry air"), right=True
    )
    axis.yaxis.tick_right()
    axis.grid(False)
    axis.set_xlim(temperature(low), temperature(high))
    axis.set_ylim(0.0, humidity(top))
    # above saturated air there is nothing to draw
    axis.legend(loc="upper left", frameon=False, fontsize=style.SMALL, borderaxespad=0.1)
    return axis


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


def _humidity_curves(axis: Axes, temperature: Scale, humidity: Scale, T: Array, top: float, p: float) -> None:
    """Draw curves of relative humidity, each with its name where it leaves the chart."""
    for share in HUMIDITIES:
        Y = humidity_curve(share, T, p)
        look: dict[str, Any] = {"color": FAINT, "linewidth": 0.8}
        if share == 1.0:
            look = {"color": PLUM, "linewidth": 1.6}
            look["label"] = "saturated"
        if share == HUMIDITIES[0]:
            look["label"] = "relative humidity"
        axis.plot(temperature(T), humidity(Y), **look, gid=f"relative humidity {share:g}")
        if share == 1.0:  # the key names it
            continue
        k = int(np.flatnonzero(top >= Y)[-1])
        # where the curve leaves by the side, its name would stand on the axis
        at_side = k > 0.9 * len(T)
        place: dict[str, Any] = (
            {"shift": (-8, 0), "ha": "right"} if at_side else {"shift": (4, -4), "va": "top"}
        )
        _write(axis, f"{100 * share:.0f} %", temperature(T[k]), humidity(Y[k]), **place)


def _wet_bulb_lines(axis: Axes, temperature: Scale, humidity: Scale, T: Array, top: float, p: float) -> None:
    """Draw lines of wet bulb at round numbers, with their names left of the saturated air."""
    step, ends = BULB_STEP[temperature.unit], temperature(T[[0, -1]])
    bulbs = temperature.stored(np.arange(np.ceil(ends[0] / step) * step, ends[1], step))
    saturated = humidity_curve(1.0, bulbs, p)
    for bulb in bulbs[saturated <= top]:
        along = np.append(bulb, T[bulb < T])
        Y = wet_bulb_curve(bulb, along, p)
        look: dict[str, Any] = {"color": FAINT, "linewidth": 0.7, "linestyle": ":"}
        look["label"] = "wet bulb" if bulb == bulbs[0] else None
        axis.plot(temperature(along), humidity(Y), **look, gid=f"wet bulb {bulb:g}")
        if Y[0] <= NAMED * top:
            name = f"{temperature(bulb):.0f} {pretty(temperature.unit)}".replace("-", "−")
            _write(axis, name, temperature(bulb), humidity(Y[0]), shift=(-4, 2), ha="right")


def _states(axis: Axes, result: Result, case: Case, temperature: Scale, humidity: Scale) -> None:
    """Mark the air outside, as it enters the bed, and as it leaves."""
    p, exhaust, outside = result.profile, result.air_out, float(case.air.temperature)
    below: dict[str, Any] = {"shift": (0, -10), "ha": "center", "va": "top"}
    left: dict[str, Any] = {"shift": (-10, 0), "ha": "right", "va": "center"}
    enters = float(p.air_temperature[-1]), float(p.humidity_ratio[-1])
    states = [("enters the bed", "s", *enters, below)]
    if enters[0] > outside + LEAST_HEATING:  # heated, nothing added
        heating = temperature(np.array([outside, enters[0]])), humidity(np.array([enters[1]] * 2))
        axis.plot(*heating, color=TEAL, linewidth=2.2, linestyle="--", gid="heating", label="heated")
        states.append(("outside", "o", outside, enters[1], below))
    states.append(("leaves the bed", "^", float(exhaust.temperature), float(exhaust.humidity_ratio), left))
    for name, marker, T, Y, place in states:
        axis.plot(temperature(T), humidity(Y), marker, color=TEAL, markersize=8, gid=name, zorder=4)
        _write(axis, name, temperature(T), humidity(Y), **place, color=PLUM, fontsize=style.SMALL)


def _write(axis: Axes, text: str, x: float, y: float, shift: tuple[float, float], **more: Any) -> None:
    """Write beside a point, on a pale edge that keeps curves out of the letters."""
    look: dict[str, Any] = {"fontsize": style.SMALL - 1, "color": "#555555", "zorder": 5} | more
    edge = [withStroke(linewidth=2.5, foreground="white")]
    axis.annotate(text, (x, y), xytext=shift, textcoords="offset points", path_effects=edge, **look)


def _arrow(axis: Axes, x: Array, y: Array) -> None:
    """Show which way the air goes, half-way along its path as drawn."""
    span = np.hypot((x - x[-1]) / np.ptp(x), (y - y[-1]) / np.ptp(y))
    k = int(np.flatnonzero(span > 0.6)[-1])
    look = {"arrowstyle": "-|>,head_width=0.4,head_length=0.8", "color": TEAL, "linewidth": 2.2}
    axis.annotate("", (x[k - 1], y[k - 1]), (x[k], y[k]), arrowprops=look)
