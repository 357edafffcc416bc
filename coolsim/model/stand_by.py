"""Pellets that stand in a closed heap between two machines: moisture evens out inside them, nothing leaves.

    ∂X/∂t = r^−m ∂/∂r (r^m D ∂X/∂r),   ∂X/∂r = 0 at the surface,   H = (c_d + c_w X̄) T − ⟨Q⟩ constant

D at the temperature of the pellet, which is the same throughout. No heat is lost to the surroundings (a heap of
tonnes hardly loses any within an hour); the temperature moves only by the heat that bound water takes up where it
goes. Left out: pellets do not exchange water with each other, and nothing heats itself.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.fields import Array
from coolsim.model.bed import Bed, take
from coolsim.model.leaving import Leaving
from coolsim.model.pellet_shells import Shells, diffuse
from coolsim.model.surface import REAL

RELATIVE, ABSOLUTE = 1e-8, 1e-10  # error of a step in time, of moisture in kg/kg dry
EVEN = 50.0  # Fourier number after which any profile is flat to rounding: exp(−20.19 Fo), Crank (1975) §6.3


def stood(pellets: Leaving, seconds: Array) -> Leaving:
    """The pellets after a stand-by of `seconds` (cases,)."""
    moisture = pellets.moisture.copy()
    for case in np.flatnonzero(seconds > 0):
        one = take(pellets, np.array([case]))
        moisture[:, case] = _evened(one, float(seconds[case]))
    X, Q = pellets.mean, (pellets.shells.volume * pellets.bed.bound_water(moisture)[0]).sum(axis=0)
    Q = np.where(seconds > 0, Q, pellets.bound_heat)
    T = REAL.pellet_temperature(pellets.bed, X, pellets.enthalpy, Q)
    return dataclasses.replace(pellets, moisture=moisture, bound_heat=Q, temperature=T)


def _evened(one: Leaving, seconds: float) -> Array:
    """Moisture of the shells (n,) of one case after a while."""
    from scipy.integrate import solve_ivp  # late: only lines need it

    bed, sh = dataclasses.replace(one.bed, radius=one.bed.radius * one.size), one.shells
    start, mean = one.moisture[:, 0], float(one.mean[0])
    end = min(seconds, EVEN / float(_rate(bed, sh, one, start)[1]))
    run = solve_ivp(
        lambda t, X: _rate(bed, sh, one, X)[0],
        (0.0, end),
        start,
        method="LSODA",
        rtol=RELATIVE,
        atol=ABSOLUTE,
        lband=1,
        uband=1,
        t_eval=[end],
    )
    X = run.y[:, -1]
    return np.asarray(X * (mean / float(sh.volume[:, 0] @ X)))  # the mean drifts by the solver's tolerance


def _rate(bed: Bed, sh: Shells, one: Leaving, X: Array) -> tuple[Array, Array]:
    """dX/dt of the shells [1/s], and D/R² [1/s]; the surface has the outermost shell's moisture: no flux."""
    Q = (sh.volume[:, 0] * bed.bound_water(X[:, None])[0][:, 0]).sum()
    T = REAL.pellet_temperature(bed, one.mean, one.enthalpy, np.array([Q]))
    d = diffuse(bed, sh, X[None, :, None, None], X[None, -1:, None], T.reshape(1, 1, 1))
    return d.rate[0, 0, 0] * d.inflow[0, :, 0, 0] / sh.volume[:, 0], d.rate[0, 0, 0]
