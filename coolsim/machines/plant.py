"""A cooler with its knobs: what can be set, what each setting gives, what it costs, what it must not exceed.

Settings are tried by the thousand: `try_settings` takes arrays of airflow, bed depth and inlet-air
temperature (and of feed moisture and temperature, for what-if questions) and answers in arrays.

A case whose air holds arrays is one cooler in many weathers. States then come weather by weather, equally many
of each: `spread` lays one number per weather along them.
"""

from __future__ import annotations

import copy
import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.costs import Cost, cost_of, given_away
from coolsim.case.result import FanRun, Result
from coolsim.case.streams import Air
from coolsim.equipment import duct, fan, operating_point
from coolsim.equipment.duct import AirState
from coolsim.machines.conditioner import KEYS, Conditioner
from coolsim.machines.conditioner import ranges as conditioner_ranges
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.physics import air, pellet
from coolsim.simulate import fan_system
from coolsim.simulate.finishing import headspace_dew_point
from coolsim.simulate.inputs import Inputs, even, gather
from coolsim.simulate.prediction import predict_inputs
from coolsim.simulate.requirements import SWEATING, Constraint, violations
from coolsim.simulate.result_building import pick
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, documented

KNOBS = ("airflow", "bed_depth", "inlet_air_temperature")
FEED_KNOBS = ("feed_moisture", "feed_temperature")
THROUGHPUT = "throughput"  # wet, of the dry solid that comes: it follows from what the conditioner is set to


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
    signed_cost: Any = None  # as cost.total, smooth: weight kept above the target moisture counts as gained


@dataclass(frozen=True)
class Tried(Weighed):
    """States predicted."""

    result: Result = field(kw_only=True)
    fan_status: Array = field(kw_only=True)  # operating_point.Status, 0 without a fan


def try_settings(case: Case, knobs: dict[str, Array], resolution: Resolution) -> Tried:
    """Try states of a case; `knobs` maps names of KNOBS or FEED_KNOBS to arrays (N,); the rest stays."""
    return Plant(case).tried(knobs, resolution)


def spread(values: Any, count: int) -> Array:
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
    """A case with its fan and prices at hand, to weigh many states; in one weather or in several."""

    def __init__(self, case: Case) -> None:
        if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
            columns = np.broadcast_arrays(*(getattr(case.air, f.name) for f in dataclasses.fields(Air)))
            case = dataclasses.replace(case, air=Air(*(np.ravel(column) for column in columns)))
        self.case = case
        self.inputs = gather([case])
        self.conditioner = Conditioner(case) if conditioner_ranges(case) else None
        self.fan, self.duct = fan.fan_of(case.fan), duct.duct_of(case.duct)
        self.path = fan_system.AirPath(self.fan, self.duct) if self.fan else None
        self.map = SpeedMap(self.fan) if self.fan else None

    @property
    def weathers(self) -> int:
        return len(self.inputs.radius)

    def of(self, weathers: NDArray[np.intp]) -> Plant:
        """The plant in some of its weathers, each as often as it is named; in the only one: itself."""
        if self.weathers == 1:
            return self
        part = copy.copy(self)
        part.inputs = take(self.inputs, weathers)
        part.case = dataclasses.replace(self.case, air=pick(self.case.air, weathers))
        return part

    def even(self) -> Plant:
        """The plant with a bed that is even; itself, where it is."""
        if self.inputs.deviations is None:
            return self
        part = copy.copy(self)
        part.inputs = even(self.inputs)
        return part

    def _along(self, count: int) -> Plant:
        """The plant with one weather for each of `count` states, or with the only one for all."""
        if self.weathers in (1, count):
            return self
        return self.of(np.repeat(np.arange(self.weathers), count // self.weathers))

    def tried(self, knobs: dict[str, Array], resolution: Resolution) -> Tried:
        """Predict and weigh states."""
        knobs = self._conditioned(knobs)
        count = len(next(iter(knobs.values())))
        plant, result = self._along(count), self.predicted(knobs, resolution)
        w, asked = plant._weighed(knobs, outcome_of(result))
        settings, power, status, rise = w.settings, w.power, np.zeros(count), np.zeros(1)
        if self.fan and self.path:  # by the curve itself, where `weighed` reads its map
            found = operating_point.speed_for(self.fan, asked.flow, asked.pressure, asked.density)
            power, status = fan.electric_power(self.fan, asked.flow, found.speed, asked.density), found.status
            rise = fan_system.rise(self.path, asked, found.speed, plant.inputs.humidity_ratio)
            settings = dataclasses.replace(settings, fan_speed=found.speed)
            run = found.speed, asked.flow, asked.pressure, power, rise, np.asarray(status, float)
            result = dataclasses.replace(result, fan=FanRun(*map(np.array, np.broadcast_arrays(*run))))
        inlet = np.broadcast_to(plant._inlet(knobs, rise), (count,))
        dwell = result.bed.residence_time
        settings = dataclasses.replace(settings, residence_time=dwell, inlet_air_temperature=inlet)
        heat = np.broadcast_to(plant._heat(knobs, rise), (count,))
        cost, signed = plant._cost(knobs, w.outcome, power, heat)
        weighed = settings, w.outcome, w.exhaust_humidity, cost, power, heat, w.off_curve, signed
        return Tried(*weighed, result=result, fan_status=status)

    def predicted(self, knobs: dict[str, Array], resolution: Resolution) -> Result:
        knobs = self._conditioned(knobs)
        count = len(next(iter(knobs.values())))
        rows = np.repeat(np.arange(self.weathers), count // self.weathers)
        states = with_settings(take(self.inputs, rows), knobs)
        return fan_system.warmed(self.path, states, lambda some: predict_inputs(some, resolution))[1]

    def _conditioned(self, knobs: dict[str, Array]) -> dict[str, Array]:
        """Knobs with the feed that the conditioner makes, set so: in the place of the feed's, to which it adds."""
        if self.conditioner is None or THROUGHPUT in knobs or not KEYS.keys() & knobs.keys():
            return knobs
        wetter, warmer = self.conditioner.feed(knobs)
        i = self.inputs
        M = knobs.get("feed_moisture", i.moisture_wb) + wetter
        T = knobs.get("feed_temperature", i.feed_temperature) + warmer
        solid = i.throughput * (1 - knobs.get("feed_moisture", i.moisture_wb))
        return knobs | {"feed_moisture": M, "feed_temperature": T, THROUGHPUT: solid / (1 - M)}

    def weighed(self, knobs: dict[str, Array], outcome: Outcome) -> Weighed:
        """Weigh states whose outcome is known."""
        return self._along(len(outcome.moisture))._weighed(knobs, outcome)[0]

    def standing(self, inputs: Inputs, outcome: Outcome) -> Weighed:
        """Weigh states whose settings stand in inputs of their own, any of them one number for all."""
        part = copy.copy(self)
        part.inputs = inputs
        return part._weighed({}, outcome)[0]

    def _weighed(self, knobs: dict[str, Array], outcome: Outcome) -> tuple[Weighed, duct.Demand]:
        i, cooler = self.inputs, self.case.cooler
        airflow, depth = self._airflow(knobs), knobs.get("bed_depth", i.bed_depth)
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
        dwell = depth * cooler.floor_area * i.bulk_density / knobs.get(THROUGHPUT, i.throughput)
        airflow, speed, depth, dwell, inlet, off = np.broadcast_arrays(
            airflow, speed, depth, dwell, self._inlet(knobs, rise), off
        )
        settings = Settings(airflow, speed, depth, dwell, inlet)
        humidity = air.relative_humidity(outcome.air_temperature, outcome.air_humidity, i.pressure)
        heat = np.broadcast_to(self._heat(knobs, rise), np.shape(power))  # of a given airflow one number
        cost, signed = self._cost(knobs, outcome, power, heat)
        return Weighed(settings, outcome, humidity, cost, power, heat, off, signed), asked

    def _airflow(self, knobs: dict[str, Array]) -> Array:
        return knobs["airflow"] if "airflow" in knobs else self.inputs.dry_air * self.inputs.outside_volume

    def _inlet(self, knobs: dict[str, Array], rise: Array) -> Array:
        """Air that enters the bed: as warm as the heater, or the fan where that is warmer, makes it."""
        i = self.inputs
        from_fan = i.outside_temperature + rise
        return np.maximum(from_fan, knobs.get("inlet_air_temperature", i.inlet_air_temperature))

    def _heat(self, knobs: dict[str, Array], rise: Array) -> Array:
        """What a heater gives to the air that enters, beyond what the fan does."""
        i = self.inputs
        warmed = air.enthalpy(self._inlet(knobs, rise), i.humidity_ratio)
        warmed = warmed - air.enthalpy(i.outside_temperature + rise, i.humidity_ratio)
        return np.asarray(self._airflow(knobs) / i.outside_volume * warmed) + self._steam(knobs)

    def _steam(self, knobs: dict[str, Array]) -> Array | float:
        """Heat of the conditioner's steam, where that may be set."""
        if self.conditioner is None or not KEYS.keys() & knobs.keys():
            return 0.0
        return self.conditioner.heat(knobs) * self.inputs.throughput * (1 - self.inputs.moisture_wb)

    def _cost(
        self, knobs: dict[str, Array], outcome: Outcome, power: Array, heat: Array
    ) -> tuple[Cost, Array]:
        """Costs, and their sum with weight above the target counted as gained."""
        i, prices = self.inputs, self.case.costs
        solid = knobs.get(THROUGHPUT, i.throughput) * (1 - knobs.get("feed_moisture", i.moisture_wb))
        lost = given_away(self.case, solid, outcome.moisture)
        cost = cost_of(prices, i.throughput, electricity=power, heat=heat, given_away=lost)
        kept = cost_of(prices, i.throughput, electricity=0.0, heat=0.0, given_away=-lost)
        return cost, cost.total - kept.overdried_feed


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


def with_settings(inputs: Inputs, knobs: dict[str, Array]) -> Inputs:
    """Set the knobs of inputs."""
    changed: dict[str, Any] = {}
    if "feed_moisture" in knobs or "feed_temperature" in knobs:
        M = knobs.get("feed_moisture", inputs.moisture_wb)
        T = knobs.get("feed_temperature", inputs.feed_temperature)
        X, T_in = pellet.flash(inputs.isotherm, inputs.specific_heat, M / (1 - M), T, inputs.pressure)
        changed |= {
            "moisture_wb": M,
            "feed_temperature": T,
            "flashed_moisture": X,
            "flashed_temperature": T_in,
        }
        changed["throughput"] = knobs.get(THROUGHPUT, inputs.throughput)
        changed["dry_solid"] = changed["throughput"] * (1 - M)
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


def measured(case: Case, state: Weighed, name: str) -> Array:
    """The number that a constraint bounds, by the name of its quantity, at each state."""
    o = state.outcome
    if name == "above_ambient":
        return np.asarray(o.temperature - spread(case.air.temperature, len(o.temperature)))
    if name == SWEATING:
        return np.asarray(headspace_dew_point(case, o.moisture, o.even_temperature))
    if name in ("fan_speed", "bed_depth"):
        return np.asarray(getattr(state.settings, name))
    if name == "running_cost":
        return np.asarray(state.cost.electricity + state.cost.heat)
    own = {"exhaust_relative_humidity": "exhaust_humidity", "fan_curve": "off_curve", "cost": "signed_cost"}
    if name in own:
        return np.asarray(getattr(state, own[name]))
    return np.asarray(getattr(o, {"bed_pressure_drop": "pressure_drop"}.get(name, name)))


def excesses(case: Case, state: Weighed, constraints: Sequence[Constraint]) -> Array:
    """How far each constraint is broken, in its scale, (constraints, N); ≤ 0 where kept."""
    count = len(state.power)
    values = {c.key: measured(case, state, c.quantity.name) for c in constraints}
    along = [
        dataclasses.replace(c, bound=spread(c.bound, count), scale=spread(c.scale, count))
        if np.ndim(c.bound) or np.ndim(c.scale)
        else c
        for c in constraints
    ]
    return violations(along, values) if along else np.zeros((0, count))
