"""Isotherms through points, and isotherms that mean nothing."""

from __future__ import annotations

import numpy as np
import pytest

from coolsim.physics import materials, sorption
from coolsim.physics.isotherm_checks import objection
from coolsim.physics.isotherm_fit import FEWEST, SorptionPoint, fit_isotherm
from coolsim.physics.sorption import Isotherm
from coolsim.validation.isotherms import pasta_points

KNOWN = {  # ASABE D245 (seen; rapeseed from memory): wheat by three equations, rapeseed
    "modified-henderson": (2.3007e-5, 2.2857, 55.815),
    "modified-chung-pfost": (610.34, 0.15526, 93.213),
    "modified-oswin": (13.101, -0.052626, 2.9987),
    "modified-halsey": (3.489, -0.010553, 1.86),
}


def points_of(isotherm: Isotherm, temperatures=(10.0, 25.0, 40.0), a_w=(0.2, 0.35, 0.5, 0.65, 0.8)):
    return [
        SorptionPoint(T, a, float(sorption.equilibrium_moisture(isotherm, a, T)))
        for T in temperatures
        for a in a_w
    ]


@pytest.mark.parametrize("name", KNOWN)
@pytest.mark.parametrize("fat", [0.0, 0.08])
def test_points_of_a_published_isotherm_give_its_equation_and_constants(name: str, fat: float) -> None:
    found = fit_isotherm(points_of(Isotherm(name, KNOWN[name], fat)), fat)
    assert found is not None and found.isotherm.equation == name and found.isotherm.fat == fat
    # the pull toward where it began is a thousandth of a constant
    np.testing.assert_allclose(found.isotherm.constants, KNOWN[name], rtol=2e-3)
    assert found.rms < 1e-5 and name not in found.others


def test_residuals_are_moisture_by_the_isotherm_less_measured() -> None:
    points = points_of(Isotherm("modified-oswin", KNOWN["modified-oswin"]))
    points[7] = SorptionPoint(points[7].temperature, points[7].water_activity, points[7].moisture + 0.01)
    found = fit_isotherm(points)
    assert found is not None and np.argmin(found.residuals) == 7
    by_hand = [
        float(sorption.equilibrium_moisture(found.isotherm, p.water_activity, p.temperature)) - p.moisture
        for p in points
    ]
    np.testing.assert_allclose(found.residuals, by_hand, atol=1e-12)
    assert found.rms == pytest.approx(np.sqrt(np.mean(np.square(by_hand))))
    assert -0.01 < found.residuals[7] < -0.007  # one of fifteen points hardly bends the curve


def test_the_66_points_are_met_at_least_as_well_as_by_the_default() -> None:
    X, a_w, T = pasta_points()
    found = fit_isotherm([SorptionPoint(*p) for p in zip(T, a_w, X)])
    assert found is not None and found.rms < 0.0061  # what those who fitted them got (seen)


def test_points_of_one_temperature_keep_what_they_do_not_tell() -> None:
    """At its own temperature the curve is that of the points; elsewhere it moves as a grain's does."""
    one = points_of(Isotherm("modified-chung-pfost", KNOWN["modified-chung-pfost"]), temperatures=(25.0,))
    found = fit_isotherm(one)
    assert found is not None and found.rms < 1e-4 and objection(found.isotherm) == ""
    cooler, warmer = (sorption.equilibrium_moisture(found.isotherm, 0.65, T) for T in (15.0, 35.0))
    assert 0 < cooler - warmer < 0.03


def test_points_that_no_equation_passes_near() -> None:
    falling = [SorptionPoint(25.0, a, 0.30 - 0.25 * a) for a in (0.2, 0.4, 0.6, 0.8, 0.9)]
    found = fit_isotherm(falling)
    assert found is None or found.rms > 0.03  # it says so: three points of scatter
    assert FEWEST > 3


# ---- Isotherms that mean nothing ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", materials.names())
def test_default_materials_mean_something(name: str) -> None:
    assert objection(materials.load_material(name).isotherm) == ""


@pytest.mark.parametrize(
    "equation, constants, words",
    [
        ("modified-henderson", (0.0, 1.86, 49.8), "never reaches 0.9"),
        ("modified-henderson", (8.65e-5, 1e6, 49.8), "leaps"),
        ("modified-henderson", (8.65e-5, -1.86, 49.8), "falls"),
        ("modified-chung-pfost", (0.0, 0.17, 30.2), "holds no water"),
        ("modified-chung-pfost", (312.0, -0.17, 30.2), "falls"),
        ("modified-oswin", (15.3, 1e6, 3.0), "never reaches 0.9"),
        ("modified-oswin", (15.3, -0.1, -3.0), "falls"),
        ("modified-oswin", (0.0, 0.0, 3.0), "no number"),
        ("modified-halsey", (2.87, -0.0054, 0.0), "never reaches 0.9"),
        ("gab", (0.0017, 1135.3, 2.8339e-8, 6545.8, 9.832, -238.49), "never reaches 0.9"),
        ("oswin-variable", (17.6, -0.1748, -0.182, -6e-3), "falls"),
    ],
)
def test_what_no_solid_does_is_told_in_words(equation: str, constants: tuple[float, ...], words: str) -> None:
    assert words in objection(Isotherm(equation, constants)) and "degC" in objection(
        Isotherm(equation, constants)
    )


@pytest.mark.parametrize("name", KNOWN)
def test_published_isotherms_mean_something(name: str) -> None:
    assert objection(Isotherm(name, KNOWN[name], 0.1, 1.1)) == ""
