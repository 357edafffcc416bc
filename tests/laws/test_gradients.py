"""Sensitivities from the solver's factors against the outlets of coolers solved again with the input changed.

Every comparison keeps the mesh: a finer or another mesh moves the outlets by more than a small step does.
"""

from __future__ import annotations

import dataclasses
from functools import cache
from typing import Any

import numpy as np
import pytest
from laws.domain import changed, pig, sample
from laws.exact import SEALED, bed, constant_heat_transfer, run

import coolsim
from coolsim.answer import through_the_bed
from coolsim.case import Air, Case
from coolsim.inputs import Inputs, bed_of, gather
from coolsim.model import counterflow as cf
from coolsim.model.bed import take
from coolsim.model.counterflow import Problem, pose
from coolsim.model.sensitivity import moved_either_way, residual_change
from coolsim.model.solve import Solution
from coolsim.model.surface import Laws
from coolsim.physics import air, sorption
from coolsim.predict import by_form, solved
from coolsim.studies.sensitivity import INPUTS, STEP, Slopes

OUTPUTS = tuple(f.name for f in dataclasses.fields(Slopes))
# What counts as a change of each output that someone would look at. Pressure drop and lift-off span decades:
# there, all of the case's own.
NOTABLE = {
    "moisture_wb": 0.01, "temperature": 10.0, "water_activity": 0.1, "exhaust_temperature": 10.0,
    "exhaust_humidity_ratio": 0.01, "exhaust_relative_humidity": 0.1,
}  # fmt: skip
# The range in which each input lies in practice, absolute, or as a share of its own value. A slope's scale is the
# notable change over this range: below it the input does nothing to the output that anyone would see.
ABSOLUTE = {
    "inlet_air_temperature": 20.0, "ambient_temperature": 20.0, "feed_temperature": 20.0,
    "relative_humidity": 0.3, "feed_moisture": 0.03, "moisture_slope": 10.0, "pressure": 1e4,
}  # fmt: skip
PLACES = {
    "throughput": "feed__throughput", "bed_depth": "cooler__bed_depth", "floor_area": "cooler__floor_area",
    "ambient_temperature": "air__temperature", "relative_humidity": "air__relative_humidity",
    "pressure": "air__pressure", "feed_moisture": "feed__moisture", "feed_temperature": "feed__temperature",
    "diameter": "feed__diameter", "length": "feed__length", "bulk_density": "feed__bulk_density",
    "void_fraction": "feed__void_fraction", "specific_heat": "material__specific_heat",
    "conductivity": "material__conductivity", "diffusivity": "diffusivity__value",
    "activation_energy": "diffusivity__activation_energy", "moisture_slope": "diffusivity__moisture_slope",
    "isotherm_scale": "isotherm__scale",
}  # fmt: skip
SMALL = 1e-4  # of the range: with h² and the rounding of a solution over h both near 1e-8


def value_of(case: Case, name: str) -> float:
    if name == "airflow":
        inputs = gather([case])
        return float(inputs.dry_air[0] * inputs.outside_volume[0])
    parts = {"feed": case.feed, "air": case.air, "cooler": case.cooler, "material": case.material}
    parts |= {"diffusivity": case.material.diffusivity, "isotherm": case.material.isotherm}
    part, _, field = PLACES[name].partition("__")
    return getattr(parts[part], field)


def range_of(case: Case, name: str) -> float:
    return ABSOLUTE[name] if name in ABSOLUTE else value_of(case, name)


def with_change(cases: list[Case], name: str, steps: np.ndarray) -> Inputs:
    """Cases with one input changed, each by its own step, everything else as stated."""
    if name == "airflow":  # of outside air: so much more dry air
        inputs = gather(cases)
        return dataclasses.replace(inputs, dry_air=inputs.dry_air + steps / inputs.outside_volume)
    if name == "inlet_air_temperature":  # a heater cannot cool, but a slope has two sides
        inputs = gather(cases)
        return dataclasses.replace(inputs, inlet_air_temperature=inputs.inlet_air_temperature + steps)
    moved = [changed(c, **{PLACES[name]: value_of(c, name) + h}) for c, h in zip(cases, steps)]
    return gather(moved)


def solved_again(s: Solution, inputs: Inputs) -> dict[str, Any]:
    """Outlets of changed cases on the same nodes and shells, iterated until rounding is left."""
    problem = pose(bed_of(inputs), s.problem.shells, s.problem.z, s.problem.laws)
    state = s.state
    for _ in range(4):
        state, size = cf.newton_step(problem, state)
    # (a step of 1e-9 is the condition of J, up to 1e8, times rounding; outlets are conserved and far better)
    assert (size < 1e-8).all()
    out, laws, b = cf.outlet(problem, state), problem.laws, problem.bed
    X, Y = out.moisture, out.humidity_ratio
    even = laws.pellet_temperature(b, X, out.enthalpy, b.bound_water(X)[0])
    T_air = air.temperature_from_enthalpy(out.air_enthalpy, Y)
    drop, lift = through_the_bed(problem, state)
    return {
        "moisture_wb": X / (1 + X),
        "temperature": laws.pellet_temperature(b, X, out.enthalpy, out.bound_heat),
        "water_activity": sorption.water_activity(b.isotherm, X, even),
        "exhaust_temperature": T_air,
        "exhaust_humidity_ratio": Y,
        "exhaust_relative_humidity": air.relative_humidity(T_air, Y, b.pressure),
        "pressure_drop": drop,
        "lift_off": lift,
    }


def differences(cases: list[Case], name: str, part: float = SMALL) -> dict[str, np.ndarray]:
    """Central differences of every output by one input, from coolers solved again: (cases,)."""
    found = {output: np.empty(len(cases)) for output in OUTPUTS}
    for s in solved(gather(cases), False)[1]:
        some = [cases[i] for i in s.index]
        steps = part * np.array([range_of(c, name) for c in some])
        high, low = (solved_again(s, with_change(some, name, sign * steps)) for sign in (1, -1))
        for output in OUTPUTS:
            found[output][s.index] = (high[output] - low[output]) / (2 * steps)
    return found


@cache
def hundred() -> tuple[list[Case], Any]:
    """Random coolers of every isotherm, and their sensitivities from one call."""
    cases = sample(100, seed=2024)
    return cases, coolsim.sensitivities(cases)


def scales(cases: list[Case], result: Any, name: str, output: str) -> np.ndarray:
    ranges = np.array([range_of(c, name) for c in cases])
    own = {"pressure_drop": result.bed.pressure_drop, "lift_off": result.bed.lift_off}
    return (own[output] if output in own else NOTABLE[output]) / ranges


def largest_error(got: Any, expected: dict[str, np.ndarray], scale: Any) -> dict[str, np.ndarray]:
    """Largest deviation of each output, as a share of the larger of gradient and scale."""
    return {
        output: np.abs(getattr(got, output) - value) / np.maximum(np.abs(value), scale(output))
        for output, value in expected.items()
    }


@pytest.mark.parametrize("name", INPUTS)
def test_hundred_coolers_solved_again(name: str) -> None:
    """Each gradient within 1e-5 of the larger of itself and its scale."""
    cases, slopes = hundred()
    forms = by_form(cases, lambda some: Slopes(**differences(some, name)))
    error = largest_error(
        getattr(slopes, name),
        {output: getattr(forms, output) for output in OUTPUTS},
        lambda output: scales(cases, slopes.result, name, output),
    )
    for output, e in error.items():
        assert e.max() < 1e-5, (output, int(e.argmax()), e.max())
