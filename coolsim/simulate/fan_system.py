"""A fan on its air path, the bed in it: its heat in the air that enters, and the airflow at a given speed.

The bed's pressure drop and exhaust come from predictions. For a speed, they are first predicted on a coarse mesh at
flows from a trickle to more than the fan gives, and read off between these; where the fan settles on that path is
predicted in full, the path is corrected by the difference, and so on until the flow no longer moves. Each
correction goes straight through the last two predictions. The path is looked at with an even bed, a ninth of the
columns of an uneven one.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Cooler
from coolsim.case.result import FanRun, Result
from coolsim.equipment import duct, fan, operating_point
from coolsim.equipment.duct import AirState, Demand, Duct
from coolsim.equipment.fan import Fan
from coolsim.equipment.operating_point import MEANING, OperatingPoint, Status
from coolsim.model.bed import take
from coolsim.physics import air
from coolsim.simulate.inputs import Inputs, even
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array

Solve = Callable[[Inputs], Result]  # arrays of cases in, arrays out

FLOWS, LEAST_FLOW, MOST_FLOW = 15, 0.03, 1.3  # looked at: how many, shares of the fan's free flow
ROUNDS = 10
SETTLED = 1e-6  # change of airflow, as a share: less than a thousandth of what any fan is known to
WARM_ENOUGH = 1e-4  # K


@dataclass(frozen=True)
class AirPath:
    """Fan and duct of a case."""

    fan: Fan
    duct: Duct

    @property
    def heats(self) -> bool:
        """Whether the fan's heat reaches the bed."""
        return self.fan.position == fan.BLOW_THROUGH


def air_path(case: Case) -> AirPath | None:
    """The air path of a case; None without the curve or the rated point of a fan."""
    if case.fan.curve is None and case.fan.rated_flow is None:
        return None
    machine = fan.fan_of(case.fan)
    return AirPath(machine, duct.duct_of(case.duct)) if machine else None


def demand(path: AirPath, inputs: Inputs, drop: Array, T_exhaust: Array, Y_exhaust: Array) -> Demand:
    """What bed and duct ask of the fan at the airflow of `inputs`."""
    outside = AirState(inputs.outside_temperature, inputs.humidity_ratio)
    flow = inputs.dry_air * inputs.outside_volume
    exhaust = AirState(T_exhaust, Y_exhaust)
    return duct.demand(path.duct, path.fan.position, flow, drop, outside, exhaust, inputs.pressure)


def demand_of(path: AirPath, inputs: Inputs, result: Result) -> Demand:
    return demand(
        path, inputs, result.bed.pressure_drop, result.air_out.temperature, result.air_out.humidity_ratio
    )


def rise(path: AirPath, duty: Demand, speed: Array, humidity_ratio: Array) -> Array:
    """How much a blow-through fan warms what enters the bed [K]; 0 for other fans.

    Where it is off its curve, by an assumed efficiency: such states are told, but must stay finite.
    """
    if not path.heats:
        return np.zeros(np.shape(duty.flow))
    warmer = fan.temperature_rise(path.fan, duty.flow, speed, duty.density, humidity_ratio)
    Y = humidity_ratio
    heat_capacity = (air.HEAT_CAPACITY_DRY_AIR + Y * air.HEAT_CAPACITY_VAPOUR) / (1.0 + Y)
    assumed = duty.pressure / (fan.ASSUMED_EFFICIENCY * duty.density * heat_capacity)
    return np.where(np.isnan(warmer), assumed, warmer)


def warmed(path: AirPath | None, inputs: Inputs, solve: Solve) -> tuple[Inputs, Result]:
    """Predict with the fan's heat in the air that enters; a heater warms only what is still colder.

    The rise hangs on the drop, which hardly hangs on the rise: two or three predictions settle it.
    """
    result = solve(inputs)
    if path is None or not path.heats:
        return inputs, result
    heater, now = inputs.inlet_air_temperature, inputs
    for _ in range(ROUNDS):
        duty = demand_of(path, now, result)
        speed = operating_point.speed_for(path.fan, duty.flow, duty.pressure, duty.density).speed
        inlet = np.maximum(
            heater, inputs.outside_temperature + rise(path, duty, speed, inputs.humidity_ratio)
        )
        change = np.abs(inlet - now.inlet_air_temperature).max()
        if change < WARM_ENOUGH:
            break
        now = dataclasses.replace(inputs, inlet_air_temperature=inlet)
        result = solve(now)
    return now, result


def settled_cooler(cooler: Cooler, outside: float, result: Result) -> Cooler:
    """A cooler with the airflow and inlet air that its fan settled at in its prediction; outside air in °C."""
    assert result.fan is not None, "a prediction with a fan"
    airflow, rise = float(result.bed.face_velocity) * cooler.floor_area, float(result.fan.temperature_rise)
    cooler = dataclasses.replace(cooler, airflow=airflow, air_ratio=None)
    if rise <= 0:
        return cooler
    heater = cooler.inlet_air_temperature
    inlet = outside + rise if heater is None else max(heater, outside + rise)
    return dataclasses.replace(cooler, inlet_air_temperature=inlet)


def with_fan(path: AirPath, inputs: Inputs, result: Result, speed: Any = np.nan) -> Result:
    """Add how the fan runs at the airflow of `inputs`; nan where its curve does not tell.

    speed: as it was set, where the airflow follows from it.
    """
    duty = demand_of(path, inputs, result)
    found = operating_point.speed_for(path.fan, duty.flow, duty.pressure, duty.density)
    columns = (
        np.where(np.isnan(speed) | np.isnan(found.speed), found.speed, speed),
        duty.flow,
        duty.pressure,
        fan.electric_power(path.fan, duty.flow, found.speed, duty.density),
        rise(path, duty, found.speed, inputs.humidity_ratio),
        np.asarray(found.status, float),
    )
    return dataclasses.replace(result, fan=FanRun(*np.array(np.broadcast_arrays(*columns))))


def settled(path: AirPath, speed: Any, inputs: Inputs, rough: Solve, solve: Solve) -> tuple[Inputs, Result]:
    """Airflow at which the fan settles at a speed [share of full], one or one per case, and the prediction there.

    Raises InputError where fan and air path do not meet on the curve.
    """
    speed = np.broadcast_to(np.asarray(speed, float), inputs.radius.shape)
    flows = path.fan.flow[-1] * np.geomspace(LEAST_FLOW, MOST_FLOW, FLOWS) * speed[:, None]
    table = _predicted_at(path, even(inputs), flows, rough)
    if inputs.deviations is not None:
        table = _of_uneven(path, speed, inputs, flows, table, rough)
    shift = slope = np.zeros((len(table), len(inputs.radius)))
    flow = last = _crossing(path, speed, inputs, flows, table).bed_flow
    for _ in range(ROUNDS):
        now, result = warmed(path, _blown(inputs, flow), solve)
        shift, before = _rows(result) - _read(flow, flows, table), shift
        apart = np.log(flow / last)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(np.abs(apart) > SETTLED, (shift - before) / apart, slope)
        corrected = partial(_line, flow, shift, slope)
        point = _crossing(path, speed, inputs, flows, table, corrected)
        # one that has settled stays, so that it is as if it were alone
        last, flow = flow, np.where(np.abs(point.bed_flow / flow - 1) < SETTLED, flow, point.bed_flow)
        if (flow == last).all():
            return now, result
    raise NotConverged("the airflow at which the fan settles was not found", (), result)


def _of_uneven(
    path: AirPath, speed: Array, inputs: Inputs, flows: Array, table: Array, rough: Solve
) -> Array:
    """The table of an even bed, shifted to what the uneven one does where its fan would settle by that table."""
    flow = _crossing(path, speed, inputs, flows, table).bed_flow
    try:
        _, result = warmed(path, _blown(inputs, flow), rough)
    except NotConverged:
        return table  # which is corrected afterwards anyway
    return table + (_rows(result) - _read(flow, flows, table))[..., None]


def _line(flow: Array, shift: Array, slope: Array, airflow: Array) -> Array:
    """What predictions add to a table, straight in the airflow's logarithm through the last two."""
    return shift + slope * np.log(airflow / flow)


def _blown(inputs: Inputs, airflow: Array) -> Inputs:
    return dataclasses.replace(inputs, dry_air=airflow / inputs.outside_volume)


def _rows(result: Result) -> Array:
    """What the path needs of a prediction, smooth in the airflow: (3, cases)."""
    out = result.air_out
    return np.array([np.log(result.bed.pressure_drop), out.temperature, out.humidity_ratio])


def _predicted_at(path: AirPath, inputs: Inputs, flows: Array, rough: Solve) -> Array:
    """Rows (3, cases, flows) at each flow (cases, flows); where one does not solve, between its neighbours."""
    cases = len(inputs.radius)
    many = _blown(take(inputs, np.repeat(np.arange(cases), flows.shape[1])), flows.ravel())
    failed: Any = ()
    try:
        _, result = warmed(path, many, rough)
    except NotConverged as error:
        solved = np.setdiff1d(np.arange(len(many.radius)), error.failed)
        if len(solved) < len(many.radius) / 2:
            raise
        result, failed = error.best, error.failed
    rows = _rows(result).reshape(3, cases, -1)
    bad = np.isin(np.arange(len(many.radius)), failed).reshape(cases, -1) | ~np.isfinite(rows).all(axis=0)
    for case in np.flatnonzero(bad.any(axis=1)):
        good, x = ~bad[case], np.log(flows[case])
        for row in rows:
            row[case] = np.interp(x, x[good], row[case, good])
    return rows


def _read(airflow: Array, flows: Array, table: Array) -> Array:
    """Rows (3, cases) at one airflow of each case: straight between flows in their logarithm, and beyond them."""
    x, at = np.log(flows), np.log(airflow)
    k = np.clip((x < at[:, None]).sum(axis=1) - 1, 0, x.shape[1] - 2)
    below, above = (np.take_along_axis(x, j[:, None], axis=1)[:, 0] for j in (k, k + 1))
    share = (at - below) / (above - below)
    low, high = (np.take_along_axis(table, j[None, :, None], axis=2)[..., 0] for j in (k, k + 1))
    rows = low + share * (high - low)
    rows[1:] = (low + np.clip(share, 0.0, 1.0) * (high - low))[1:]  # only the drop goes on beyond
    return np.asarray(rows)


def _crossing(
    path: AirPath,
    speed: Array,
    inputs: Inputs,
    flows: Array,
    table: Array,
    added: Callable[[Array], Array] = np.zeros_like,
) -> OperatingPoint:
    def system(airflow: Any) -> Demand:
        airflow = np.broadcast_to(airflow, inputs.radius.shape)
        log_drop, T, Y = _read(airflow, flows, table) + added(airflow)
        return demand(path, _blown(inputs, airflow), np.exp(np.minimum(log_drop, 30.0)), T, Y)

    point = operating_point.operating_point(path.fan, system, speed)
    lost = np.flatnonzero(np.isnan(point.bed_flow))
    if len(lost):
        who = "" if len(inputs.radius) == 1 else f" (in {len(lost)} of {len(inputs.radius)} cases)"
        why = MEANING[Status(int(np.ravel(point.status)[lost[0]]))]
        allowed = (
            f"{why}{who}: another speed or bed depth, or cooler.airflow with the airflow that you measured"
        )
        raise InputError([Fault("", "fan.speed", f"{100 * speed[lost[0]]:.0f} %", allowed)])
    return point
