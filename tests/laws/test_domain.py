"""The whole domain: no failure, everything finite, water and energy balanced, and errors as they are told.

Larger runs by environment: COOLSIM_LHS=10000 (cases that must not fail; minutes),
COOLSIM_CONVERGED=200 (cases solved again on four times the mesh; minutes).
"""

from __future__ import annotations

import dataclasses
import os
from typing import Any

import numpy as np
import pytest
from laws.domain import RANGES, SORPTION_SETS, pig, sample

from coolsim import Case, predict
from coolsim.model.solve import Resolution

CASES = int(os.environ.get("COOLSIM_LHS", "500"))
COMPARED = int(os.environ.get("COOLSIM_CONVERGED", "100"))


def numbers(data: Any, path: str = "") -> dict[str, Any]:
    """Every number of a result by its path."""
    found = {}
    for f in dataclasses.fields(data):
        value = getattr(data, f.name)
        if f.name == "case":
            continue  # what was asked
        if dataclasses.is_dataclass(value):
            found |= numbers(value, f"{path}{f.name}.")
        elif isinstance(value, (float, np.ndarray)):
            found[path + f.name] = np.asarray(value)
    return found


# ---- The sampler itself ---------------------------------------------------------------------------------


def test_the_sample_is_the_same_every_time_and_covers_its_ranges():
    cases = sample(200, seed=1)
    assert cases == sample(200, seed=1)
    assert {c.material.isotherm.equation for c in cases} == set(SORPTION_SETS)
    low, high, _ = RANGES["diameter"]
    diameters = np.sort([c.feed.diameter for c in cases])
    # a hypercube has one sample in each of 200 equal parts
    np.testing.assert_array_equal(np.floor(200 * (diameters - low) / (high - low)), np.arange(200))
    assert 90 <= sum(c.cooler.inlet_air_temperature is not None for c in cases) <= 110
    assert 15 <= sum(c.material.diffusivity.moisture_slope != 0 for c in cases) <= 25
    assert all(0.2 * (1 - 1e-12) <= c.cooler.air_ratio <= 8 for c in cases)


# ---- It never fails -------------------------------------------------------------------------------------


def test_no_case_of_the_domain_fails():
    result = predict(sample(CASES, seed=1), profile=True)  # raises NotConverged if any fails
    for path, values in numbers(result).items():
        assert len(values) == CASES, path
        assert np.isfinite(values).all(), path
    accuracy = result.accuracy
    assert np.abs(accuracy.water_imbalance).max() < 1e-8
    assert np.abs(accuracy.energy_imbalance).max() < 1e-8
    assert (result.pellets_out.moisture_db > 0).all()
    assert (result.kept_profile.moisture > 0).all()


# Found by samples of this domain (2000 and 10 000 cases): D rises steeply with moisture, b > 10.
SOYBEAN = {
    "isotherm__equation": "modified-halsey",
    "isotherm__constants": SORPTION_SETS["modified-halsey"][0],
}
HARD: dict[str, dict[str, Any]] = {
    "small pellets under little hot air": {
        "isotherm__equation": "oswin-variable", "isotherm__constants": SORPTION_SETS["oswin-variable"][0],
        "isotherm__fat": 0.025, "diffusivity__value": 3.75e-9, "diffusivity__activation_energy": 34.3e3,
        "diffusivity__moisture_slope": 14.5, "diffusivity__at_moisture": 0.15, "material__specific_heat": 1990.0,
        "material__conductivity": 0.136, "feed__diameter": 1.45e-3, "feed__length": 2.25e-3,
        "feed__throughput": 1.96, "feed__temperature": 78.7, "feed__moisture": 0.231, "feed__bulk_density": 685.0,
        "feed__void_fraction": 0.455, "air__temperature": -12.3, "air__relative_humidity": 0.761,
        "air__pressure": 95e3, "cooler__bed_depth": 2.48, "cooler__air_ratio": 0.424,
        "cooler__inlet_air_temperature": 62.2,
    },
    "very wet feed, little cold air": SOYBEAN | {
        "isotherm__fat": 0.0153, "diffusivity__value": 1.45e-9, "diffusivity__activation_energy": 27.6e3,
        "diffusivity__moisture_slope": 10.6, "diffusivity__at_moisture": 0.15, "material__specific_heat": 1690.0,
        "material__conductivity": 0.22, "feed__diameter": 4.25e-3, "feed__length": 3.42e-3,
        "feed__throughput": 0.118, "feed__temperature": 51.7, "feed__moisture": 0.26, "feed__bulk_density": 387.0,
        "feed__void_fraction": 0.38, "air__temperature": 3.02, "air__relative_humidity": 0.583,
        "air__pressure": 70.8e3, "cooler__bed_depth": 1.84, "cooler__air_ratio": 0.363,
    },
    "thick pellets, hot wet feed": SOYBEAN | {
        "isotherm__fat": 0.0699, "diffusivity__value": 4.76e-9, "diffusivity__activation_energy": 30e3,
        "diffusivity__moisture_slope": 14.6, "diffusivity__at_moisture": 0.15, "material__specific_heat": 1560.0,
        "material__conductivity": 0.292, "feed__diameter": 10.7e-3, "feed__length": 33e-3,
        "feed__throughput": 0.0733, "feed__temperature": 91.5, "feed__moisture": 0.264, "feed__bulk_density": 439.0,
        "feed__void_fraction": 0.476, "air__temperature": 1.02, "air__relative_humidity": 0.28,
        "air__pressure": 86.3e3, "cooler__bed_depth": 0.987, "cooler__air_ratio": 0.311,
    },
    "rapeseed, five hours in much air of 99 °C": {
        "isotherm__equation": "modified-halsey", "isotherm__constants": SORPTION_SETS["modified-halsey"][1],
        "isotherm__fat": 0.048770, "diffusivity__value": 7.39770e-11, "diffusivity__activation_energy": 23218.5,
        "material__specific_heat": 1579.75, "material__conductivity": 0.292266, "feed__diameter": 2.38865e-3,
        "feed__length": 2.99301e-3, "feed__throughput": 0.0566614, "feed__temperature": 64.1913,
        "feed__moisture": 0.232266, "feed__bulk_density": 551.999, "feed__void_fraction": 0.390888,
        "air__temperature": 39.7548, "air__relative_humidity": 0.641203, "air__pressure": 73642.9,
        "cooler__bed_depth": 2.20031, "cooler__air_ratio": 6.22088, "cooler__inlet_air_temperature": 98.9453,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", HARD)
def test_hard_case(name):
    result = predict(pig(**HARD[name]))
    assert abs(result.accuracy.water_imbalance) < 1e-8


# ---- The answer is converged, and knows how far it may be off -------------------------------------------


MOST_ERROR = {"moisture": 1e-4, "temperature": 0.05}  # kg/kg wet, K
FINE = Resolution(64, 48)  # four times the default's cells and shells


def errors(cases: list[Case]) -> dict[str, tuple[Any, Any]]:
    """True and estimated error of the default's exit moisture and temperature."""
    answer, exact = predict(cases), predict(cases, resolution=FINE)
    out, right, told = answer.pellets_out, exact.pellets_out, answer.accuracy
    return {
        "moisture": (np.abs(out.moisture_wb - right.moisture_wb), told.moisture_error_wb),
        "temperature": (np.abs(out.temperature - right.temperature), told.temperature_error),
    }


@pytest.mark.thorough
def test_default_resolution_is_converged_and_the_error_estimate_is_honest():
    """Cases whose D rises more than e^10 per kg/kg are left to the next test and to HARD."""
    cases = [c for c in sample(COMPARED, seed=3) if c.material.diffusivity.moisture_slope <= 10]
    assert len(cases) > 0.95 * COMPARED
    for name, (true, told) in errors(cases).items():
        assert true.max() <= MOST_ERROR[name], (name, true.argmax(), true.max())
        assert np.mean(told >= true) >= 0.95, name
        assert np.median(told) <= 5 * np.median(true), name


@pytest.mark.xfail(
    raises=AssertionError, strict=True, reason="0.13 K off, told half: the dry skin is too thin"
)
def test_converged_where_diffusivity_rises_steeply_with_moisture():
    """Dry feed of 80 °C meets air of −19 °C in 8 cm; found by the sample above (100 cases, seed 3)."""
    case = pig(
        isotherm__equation="oswin-variable", isotherm__constants=SORPTION_SETS["oswin-variable"][0],
        isotherm__fat=0.0334, diffusivity__value=1.5e-10, diffusivity__activation_energy=31.5e3,
        diffusivity__moisture_slope=10.9, diffusivity__at_moisture=0.15, feed__diameter=6.14e-3,
        feed__length=22.5e-3, feed__throughput=2.22, feed__temperature=80.1, feed__moisture=0.0947,
        feed__bulk_density=631.0, feed__void_fraction=0.376, air__temperature=-19.4,
        air__relative_humidity=0.573, air__pressure=75_060.0, cooler__bed_depth=0.0834, cooler__air_ratio=0.897,
    )  # fmt: skip
    for name, (true, _) in errors([case]).items():
        assert true[0] <= MOST_ERROR[name], (name, true[0])
