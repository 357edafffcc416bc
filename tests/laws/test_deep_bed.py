"""The deep bed against exact solutions: heat alone, one pellet alone, water and air alone."""

from __future__ import annotations

import numpy as np
import pytest
from laws.dryers import (
    along,
    at_points,
    dry,
    exhaust,
    finite_cylinder,
    moisture,
    phase,
    schumann,
    supply,
    temperature,
)
from laws.exact import (
    ISOTHERMAL,
    SEALED,
    constant_heat_transfer,
    humidity_ratio,
    linear_law,
    saturation_pressure,
    sphere_constant_surface,
    sphere_with_film,
)
from scipy.stats import ncx2

from coolsim.model.surface import Laws, MoistureLaw
from coolsim.physics import pellet
from coolsim.physics.sorption import Isotherm

# A solid whose water activity is 1 at any moisture above a part per million: modified Oswin, A → 0.
WET = Isotherm("modified-oswin", (1e-6, 0.0, 3.0))


def by_cell(f: np.ndarray) -> np.ndarray:
    """Means over the two points of each cell: what the scheme knows to third order."""
    return f.reshape(-1, 2).mean(axis=1)


# ---- Heat alone -----------------------------------------------------------------------------------------

PRINTED_J = [(4.0, 4.0, 0.5717, 0.4283), (6.0, 4.0, 0.3180, 0.2124), (2.0, 2.0, 0.6035, 0.3965)]


@pytest.mark.parametrize("xi, tau, fluid, solid", PRINTED_J)
def test_the_formula_gives_the_printed_values(xi, tau, fluid, solid):
    """references.md (computed); and once more as a distribution of scipy's: with J = Q₁(√(2y), √(2x)), Marcum's
    function (memory, high), J is the share of a non-central χ² of two degrees of freedom and 2y beyond 2x."""
    assert schumann(xi, tau) == pytest.approx(fluid, abs=5e-5)
    assert 1 - schumann(tau, xi) == pytest.approx(solid, abs=5e-5)
    assert schumann(xi, tau) == pytest.approx(ncx2.sf(2 * xi, 2, 2 * tau), abs=1e-9)


@pytest.mark.parametrize(
    "xi, tau", [(x, t) for x, t, _, _ in PRINTED_J] + [(20.0, 10.0), (0.5, 5.0), (30.0, 35.0)]
)
def test_a_cold_bed_warms_as_schumann_says(xi, tau):
    """ξ = h a L/(Ga cp), τ = h a t/(ρ_d (1−ε) c); no resistance inside the pellet, air at 80 °C, bed at 20 °C."""
    h, R, Ga, X = 80.0, 2e-3, 0.4, 0.2
    a, capacity = 3 * 0.58 / R, 900.0 * 0.58 * (1800.0 + 4186.0 * X)
    s = dry(
        phase(Ga, tau * capacity / (h * a), supply(80.0)),
        laws=Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h)), shells=4, cells=32,
        step_tolerance=4e-4,
        radius=R, depth=xi * Ga * 1006.0 / (h * a), conductivity=1e6, feed_moisture_db=X,
    )  # fmt: skip
    assert (exhaust(s)[0] - 20) / 60 == pytest.approx(schumann(xi, tau), abs=2e-4)
    expected = np.array([1 - schumann(tau, xi * zeta) for zeta in along(s)])
    np.testing.assert_allclose(by_cell(at_points(s)[1] - 20) / 60, by_cell(expected), atol=1e-3)
    assert moisture(s) == pytest.approx(X, abs=1e-12)


@pytest.mark.parametrize("exponent", [0.0, 1.0, 1.5, 2.0])
def test_a_pellet_warms_through_film_and_body_in_series(exponent):
    """Few pellets in much air: T nears that of the air as exp(−U a t/(ρ_d (1−ε) c)), 1/U = 1/h + 1/U_i.

    U_i by hand: a body whose surfaces grow as r^m, R_m = (m+1) V/S thick, is parabolic where it warms evenly,
    T = Ts − q R_m/(2k) (1 − r²/R_m²), its mean q R_m/((m+3) k) below the surface. So U_i = (m+3) k/R_m: 5 k/R
    of the sphere of model.md §2, and here with R_m = (m+1) R/3, R being the sphere's.
    """
    h, R, k, X = 80.0, 2e-3, 0.05, 0.2
    U = 1 / (1 / h + (exponent + 1) * R / 3 / ((exponent + 3) * k))
    rate = U * (3 / R) / (900.0 * (1800.0 + 4186.0 * X))
    s = dry(
        phase(2.0, 1.0 / rate, supply(80.0)),
        laws=Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h)), cells=2, shells=4,
        exponent=exponent, step_tolerance=1e-4, radius=R, depth=1e-6, conductivity=k, feed_moisture_db=X,
    )  # fmt: skip
    # a conductance 4 % higher would move this by up to 0.4 K
    assert temperature(s) == pytest.approx(80.0 - 60.0 / np.e, abs=0.03)


# ---- One pellet alone -----------------------------------------------------------------------------------

RADIUS, D, START, SURFACE = 2e-3, 1e-9, 0.3, 0.1


def held_surface(Fo: float, exponent: float = 2.0, radius: float = RADIUS, shells: int = 32) -> float:
    """Share of the water still to go, surface held at its final moisture, without heat."""
    s = dry(
        phase(0.5, Fo * radius**2 / D, supply()),
        laws=Laws(moisture=linear_law(Xs=1.0, constant=-SURFACE), **ISOTHERMAL),
        cells=2, shells=shells, exponent=exponent, radius=radius, D=D, feed_moisture_db=START, depth=1e-3,
    )  # fmt: skip
    return (moisture(s) - SURFACE) / (START - SURFACE)


@pytest.mark.parametrize("Fo", [0.01, 0.1, 0.3, 0.6])
def test_crank_with_the_surface_held(Fo):
    """Crank 6.20; 0.1 → 0.22952126 (model.md §7.2). Second order in shells: 32 leave some 2e-4."""
    if Fo == 0.1:
        assert sphere_constant_surface(Fo) == pytest.approx(0.22952126, abs=1e-8)
    assert held_surface(Fo) == pytest.approx(sphere_constant_surface(Fo), abs=4e-4)


def test_second_order_in_shells_and_better_in_time():
    exact = sphere_constant_surface(0.1)
    errors = np.array([held_surface(0.1, shells=n) - exact for n in (8, 16, 32)])
    np.testing.assert_allclose(np.log2(np.abs(errors[:-1] / errors[1:])), 2.0, atol=0.25)


@pytest.mark.parametrize("Bi, Fo, share", [(2.0, 0.1, 0.635161), (2.0, 0.5, 0.121772), (10.0, 0.1, 0.346012)])
def test_crank_with_a_film(Bi, Fo, share):
    """Crank 6.43, model.md §7.2: J = k (Xs − X∞), Bi = k R/(ρ_d D)."""
    k = Bi * 900.0 * D / RADIUS
    s = dry(
        phase(0.5, Fo * RADIUS**2 / D, supply()),
        laws=Laws(moisture=linear_law(J=1.0, Xs=-k, constant=k * SURFACE), **ISOTHERMAL),
        cells=2, shells=32, radius=RADIUS, D=D, feed_moisture_db=START, depth=1e-3,
    )  # fmt: skip
    assert sphere_with_film(Fo, Bi) == pytest.approx(share, abs=1e-6)
    assert (moisture(s) - SURFACE) / (START - SURFACE) == pytest.approx(share, abs=2e-4)


@pytest.mark.parametrize(
    "slenderness", [0.8, 1.5, 4.0, *(pytest.param(x, marks=pytest.mark.thorough) for x in (1.0, 2.0, 3.0))]
)
def test_cylinders_early_and_late(slenderness):
    """The body of the same early course and late rate removes water within 2 % of the finite cylinder throughout
    (it is within 0.8 %), and late it loses it at its rate. The sphere is 7 % slow to 20 % fast there."""
    d = 4e-3
    length = slenderness * d
    R, m = pellet.equivalent_sphere_radius(d, length), pellet.shape_exponent(d, length)
    for Fo in (0.02, 0.1, 0.25, 0.5):
        gone = 1 - held_surface(Fo, m, R)
        assert gone == pytest.approx(1 - finite_cylinder(d, length, Fo * R**2), rel=0.01)
    rate = np.log(held_surface(0.35, m, R) / held_surface(0.5, m, R)) / (0.15 * R**2)
    late = np.log(finite_cylinder(d, length, 0.35 * R**2) / finite_cylinder(d, length, 0.5 * R**2)) / (
        0.15 * R**2
    )
    assert rate == pytest.approx(late, rel=0.02)


# ---- Water and air alone --------------------------------------------------------------------------------


def bilinear(k: float, Y_star: float):
    """J = k Xs (Y* − Y): drying that is proportional to the water there is and to the air's deficit."""

    def law(bed, s):
        zero = np.zeros_like(s.moisture)
        deficit = Y_star - s.humidity_ratio
        return MoistureLaw(
            s.flux - k * s.moisture * deficit, zero + 1.0, -k * deficit, zero, zero, k * s.moisture
        )

    return law


@pytest.mark.parametrize("zeta, tau", [(1.0, 1.0), (4.0, 3.0), (10.0, 5.0), (10.0, 14.0)])
def test_hukills_logarithmic_shape(zeta, tau):
    """Rates proportional to moisture M and to the air's deficit θ, both from 0 to 1: ∂M/∂τ = ∂θ/∂ζ = −M θ.

    By hand: M = e^ζ/(e^ζ + e^τ − 1), θ = e^τ/(e^ζ + e^τ − 1); put back, both derivatives are −M θ and M(τ=0) =
    θ(ζ=0) = 1. Hukill's curve 2^D/(2^D + 2^Y − 1) is this with the half-time as unit (Brooker et al., Drying Cereal
    Grains, memory, high).
    """
    R, k, Y_star, X, Ga = 2e-3, 1e-3, 0.05, 0.3, 0.4
    a, rho = 3 * 0.58 / R, 900.0 * 0.58
    seconds = tau * rho / (a * k * Y_star)  # τ = a k Y* t/ρ
    depth = zeta * Ga / (a * k * X)  # ζ = a k X₀ z/Ga
    s = dry(
        phase(Ga, seconds, supply()), laws=Laws(moisture=bilinear(k, Y_star), **ISOTHERMAL), cells=24, shells=2,
        step_tolerance=1.6e-3,
        radius=R, D=1e-3, feed_moisture_db=X, depth=depth,
    )  # fmt: skip
    total = np.exp(zeta) + np.exp(tau) - 1
    assert 1 - exhaust(s)[1] / Y_star == pytest.approx(np.exp(tau) / total, abs=3e-4)
    at = np.exp(zeta * along(s))
    np.testing.assert_allclose(by_cell(at_points(s)[0] / X), by_cell(at / (at + np.exp(tau) - 1)), atol=1e-3)


# ---- Wet surfaces ---------------------------------------------------------------------------------------


def viscosity(T: float) -> float:
    """Sutherland's law, Pa s (constants of model.md §1)."""
    K = T + 273.15
    return 1.716e-5 * (K / 273.15) ** 1.5 * (273.15 + 110.4) / (K + 110.4)


PRINTED_BULBS = [(20.0, 0.60, 14.937, 15.144), (40.0, 0.10, 17.635, 18.566), (80.0, 0.05, 32.783, 34.017)]


@pytest.mark.parametrize("T, RH, psychrometric, thermodynamic", PRINTED_BULBS)
def test_a_wet_thin_layer_settles_at_the_psychrometric_wet_bulb(T, RH, psychrometric, thermodynamic):
    """model.md §7.4 (computed): a_w = 1, D → ∞, Re 280, 1 atm; and there the rate is constant."""
    R = 2e-3
    # a dozen time constants ρ_d R/3 · c/(h + latent)
    air = phase(280 * viscosity(T) / (2 * R), 180.0, supply(T, humidity_ratio(T, RH)))
    numbers = {
        "radius": R, "D": 1e-5, "isotherm": WET, "feed_moisture_db": 1.9, "feed_temperature": thermodynamic,
        "inlet_air_temperature": T, "depth": 1e-6,
    }  # fmt: skip
    s = dry(air, cells=2, shells=4, step_tolerance=4e-4, **numbers)  # it starts within a kelvin of its end
    assert temperature(s) == pytest.approx(psychrometric, abs=6e-4)  # three decimals are printed
    *_, late, last = s.marches[0].records
    np.testing.assert_allclose(late.outlet[0], last.outlet[0], atol=1e-9)


@pytest.mark.parametrize("T, RH, _, thermodynamic", PRINTED_BULBS)
def test_a_deep_wet_bed_saturates_the_air_adiabatically(T, RH, _, thermodynamic):
    """A bed of fifty transfer units at its adiabatic saturation temperature: the air leaves at that, saturated."""
    Y = humidity_ratio(T, RH)
    s = dry(
        phase(0.5, 60.0, supply(T, Y)), cells=24, shells=4, D=1e-5, isotherm=WET, feed_moisture_db=1.0, depth=0.5,
        feed_temperature=thermodynamic,
    )  # fmt: skip
    T_out, Y_out = exhaust(s)
    assert T_out == pytest.approx(thermodynamic, abs=2e-3)  # three decimals are printed
    assert Y_out == pytest.approx(humidity_ratio(T_out, 1.0), rel=1e-4)


def lewis(h: float, c: float, p: float = 101_325.0):
    """J = (h/c) (Y_sat(Ts) − Y): textbook drying, heat and vapour passing the film alike."""

    def law(bed, s):
        p_s = np.vectorize(saturation_pressure)(s.temperature)
        slope = np.vectorize(lambda T: (saturation_pressure(T + 1e-3) - saturation_pressure(T - 1e-3)) / 2e-3)
        by_T = 0.621945 * p / (p - p_s) ** 2 * slope(s.temperature)
        zero = np.zeros_like(s.moisture)
        Y_sat = 0.621945 * p_s / (p - p_s)
        return MoistureLaw(
            s.flux - h / c * (Y_sat - s.humidity_ratio), zero + 1.0, zero, -h / c * by_T, zero, zero + h / c
        )

    return law


def test_the_textbook_pan_dries_at_its_constant_rate():
    """Geankoplis Ex. 9.6-3 (statement seen, answer recomputed): air 65.6 °C, H 0.010, 6.1 m/s over a pan 0.457 m
    square, wet bulb 28.9 °C: 0.708 kg/h. h = 0.0204 G^0.8, G in kg/(h m²), recomputed from the humid volume."""
    T, Y = 65.6, 0.010
    humid_volume = (2.83e-3 + 4.56e-3 * Y) * (T + 273.0)  # his eq. 9.3-7 (memory, high)
    h = 0.0204 * (6.1 * 3600 * (1 + Y) / humid_volume) ** 0.8
    c = 1005.0 + 1880.0 * Y  # his humid heat
    s = dry(
        phase(0.5, 300.0, supply(T, Y)), laws=Laws(moisture=lewis(h, c), heat_transfer=constant_heat_transfer(h)),
        cells=2, shells=4, D=1e-5, feed_moisture_db=1.9, feed_temperature=28.9, depth=1e-6,
    )  # fmt: skip
    assert temperature(s) == pytest.approx(28.9, abs=0.2)  # read from a chart
    floor = 3 * 0.58 / 2e-3 * 1e-6  # m² of surface per m² of floor
    given = 0.5 * (exhaust(s)[1] - Y) / floor * 3600  # kg/(h m²)
    assert given * 0.457**2 == pytest.approx(0.708, rel=0.01)  # the chart's 0.1 K is 0.3 %


def test_the_textbook_adiabatic_dryer():
    """Coulson & Richardson vol. 2 Ex. 16.5 (statement seen, answer recomputed): NTU 1.5, air at 400 K, wet bulb
    312 K: it leaves at 312 + 88 e^(−1.5) = 331.6 K."""
    h, Ga, wet = 80.0, 0.4, 312 - 273.15
    laws = Laws(
        moisture=lewis(h, 1006.0),
        heat_transfer=constant_heat_transfer(h),
        vapour_capacity=0.0,
        water_capacity=0.0,
    )
    Y_wet = humidity_ratio(wet, 1.0)
    Y = Y_wet - 1006.0 * 88 / 2501e3  # adiabatic line of these laws
    R = 2e-3
    s = dry(
        phase(Ga, 100.0, dry_supply(400 - 273.15, Y)),
        laws=laws, cells=16, shells=4, radius=R, D=1e-5, feed_moisture_db=1.9, feed_temperature=wet,
        depth=1.5 * Ga * 1006.0 / (h * 3 * 0.58 / R),
    )  # fmt: skip
    exact = 312 + 88 * np.exp(-1.5)
    assert exact == pytest.approx(331.6, abs=0.05)
    assert exhaust(s, laws)[0] + 273.15 == pytest.approx(exact, abs=1e-3)
    np.testing.assert_allclose(at_points(s)[1], wet, atol=1e-3)


def dry_supply(T: float, Y: float):
    """Fresh air whose vapour holds its latent heat only."""
    import dataclasses

    return dataclasses.replace(supply(T, Y), fresh_enthalpy=np.array([1006.0 * T + 2501e3 * Y]))
