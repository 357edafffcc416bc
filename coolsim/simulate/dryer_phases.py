"""Dryers as the model takes them: a batch is a phase, or two where it is cooled; a belt has one for each zone."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.machine import Batch, Belt, Cooler
from coolsim.case.streams import Air
from coolsim.model.dryer import Supply
from coolsim.model.drying import Pellet, Phase
from coolsim.model.march import Programme
from coolsim.physics import air, pellet
from coolsim.simulate.inputs import Inputs, gather, unevenness
from coolsim.support.fields import Array

COUNTER_FLOW = "counter-flow"
ASSUMED_FAN = 0.55  # air power per electric power where [fan] says nothing; common practice, no source
SHORTEST_COOLING = 1e-3  # s; less moves no digit, and what it changes drowns in rounding


def kind(case: Case) -> str:
    """Cases of one kind can stand side by side in one solve."""
    cooler = case.cooler
    if cooler.arrangement == COUNTER_FLOW:
        return COUNTER_FLOW
    detail = (
        str(len(cooler.zones)) if isinstance(cooler, Belt) else cooler.mixing + cooled(cooler) * " cooled"
    )
    return f"{cooler.arrangement} {detail} {case.material.isotherm.equation}{unevenness(cooler)}"


def by_kind(cases: Sequence[Case]) -> list[NDArray[np.intp]]:
    """Which cases are of one kind, and so can be solved side by side."""
    kinds = np.array([kind(case) for case in cases])
    return [np.flatnonzero(kinds == one) for one in np.unique(kinds)]


def cooled(cooler: Cooler | Batch | Belt) -> bool:
    """Whether a batch ends with a phase in which it is cooled."""
    return isinstance(cooler, Batch) and cooler.cooling_time >= SHORTEST_COOLING


def gathered(cases: Sequence[Case], weather: Air | None = None) -> Inputs:
    """Dryers of one kind laid side by side."""
    return gather([dataclasses.replace(c, cooler=as_cooler(c)) for c in cases], weather)


def phases_and_pellets(cases: Sequence[Case], inputs: Inputs) -> tuple[tuple[Phase, ...], Pellet, Array]:
    """Phases, pellets and efficiency of the fans of dryers of one kind, of inputs as gathered."""
    shape = pellet.shape_exponent(
        column(cases, inputs, lambda c: c.feed.diameter), column(cases, inputs, lambda c: c.feed.length)
    )
    pellets = Pellet(
        shape,
        column(cases, inputs, lambda c: c.cooler.shrinkage),
        getattr(cases[0].cooler, "mixing", "none") == "continuous",
    )
    return phases_of(cases, inputs), pellets, column(cases, inputs, fan_efficiency)


def as_cooler(case: Case) -> Cooler:
    """The bed of a dryer in the form in which cases are laid side by side."""
    c = case.cooler
    uneven = {
        name: getattr(c, name)
        for name in ("depth_deviation", "depth_deviation_length", "speed_deviation")
        if hasattr(c, name)
    }
    if isinstance(c, Batch):
        return Cooler(c.floor_area, c.bed_depth, airflow=c.airflow, **uneven)
    length = sum(zone.length for zone in c.zones)
    airflow = sum(zone.airflow for zone in c.zones)
    return Cooler(c.belt_width * length, c.bed_depth, airflow=airflow, **uneven)


def column(cases: Sequence[Case], inputs: Inputs, get: Callable[[Case], Any]) -> Array:
    """One number per case; None becomes nan."""
    return np.ascontiguousarray(
        np.broadcast_to(np.array([get(c) for c in cases], float), inputs.radius.shape)
    )


def fan_efficiency(case: Case) -> float:
    fan = case.fan
    if fan.efficiency is not None:
        return float(fan.efficiency * (fan.motor_efficiency or 1.0))
    return ASSUMED_FAN


def dwells(belt: Belt, throughput: Array, bulk_density: Array) -> list[Array]:
    """Time that pellets spend in each zone [s]."""
    speed = throughput / (bulk_density * belt.belt_width * belt.bed_depth)
    return [zone.length / speed for zone in belt.zones]


def phases_of(cases: Sequence[Case], inputs: Inputs) -> tuple[Phase, ...]:
    first_cooler = cases[0].cooler
    if isinstance(first_cooler, Batch):
        batch = _batch_phase(cases, inputs)
        return (batch, _cooling_phase(cases, inputs, batch)) if cooled(first_cooler) else (batch,)
    return tuple(_zone_phase(cases, inputs, k) for k in range(len(first_cooler.zones)))


def _fresh(inputs: Inputs) -> tuple[Array, Array]:
    return inputs.humidity_ratio, air.enthalpy(inputs.outside_temperature, inputs.humidity_ratio)


def _batch_phase(cases: Sequence[Case], inputs: Inputs) -> Phase:
    def numbers(name: str) -> Array:
        return column(cases, inputs, lambda c: getattr(c.cooler, name))

    flux = numbers("airflow") / inputs.outside_volume / inputs.floor_area
    aim, power = numbers("inlet_air_temperature"), numbers("heater_power")
    # Where pellets are turned all the time, every side of the bed is alike.
    every = column(cases, inputs, lambda c: c.cooler.reverse_every if c.cooler.mixing == "none" else None)
    most = np.where(np.isnan(power), np.inf, power / (flux * inputs.floor_area))
    supply = Supply(*_fresh(inputs), np.where(np.isnan(aim), np.inf, aim), most, numbers("recirculation"))
    down = column(cases, inputs, lambda c: c.cooler.air_direction == "down") > 0
    return Phase(flux, supply, Programme(numbers("duration"), np.where(np.isnan(every), np.inf, every), down))


def _cooling_phase(cases: Sequence[Case], inputs: Inputs, batch: Phase) -> Phase:
    """As much air as before, unheated and once through; it changes sides as it did, from the first side on."""
    off = np.full_like(batch.air_flux, -np.inf)
    supply = Supply(*_fresh(inputs), off, np.zeros_like(off), np.zeros_like(off))
    seconds = column(cases, inputs, lambda c: c.cooler.cooling_time)
    return Phase(batch.air_flux, supply, dataclasses.replace(batch.programme, duration=seconds), cooling=True)


def _zone_phase(cases: Sequence[Case], inputs: Inputs, k: int) -> Phase:
    def numbers(name: str) -> Array:
        return column(cases, inputs, lambda c: getattr(c.cooler.zones[k], name))

    width = column(cases, inputs, lambda c: c.cooler.belt_width)
    flux = numbers("airflow") / inputs.outside_volume / (width * numbers("length"))
    aim = numbers("inlet_air_temperature")
    supply = Supply(
        *_fresh(inputs),
        np.where(np.isnan(aim), -np.inf, aim),
        np.full_like(aim, np.inf),
        numbers("recirculation"),
    )
    speed = inputs.throughput / (inputs.bulk_density * width * inputs.bed_depth)
    down = column(cases, inputs, lambda c: c.cooler.zones[k].air_direction == "down") > 0
    return Phase(flux, supply, Programme(numbers("length") / speed, np.full_like(aim, np.inf), down))
