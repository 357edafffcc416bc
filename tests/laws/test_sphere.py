"""Water in a sphere, isothermal: Crank's solutions and the exact counter-flow sphere (model.md §7.2, §7.3).

The same solver, with other laws at the surface; latent heat and the heat of water set to zero.
"""

from __future__ import annotations

import pytest
from laws.exact import (
    ISOTHERMAL,
    bed,
    counter_flow_sphere,
    linear_law,
    run,
    sphere_constant_surface,
    sphere_with_film,
    with_time,
)

from coolsim.model.surface import Laws

R, D, RHO, X_IN, X_END = 2e-3, 1e-9, 900.0, 0.2, 0.05


CELLS, SHELLS = 64, (32, 64)  # fine enough that the solver refines neither
# The error of 64 shells is 5e-5 at most (measured); extrapolated as one of second order, 2e-6 is left.
TOLERANCE = 5e-6


def extrapolated(one, law, reading):
    """A reading of the exit, from two numbers of shells, by an error of second order."""
    coarse, fine = (reading(run(one, Laws(moisture=law, **ISOTHERMAL), CELLS, n)) for n in SHELLS)
    return (4 * fine - coarse) / 3


def share_to_go(Fo: float, law) -> float:
    """(X̄ − X∞)/(X_in − X∞) after Fo = D t/R²."""
    one = with_time(bed(D=D, radius=R, solid_density=RHO, feed_moisture_db=X_IN), Fo * R**2 / D)
    return extrapolated(one, law, lambda out: (out.moisture - X_END) / (X_IN - X_END))


@pytest.mark.parametrize("Fo", [0.01, 0.05, 0.1, 0.2])
def test_constant_surface(Fo):
    law = linear_law(Xs=1.0, constant=-X_END)
    assert share_to_go(Fo, law) == pytest.approx(sphere_constant_surface(Fo), abs=TOLERANCE)


def test_constant_surface_at_its_printed_number():
    """model.md §7.2 (computed from Crank)."""
    law = linear_law(Xs=1.0, constant=-X_END)
    assert share_to_go(0.1, law) == pytest.approx(0.22952126, abs=TOLERANCE)


@pytest.mark.parametrize(
    "Bi, Fo, printed", [(2.0, 0.1, 0.635161), (2.0, 0.5, 0.121772), (10.0, 0.1, 0.346012)]
)
def test_film(Bi, Fo, printed):
    """model.md §7.2 (computed from Crank): J = k (Xs − X∞), Bi = k R/(ρ_d D)."""
    k = Bi * RHO * D / R
    law = linear_law(J=1 / k, Xs=-1.0, constant=X_END)
    assert sphere_with_film(Fo, Bi) == pytest.approx(printed, abs=5e-7)
    assert share_to_go(Fo, law) == pytest.approx(printed, abs=TOLERANCE)


PRINTED = [  # model.md §7.3 (computed)
    (0.05, 2.0, 0.574064), (0.1, 2.0, 0.723858), (0.3, 2.0, 0.931480),
    (0.1, 0.5, 0.479666), (0.3, 0.5, 0.499779), (0.1, 4.0, 0.749335),
]  # fmt: skip
COMPUTED = [(Fo, E, counter_flow_sphere(Fo, E)) for Fo, E in ((0.02, 1.3), (0.07, 0.8), (0.15, 8.0))]


@pytest.mark.parametrize("Fo, E, share", PRINTED + COMPUTED)
def test_counter_flow_sphere(Fo, E, share):
    K, Gs, Y = 2.0, 0.5, 0.02
    one = bed(
        D=D, radius=R, solid_density=RHO, feed_moisture_db=X_IN, solid_flux=Gs, air_flux=E * Gs * K,
        inlet_humidity_ratio=Y,
    )  # fmt: skip
    law = linear_law(Xs=1.0, Y=-K)
    one = with_time(one, Fo * R**2 / D)
    assert counter_flow_sphere(Fo, E) == pytest.approx(share, abs=5e-7)
    by_pellets = extrapolated(one, law, lambda out: (X_IN - out.moisture) / (X_IN - K * Y))
    by_air = extrapolated(one, law, lambda out: E * K * (out.humidity_ratio - Y) / (X_IN - K * Y))
    assert by_pellets == pytest.approx(share, abs=TOLERANCE)
    assert by_air == pytest.approx(share, abs=TOLERANCE)
