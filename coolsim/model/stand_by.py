"""Pellets that stand in a closed heap between two machines: moisture evens out inside them, nothing leaves.

    ∂X/∂t = r^−m ∂/∂r (r^m D ∂X/∂r),   ∂X/∂r = 0 at the surface,   H = (c_d + c_w X̄) T − ⟨Q⟩ constant

D at the temperature of the pellet, which is the same throughout. No heat is lost to the surroundings (a heap of
tonnes hardly loses any within an hour); the temperature moves only by the heat that bound water takes up where it
goes. Left out: pellets do not exchange water with each other, and nothing heats itself.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.model.bed import Bed, take
from coolsim.model.leaving import Leaving
from coolsim.model.pellet_shells import Shells, diffuse
from coolsim.model.surface import REAL
from coolsim.support.fields import Array

RELATIVE, ABSOLUTE = 1e-8, 1e-10  # error of a step in time, of moisture in kg/kg dry
EVEN = 50.0  # Fourier number after which any profile is flat to rounding: exp(−20.19 Fo), Crank (1975) §6.3


def after_standing(pellets: Leaving, seconds: Array) -> Leaving:
    """The pellets after a stand-by of `seconds` (cases,)."""
    moisture, standing = pellets.moisture.copy(), np.flatnonzero(seconds > 0)
    if len(standing):
        moisture[:, standing] = _evened(take(pellets, standing), seconds[standing])
    X, Q = pellets.mean, (pellets.shells.volume * pellets.bed.bound_water(moisture)[0]).sum(axis=0)
    Q = np.where(seconds > 0, Q, pellets.bound_heat)
    T = REAL.pellet_temperature(pellets.bed, X, pellets.enthalpy, Q)
    return dataclasses.replace(pellets, moisture=moisture, bound_heat=Q, temperature=T)


def _evened(some: Leaving, seconds: Array) -> Array:
    """Moisture of the shells (n, B) after a while, all cases in one run over shares of their time.

    They stand one after the other in its vector: no case reaches into the next, and neighbours couple neighbours.
    """
    from scipy.integrate import solve_ivp  # late: only lines need it

    bed, sh = dataclasses.replace(some.bed, radius=some.bed.radius * some.size), some.shells
    n, B = some.moisture.shape
    end = np.minimum(seconds, EVEN / _rate(bed, sh, some, some.moisture)[1])

    def slope(_: float, y: Array) -> Array:
        return (end * _rate(bed, sh, some, y.reshape(B, n).T)[0]).T.ravel()

    run = solve_ivp(
        slope,
        (0.0, 1.0),
        some.moisture.T.ravel(),
        method="LSODA",
        rtol=RELATIVE,
        atol=ABSOLUTE,
        lband=1,
        uband=1,
        t_eval=[1.0],
    )
    X = run.y[:, -1].reshape(B, n).T
    return np.asarray(
        X * (some.mean / (sh.volume * X).sum(axis=0))
    )  # the mean drifts by the solver's tolerance


def _rate(bed: Bed, sh: Shells, some: Leaving, X: Array) -> tuple[Array, Array]:
    """dX/dt of the shells [1/s], and D/R² [1/s]; the surface has the outermost shell's moisture: no flux."""
    Q = (sh.volume * bed.bound_water(X)[0]).sum(axis=0)
    T = REAL.pellet_temperature(bed, some.mean, some.enthalpy, Q)
    d = diffuse(bed, sh, X[None, :, None], X[None, -1:], T[None, None])
    return d.rate[0, 0] * d.inflow[0, :, 0] / sh.volume, d.rate[0, 0]
