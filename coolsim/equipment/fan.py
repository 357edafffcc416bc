"""The fan: its curve, the affinity laws, its power, and the heat that it leaves in the air.

A curve is given at full speed and for air of one density. At speed n (share of full speed) and density ρ
the affinity laws give q = n q₁, p = n² (ρ/ρ₁) p₁, P = n³ (ρ/ρ₁) P₁ at unchanged efficiency. Source: AMCA
201 and any textbook on fans (memory, high). They neglect the Reynolds number and the compression of the
air, fair to about 1 % for the few kPa of a cooler's fan and above about half of full speed.

Flow is the volume at the fan's inlet. The pressure is what bed and duct are to use up; whether the maker
means static or total pressure is for the person who types the curve to mind (velocity pressure that is
lost at the outlet is a loss of the duct).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from coolsim.case.tables import FanData
from coolsim.numerics.monotone import along, slopes_at
from coolsim.physics import air
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, Number, documented

BLOW_THROUGH = "blow-through"
STANDARD_DENSITY = 1.2  # kg/m³, air for which fans are rated (ISO 5801, memory, high)

# A rated point alone: p/p_r = 1.25 − 0.25 (q/q_r)^2.5, assumed. It stays within 4 % of the rated pressure
# of the centrifugal fan of Fox & McDonald, Introduction to Fluid Mechanics, example 10.11 (data seen in a
# public companion), taken as rated at its best efficiency, from no flow to 5/3 of the rated flow.
SHUT_OFF, EXPONENT = 1.25, 2.5
FREE_FLOW = (SHUT_OFF / (SHUT_OFF - 1.0)) ** (1.0 / EXPONENT)  # 1.90 times the rated flow
SHAPE_POINTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.2, 1.4, 1.6, 1.75, FREE_FLOW)

ASSUMED_EFFICIENCY = 0.60  # common practice, no source: an industrial centrifugal fan near its best point
ASSUMED_MOTOR_EFFICIENCY = 0.90  # common practice, no source: 5 to 50 kW, four poles

ROUNDING = 1e-9  # of the highest flow: a point this close to the end of the curve is the end


@dataclass(frozen=True)
class Fan:
    """A fan: points of its curve at full speed, increasing in flow, and what drives it."""

    flow: tuple[float, ...] = documented("m³/s", "volume flow at the fan's inlet, of each point", "q₁")
    pressure: tuple[float, ...] = documented("Pa", "pressure that the fan adds, at each point", "p₁")
    efficiency: tuple[float, ...] = documented("-", "air power per shaft power, at each point", "η")
    motor_efficiency: float = documented("-", "shaft power per electric power", "η_m")
    curve_density: float = documented("kg/m³", "air density for which the curve holds", "ρ₁")
    position: str = documented("-", "draw-through or blow-through")
    assumed: tuple[str, ...] = documented("-", "what was not given and is assumed, in words", default=())


def fan_from_curve(
    flow: tuple[float, ...],
    pressure: tuple[float, ...],
    efficiency: float | tuple[float, ...] | None = None,
    motor_efficiency: float | None = None,
    curve_density: float = STANDARD_DENSITY,
    position: str = "draw-through",
) -> Fan:
    """Return a fan from its curve [m³/s], [Pa]; one efficiency for the whole curve or one per point."""
    _check(flow, pressure)
    assumed = []
    if efficiency is None:
        assumed.append(f"fan efficiency {100 * ASSUMED_EFFICIENCY:.0f} % at every flow")
        efficiency = ASSUMED_EFFICIENCY
    if motor_efficiency is None:
        assumed.append(f"motor efficiency {100 * ASSUMED_MOTOR_EFFICIENCY:.0f} %")
        motor_efficiency = ASSUMED_MOTOR_EFFICIENCY
    per_point = efficiency if isinstance(efficiency, tuple) else (efficiency,) * len(flow)
    return Fan(
        tuple(flow), tuple(pressure), per_point, motor_efficiency, curve_density, position, tuple(assumed)
    )


def fan_from_rated_point(flow: float, pressure: float, **more: Any) -> Fan:
    """Return a fan of the assumed shape through one point [m³/s], [Pa]; `more` as in fan_from_curve.

    >>> fan = fan_from_rated_point(2.0, 1500.0)
    >>> fan.assumed[0]
    'shape of the fan curve: p/p_rated = 1.25 − 0.25 (q/q_rated)^2.5'
    """
    shape = np.array(SHAPE_POINTS)
    height = np.maximum(SHUT_OFF - (SHUT_OFF - 1.0) * shape**EXPONENT, 0.0)
    fan = fan_from_curve(tuple((flow * shape).tolist()), tuple((pressure * height).tolist()), **more)
    text = f"shape of the fan curve: p/p_rated = {SHUT_OFF} − {SHUT_OFF - 1.0} (q/q_rated)^{EXPONENT}"
    return Fan(**{**vars(fan), "assumed": (text, *fan.assumed)})


def fan_of(known: FanData) -> Fan | None:
    """Return the fan that is known of; None where nothing is."""
    if not known:
        return None
    given = known.given()
    more = {
        name: given[name]
        for name in ("efficiency", "motor_efficiency", "curve_density", "position")
        if name in given
    }
    if known.curve is not None:
        flow, pressure, *efficiency = zip(*known.curve)
        if efficiency:
            more["efficiency"] = efficiency[0]
        return fan_from_curve(flow, pressure, **more)
    if known.rated_flow is not None:
        return fan_from_rated_point(known.rated_flow, known.rated_pressure, **more)
    allowed = "this question needs one of them, such as rated_flow and rated_pressure"
    raise InputError([Fault("", "fan.curve", "none of curve or rated_flow", allowed)])


def _check(flow: tuple[float, ...], pressure: tuple[float, ...]) -> None:
    """Refuse points that are no curve, for people who build a Fan in Python."""
    points = len(flow) >= 2 and len(pressure) == len(flow)
    rising = points and flow[0] >= 0.0 and bool(np.all(np.diff(flow) > 0.0))
    falling = points and min(pressure) >= 0.0 and pressure[-1] < pressure[-2]
    if not (rising and falling):
        allowed = "two or more points, each flow above the one before, the last pressure below the one before"
        raise InputError([Fault("", "fan.curve", f"flows {flow} and pressures {pressure}", allowed)])


# ---- The curve at full speed and its own density ------------------------------------------------------


@lru_cache(maxsize=64)
def _points(fan: Fan, name: str) -> tuple[Array, Array, Array]:
    """Flows of its points, pressure or efficiency there, and the slopes of a curve with no hump that they lack."""
    flow, values = np.array(fan.flow), np.array(getattr(fan, name))
    return flow, values, slopes_at(flow, values)


def _read(fan: Fan, name: str, flow: Number) -> Number:
    return along(*_points(fan, name), _on_curve(fan, flow))[()]


def _on_curve(fan: Fan, flow: Number) -> Number:
    """The flow [m³/s] where the curve has points on both sides of it, else nan."""
    flow = np.asarray(flow, float)
    inside = np.clip(flow, fan.flow[0], fan.flow[-1])
    return np.where(np.abs(flow - inside) <= ROUNDING * fan.flow[-1], inside, np.nan)


def curve_pressure(fan: Fan, flow: Number) -> Number:
    """Pressure [Pa] at full speed and the curve's density from flow [m³/s]; nan off the curve's ends."""
    return _read(fan, "pressure", flow)


def stall_flow(fan: Fan) -> float:
    """Flow [m³/s] at full speed right of which the pressure falls all the way; left of it the fan may stall.

    The last peak of the curve; its first point where it has none.

    >>> stall_flow(fan_from_curve((0.0, 1.0, 2.0), (900.0, 1000.0, 500.0)))
    1.0
    """
    not_falling = np.flatnonzero(np.diff(fan.pressure) >= 0.0)
    return fan.flow[int(not_falling[-1]) + 1 if not_falling.size else 0]


# ---- Any speed and density, by the affinity laws ------------------------------------------------------


def pressure(fan: Fan, flow: Number, speed: Number, density: Number) -> Number:
    """Pressure [Pa] that the fan adds, from flow [m³/s], speed [share of full], density at its inlet.

    nan where the curve says nothing: beyond its last point, or before its first.

    >>> fan = fan_from_curve((0.0, 1.0, 2.0), (1200.0, 1000.0, 500.0))
    >>> round(float(pressure(fan, 0.9, 0.9, 1.2)), 6)  # 0.9 of the flow, 0.81 of the pressure
    810.0
    """
    return speed**2 * (density / fan.curve_density) * curve_pressure(fan, flow / speed)


def efficiency_at(fan: Fan, flow: Number, speed: Number) -> Number:
    """Air power per shaft power [-] from flow [m³/s] and speed [share of full]; nan off the curve."""
    return _read(fan, "efficiency", flow / speed)


def shaft_power(fan: Fan, flow: Number, speed: Number, density: Number) -> Number:
    """Power at the fan's shaft [W] = q p/η, from flow [m³/s], speed [share of full], density [kg/m³]."""
    return flow * pressure(fan, flow, speed, density) / efficiency_at(fan, flow, speed)


def electric_power(fan: Fan, flow: Number, speed: Number, density: Number) -> Number:
    """Power that the motor takes [W]: shaft power per motor efficiency; a frequency converter comes on top."""
    return shaft_power(fan, flow, speed, density) / fan.motor_efficiency


def temperature_rise(
    fan: Fan, flow: Number, speed: Number, density: Number, humidity_ratio: Number = 0.0
) -> Number:
    """How much warmer [K] the air leaves the fan: p/(η ρ c_p), the shaft power over the heat capacity flow.

    All the shaft power counts, also the part that is pressure first: air does no outside work on its way
    through bed and duct, so its enthalpy keeps it. The motor's own losses do not count: fans in moist or
    dusty air have their motor outside the stream. Only a blow-through fan warms what enters the bed.
    """
    Y = humidity_ratio
    heat_capacity = (air.HEAT_CAPACITY_DRY_AIR + Y * air.HEAT_CAPACITY_VAPOUR) / (1.0 + Y)
    rise = pressure(fan, flow, speed, density) / efficiency_at(fan, flow, speed)
    return rise / (density * heat_capacity)
