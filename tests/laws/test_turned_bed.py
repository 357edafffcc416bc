"""Beds that are turned over all the time: exact solutions, and what is left of turning in a thin bed.

A turned bed and one at rest, in the same air per kg, must become one as the depth goes to nothing. By hand, with
pellets of D → ∞, no heat, and J = k (X − K Y): x = (X − K Y_in)/(X₀ − K Y_in), y likewise of K Y, Z = a L k K/Ga
(depth in transfer lengths), τ = a k t/ρ:

    at rest    ∂x/∂τ = −(x − y), ∂y/∂ζ = x − y:  Schumann's bed, x = J(τ, ζ)
    turned     one x; y = x (1 − e^(−ζ)), so dx/dτ = −x (1 − e^(−Z))/Z

In powers of ζ the first is x = e^(−τ) (1 + τ ζ + (τ²/4 − τ/2) ζ² + …), whose mean over the bed has the terms
1 + τ Z/2 + (τ²/12 − τ/6) Z²; the second has 1 + τ Z/2 + (τ²/8 − τ/6) Z². What one more layer takes from the air is
the same either way, and is not all the same to the layers above only at second order:

    turned − at rest = e^(−τ) τ² Z²/24 + O(Z³)

Half the depth leaves a quarter of the difference, and turning makes the bed dry later.
"""

from __future__ import annotations

import numpy as np
import pytest
from laws.dryers import FEED, at_points, dry, exhaust, moisture, phase, schumann, supply, temperature
from laws.exact import ISOTHERMAL, NUMBERS, constant_heat_transfer, humidity_ratio, linear_law
from scipy.integrate import quad

from coolsim.model.surface import Laws

K, MASS_TRANSFER, Y_IN, FLUX, START = 4.0, 2e-3, 0.02, 0.3, 0.3  # X = K Y; kg/(m² s); kg/kg; kg/(m² s); kg/kg
AREA, SOLID = 3 * 0.58 / NUMBERS["radius"], 900.0 * 0.58  # m²/m³, kg/m³
LUMPED = Laws(moisture=linear_law(J=1.0, Xs=-MASS_TRANSFER, Y=MASS_TRANSFER * K), **ISOTHERMAL)


def share(Z: float, tau: float, mixed: bool) -> float:
    """Water still to go in a bed of Z transfer lengths after the time τ."""
    depth, seconds = Z * FLUX / (AREA * MASS_TRANSFER * K), tau * SOLID / (AREA * MASS_TRANSFER)
    s = dry(
        phase(FLUX, seconds, supply(20.0, Y_IN)), laws=LUMPED, mixed=mixed, cells=8, shells=2, D=1e-3,
        feed_moisture_db=START, depth=depth, step_tolerance=1e-3,
    )  # fmt: skip
    return (moisture(s) - K * Y_IN) / (START - K * Y_IN)


def at_rest(Z: float, tau: float) -> float:
    return quad(lambda zeta: schumann(tau, zeta), 0, Z, epsabs=1e-10)[0] / Z


def turned(Z: float, tau: float) -> float:
    return float(np.exp(-tau * (1 - np.exp(-Z)) / Z))


@pytest.mark.parametrize("tau", [1.0, 2.0])
def test_turning_tells_at_second_order_in_depth(tau):
    """The formulas' difference, found again: to a part in 500 where the bed is 0.1 transfer lengths deep."""
    depths = np.array([0.4, 0.2, 0.1])
    found = np.array([share(Z, tau, True) - share(Z, tau, False) for Z in depths])
    exact = np.array([turned(Z, tau) - at_rest(Z, tau) for Z in depths])
    np.testing.assert_allclose(found, exact, rtol=2e-3)
    leading = found / (np.exp(-tau) * tau**2 * depths**2 / 24)
    assert 2 * leading[2] - leading[1] == pytest.approx(1.0, abs=0.01)  # what is left is of first order in Z


def test_a_thin_turned_bed_is_a_thin_bed_at_rest():
    """Feed of measured sorption in hot air: each halving of the depth leaves a quarter of what turning changes."""
    air = phase(0.5, 600.0, supply(25.0, humidity_ratio(25.0, 0.6), heated_to=90.0))
    exits = []
    for depth in (8e-3, 4e-3, 2e-3, 1e-3, 5e-4):
        pair = [dry(air, cells=4, mixed=mixed, depth=depth, **FEED) for mixed in (True, False)]
        exits.append([[moisture(s), temperature(s)] for s in pair])
        np.testing.assert_allclose(at_points(pair[0])[0], moisture(pair[0]), rtol=1e-12)
    gaps = np.abs(np.diff(exits, axis=1)[:, 0])
    assert gaps[0, 0] > 1e-3 and gaps[0, 1] > 0.5  # there is something to see
    np.testing.assert_allclose(np.log2(gaps[:-1] / gaps[1:])[1:], 2.0, atol=0.1)
    assert gaps[-1, 0] < 1e-5 and gaps[-1, 1] < 3e-3


def test_what_a_turned_bed_does_hangs_on_the_air_per_kilogram():
    """Where films do not hang on the flux, a thousandth of the bed in a thousandth of the air is the same dryer:
    the equations above hold L/Ga only."""
    laws = Laws(
        moisture=linear_law(J=1.0, Xs=-MASS_TRANSFER, Y=MASS_TRANSFER * K),
        heat_transfer=constant_heat_transfer(60.0),
    )
    deep, thin = (
        dry(
            phase(part * FLUX, 400.0, supply(70.0, Y_IN)), laws=laws, mixed=True, cells=24, shells=4,
            depth=part * 0.1, feed_moisture_db=START, step_tolerance=1e-3,
        )
        for part in (1.0, 1e-3)
    )  # fmt: skip
    assert abs(temperature(deep) - 20) > 10 and moisture(deep) < START - 0.03  # something has happened
    assert moisture(thin) == pytest.approx(moisture(deep), abs=1e-6)  # meshes and steps differ
    assert temperature(thin) == pytest.approx(temperature(deep), abs=1e-3)


def test_a_turned_bed_approaches_the_air_as_one_lump():
    """A deep one: share left and air out as by hand above, Y_out = Y_in + (1 − e^(−Z)) (X/K − Y_in)."""
    L, t = 0.1, 400.0
    s = dry(
        phase(FLUX, t, supply(20.0, Y_IN)), laws=LUMPED, mixed=True, cells=12, shells=2, D=1e-3,
        feed_moisture_db=START, depth=L,
    )  # fmt: skip
    Z = AREA * L * MASS_TRANSFER * K / FLUX
    expected = K * Y_IN + (START - K * Y_IN) * turned(Z, AREA * MASS_TRANSFER * t / SOLID)
    assert moisture(s) == pytest.approx(expected, abs=1e-5)
    out = Y_IN + (1 - np.exp(-Z)) * (moisture(s) / K - Y_IN)
    assert exhaust(s, LUMPED)[1] == pytest.approx(out, abs=5e-6)  # of 0.03; twelve cells
