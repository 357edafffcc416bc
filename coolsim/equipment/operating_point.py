"""Where a fan settles on its air path, and the speed at which it gives a flow and a pressure.

Both are the crossing of the fan's curve with what the air path asks, by affinity laws brought to full speed
and the curve's density. Right of its last peak the curve falls and the path's demand rises, so there is at
most one crossing; that branch is continued by straight lines beyond both its ends, which makes one root out
of every case, and where this root lies says what is the case:

    on the branch           the fan runs there
    right of its end        the path asks less than the last point of the curve gives: not on the curve
    left of the peak        the path asks more than the peak gives: the fan stalls, or moves no air

The straight lines only sort the cases; nothing computed on them is returned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import Any

import numpy as np

from coolsim.equipment.duct import Demand
from coolsim.equipment.fan import ROUNDING, Fan, curve_pressure, stall_flow
from coolsim.physics.roots import bracketed_root
from coolsim.support.fields import Array, Number, documented

LEAST_SHARE = 1e-4  # of the highest flow on the curve: less than this is no flow
TOLERANCE = 1e-12  # of the same
MOST_DOUBLINGS = 30

System = Callable[[Any], Demand]  # flow through the bed [m³/s] -> what it asks of the fan


class Status(IntEnum):
    """Where fan and air path meet. Arrays of cases hold the numbers."""

    FALLING = 0
    STALL = 1
    AMBIGUOUS = 2
    PAST_END = 3
    BLOCKED = 4


MEANING: Mapping[Status, str] = MappingProxyType(
    {
        Status.FALLING: "the fan runs on the falling side of its curve",
        Status.STALL: (
            "the fan meets the air path left of the peak of its curve, where it stalls: flow and pressure "
            "will hunt about the figures given"
        ),
        Status.AMBIGUOUS: (
            "the fan meets the air path on the falling side of its curve and again left of its peak: it may "
            "settle at either"
        ),
        Status.PAST_END: (
            "the air path resists less than the fan gives at the last point of its curve: the fan would run "
            "at a flow that the curve does not tell"
        ),
        Status.BLOCKED: (
            "the air path resists more than the fan gives at the peak of its curve, and no steady flow was "
            "found left of it: the fan stalls or moves no air"
        ),
    }
)


@dataclass(frozen=True)
class OperatingPoint:
    """Where a fan settles; flows and pressure are nan where it does not."""

    bed_flow: Number = documented("m³/s", "air through the bed, as the system counts it")
    flow: Number = documented("m³/s", "volume flow at the fan's inlet", "q")
    pressure: Number = documented("Pa", "pressure that the fan adds", "p")
    density: Number = documented("kg/m³", "density of the air at the fan's inlet", "ρ")
    status: Number = documented("-", "a Status; MEANING has the words")


@dataclass(frozen=True)
class FanSpeed:
    """The speed at which a fan gives a flow and a pressure; nan where it cannot at any speed."""

    speed: Number = documented("-", "share of full speed; may be above 1, see above_full", "n")
    above_full: Number = documented("-", "true where it takes more than full speed")
    status: Number = documented("-", "a Status; MEANING has the words")


def operating_point(fan: Fan, system: System, speed: Number = 1.0) -> OperatingPoint:
    """Where the fan settles at a speed [share of full] on a system: one case or an array of them.

    `system` takes an array of bed flows [m³/s] and returns the Demand of each; its pressure rises with the
    flow. On the stall side the crossing is returned with its status, for information only.

    >>> from coolsim.equipment.fan import fan_from_curve
    >>> fan = fan_from_curve((0.0, 2.0), (1000.0, 0.0))
    >>> point = operating_point(fan, lambda q: Demand(q, 500.0 * q, 1.2))
    >>> round(float(point.flow), 6), round(float(point.pressure), 6), Status(point.status).name
    (1.0, 500.0, 'FALLING')
    """
    runs = np.asarray(speed, float) > 0.0
    n = np.where(runs, speed, 1.0)
    free = n * fan.flow[-1]

    def asked(share: Any) -> tuple[Any, Any]:
        wanted = system(share * free)
        return wanted.flow / n, wanted.pressure * fan.curve_density / (wanted.density * n**2)

    share, status = _crossing(fan, asked)
    status = np.where(runs, status, Status.BLOCKED)
    nowhere = (status == Status.PAST_END) | (status == Status.BLOCKED)
    bed_flow = np.where(nowhere, np.nan, share * free)
    wanted = system(share * free)
    flow, pressure, density = (
        np.where(nowhere, np.nan, x)[()] for x in (wanted.flow, wanted.pressure, wanted.density)
    )
    return OperatingPoint(bed_flow[()], flow, pressure, density, status[()])


def speed_for(fan: Fan, flow: Number, pressure: Number, density: Number) -> FanSpeed:
    """Speed at which the fan gives a flow [m³/s] and pressure [Pa] in air of a density [kg/m³] at its inlet.

    By affinity laws all speeds meet a duty on one parabola p ∝ q², so it is where this parabola crosses the
    curve at full speed; a duty left of the peak is so at every speed.

    >>> from coolsim.equipment.fan import fan_from_curve
    >>> fan = fan_from_curve((0.0, 1.0, 2.0), (1200.0, 1000.0, 500.0))
    >>> round(float(speed_for(fan, 0.9, 810.0, 1.2).speed), 9)
    0.9
    """
    q = np.asarray(flow, float)
    moves = q > 0.0
    resistance = pressure * (fan.curve_density / density) / np.where(moves, q, 1.0) ** 2
    point = operating_point(fan, lambda x: Demand(x, resistance * x**2, fan.curve_density))
    n = np.where(moves, q / point.flow, np.nan)
    status = np.where(moves, point.status, Status.BLOCKED)
    return FanSpeed(n[()], (n > 1.0 + ROUNDING)[()], status[()])


# ---- Parts: all at full speed and the curve's density, bed flows as shares of the highest flow on it --------


def _crossing(fan: Fan, asked: Callable[[Any], tuple[Any, Any]]) -> tuple[Any, Any]:
    """Bed flow and Status of each case; `asked` gives the flow and pressure at the fan for a bed flow.

    The bed flow is 1 where there is no crossing, so that what follows can be evaluated.
    """

    def above_branch(share: Any) -> Any:
        q, p = asked(share)
        return _falling_branch(fan, q) - p

    def above_path(share: Any) -> Any:
        q, p = asked(share)
        return curve_pressure(fan, np.clip(q, fan.flow[0], fan.flow[-1])) - p

    slack = ROUNDING * fan.flow[-1]
    high = _upper_end(above_branch)
    share, found = _root(above_branch, high)
    stalls = ~found | (asked(share)[0] < stall_flow(fan) - slack)
    if np.any(stalls):  # at `high` the path asks more than the branch gives, so more than the curve, too
        share_left, found_left = _root(above_path, high)
        share, found = np.where(stalls, share_left, share), np.where(stalls, found_left, found)
    q = asked(share)[0]
    again = ~stalls & _meets_again(fan, above_path, share, q)
    status = np.where(stalls, Status.STALL, np.where(again, Status.AMBIGUOUS, Status.FALLING))
    status = np.where(q > fan.flow[-1] + slack, Status.PAST_END, status)
    status = np.where(~found | (q < fan.flow[0] - slack), Status.BLOCKED, status)
    return share, status


def _falling_branch(fan: Fan, flow: Array) -> Array:
    """Pressure [Pa] of the curve right of its last peak, continued by falling lines beyond both ends."""
    start, end = stall_flow(fan), fan.flow[-1]
    peak = float(curve_pressure(fan, start))
    left = peak / start * np.maximum(start - flow, 0.0) if start > 0.0 else 0.0
    right = peak / end * np.maximum(flow - end, 0.0)
    return curve_pressure(fan, np.clip(flow, start, end)) + left - right


def _upper_end(surplus: Callable[[Any], Any]) -> Array:
    """Bed flows at which the path asks more than the continued branch gives."""
    high = np.ones(np.shape(surplus(1.0)))
    for _ in range(MOST_DOUBLINGS):
        short = surplus(high) > 0.0
        if not np.any(short):
            break
        high = np.where(short, 2.0 * high, high)
    return high


def _root(surplus: Callable[[Any], Any], high: Array) -> tuple[Any, Any]:
    """Bed flow of no surplus (1 where there is none), and whether there is one."""
    share = bracketed_root(surplus, LEAST_SHARE, high, TOLERANCE)
    found = ~np.isnan(share)
    return np.where(found, share, 1.0), found


def _meets_again(fan: Fan, surplus: Callable[[Any], Any], share: Any, flow: Any) -> Any:
    """Whether the path asks more than some point of the curve left of its last peak gives.

    The bed flow at such a point is taken in proportion: exact but for the density's change with the flow.
    """
    again = np.zeros(np.shape(share), bool)
    for q in fan.flow:
        if 0.0 < q < stall_flow(fan):
            again |= surplus(share * q / flow) < 0.0
    return again
