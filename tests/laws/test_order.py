"""Observed orders of accuracy: errors must fall as the scheme promises, on the exact sphere and a real cooler.

Meshes are fixed here (no refinement, no following), each with twice the cells or shells of the one before.
"""

from __future__ import annotations

import numpy as np
from laws.domain import pig
from laws.exact import (
    ISOTHERMAL,
    SEALED,
    bed,
    constant_heat_transfer,
    counter_flow_sphere,
    effectiveness,
    linear_law,
    with_time,
)

from coolsim.model import counterflow as cf
from coolsim.model.counterflow_starts import first_guess
from coolsim.model.solve import METHOD, graded_shells
from coolsim.model.surface import REAL, Laws
from coolsim.numerics.mesh import layered_nodes
from coolsim.numerics.newton import newton
from coolsim.simulate.inputs import bed_of, gather

LAYER = np.array([0.02])


def exit_on(one, laws, cells: int, shells: int, layer=LAYER):
    """Exit moisture and temperature of one bed on one mesh."""
    problem = cf.pose(one, graded_shells(one, shells), layered_nodes(cells, layer, layer), laws)
    state, converged, _ = newton(METHOD, problem, first_guess(problem), 1, 40)
    assert converged.all()
    out = cf.outlet(problem, state)
    T = laws.pellet_temperature(one, out.moisture, out.enthalpy, out.bound_heat)
    return np.array([out.moisture[0], T[0]])


def order(errors):
    """Powers of two by which errors fall when a mesh is halved."""
    return np.log2(np.abs(errors[:-1] / errors[1:]))


def test_helpers_see_the_order_they_are_given():
    h = 0.5 ** np.arange(4)
    np.testing.assert_allclose(order(3 * h**2), 2.0)


def test_third_order_along_the_bed_of_a_heat_exchanger():
    """ε-NTU: smooth, exact. The cell edges are of order three (superconvergence of the scheme)."""
    h, R, Gs, Ga, X = 150.0, 2e-3, 0.5, 0.8, 0.2
    C_solid, C_air = Gs * (1800.0 + 4186.0 * X), Ga * 1006.0
    U, depth = 1 / (1 / h + R / (5 * 0.2)), 0.02
    share = effectiveness(U * 3 * 0.58 / R * depth / C_air, C_air / C_solid)
    exact = 80.0 - 60.0 * share * C_air / C_solid
    one = bed(radius=R, air_flux=Ga, solid_flux=Gs, feed_moisture_db=X, feed_temperature=80.0, depth=depth)
    laws = Laws(moisture=SEALED, heat_transfer=constant_heat_transfer(h))
    errors = np.array([exit_on(one, laws, K, 2, np.array([10.0]))[1] - exact for K in (2, 4, 8, 16)])
    assert (order(errors) > 2.5).all(), order(errors)
    assert abs(errors[-1]) < 1e-3


def exact_sphere(Fo=0.1, E=2.0):
    K, Gs, Y, R, D = 2.0, 0.5, 0.02, 2e-3, 1e-9
    one = bed(D=D, radius=R, feed_moisture_db=0.2, solid_flux=Gs, air_flux=E * Gs * K, inlet_humidity_ratio=Y)
    exact = 0.2 - counter_flow_sphere(Fo, E) * (0.2 - K * Y)
    return with_time(one, Fo * R**2 / D), Laws(moisture=linear_law(Xs=1.0, Y=-K), **ISOTHERMAL), exact


def test_second_order_in_the_pellet_of_the_exact_sphere():
    one, laws, exact = exact_sphere()
    errors = np.array([exit_on(one, laws, 48, n)[0] - exact for n in (8, 16, 32, 64)])
    np.testing.assert_allclose(order(errors), 2.0, atol=0.15)


def test_order_along_the_bed_of_the_exact_sphere():
    """With the shells fixed the semi-discrete pellets are linear and smooth: third order or better."""
    one, laws, _ = exact_sphere()
    exits = np.array([exit_on(one, laws, K, 8)[0] for K in (8, 16, 32, 64, 128)])
    assert (order(np.diff(exits)) > 2.5).all(), order(np.diff(exits))


# A real cooler has a layer at each end, thinner than this fraction of its depth; on meshes graded to it the
# order shows, on coarser ones the error falls by less at first. Exit in moisture, then temperature.
THIN = np.array([0.002])


def test_third_order_along_a_real_cooler():
    one = bed_of(gather([pig()]))
    exits = np.array([exit_on(one, REAL, K, 8, THIN) for K in (16, 32, 64, 128)])
    observed = order(np.diff(exits, axis=0))  # (halvings, 2)
    assert (observed > 2.5).all(), observed
    assert (observed[-1] > 2.7).all(), observed


def test_second_order_in_the_pellets_of_a_real_cooler():
    one = bed_of(gather([pig()]))
    exits = np.array([exit_on(one, REAL, 48, n, THIN) for n in (12, 24, 48, 96)])
    observed = order(np.diff(exits, axis=0))
    np.testing.assert_allclose(observed[:, 0], 2.0, atol=0.1)
    np.testing.assert_allclose(observed[:, 1], 2.0, atol=0.2)  # a difference of 2 mK: the next order shows
