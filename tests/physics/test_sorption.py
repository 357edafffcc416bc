"""Sorption: slopes, inverses, ends and joints of the six equations."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from laws.domain import SORPTION_SETS
from scipy.integrate import quad

from coolsim.physics import sorption
from coolsim.physics.sorption import Isotherm

SETS = {  # one set of constants for each equation; sources in tests/published/test_sorption.py
    "modified-henderson": (8.6541e-5, 1.8634, 49.810),
    "modified-chung-pfost": (312.3, 0.16958, 30.205),
    "modified-oswin": (15.303, -0.10184, 3.0358),
    "modified-halsey": (2.87, -0.0054, 1.38),
    "oswin-variable": (17.6, -0.1748, 0.182, 6.946e-3),
    "gab": (0.0017, 1135.3, 2.8339e-8, 6545.8, 1.8320, -238.49),
}
ISOTHERMS = [Isotherm(name, constants, fat=0.06, scale=1.02) for name, constants in SETS.items()]
STEP = 1e-30
HELD_BELOW = dict.fromkeys(SETS, 0.03) | {"gab": 0.10}  # dry, fat-free: below, the heat of desorption is held
each = pytest.mark.parametrize("isotherm", ISOTHERMS, ids=lambda i: i.equation)


def test_every_equation_is_tested():
    assert set(SETS) == set(SORPTION_SETS) == set(sorption.EQUATIONS)
    for name, constants in SETS.items():
        equation = sorption.EQUATIONS[name]
        assert len(equation.constants) == len(constants)
        assert equation.range_text and equation.fitted_temperature[1] <= equation.highest_temperature


@each
def test_slopes_by_complex_step(isotherm):
    X, T = np.linspace(0.01, 0.35, 30)[:, None], np.array([-15.0, 5.0, 40.0, 85.0])
    a_w, da_dX, da_dT = sorption.water_activity_and_slopes(isotherm, X, T)
    np.testing.assert_array_equal(a_w, sorption.water_activity(isotherm, X, T))
    by_X = sorption.water_activity(isotherm, X + 1j * STEP, T).imag / STEP
    by_T = sorption.water_activity(isotherm, X, T + 1j * STEP).imag / STEP
    # 1e-15 absolute: where a_w → 1 its slope is a difference of ones
    np.testing.assert_allclose(da_dX, by_X, rtol=1e-11, atol=1e-13)
    np.testing.assert_allclose(da_dT, by_T, rtol=1e-11, atol=1e-15)


@each
def test_slopes_by_central_differences(isotherm):
    X, T, step = np.linspace(0.02, 0.3, 15)[:, None], np.array([10.0, 60.0]), 1e-5
    _, da_dX, da_dT = sorption.water_activity_and_slopes(isotherm, X, T)
    a_w = lambda x, t: sorption.water_activity(isotherm, x, t)  # noqa: E731
    # second order: step² times a third derivative of up to 1e5 per X³, next to rounding 1e-16/step
    np.testing.assert_allclose(
        da_dX, (a_w(X + step, T) - a_w(X - step, T)) / (2 * step), rtol=1e-5, atol=1e-6
    )
    np.testing.assert_allclose(da_dT, (a_w(X, T + 1e-3) - a_w(X, T - 1e-3)) / 2e-3, rtol=1e-5, atol=1e-9)


@each
def test_finite_from_bone_dry_to_soaked_at_any_temperature(isotherm):
    X = np.concatenate([[0.0, 1e-300, 1e-12, 1e-6], np.linspace(1e-3, 1.0, 200)])[:, None]
    T = np.linspace(-60, 200, 53)
    a_w, da_dX, da_dT = sorption.water_activity_and_slopes(isotherm, X, T)  # warnings are errors
    assert np.isfinite(a_w).all() and np.isfinite(da_dX).all() and np.isfinite(da_dT).all()
    assert (a_w >= 0).all() and (da_dX >= 0).all() and (np.diff(a_w, axis=0) > -1e-15).all()
    assert (a_w[:2] < 1e-6).all()  # no water, no activity
    assert (a_w <= 1).all()
    assert np.isfinite(sorption.heat_of_desorption(isotherm, X)).all()
    assert np.isfinite(sorption.bound_water_heat(isotherm, X)).all()


@each
def test_temperature_is_held_beyond_the_ends(isotherm):
    low, high = sorption.held_temperatures(isotherm)
    assert high == (90.0 if isotherm.equation in ("oswin-variable", "gab") else 100.0)  # model page
    for end, beyond in ((high, 150.0), (low, -50.0)):
        a_w, _, da_dT = sorption.water_activity_and_slopes(isotherm, 0.1, beyond)
        assert da_dT == 0 and a_w == sorption.water_activity(isotherm, 0.1, end)


def test_a_small_constant_keeps_the_sum_positive():
    # T + C = −5 at −20 °C, were it not held where T + C = 10
    isotherm = Isotherm("modified-chung-pfost", (254.9, 0.29, 15.0))
    assert sorption.held_temperatures(isotherm)[0] == -5.0
    assert 0 < sorption.water_activity(isotherm, 0.2, -20.0) < 1


@each
@given(a_w=st.floats(1e-6, 0.97), T=st.floats(-25.0, 130.0))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_inverse_round_trip(isotherm, a_w, T):
    X = sorption.equilibrium_moisture(isotherm, a_w, T)
    assert X > 0
    # 1e-9: the steep low end of chung-pfost loses digits in the exponent
    assert sorption.water_activity(isotherm, X, T) == pytest.approx(a_w, rel=1e-9)


@each
def test_perfectly_dry_air_asks_for_no_moisture(isotherm):
    assert 0 <= sorption.equilibrium_moisture(isotherm, 0.0, 60.0) < 0.003


def test_fat_and_scale_are_factors_of_the_moisture():
    plain = Isotherm("modified-oswin", SETS["modified-oswin"])
    fatty = Isotherm("modified-oswin", SETS["modified-oswin"], fat=0.1, scale=1.05)
    X = sorption.equilibrium_moisture(plain, 0.6, 30.0)
    assert sorption.equilibrium_moisture(fatty, 0.6, 30.0) == pytest.approx(0.9 * 1.05 * X, rel=1e-14)
    assert sorption.water_activity(fatty, 0.9 * 1.05 * X, 30.0) == pytest.approx(0.6, rel=1e-13)


@each
def test_a_batch_of_constants_equals_one_case_at_a_time(isotherm):
    spread = np.array([0.97, 1.0, 1.03])
    batch = Isotherm(
        isotherm.equation,
        (isotherm.constants[0] * spread, *isotherm.constants[1:]),
        fat=np.array([0.0, 0.05, 0.1]),
        scale=spread,
    )
    X, T = np.linspace(0.0, 0.3, 20)[:, None] * np.ones(3), np.array([20.0, 60.0, 95.0])
    together = sorption.water_activity_and_slopes(batch, X, T)
    heat, bound = sorption.heat_of_desorption(batch, X), sorption.bound_water_heat(batch, X)
    for i in range(3):
        single = Isotherm(
            isotherm.equation,
            (isotherm.constants[0] * spread[i], *isotherm.constants[1:]),
            0.05 * i,
            spread[i],
        )
        for many, one in zip(together, sorption.water_activity_and_slopes(single, X[:, i], T[i])):
            np.testing.assert_allclose(many[:, i], one, rtol=1e-12, atol=1e-300)
        np.testing.assert_allclose(heat[:, i], sorption.heat_of_desorption(single, X[:, i]), rtol=1e-12)
        np.testing.assert_allclose(bound[:, i], sorption.bound_water_heat(single, X[:, i]), rtol=1e-12)


def test_chung_pfost_below_three_per_cent():
    A, B, C = SETS["modified-chung-pfost"]
    isotherm, T = Isotherm("modified-chung-pfost", (A, B, C)), 55.0
    # a_w(3) and n = 3 ∂ln a_w/∂M at 3, written out by hand
    at_3 = np.exp(-A / (T + C) * np.exp(-3 * B))
    n = 3 * A * B / (T + C) * np.exp(-3 * B)
    M = np.array([0.01, 0.5, 1.5, 2.999, 3.0])
    np.testing.assert_allclose(sorption.water_activity(isotherm, M / 100, T), at_3 * (M / 3) ** n, rtol=1e-12)
    edge = np.array([0.03 * (1 - 1e-12), 0.03 * (1 + 1e-12)])
    a_w, da_dX, da_dT = sorption.water_activity_and_slopes(isotherm, edge, T)
    for quantity in (a_w, da_dX, da_dT):  # equal value and slopes on both sides of the joint
        assert quantity[0] == pytest.approx(quantity[1], rel=1e-9)


@each
def test_heat_of_desorption_is_clausius_clapeyron(isotherm):
    # R_v = R/M_w = 8.314462618/0.018015268; ln a_w at 40 ± 0.01 °C: third order is 1e-9 of it
    X = np.linspace(0.04, 0.3, 14)
    X = X[HELD_BELOW[isotherm.equation] * (1 - 0.06) * 1.02 < X]
    ln = [np.log(sorption.water_activity(isotherm, X, 40.0 + d)) for d in (-0.01, 0.01)]
    expected = 8.314462618 / 0.018015268 * 313.15**2 * (ln[1] - ln[0]) / 0.02
    np.testing.assert_allclose(sorption.heat_of_desorption(isotherm, X), expected, rtol=1e-5, atol=10)


@each
def test_heat_of_desorption_follows_the_slopes_of_the_activity(isotherm):
    X = np.linspace(HELD_BELOW[isotherm.equation], 1.0, 40)
    a_w, _, da_dT = sorption.water_activity_and_slopes(isotherm, X, 40.0)
    expected = 8.314462618 / 0.018015268 * 313.15**2 * da_dT / a_w
    # 1e-9 J/kg: henderson's slope in soaked solid is a difference of ones
    np.testing.assert_allclose(sorption.heat_of_desorption(isotherm, X), expected, rtol=1e-10, atol=1e-6)


@each
def test_heat_of_desorption_is_held_in_dry_solid(isotherm):
    joint = HELD_BELOW[isotherm.equation] * (1 - 0.06) * 1.02
    held = sorption.heat_of_desorption(isotherm, joint)
    np.testing.assert_allclose(
        sorption.heat_of_desorption(isotherm, np.array([0.0, joint / 2])), held, rtol=1e-12
    )


def test_gab_is_continued_toward_one_where_its_measurements_end():
    """Andrieu's fit passes 1; above 0.9 it is 1 − 0.1 [(1−y)/(1−0.9 k)]^n with equal slope, by hand."""
    isotherm, T = Isotherm("gab", SETS["gab"]), 60.0
    k = 1.8320 * np.exp(-238.49 / 333.15)
    M0, C = 0.0017 * np.exp(1135.3 / 333.15), 2.8339e-8 * np.exp(6545.8 / 333.15)
    X = lambda y: M0 * C * y / ((1 - y) * (1 - y + C * y))  # noqa: E731
    n = (1 - 0.9 * k) / (0.1 * k)
    for y in (0.9 * k, 0.9, 0.95, 0.99):
        by_hand = 1 - 0.1 * ((1 - y) / (1 - 0.9 * k)) ** n
        assert sorption.water_activity(isotherm, X(y), T) == pytest.approx(by_hand, rel=1e-12)
    edge = X(0.9 * k) * np.array([1 - 1e-9, 1 + 1e-9])
    for quantity in sorption.water_activity_and_slopes(isotherm, edge, T):
        assert quantity[0] == pytest.approx(quantity[1], rel=1e-7)


@each
def test_bound_water_heat_is_the_integral(isotherm):
    for X in (0.0, 0.01, 0.05, 0.14, 0.3, 0.6):
        joint = HELD_BELOW[isotherm.equation] * (1 - 0.06) * 1.02
        heat = lambda x: float(sorption.heat_of_desorption(isotherm, x))  # noqa: E731
        expected = quad(heat, 0, X, points=[joint] if joint < X else None, epsabs=1e-8, epsrel=1e-11)[0]
        # 1e-5 of a heat of at most 310 kJ/kg: 3 J/kg, 1e-3 K in the pellet
        assert sorption.bound_water_heat(isotherm, X) == pytest.approx(expected, rel=1e-5, abs=1e-6)
