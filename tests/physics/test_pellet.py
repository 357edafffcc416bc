"""The pellet: geometry, diffusivity, composition, flash."""

import math

import numpy as np
import pytest
from scipy import special
from scipy.integrate import quad

from coolsim.physics import air, pellet, sorption
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm

CORN = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), fat=0.04)  # ASABE D245, seen
P = 101_325.0


def test_equivalent_sphere():
    # 3V/S of a cylinder 4 × 5 mm: V = π · 20 mm³, S = π (8 + 20) mm² → 60/28 mm
    assert pellet.equivalent_sphere_radius(4e-3, 5e-3) == pytest.approx(60 / 28 * 1e-3, rel=1e-12)
    assert pellet.equivalent_sphere_radius(6e-3, 6e-3) == pytest.approx(
        3e-3, rel=1e-12
    )  # l = d: its own radius


def test_diffusivity():
    law = Diffusivity(8e-10, at=60.0, activation_energy=26e3, moisture_slope=5.0, at_moisture=0.15)
    assert pellet.diffusivity(law, 60.0, 0.15) == pytest.approx(8e-10, rel=1e-14)
    # 30 °C: 26000/8.314462618 · (1/303.15 − 1/333.15) = .92887, exp(−.92887) = .39500 (by hand)
    assert pellet.diffusivity(law, 30.0, 0.15) / 8e-10 == pytest.approx(0.39500, rel=2e-4)
    assert pellet.diffusivity(law, 60.0, 0.25) / 8e-10 == pytest.approx(np.exp(0.5), rel=1e-12)
    step = 1e-30
    slope = pellet.diffusivity(law, 30.0 + 1j * step, 0.15).imag / step / pellet.diffusivity(law, 30.0, 0.15)
    assert pellet.diffusivity_log_slope(law, 30.0) == pytest.approx(slope, rel=1e-12)


def test_choi_okos_of_a_fish_feed():
    # 40 protein, 10 fat, 38 carbohydrate, 3 fibre, 9 ash (% db), 10 % wet basis, 25 °C (computed,
    # independently): 2.017 kJ/(kg K), 1349 kg/m³, 0.272 W/(m K); half of the last digit, rounded up
    dry = {"protein": 0.40, "fat": 0.10, "carbohydrate": 0.38, "fibre": 0.03, "ash": 0.09}
    wet = pellet.with_water(dry, 0.10)
    assert sum(wet.values()) == pytest.approx(1, rel=1e-14)
    assert pellet.specific_heat(wet, 25.0) == pytest.approx(2017, abs=0.6)
    assert pellet.solid_density(wet, 25.0) == pytest.approx(1349, abs=0.6)
    assert pellet.thermal_conductivity(wet, 25.0) == pytest.approx(0.272, abs=6e-4)


def test_choi_okos_of_water_alone():
    # water at 25 °C by the steam tables: 997.0 kg/m³, .607 W/(m K), 4.18 kJ/(kg K); the printed polynomials
    # are off by up to 1.3 % (specific heat)
    water = {"water": 1.0}
    assert pellet.solid_density(water, 25.0) == pytest.approx(997.0, rel=3e-3)
    assert pellet.thermal_conductivity(water, 25.0) == pytest.approx(0.607, rel=0.02)
    assert pellet.specific_heat(water, 25.0) == pytest.approx(4180, rel=0.013)


def _flash(T, X=0.19, p=P, isotherm=CORN, c_d=1800.0):
    return pellet.flash(isotherm, c_d, X, T, p)


def test_flash_balances_energy_and_ends_at_boiling():
    T = np.array([104.0, 110.0, 125.0, 140.0])
    X_f, T_f = _flash(T)
    np.testing.assert_allclose(
        sorption.water_activity(CORN, X_f, T_f) * air.saturation_pressure(T_f), P, rtol=1e-9
    )
    for i in range(T.size):
        bound = quad(lambda x: float(sorption.heat_of_desorption(CORN, x)), X_f[i], 0.19)[0]
        vapour = (0.19 - X_f[i]) * (2501e3 + 1860 * (T[i] + T_f[i]) / 2)
        before, after = (1800 + 4186 * 0.19) * T[i], (1800 + 4186 * X_f[i]) * T_f[i]
        assert before == pytest.approx(after + vapour + bound, rel=1e-8)


def test_flash_takes_about_half_a_point_per_five_kelvin():
    # By hand: (1800 + 4186 · .19) 5/2.3e6 = .56 point of dry solid = .47 % of the wet feed; the model page
    # says about .45. 10 %: the bound water and the rise of the boiling point come on top.
    X_f, _ = _flash(np.array([110.0, 115.0]))
    assert 100 * (X_f[0] - X_f[1]) / 1.19 == pytest.approx(0.45, rel=0.10)


def test_flash_leaves_other_feed_alone():
    X = np.array([0.19, 0.19, 0.05])
    T = np.array([90.0, 130.0, 110.0])
    X_f, T_f = _flash(T, X)
    assert X_f[0] == 0.19 and T_f[0] == 90.0 and X_f[2] == 0.05 and T_f[2] == 110.0
    assert X_f[1] < 0.19 and 100 < T_f[1] < 130
    one = _flash(130.0)
    assert (float(one[0]), float(one[1])) == pytest.approx((X_f[1], T_f[1]), rel=1e-9)
    assert _flash(90.0) == (0.19, 90.0)


def test_flash_at_altitude_starts_earlier_and_takes_arrays_of_everything():
    X_f, T_f = _flash(98.0, p=np.array([101_325.0, 75_000.0]))
    assert T_f[0] == 98.0 and T_f[1] < 97.0 and X_f[1] < 0.19
    batch = Isotherm(CORN.equation, CORN.constants, fat=np.array([0.0, 0.1]))
    X_f, _ = _flash(110.0, isotherm=batch, c_d=np.array([1700.0, 1900.0]))
    assert X_f.shape == (2,) and X_f[0] != X_f[1]


def test_flash_of_wet_pasta_whose_own_fit_would_pass_one():
    gab = Isotherm("gab", (0.0017, 1135.3, 2.8339e-8, 6545.8, 1.8320, -238.49))
    X_f, T_f = _flash(110.0, 0.8, isotherm=gab)
    assert 0 < X_f < 0.8 and 90 < T_f < 110


@pytest.mark.parametrize("slenderness", [0.02, 0.3, 1.0, 3.0, 100.0])
def test_the_body_that_dries_as_a_cylinder_is_at_a_root_of_bessels_function(slenderness):
    """J_ν(√λ (m+1) V/S) = 0, by scipy's own J: λ = (2 j₀/d)² + (π/l)², ν = (m−1)/2."""
    d, l = 4e-3, 4e-3 * slenderness
    m = float(pellet.shape_exponent(d, l))
    V_per_S = 1 / (4 / d + 2 / l)  # by hand: π d² l/4 over π d l + π d²/2
    x = math.sqrt((2 * special.jn_zeros(0, 1)[0] / d) ** 2 + (math.pi / l) ** 2) * (m + 1) * V_per_S
    assert special.jv((m - 1) / 2, x) == pytest.approx(0, abs=1e-9)
    assert special.jv((m - 1) / 2, 0.99 * x) > 1e-3  # the first root, and one that a percent off would show
