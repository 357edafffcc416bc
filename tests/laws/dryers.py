"""Dryers of plain numbers, and formulas with exact answers to hold against them.

None of the formulas uses coolsim: they are the expected side of the tests.

What is proved of dryers
------------------------
Claim: its test in tests/laws, where no other room is named.

- heat alone: Schumann: `test_deep_bed`: tabulated points and three more; the function itself against scipy's non-
  central χ²
- one pellet: Crank, surface held and with a film: `test_deep_bed`, second order in shells shown
- finite cylinder, late and early: `test_deep_bed`: within 1 % of the product solution, late rate within 2 %
- thin layer in unlimited air: `test_deep_bed_limits`: a pellet written again, taken through time by scipy
- constant rate at the wet bulb; the textbook pan: `test_deep_bed`
- Hukill's shape: `test_deep_bed`: exact solution by hand
- early deep bed at adiabatic saturation; NTU 1.5: `test_deep_bed`
- turning in a thin bed: `test_turned_bed`: what it changes is e^(−τ) τ² Z²/24, by hand; order two with real laws
- a zone is a batch of its dwell: `tests/cli/test_dryers`
- water and heat close, recirculation and heater: `test_deep_bed_limits`, once more by hand; random ones in
  `test_dryer_domain`, `test_deep_bed_domain`
- order in time: third: `test_deep_bed_limits` with steps as given, `test_march` with steps of its own choice
- lines: `test_random_lines`: water of a hundred from states alone; what boils on the way, by hand; `test_line`
- heat of a well-run belt; recirculation; over-dried inlet: `tests/cli/test_dryers`; `test_deep_bed_limits`

Against a general integrator: IDA of SUNDIALS, on the same discrete equations with surfaces and air as unknowns
and a sparse Jacobian, takes 3 to 7 times as long as our march at the same measured error. BDF and CVODE have to
solve for surfaces and air inside each call and take some 30 times (BDF, first eighth of the batch; later it
stalls) and 50 to 60 times as long (CVODE): that is the form, not they.

Weak: the two integrators share our laws and our mesh (`single_pellet` in `test_deep_bed_limits` is the one that
is written again).
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from laws.exact import air_enthalpy, bed
from scipy.integrate import quad
from scipy.special import ive, jn_zeros

from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model.dryer import Dryer, Supply
from coolsim.model.drying import Pellet, Phase, Resolution, Solution
from coolsim.model.march import Programme
from coolsim.model.pellet_shells import shaped_shells
from coolsim.model.solve import GRADING
from coolsim.model.surface import REAL, Laws
from coolsim.numerics import mesh
from coolsim.physics.sorption import Isotherm

SPHERE = 2.0  # exponent of its shape
ONE = np.ones(1)
CORN = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), 0.05)  # references.md, 5 % fat
FEED: dict[str, Any] = {
    "D": 7e-10,
    "Ea": 26e3,
    "isotherm": CORN,
    "feed_moisture_db": 0.3,
    "feed_temperature": 30.0,
}


def schumann(x: float, y: float) -> float:
    """J(x, y) = 1 − e^(−y) ∫₀ˣ e^(−u) I₀(2√(y u)) du: T. E. W. Schumann, J. Franklin Inst. 208 (1929) 405, in the
    form of Hougen & Watson (memory, high). Fluid that enters hotter: J(ξ, τ); solid: 1 − J(τ, ξ)."""

    def weight(u: float) -> float:  # e^(−u−y) I₀(2√(yu)), scaled so that nothing overflows
        return float(np.exp(-((np.sqrt(u) - np.sqrt(y)) ** 2)) * ive(0, 2 * np.sqrt(y * u)))

    return 1 - quad(weight, 0, x, epsabs=1e-12, epsrel=1e-12, limit=400)[0]


def finite_cylinder(diameter: float, length: float, Dt: float) -> float:
    """Share of the water still to go, surface held: long cylinder times slab (Newman's rule; Crank 5.23, 4.18)."""
    a, n = jn_zeros(0, 400), 2 * np.arange(400) + 1
    long = np.sum(4 / a**2 * np.exp(-((2 * a / diameter) ** 2) * Dt))
    slab = np.sum(8 / (np.pi * n) ** 2 * np.exp(-((n * np.pi / length) ** 2) * Dt))
    return float(long * slab)


def supply(
    T: float = 20.0, Y: float = 0.0, heated_to: float = -np.inf, most: float = np.inf, r: float = 0.0
) -> Supply:
    """Fresh air (°C, kg/kg), the heater's aim [°C] and limit [J/kg dry air], recirculation."""
    return Supply(Y * ONE, air_enthalpy(T, Y) * ONE, heated_to * ONE, most * ONE, r * ONE)


def phase(
    air_flux: float, seconds: float, air: Supply, reverse_every: float = np.inf, down: bool = False
) -> Phase:
    return Phase(air_flux * ONE, air, Programme(seconds * ONE, reverse_every * ONE, np.array([down])))


def dry(
    *phases: Phase,
    laws: Laws = REAL,
    cells: int = 16,
    shells: int = 12,
    exponent: float = SPHERE,
    shrinkage: float = 0.0,
    mixed: bool = False,
    refinements: int = 0,
    step_tolerance: float = 0.004,
    **numbers: Any,
) -> Solution:
    """Dry one bed of the numbers of laws.exact.bed, on a mesh of this size."""
    one = bed(**numbers)
    pellet = Pellet(exponent * ONE, shrinkage * ONE, mixed)
    (s,) = drying.solve(one, phases, pellet, laws, Resolution(cells, shells, refinements, step_tolerance))
    assert s.converged.all()
    return s


def moisture(s: Solution) -> float:
    return float(drying.mean_exit(s)[0][0])


def temperature(s: Solution) -> float:
    return float(drying.mean_exit(s)[1][0])


def exhaust(s: Solution, laws: Laws = REAL) -> tuple[float, float]:
    """Temperature and humidity ratio of the air that leaves at the very end."""
    Y, h = s.marches[-1].records[-1].outlet[:, 1, 0]
    return float((h - laws.latent_heat * Y) / (1006.0 + laws.vapour_capacity * Y)), float(Y)


def along(s: Solution) -> np.ndarray:
    """Where the points of a bed lie, on 0…1 from the bottom."""
    z = s.dryer.z[:, 0]
    nodes = 0.5 + np.array([-0.5, 0.5]) / np.sqrt(3)
    return (z[:-1, None] + np.diff(z)[:, None] * nodes).ravel()


def at_points(s: Solution) -> tuple[np.ndarray, np.ndarray]:
    """Mean moisture and temperature of the pellets at those points."""
    d, pellets = s.dryer, s.marches[-1].pellets
    return dr.means(d, pellets.moisture)[0][:, 0], dr.temperature(d, pellets)[:, 0]


def meshed(
    air: Supply, cells: int, shells: int, mixed: bool = False, exponent: float = SPHERE, **numbers: Any
) -> Dryer:
    """A dryer on a mesh, for tests of the equations themselves."""
    return Dryer(
        bed(**numbers), air, shaped_shells(shells, GRADING * ONE, exponent * ONE), exponent * ONE, 0 * ONE,
        mesh.layered_nodes(cells, 0.1 * ONE, 0.1 * ONE), mixed=mixed,
    )  # fmt: skip


def with_phase(p: Phase, **changes: Any) -> Phase:
    return dataclasses.replace(p, **changes)


def assert_sound(solutions: list[Solution], count: int) -> None:
    """All of `count` cases are answered, in finite numbers, with water and heat closed to 1e-8 as promised."""
    seen: list[int] = []
    for s in solutions:
        assert s.converged.all(), s.index[~s.converged]
        X, T = drying.mean_exit(s)
        assert np.isfinite(X).all() and np.isfinite(T).all()
        assert (X > 0).all() and (X < 2).all()
        water, energy = drying.imbalances(s)
        assert np.abs(water).max() < 1e-8, (s.index[np.abs(water).argmax()], water)
        assert np.abs(energy).max() < 1e-8, (s.index[np.abs(energy).argmax()], energy)
        seen += [*s.index]
    assert sorted(seen) == list(range(count))
