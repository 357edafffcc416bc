"""Transfer and pressure drop in the bed: slopes, limits, hand-worked numbers."""

import numpy as np
import pytest
from laws.exact import psychrometric_wet_bulb, vapour_flux

from coolsim.physics import air
from coolsim.physics import packed_bed as bed

P = 101_325.0


def test_heat_transfer_coefficient_by_hand():
    # 0 °C: μ 1.716e-5, k .0241; G 1, d_p 4.8 mm: Re 279.72, Pr .71631, Re^.6 29.381, Pr^⅓ .89474
    # Nu = 2 + 1.1 · 29.381 · .89474 = 30.917, h = 30.917 · .0241/.0048 = 155.23 (five digits by hand)
    assert bed.heat_transfer_coefficient(1.0, 4.8e-3, 0.0) == pytest.approx(155.23, rel=2e-4)


def test_mass_transfer_coefficient_by_hand():
    # as above; ρ = 101325/(287.042 · 273.15) = 1.29231, D 2.178e-5: Sc = .60967, Sc^⅓ .84794
    # Sh = 2 + 1.1 · 29.381 · .84794 = 29.405, k_m = 29.405 · 2.178e-5/.0048 = .13342
    assert bed.mass_transfer_coefficient(1.0, 4.8e-3, 0.0, P) == pytest.approx(0.13342, rel=2e-4)


def test_slopes_by_complex_step():
    T, G, d_p, step = np.linspace(-20, 150, 18), np.array([[0.2], [1.0], [3.0]]), 5e-3, 1e-30
    h, dh = bed.heat_transfer_coefficient_and_slope(G, d_p, T)
    k_m, dk = bed.mass_transfer_coefficient_and_slope(G, d_p, T, P)
    np.testing.assert_array_equal(h, bed.heat_transfer_coefficient(G, d_p, T))
    np.testing.assert_array_equal(k_m, bed.mass_transfer_coefficient(G, d_p, T, P))
    by_h = bed.heat_transfer_coefficient(G, d_p, T + 1j * step).imag / step
    by_k = bed.mass_transfer_coefficient(G, d_p, T + 1j * step, P).imag / step
    np.testing.assert_allclose(dh, by_h, rtol=1e-11)
    np.testing.assert_allclose(dk, by_k, rtol=1e-11)


def test_vapour_flux_for_small_driving_forces_is_film_theory():
    # J → k_m (p_s − p_a)/(R_v T_f) · p/(p − p_mean); the mean of the logarithm is second order
    J = vapour_flux(0.1, 2010.0, 2000.0, P, 30.0)
    expected = 0.1 * 10.0 * 0.018015268 / (8.314462618 * 303.15) * P / (P - 2005.0)
    np.testing.assert_allclose(J, expected, rtol=1e-8)
    assert vapour_flux(0.1, 1500.0, 2000.0, P, 30.0) < 0  # condensation


@pytest.mark.parametrize(
    "T, RH, expected, thermodynamic",
    [(20.0, 0.60, 14.937, 15.144), (40.0, 0.10, 17.635, 18.566), (80.0, 0.05, 32.783, 34.017)],
)
def test_psychrometric_wet_bulb(T, RH, expected, thermodynamic):
    # model page: Re 280, 1 atm (computed independently, three decimals), again with 2.178e-5
    Y = air.humidity_ratio_from_relative_humidity(T, RH, P)
    d_p = 4e-3
    T_wet = psychrometric_wet_bulb(T, Y, P, 280 * air.viscosity(T) / d_p, d_p)
    assert T_wet == pytest.approx(expected, abs=6e-4)
    assert air.wet_bulb(T, Y, P) == pytest.approx(thermodynamic, abs=6e-4)


def test_psychrometric_wet_bulb_of_saturated_air_is_its_temperature():
    T = np.array([5.0, 30.0, 70.0])
    Y = air.humidity_ratio(air.saturation_pressure(T), P)
    np.testing.assert_allclose(psychrometric_wet_bulb(T, Y, P, 1.0, 4e-3), T, atol=1e-9)


def test_hukill_ives_by_hand():
    # corn at .1 m/s: 2.07e4 · .01/ln(1 + 3.04) = 207/1.39624 = 148.255 Pa/m
    assert bed.hukill_ives_gradient(0.1, 2.07e4, 30.4) == pytest.approx(148.255, rel=1e-5)
    assert bed.hukill_ives_gradient(np.array([0.0]), 2.07e4, 30.4)[0] < 1e-6


def test_wen_yu_by_hand():
    # d 5 mm, bulk 640, ε .42 → pellet 1103.448; ρ 1.2, μ 1.8e-5:
    # Ar = 1.25e-7 · 1.2 · 1102.248 · 9.80665/3.24e-10 = 5.00433e6;
    # √(1135.69 + 204177) − 33.7 = 419.41; u = 419.41 · 1.8e-5/(1.2 · .005) = 1.2582 m/s
    assert bed.minimum_fluidisation_velocity(5e-3, 640.0, 0.42, 1.2, 1.8e-5) == pytest.approx(
        1.2582, rel=1e-4
    )


# The quadratic of Ergun's gradient against weight less buoyancy, by hand with g 9.80665, ρ 1.1, μ 1.9e-5:
# 1.75 ρ (1−ε)/(ε³ d) u² + 150 μ (1−ε)²/(ε³ d²) u = (bulk − (1−ε) ρ) g, for example d 4.8 mm, 640, ε .42:
# 3139.57 u² + 561.656 u = 6270.00 → u = (−561.656 + √(561.656² + 4 · 3139.57 · 6270))/(2 · 3139.57) = 1.3266;
# ε .50: 1604.17 u² + 247.396 u = 6270.86; d 3.6 mm, 420, ε .45: 3227.40 u² + 730.008 u = 4112.86
@pytest.mark.parametrize(
    "d_p, bulk, eps, expected",
    [(4.8e-3, 640.0, 0.42, 1.3266), (4.8e-3, 640.0, 0.50, 1.9015), (3.6e-3, 420.0, 0.45, 1.0214)],
)
def test_the_velocity_that_lifts_by_hand(d_p, bulk, eps, expected):
    assert bed.lift_off_velocity(d_p, bulk, eps, 1.1, 1.9e-5) == pytest.approx(expected, abs=6e-5)


def test_seventy_percent_of_the_velocity_that_lifts_is_half_of_the_weight():
    # d 4.8 mm, 640, ε .42 as above: (3139.57 · (.7 · 1.3266)² + 561.656 · .7 · 1.3266)/6270 = 51.5 %
    gradient = bed.ergun_gradient(0.7 * 1.3266, 4.8e-3, 0.42, 1.1, 1.9e-5)
    assert gradient / ((640 - 0.58 * 1.1) * 9.80665) == pytest.approx(0.515, abs=5e-4)


def test_fines_raise_the_pressure_drop_as_measured():
    """6 mm wood pellets at .357 m/s: clean 271 Pa/m, with 10 % of fines 1100, with 20 % 1800 (Yazdanpanah et al.
    2010, Bioresour. Technol. 101:5565, seen); between them straight, which is an interpolation."""
    share = np.array([0.0, 0.10, 0.20, 0.05])
    factors = np.array([271.0, 1100.0, 1800.0, (271.0 + 1100.0) / 2]) / 271.0
    np.testing.assert_allclose(bed.resistance_with_fines(share), factors, rtol=1e-12)
