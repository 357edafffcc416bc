"""The fan's curve and what bed and duct ask of it."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.equipment import duct, fan, operating_point
from coolsim.equipment.duct import AirState, Demand
from coolsim.equipment.operating_point import MEANING, Status
from coolsim.output.page import pretty
from coolsim.output.plots import style
from coolsim.output.plots.settings import airflow
from coolsim.output.plots.style import BROWN, FAINT, ORANGE, PLUM, TEAL, scale
from coolsim.scenario import units as u
from coolsim.support.errors import Fault, InputError

POINTS = 100  # along the fan's curve
LOWEST = 1e-3  # share of the highest flow: the curve's own first point may be at none


def fan_curve(result: Result, case: Case, sweep: Result, ax: Any = None, *, units: str = "si") -> Axes:
    """Draw the fan's curve, what bed and duct ask for at each airflow, and where both meet.

    result: the answer at the airflow to mark. sweep: of the same case at two or more airflows; it gives the
    curve of the system. The fan's curves are those in air of the density that it has at the mark.
    """
    style.one_case(result, "the operating point")
    machine = fan.fan_of(case.fan)
    if machine is None:
        allowed = 'this picture needs a curve, or rated_flow = "1500 m3/h" and rated_pressure = "1900 Pa"'
        raise InputError([Fault("", "fan", "no [fan] table", allowed)])
    if np.size(sweep.bed.pressure_drop) < 2:
        raise ValueError("sweep holds one airflow; predict two or more for the curve of the system")
    flow, pressure = scale(u.VOLUME_FLOW, units), scale(u.PRESSURE, units)
    asked, along = _demand(result, case, machine), _demand(sweep, case, machine)
    speed = operating_point.speed_for(machine, asked.flow, asked.pressure, asked.density)
    (axis,) = style.panels(ax, 1, (7.4, 4.6))
    q = np.linspace(max(machine.flow[0], LOWEST * machine.flow[-1]), machine.flow[-1], POINTS)

    def curve(n: float, **look: Any) -> None:
        p = fan.pressure(machine, n * q, n, asked.density)
        axis.plot(flow(n * q), pressure(p), **look, label=f"fan at {100 * n:.3g} % speed")

    curve(1.0, color=BROWN)
    n = float(speed.speed)
    if np.isfinite(n):
        curve(n, color=ORANGE, linestyle="--")
    order = np.argsort(along.flow)
    asked_for = pressure(along.pressure[order]), pressure(np.asarray(sweep.bed.pressure_drop)[order])
    through_all, with_duct, alone = style.smooth(flow(along.flow[order]), *asked_for)
    axis.plot(through_all, with_duct, color=TEAL, linewidth=2.4, label="bed and duct")
    axis.plot(through_all, alone, color=FAINT, linestyle=":", label="bed alone")
    through = f"{flow(airflow(result, case)):.0f} {pretty(flow.unit)}"
    words = f"operating point:\n{through} through the bed{_oddity(Status(int(speed.status)))}"
    axis.plot(
        flow(asked.flow), pressure(asked.pressure), "o", color=PLUM, markersize=9, zorder=4, label=words
    )
    style.name_axes(axis, flow.named("air at the fan's inlet"), pressure.named("pressure"))
    axis.set_xlim(left=0.0)
    axis.set_ylim(bottom=0.0)
    density = scale(u.DENSITY, units)
    style.legend(
        axis,
        at_the_side=True,
        title=f"in air of {density(asked.density):.3g} {pretty(density.unit)} at the fan",
    )
    return axis


def _oddity(status: Status) -> str:
    """Return what is odd about where the fan runs, in lines that fit beside a plot."""
    return "" if status is Status.FALLING else "\n" + textwrap.fill(MEANING[status], 34)


def _demand(result: Result, case: Case, machine: fan.Fan) -> Demand:
    """What bed and duct ask of the fan, from the states a result holds."""
    humidity = np.asarray(result.kept_profile.humidity_ratio)[..., -1]
    return duct.demand(
        duct.duct_of(case.duct),
        machine.position,
        airflow(result, case),
        result.bed.pressure_drop,
        AirState(case.air.temperature, humidity),
        AirState(result.air_out.temperature, result.air_out.humidity_ratio),
        case.air.pressure,
    )
