"""A cooler with its knobs: what can be set, what each setting gives, what it costs, what it must not exceed.

Settings are tried by the thousand: `try_settings` takes arrays of airflow, bed depth and inlet-air
temperature (and of feed moisture and temperature, for what-if questions) and answers in arrays.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.equipment import duct, fan, operating_point
from coolsim.equipment.duct import AirState
from coolsim.errors import Fault, InputError
from coolsim.fields import Array, documented
from coolsim.inputs import Inputs, gather
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.physics import air, pellet
from coolsim.predict import predict_inputs
from coolsim.result import Result

J_PER_KWH = 3.6e6
KNOBS = ("airflow", "bed_depth", "inlet_air_temperature")
FEED_KNOBS = ("feed_moisture", "feed_temperature")


@dataclass(frozen=True)
class Settings:
    """What an operator dials in. Numbers, or arrays with one entry per state tried."""

    airflow: Any = documented(
        "m³/s", "air through the bed, as volume of outside air", json="airflow_m3_h", factor=3600.0
    )
    fan_speed: Any = documented("-", "share of the fan's full speed (nan without a fan)")
    bed_depth: Any = documented("m", "depth of the bed", json="bed_depth_m")
    residence_time: Any = documented("s", "time a pellet spends in the bed", json="residence_time_s")
    inlet_air_temperature: Any = documented("°C", "air that enters the bed", json="inlet_air_temperature_C")


@dataclass(frozen=True)
class Cost:
    """Cost per hour, and per tonne of wet feed; in the scenario's currency."""

    electricity: Any = documented("1/h", "fan")
    heat: Any = documented("1/h", "heating the inlet air")
    overdried_feed: Any = documented("1/h", "saleable weight lost by drying below the target moisture")
    total: Any = documented("1/h", "all of these")
    per_tonne: Any = documented("1/t", "all of these, per tonne of wet feed")


@dataclass(frozen=True)
class Tried:
    """States tried: settings, what they give, what they cost."""

    settings: Settings
    result: Result
    cost: Cost
    power: Array  # electric, W
    fan_status: Array  # operating_point.Status, 0 without a fan


@dataclass(frozen=True)
class Limit:
    """One wish or limit: the name an operator knows it by, its bound, and the sign that breaks it."""

    name: str
    bound: float
    sign: float  # +1: must not exceed; −1: must not fall below
    scale: float  # a difference that counts as large, to compare violations of different kinds
    wish: bool  # of the target, not of the machine


def try_settings(case: Case, knobs: dict[str, Array], resolution: Resolution) -> Tried:
    """Try states of a case; `knobs` maps names of KNOBS or FEED_KNOBS to arrays (N,); the rest stays."""
    count = len(next(iter(knobs.values())))
    inputs = _dialled(case, take(gather([case]), np.zeros(count, np.intp)), knobs)
    result = predict_inputs(inputs, resolution)
    airflow = inputs.dry_air * inputs.outside_volume
    speed, power, status = _fan(case, inputs, result)
    settings = Settings(
        airflow, speed, inputs.bed_depth, result.bed.residence_time, inputs.inlet_air_temperature
    )
    return Tried(settings, result, _cost(case, inputs, result, power), power, status)


def _dialled(case: Case, inputs: Inputs, knobs: dict[str, Array]) -> Inputs:
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


def _fan(case: Case, inputs: Inputs, result: Result) -> tuple[Array, Array, Array]:
    """Speed (nan without a fan), electric power [W] and status of the fan at each state."""
    machine, path = fan.fan_of(case.tables), duct.duct_of(case.tables)
    position = machine.position if machine else "draw-through"
    airflow = inputs.dry_air * inputs.outside_volume
    asked = duct.demand(
        path,
        position,
        airflow,
        result.bed.pressure_drop,
        AirState(inputs.outside_temperature, inputs.humidity_ratio),
        AirState(result.air_out.temperature, result.air_out.humidity_ratio),
        inputs.pressure,
    )
    if machine is None:
        power = asked.flow * asked.pressure / (fan.ASSUMED_EFFICIENCY * fan.ASSUMED_MOTOR_EFFICIENCY)
        return np.full(len(airflow), np.nan), power, np.zeros(len(airflow))
    found = operating_point.speed_for(machine, asked.flow, asked.pressure, asked.density)
    return found.speed, fan.electric_power(machine, asked.flow, found.speed, asked.density), found.status


def _cost(case: Case, inputs: Inputs, result: Result, power: Array) -> Cost:
    prices, target = case.tables["costs"], case.tables["target"]["moisture"]
    warmed = air.enthalpy(inputs.inlet_air_temperature, inputs.humidity_ratio)
    warmed = warmed - air.enthalpy(inputs.outside_temperature, inputs.humidity_ratio)
    electricity = 3600.0 * power * prices.get("electricity", 0.0)
    heat = 3600.0 * inputs.dry_air * warmed * prices.get("heat", 0.0)
    at_target = inputs.dry_solid / (1 - target)
    lost = 3600.0 * np.maximum(at_target - result.pellets_out.mass_flow, 0.0) * prices.get("feed", 0.0)
    total = electricity + heat + lost
    return Cost(electricity, heat, lost, total, total / (3.6 * inputs.throughput))


# ---- Wishes and limits --------------------------------------------------------------------------------


def limits_of(case: Case) -> list[Limit]:
    """Everything a state must respect, from [target] and [limits]."""
    target, limits = case.tables["target"], case.tables.get("limits", {})
    found = []

    def add(name: str, bound: float | None, scale: float, wish: bool = False, sign: float = 1.0) -> None:
        if bound is not None:
            found.append(Limit(name, bound, sign, scale, wish))

    tolerance = target.get("tolerance")
    add("moisture", target["moisture"] + (tolerance or 0.0), 0.01, wish=True)
    add("moisture, lowest", target["moisture"] - tolerance if tolerance else None, 0.01, True, -1.0)
    add("above ambient", target.get("maximum_above_ambient"), 5.0, wish=True)
    add("water activity", target.get("maximum_water_activity"), 0.05, wish=True)
    add("exhaust relative humidity", limits.get("maximum_exhaust_relative_humidity"), 0.1)
    add("lift-off", limits.get("maximum_lift_off"), 0.2)
    add("bed pressure drop", limits.get("maximum_bed_pressure_drop"), 500.0)
    speed = limits.get("fan_speed")
    if speed:
        add("fan speed, lowest", speed[0], 0.1, sign=-1.0)
        add("fan speed, highest", speed[1], 0.1)
    elif "fan" in case.tables and fan.fan_of(case.tables) is not None:
        add("fan speed, highest", 1.0, 0.1)
    return found


def measured(case: Case, tried: Tried, limit: Limit) -> Array:
    """The number that a limit bounds, at each state."""
    r = tried.result
    values = {
        "moisture": r.pellets_out.moisture_wb,
        "above ambient": r.pellets_out.temperature - case.air.temperature,
        "water activity": r.after_equalising.water_activity,
        "exhaust relative humidity": r.air_out.relative_humidity,
        "lift-off": r.bed.lift_off,
        "bed pressure drop": r.bed.pressure_drop,
        "fan speed": tried.settings.fan_speed,
    }
    return values[limit.name.split(",")[0]]


def excesses(case: Case, tried: Tried, limits: list[Limit]) -> Array:
    """How far each limit is broken, in its scale, (limits, N); ≤ 0 where kept. A fan off its curve breaks all."""
    rows = [limit.sign * (measured(case, tried, limit) - limit.bound) / limit.scale for limit in limits]
    table = np.array(rows) if rows else np.zeros((0, len(tried.power)))
    return np.where(np.isnan(table), 10.0, table)


def knob_range(case: Case) -> dict[str, tuple[float, float]]:
    """Ranges of the knobs that [limits] opens: airflow, bed depth, inlet-air temperature."""
    limits = case.tables.get("limits", {})
    ranges = {}
    if "airflow" in limits:
        ranges["airflow"] = tuple(limits["airflow"])
    elif "fan_speed" in limits:
        machine = fan.fan_of(case.tables)
        if machine is None:
            raise InputError(
                [Fault("", "limits.fan_speed", "no [fan] table", "give the fan's curve or rated point")]
            )
        top = max(machine.flow) * limits["fan_speed"][1]
        ranges["airflow"] = (0.02 * top, top)
    if "bed_depth" in limits:
        ranges["bed_depth"] = tuple(limits["bed_depth"])
    elif "residence_time" in limits:
        per_second = case.feed.throughput / (case.feed.bulk_density * case.cooler.floor_area)
        ranges["bed_depth"] = tuple(per_second * t for t in limits["residence_time"])
    if "inlet_air_temperature" in limits:
        low, high = limits["inlet_air_temperature"]
        ranges["inlet_air_temperature"] = (
            max(low, float(case.air.temperature)),
            max(high, float(case.air.temperature)),
        )
    return {name: pair for name, pair in ranges.items() if pair[1] > pair[0]}
