"""A cooler and its fan: what settings give and cost, how they stand on the fan's curve; many side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import Cost, cost_of, given_away
from coolsim.case.quantities import MachineState
from coolsim.case.result import FanRun, Result
from coolsim.equipment import duct, fan, operating_point
from coolsim.equipment.duct import AirState
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.physics import air, pellet
from coolsim.simulate import fan_system
from coolsim.simulate.finishing import headspace_dew_point
from coolsim.simulate.inputs import Inputs, gather
from coolsim.simulate.prediction import predict_inputs
from coolsim.simulate.requirements import Constraint, violations
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, documented


@dataclass(frozen=True, repr=False)
class Settings(Displayed):
    """What an operator dials in. Numbers, or arrays with one entry per state tried."""

    airflow: Any = documented("m³/s", "air through the bed, as volume of outside air")
    fan_speed: Any = documented("-", "share of the fan's full speed (nan without a fan)")
    bed_depth: Any = documented("m", "depth of the bed")
    residence_time: Any = documented("s", "time a pellet spends in the bed")
    inlet_air_temperature: Any = documented("°C", "air that enters the bed")


@dataclass(frozen=True, repr=False)
class Outcome(Displayed):
    """What settings lead to, as far as costs and limits ask; all smooth in the knobs."""

    moisture: Array = documented("kg/kg wet", "exit moisture")
    temperature: Array = documented("°C", "exit temperature")
    water_activity: Array = documented("-", "of the pellets in store, as it is judged")
    lift_off: Array = documented("-", "highest velocity as a share of what lifts the bed")
    pressure_drop: Array = documented("Pa", "of the bed")
    air_temperature: Array = documented("°C", "exhaust")
    air_humidity: Array = documented("kg/kg", "humidity ratio of the exhaust")
    even_temperature: Array = documented("°C", "of the pellets once evened out inside")


@dataclass(frozen=True)
class Weighed:
    """States with an outcome: settings, what they cost, and how they stand on the fan's curve."""

    settings: Settings
    outcome: Outcome
    exhaust_humidity: Array  # relative
    cost: Cost
    power: Array  # electric, W
    heat: Array  # that warms the inlet air, W
    off_curve: Array  # how far off the falling side of the fan's curve, as log of resistance; ≤ 0 on it


@dataclass(frozen=True)
class Tried(Weighed):
    """States predicted."""

    result: Result = field(kw_only=True)
    fan_status: Array = field(kw_only=True)  # operating_point.Status, 0 without a fan


def try_settings(case: Case, knobs: dict[str, Array], resolution: Resolution) -> Tried:
    """Try states of a case; `knobs` maps names that `with_settings` knows to arrays (N,); the rest stays."""
    every = np.zeros(len(next(iter(knobs.values()))), np.intp)
    return Plant(case).run(with_knobs(take(gather([case]), every), knobs), resolution)


def along_states(values: Any, count: int) -> Array:
    """One number, or one per weather, along `count` states; what has more axes is as the states already."""
    if np.ndim(values) > 1:
        return np.asarray(values)
    rows = np.ravel(values)
    return rows if len(rows) in (1, count) else np.repeat(rows, count // len(rows))


def outcome_of(result: Result) -> Outcome:
    out, exhaust = result.pellets_out, result.air_out
    return Outcome(
        out.moisture_wb,
        out.temperature,
        result.in_store.water_activity,
        result.bed.lift_off,
        result.bed.pressure_drop,
        exhaust.temperature,
        exhaust.humidity_ratio,
        result.after_equalising.temperature,
    )


class Plant:
    """A case with its fan and prices at hand, to predict and weigh many states side by side."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.fan, self.duct = fan.fan_of(case.fan), duct.duct_of(case.duct)
        self.path = fan_system.AirPath(self.fan, self.duct) if self.fan else None
        self.map = SpeedMap(self.fan) if self.fan else None

    def run(self, inputs: Inputs, resolution: Resolution) -> Tried:
        """Predict and weigh states whose settings stand in their inputs."""
        i, result = fan_system.warmed(self.path, inputs, lambda some: predict_inputs(some, resolution))
        w, asked = self._weighed(i, outcome_of(result))
        count = len(w.outcome.moisture)
        settings, power, status, rise = w.settings, w.power, np.zeros(count), np.zeros(1)
        if self.fan and self.path:  # by the curve itself, where `standing` reads its map
            found = operating_point.speed_for(self.fan, asked.flow, asked.pressure, asked.density)
            power, status = fan.electric_power(self.fan, asked.flow, found.speed, asked.density), found.status
            rise = fan_system.rise(self.path, asked, found.speed, i.humidity_ratio)
            settings = dataclasses.replace(settings, fan_speed=found.speed)
            run = found.speed, asked.flow, asked.pressure, power, rise, np.asarray(status, float)
            result = dataclasses.replace(result, fan=FanRun(*map(np.array, np.broadcast_arrays(*run))))
        inlet, dwell = np.broadcast_to(_inlet(i, rise), (count,)), result.bed.residence_time
        settings = dataclasses.replace(settings, residence_time=dwell, inlet_air_temperature=inlet)
        heat = np.broadcast_to(_heat(i, rise), (count,))
        cost = self._cost(i, w.outcome, power, heat)
        weighed = settings, w.outcome, w.exhaust_humidity, cost, power, heat, w.off_curve
        return Tried(*weighed, result=result, fan_status=status)

    def standing(self, inputs: Inputs, outcome: Outcome) -> Weighed:
        """Weigh states whose settings stand in their inputs, any of them one number for all."""
        return self._weighed(inputs, outcome)[0]

    def _weighed(self, i: Inputs, outcome: Outcome) -> tuple[Weighed, duct.Demand]:
        airflow = i.dry_air * i.outside_volume
        asked = duct.demand(
            self.duct,
            self.fan.position if self.fan else "draw-through",
            airflow,
            outcome.pressure_drop,
            AirState(i.outside_temperature, i.humidity_ratio),
            AirState(outcome.air_temperature, outcome.air_humidity),
            i.pressure,
        )
        if self.fan and self.map:
            speed, off = self.map(asked)
            power = fan.electric_power(self.fan, asked.flow, speed, asked.density)
            assert self.path is not None
            rise = fan_system.rise(self.path, asked, speed, i.humidity_ratio)
        else:
            rise = np.zeros(1)
            power = asked.flow * asked.pressure / (fan.ASSUMED_EFFICIENCY * fan.ASSUMED_MOTOR_EFFICIENCY)
            speed, off = np.full(len(power), np.nan), np.full(len(power), -1.0)
        dwell = i.bed_depth * self.case.cooler.floor_area * i.bulk_density / i.throughput
        airflow, speed, depth, dwell, inlet, off = np.broadcast_arrays(
            airflow, speed, i.bed_depth, dwell, _inlet(i, rise), off
        )
        settings = Settings(airflow, speed, depth, dwell, inlet)
        humidity = air.relative_humidity(outcome.air_temperature, outcome.air_humidity, i.pressure)
        heat = np.broadcast_to(_heat(i, rise), np.shape(power))  # of a given airflow one number
        cost = self._cost(i, outcome, power, heat)
        return Weighed(settings, outcome, humidity, cost, power, heat, off), asked

    def _cost(self, i: Inputs, outcome: Outcome, power: Array, heat: Array) -> Cost:
        lost = given_away(self.case, i.throughput * (1 - i.moisture_wb), outcome.moisture)
        return cost_of(self.case.costs, i.throughput, electricity=power, heat=heat, given_away=lost)


def _inlet(i: Inputs, rise: Array) -> Array:
    """Air that enters the bed: as warm as the heater, or the fan where that is warmer, makes it."""
    return np.maximum(i.outside_temperature + rise, i.inlet_air_temperature)


def _heat(i: Inputs, rise: Array) -> Array:
    """What a heater gives to the air that enters, beyond what the fan does."""
    warmed = air.enthalpy(_inlet(i, rise), i.humidity_ratio)
    warmed = warmed - air.enthalpy(i.outside_temperature + rise, i.humidity_ratio)
    return np.asarray(i.dry_air * warmed)


class SpeedMap:
    """The speed a duty takes, read from a table over its resistance p ρ₁/(ρ q²): affinity leaves just that.

    A search asks thousands of times; the curve itself is asked once more where it ends.
    """

    POINTS, SPAN = 6001, 1e5

    def __init__(self, machine: fan.Fan) -> None:
        q = max(machine.flow)
        resistance = max(machine.pressure) / q**2 * np.geomspace(1 / self.SPAN, self.SPAN, self.POINTS)
        found = operating_point.speed_for(
            machine, np.full(self.POINTS, q), resistance * q**2, machine.curve_density
        )
        on = np.flatnonzero(found.status == operating_point.Status.FALLING)
        self.density = machine.curve_density
        if not len(on):
            raise InputError(
                [Fault("", "fan", "a curve that falls nowhere", "pressure must fall with the flow")]
            )
        self.resistance, self.flow = np.log(resistance[on]), np.log(q / found.speed[on])

    def __call__(self, asked: duct.Demand) -> tuple[Array, Array]:
        """Speed, as at the nearest end off the falling side; and how far off it is."""
        x = np.log(np.maximum(asked.pressure, 1e-9) * self.density / asked.density / asked.flow**2)
        off = np.maximum(x - self.resistance[-1], self.resistance[0] - x)
        return asked.flow / np.exp(np.interp(x, self.resistance, self.flow)), off


def with_knobs(inputs: Inputs, knobs: dict[str, Array]) -> Inputs:
    """Set the knobs of inputs."""
    changed: dict[str, Any] = {}
    if "feed_moisture" in knobs or "feed_temperature" in knobs:
        M = knobs.get("feed_moisture", inputs.moisture_wb)
        T = knobs.get("feed_temperature", inputs.feed_temperature)
        X, T_in = pellet.flash(inputs.isotherm, inputs.specific_heat, M / (1 - M), T, inputs.pressure)
        changed |= {
            "moisture_wb": M,
            "feed_temperature": T,
            "flashed_moisture_db": X,
            "flashed_temperature": T_in,
        }
        changed["dry_solid"] = inputs.throughput * (1 - M)
    if "airflow" in knobs:
        changed["dry_air"] = knobs["airflow"] / inputs.outside_volume
    if "bed_depth" in knobs:
        changed["bed_depth"] = knobs["bed_depth"]
    if "inlet_air_temperature" in knobs:
        changed["inlet_air_temperature"] = np.maximum(
            inputs.outside_temperature, knobs["inlet_air_temperature"]
        )
    return dataclasses.replace(inputs, **changed)


# ---- Wishes and limits --------------------------------------------------------------------------------


def planned_state(case: Case, weighed: Weighed) -> MachineState:
    """What limits read of states that were weighed."""
    o = weighed.outcome
    return MachineState(
        moisture=o.moisture,
        temperature=o.temperature,
        even_temperature=o.even_temperature,
        water_activity=o.water_activity,
        outside_temperature=along_states(case.air.temperature, len(o.temperature)),
        exhaust_temperature=o.air_temperature,
        exhaust_relative_humidity=weighed.exhaust_humidity,
        lift_off=o.lift_off,
        pressure_drop=o.pressure_drop,
        dew_point_in_bag=partial(headspace_dew_point, case),
        fan_speed=weighed.settings.fan_speed,
        off_curve=weighed.off_curve,
    )


def excesses(case: Case, state: Weighed, constraints: Sequence[Constraint]) -> Array:
    """How far each constraint is broken, in its scale, (constraints, N); ≤ 0 where kept."""
    count = len(state.power)
    known = planned_state(case, state)
    values = {c.key: np.asarray(c.quantity.of(known)) for c in constraints}
    along = [
        dataclasses.replace(c, bound=along_states(c.bound, count), scale=along_states(c.scale, count))
        if np.ndim(c.bound) or np.ndim(c.scale)
        else c
        for c in constraints
    ]
    return violations(along, values) if along else np.zeros((0, count))
