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
from laws.exact import (
    ISOTHERMAL,
    SEALED,
    bed,
    constant_heat_transfer,
    counter_flow_sphere,
    linear_law,
    run,
    with_time,
)

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.model import counterflow as cf
from coolsim.model.counterflow import pose
from coolsim.model.sensitivity import moved_either_way, residual_change
from coolsim.model.solve import Solution
from coolsim.model.surface import Laws
from coolsim.physics import air, sorption
from coolsim.simulate.inputs import Inputs, bed_of, gather
from coolsim.simulate.prediction import solved
from coolsim.simulate.result_building import through_the_bed
from coolsim.studies.sensitivity import STEP
from coolsim.studies.sensitivity_answer import INPUTS, Slopes

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
    for _ in range(3):
        state, size = cf.newton_step(problem, state)
    # (a step of 1e-9 is the condition of J, up to 1e8, times rounding; outlets are conserved and far better)
    assert (size < 1e-8).all()
    out, laws, b = cf.outlet(problem, state), problem.laws, problem.bed
    X, Y = out.moisture, out.humidity_ratio
    even = laws.pellet_temperature(b, X, out.enthalpy, b.bound_water(X)[0])
    T_air = air.temperature_from_enthalpy(out.air_enthalpy, Y)
    drop, lift, _ = through_the_bed(problem, state)
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


def differences(cases: list[Case], solutions: list[Solution], name: str) -> dict[str, np.ndarray]:
    """Central differences of every output by one input, from coolers solved again: (cases,)."""
    found = {output: np.empty(len(cases)) for output in OUTPUTS}
    for s in solutions:
        some = [cases[i] for i in s.index]
        steps = SMALL * np.array([range_of(c, name) for c in some])
        high, low = (solved_again(s, with_change(some, name, sign * steps)) for sign in (1, -1))
        for output in OUTPUTS:
            found[output][s.index] = (high[output] - low[output]) / (2 * steps)
    return found


@cache
def hundred() -> list[tuple[list[Case], list[Solution], Any]]:
    """Random coolers of every form of isotherm: form by form, cases, solutions and sensitivities."""
    cases = sample(100, seed=2024)
    forms = sorted({c.material.isotherm.equation for c in cases})
    groups = [[c for c in cases if c.material.isotherm.equation == form] for form in forms]
    return [(some, solved(gather(some), False)[1], coolsim.sensitivities(some)) for some in groups]


def errors(cases: list[Case], got: Any, name: str, expected: dict[str, np.ndarray]) -> dict[str, Any]:
    """Deviation of each slope, as a share of the larger of the slope and its scale: (cases,) per output."""
    ranges = np.array([range_of(c, name) for c in cases])
    bed_, found = got.result.bed, {}
    own = {"pressure_drop": bed_.pressure_drop, "lift_off": bed_.lift_off}
    for output, value in expected.items():
        scale = np.abs(own[output] if output in own else NOTABLE[output]) / ranges
        off = getattr(getattr(got, name), output) - value
        found[output] = np.abs(off) / np.maximum(np.abs(value), scale)
    return found


@pytest.mark.thorough
@pytest.mark.parametrize("name", INPUTS)
def test_hundred_coolers_solved_again(name: str) -> None:
    """Each slope within 1e-5 of the larger of itself and its scale; seen: 3e-7, most below 1e-8."""
    groups = hundred()
    assert sum(len(cases) for cases, _, _ in groups) == 100 and len(groups) == 6
    for cases, solutions, got in groups:
        for output, e in errors(cases, got, name, differences(cases, solutions, name)).items():
            assert e.max() < 1e-5, (output, cases[int(e.argmax())], e.max())


BOILING = [
    pig(feed__temperature=112.0),
    pig(feed__temperature=99.0, air__pressure=82e3, cooler__inlet_air_temperature=50.0),
    pig(feed__temperature=125.0, feed__moisture=0.2, diffusivity__moisture_slope=4.0),
]


@pytest.mark.thorough
@pytest.mark.parametrize("name", INPUTS)
def test_feed_that_flashes(name: str) -> None:
    """The flash at the die follows every input that it depends on: feed, pressure, isotherm, specific heat."""
    got = coolsim.sensitivities(BOILING)
    assert (got.result.feed_in.flash_loss_wb > 0.001).all()
    expected = differences(BOILING, solved(gather(BOILING), False)[1], name)
    for output, e in errors(BOILING, got, name, expected).items():
        assert e.max() < 1e-5, (output, e)


# ---- How exact the difference of residuals is ---------------------------------------------------------

BED_NUMBERS = ("radius", "conductivity", "specific_heat", "solid_density", "void_fraction", "solid_flux",
    "air_flux", "depth", "pressure", "feed_moisture_db", "feed_temperature", "inlet_air_temperature",
    "inlet_humidity_ratio")  # fmt: skip


@pytest.mark.thorough
@pytest.mark.parametrize("number", BED_NUMBERS)
def test_difference_of_residuals(number: str) -> None:
    """∂R at the package's step in double precision, within 1e-8 of a fourth-order one in extended precision.

    Extended precision has 64 bits where double has 53: its rounding over the step is 2000 times smaller.
    """
    cases = sample(12, seed=31, equation="modified-chung-pfost")
    for s in solved(gather(cases), False)[1]:
        b, state = s.problem.bed, s.state
        size = {"pressure": b.pressure, "inlet_humidity_ratio": 0.01}.get(
            number, 10.0 if number.endswith("temperature") else getattr(b, number)
        )

        def residuals(
            kind: Any, step: float, b: Any = b, state: Any = state, s: Any = s, size: Any = size
        ) -> Any:
            def exactly(data: Any) -> Any:
                if isinstance(data, np.ndarray):
                    return data.astype(kind) if data.dtype == float else data
                if dataclasses.is_dataclass(data):
                    parts = {f.name: exactly(getattr(data, f.name)) for f in dataclasses.fields(data)}
                    return dataclasses.replace(data, **parts)  # type: ignore[type-var]
                return tuple(map(exactly, data)) if isinstance(data, tuple) else data

            moved = exactly(b)
            moved = dataclasses.replace(moved, **{number: getattr(moved, number) + kind(step) * size})
            return pose(moved, exactly(s.problem.shells), exactly(s.problem.z), s.problem.laws), exactly(
                state
            )

        def slope(kind: Any, step: float, residuals: Any = residuals) -> list[np.ndarray]:
            (above, at), (below, _) = residuals(kind, step), residuals(kind, -step)
            return [change / kind(step) for change in residual_change(above, below, at)]

        got = slope(np.float64, STEP)
        wide, narrow = slope(np.longdouble, 2e-4), slope(np.longdouble, 1e-4)
        exact = [(4 * n - w) / 3 for n, w in zip(narrow, wide)]
        axes = ((0, 1, 2), (0, 2))  # each equation of each case against its own largest entry
        for g, e, axis in zip(got, exact, axes):
            assert e.dtype == np.longdouble
            largest = np.abs(e).max(axis=axis, keepdims=True)
            assert (np.abs(g - e) <= 1e-8 * largest).all(), (np.abs(g - e) / largest).max()


# ---- Against exact solutions ----------------------------------------------------------------------------


def exit_slopes(s: Solution, number: str, step: float) -> tuple[float, float, float]:
    """(X̄, T, Y) of the exits by one number of a bed of one case, from the solver's factors."""
    b = s.problem.bed
    high, low = (dataclasses.replace(b, **{number: getattr(b, number) + d}) for d in (step, -step))
    found = []
    for problem, state in moved_either_way(s.problem, s.state, high, low):
        out = cf.outlet(problem, state)
        T = problem.laws.pellet_temperature(problem.bed, out.moisture, out.enthalpy, out.bound_heat)
        found.append(np.array([out.moisture[0], T[0], out.humidity_ratio[0]]))
    return tuple((found[0] - found[1]) / (2 * step))


@pytest.mark.parametrize("ratio", [0.3, 0.8])
@pytest.mark.parametrize("NTU", [0.5, 2.0, 5.0])
def test_exchanger_made_deeper(ratio: float, NTU: float) -> None:
    """Evaporation off: ε(N) = (1−e)/(1−C e), e = exp(−N(1−C)), so dε/dN = (1−C)² e/(1−C e)², by hand."""
    h, R, eps, Gs, c_d, X = 150.0, 2e-3, 0.42, 0.5, 1700.0, 0.2
    C_solid = Gs * (c_d + 4186.0 * X)
    Ga = ratio * C_solid / 1006.0
    depth = NTU * Ga * 1006.0 / (h * 3 * (1 - eps) / R)
    one = bed(
        radius=R, void_fraction=eps, solid_flux=Gs, specific_heat=c_d, feed_moisture_db=X, air_flux=Ga,
        depth=depth, conductivity=1e6, feed_temperature=80.0,
    )  # fmt: skip
    s = run(one, Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h)), cells=128).solution
    decay = np.exp(-NTU * (1 - ratio))
    per_NTU = (1 - ratio) ** 2 * decay / (1 - ratio * decay) ** 2
    dX, dT, dY = exit_slopes(s, "depth", 1e-5 * depth)
    # the scheme's own error: 1e-4 K in T (test_heat_exchange), and N/L times as much in its slope
    assert dT == pytest.approx(-60 * ratio * per_NTU * NTU / depth, abs=2e-4 * NTU / depth)
    # nothing evaporates: rounding of 128 cells, about 1e-13, over a step of 1e-5
    assert depth * dX == pytest.approx(0, abs=1e-7) and depth * dY == pytest.approx(0, abs=1e-7)


@pytest.mark.thorough
@pytest.mark.parametrize("Fo, E", [(0.05, 2.0), (0.1, 0.5), (0.15, 8.0)])
def test_exact_counter_flow_sphere(Fo: float, E: float) -> None:
    """Depth sets Fo alone and airflow E alone; the exact share (model.md §7.3) is differenced for its slope."""
    K, Gs, Y, R, D, X = 2.0, 0.5, 0.02, 2e-3, 1e-9, 0.2
    one = bed(
        D=D, radius=R, solid_density=900.0, feed_moisture_db=X, solid_flux=Gs, air_flux=E * Gs * K,
        inlet_humidity_ratio=Y,
    )  # fmt: skip
    one = with_time(one, Fo * R**2 / D)
    s = run(one, Laws(moisture=linear_law(Xs=1.0, Y=-K), **ISOTHERMAL), cells=64, shells=64).solution
    depth, Ga = float(one.depth[0]), float(one.air_flux[0])
    h = 1e-4
    by_Fo = (counter_flow_sphere(Fo * (1 + h), E) - counter_flow_sphere(Fo * (1 - h), E)) / (2 * h)
    by_E = (counter_flow_sphere(Fo, E * (1 + h)) - counter_flow_sphere(Fo, E * (1 - h))) / (2 * h)
    # 64 shells err by 5e-5 of the share (test_sphere), its slopes alike
    assert exit_slopes(s, "depth", 1e-5 * depth)[0] * depth == pytest.approx(-(X - K * Y) * by_Fo, abs=1e-5)
    assert exit_slopes(s, "air_flux", 1e-5 * Ga)[0] * Ga == pytest.approx(-(X - K * Y) * by_E, abs=1e-5)


def test_water_balances_in_every_slope() -> None:
    """Dry solid times −dX = dry air times dY, whatever moves (but the flows themselves and what is fed)."""
    case = pig()
    s, (Gs, Ga) = coolsim.sensitivities(case), (0.5 * (1 - 0.165), 0.5)
    X = float(s.result.pellets_out.moisture_db)
    for name in ("bed_depth", "inlet_air_temperature", "feed_temperature", "diffusivity", "isotherm_scale"):
        slopes = getattr(s, name)
        dX = slopes.moisture_wb * (1 + X) ** 2
        assert Gs * dX == pytest.approx(-Ga * slopes.exhaust_humidity_ratio, rel=1e-7)


# ---- Shapes, subsets, faults ----------------------------------------------------------------------------


def test_one_case_arrays_of_air_and_mixed_cases_agree() -> None:
    wheat = pig(isotherm__equation="modified-henderson", isotherm__constants=(2.3007e-5, 2.2857, 55.815))
    cases = [pig(), wheat, pig(air__temperature=12.0)]
    together = coolsim.sensitivities(cases)
    for i, case in enumerate(cases):
        alone = coolsim.sensitivities(case, by=["airflow", "feed_moisture"])
        assert isinstance(alone.airflow.moisture_wb, float) and alone.bed_depth is None
        for name in ("airflow", "feed_moisture"):
            for output in OUTPUTS:
                got, expected = (
                    getattr(getattr(together, name), output)[i],
                    getattr(getattr(alone, name), output),
                )
                assert got == pytest.approx(expected, rel=1e-6, abs=1e-12)
    weather = coolsim.sensitivities(pig(), by=["relative_humidity"], air=Air(np.array([31.0, 12.0]), 0.85))
    np.testing.assert_allclose(
        weather.relative_humidity.moisture_wb, together.relative_humidity.moisture_wb[[0, 2]], rtol=1e-6
    )
    assert alone.result.warnings == coolsim.predict(cases[-1]).warnings


def test_faults() -> None:
    with pytest.raises(ValueError, match="no input 'dwell'; there are: airflow, bed_depth"):
        coolsim.sensitivities(pig(), by=["dwell", "airflow"])
    with pytest.raises(ValueError, match="by what"):
        coolsim.sensitivities(pig(), by=[])
    with pytest.raises(TypeError, match="air replaces"):
        coolsim.sensitivities([pig()], air=Air(20.0, 0.5))
