"""The way from the die to the cooler: single hot pellets that meet a little outside air, for a while.

Pellets and the air around them go together (co-current), shut off from the rest. With a kg of dry air per kg of dry
solid, water and heat of the air follow from those of the pellets:

    Y = Y₀ + (X₀ − X̄)/a,   h(Ta, Y) = h₀ + (H₀ − H)/a

Inside the pellet diffusion on shells (`pellet_shells`); at its surface the two equations of `surface`, with the
film of a single sphere, Nu = 2 + 0.6 Re^½ Pr^⅓ (Ranz & Marshall 1952; memory, high), at a slow speed (assumed:
falling pellets drag their air along). Steps are implicit, short at first, and run twice, in N and 2N, for
Richardson's extrapolation. What leaves is evened out inside, its enthalpy kept: a skin that takes water from within
frees the heat of bound water, up to 0.8 K (a simplification: pellets reach the bed less even than that).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.model.bed import BoundWater, tabulate_bound_water
from coolsim.model.pellet_shells import Shells, shells
from coolsim.physics import air, pellet, sorption
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

SPEED = 0.05  # m/s of the air past a pellet; assumed
SHELLS, GRADING = 14, 4.0  # shells of a pellet, graded to its surface
STEPS, GROWTH = 8, 1.8  # of the coarser run; each is so much longer than the one before
TOLERANCE, MOST_STEPS = (
    1e-8,
    60,
)  # of Newton's method: in shares of 1 K and of 0.1 kg/kg; balances hold exactly
NUDGE = 1e-7  # by which slopes are found


@dataclass(frozen=True)
class Sphere:
    """Pellets of many cases: every number an array (cases,)."""

    radius: Array
    solid_density: Array  # kg dry solid per m³ of pellet
    specific_heat: Array
    conductivity: Array
    diffusivity: Diffusivity
    isotherm: Isotherm


def after_way(
    sphere: Sphere,
    moisture: Array,
    temperature: Array,
    seconds: Array,
    dry_air: Array,
    outside: Array,
    humidity_ratio: Array,
    pressure: Array,
) -> tuple[Array, Array]:
    """Moisture [kg/kg dry] and temperature [°C] after the way, each (cases,).

    seconds: how long it takes; dry_air: kg of it per kg of dry solid; outside: the air's temperature [°C].
    Where either is 0, pellets arrive as they left. Raises NotConverged.
    """
    X, T = np.array(moisture, float), np.array(temperature, float)
    some = np.flatnonzero((seconds > 0) & (dry_air > 0))
    if not len(some):
        return X, T
    own = _Way.of(sphere, some, X, T, dry_air, outside, humidity_ratio, pressure)
    nudged = _Way.of(sphere, np.tile(some, 3), X, T, dry_air, outside, humidity_ratio, pressure)
    runs = [_run(own, nudged, np.asarray(seconds, float)[some], n) for n in (STEPS, 2 * STEPS)]
    (X_1, H_1), (X_2, H_2) = runs
    # a step of first order; enthalpy is extrapolated, as temperature would open the balance
    X_end, H_end = 2 * X_2 - X_1, 2 * H_2 - H_1
    X[some] = X_end
    T[some] = (H_end + own.Q(X_end)[0]) / (own.c_d + air.HEAT_CAPACITY_WATER * X_end)
    return X, T


@dataclass(frozen=True)
class _Way:
    """Some cases as they begin."""

    radius: Array
    density: Array
    c_d: Array
    conductivity: Array
    law: Diffusivity
    isotherm: Isotherm
    Q: BoundWater
    shells: Shells
    X_0: Array
    T_0: Array
    H_0: Array
    a: Array
    Ta_0: Array
    Y_0: Array
    p: Array

    @staticmethod
    def of(s: Sphere, some: Any, X: Array, T: Array, a: Array, Ta: Array, Y: Array, p: Array) -> _Way:
        def cut(x: Any) -> Any:
            return np.broadcast_to(np.asarray(x, float), X.shape)[some]

        def each(data: Any, names: tuple[str, ...]) -> dict[str, Any]:
            return {n: cut(getattr(data, n)) for n in names}

        law = Diffusivity(
            **each(s.diffusivity, ("value", "at", "activation_energy", "moisture_slope", "at_moisture"))
        )
        isotherm = Isotherm(
            s.isotherm.equation,
            tuple(cut(c) for c in s.isotherm.constants),
            **each(s.isotherm, ("fat", "scale")),
        )
        c_d, Q = cut(s.specific_heat), tabulate_bound_water(isotherm, len(some))
        X_0, T_0 = cut(X), cut(T)
        H_0 = pellet.enthalpy(c_d, X_0, T_0, Q(X_0)[0])
        return _Way(
            cut(s.radius), cut(s.solid_density), c_d, cut(s.conductivity), law, isotherm, Q,
            shells(SHELLS, np.full(len(some), GRADING)), X_0, T_0, H_0, cut(a), cut(Ta), cut(Y), cut(p),
        )  # fmt: skip

    @property
    def per_area(self) -> Array:
        """Dry solid per surface [kg/m²]."""
        return self.density * self.radius / 3

    def film(self, Ta: Array, Ts: Array) -> tuple[Array, Array]:
        """h [W/(m² K)] and K = k_m p M_w/(R T_f) [kg/(m² s)] of a single sphere."""
        d, T_f = 2 * self.radius, 0.5 * (Ta + Ts)
        nu = air.viscosity(T_f) / air.density(T_f, self.p)
        k, D = air.thermal_conductivity(T_f), air.vapour_diffusivity(T_f, self.p)
        prandtl = air.HEAT_CAPACITY_DRY_AIR * air.viscosity(T_f) / k
        root = 0.6 * np.sqrt(SPEED * d / nu)
        h = (2 + root * np.cbrt(prandtl)) * k / d
        k_m = (2 + root * np.cbrt(nu / D)) * D / d
        return h, k_m * self.p / (air.GAS_CONSTANT_WATER * (T_f + air.ZERO_CELSIUS))


def _run(w: _Way, nudged: _Way, seconds: Array, steps: int) -> tuple[Array, Array]:
    """Mean moisture and enthalpy after `seconds` (cases,) in so many steps; nudged: the cases three times."""
    growth = GROWTH ** (STEPS / steps)
    lengths = growth ** np.arange(steps)
    X = np.repeat(w.X_0[None], SHELLS, axis=0)
    mean, H = w.X_0.copy(), w.H_0.copy()
    guess = np.stack([w.X_0, w.T_0, w.T_0])
    for share in lengths / lengths.sum():
        X, mean, H, guess = _step(w, nudged, X, mean, H, guess, share * seconds)
    return mean, H


def _step(
    w: _Way, nudged: _Way, X: Array, mean: Array, H: Array, guess: Array, dt: Array
) -> tuple[Array, Array, Array, Array]:
    """One implicit step: three unknowns a case (moisture and temperature of its surface, its own temperature).

    Their slopes are found side by side, one unknown after the other moved in all cases.
    """
    Q_before = (w.shells.volume * w.Q(X)[0]).sum(axis=0)
    before = X, mean, H, Q_before
    X_3, mean_3, H_3, Q_3, dt_3 = (np.tile(x, 3) for x in (*before, dt))
    scale = np.array([0.1, 1.0, 1.0])[:, None]
    nudge = np.repeat(NUDGE * np.diag(scale[:, 0]), len(mean), axis=1)
    u = guess
    for _ in range(MOST_STEPS):
        residual = _after(w, *before, u, dt)[0]
        there = _after(nudged, X_3, mean_3, H_3, Q_3, np.tile(u, 3) + nudge, dt_3)[0]
        slopes = (there.reshape(3, 3, -1) - residual[:, None]) / NUDGE
        step = np.linalg.solve(slopes.transpose(2, 0, 1), -residual.T[..., None])[..., 0].T
        step = np.clip(step, [[-0.3], [-8.0], [-8.0]], [[0.3], [8.0], [8.0]]) * scale
        new = u + step
        new[0] = np.maximum(new[0], 0.2 * u[0])  # no surface drier than dry
        u = new
        if np.all(np.abs(step) < TOLERANCE * scale):
            break
    else:
        raise NotConverged("the way from the die did not converge", np.flatnonzero(np.abs(step).max(0)), None)
    _, X, mean, H = _after(w, *before, u, dt)
    return X, mean, H, u


def _after(
    w: _Way, X: Array, mean: Array, H: Array, Q_before: Array, u: Array, dt: Array
) -> tuple[Array, Array, Array, Array]:
    """Residuals (3, cases) of a step that ends with surface `u`, and shells, mean and enthalpy at its end."""
    Xs, Ts, Tp = u
    c_w = air.HEAT_CAPACITY_WATER
    X_new = _diffused(w, X, Xs, Ts, dt)
    new = (w.shells.volume * X_new).sum(axis=0)
    J = (mean - new) * w.per_area / dt
    Q = (w.shells.volume * w.Q(X_new)[0]).sum(axis=0)
    H_new = (w.c_d + c_w * new) * Tp - Q
    Y = w.Y_0 + (w.X_0 - new) / w.a
    Ta = air.temperature_from_enthalpy(air.enthalpy(w.Ta_0, w.Y_0) + (w.H_0 - H_new) / w.a, Y)
    h, K = w.film(Ta, Ts)
    vapour, q = air.vapour_enthalpy(Ts), h * (Ts - Ta)
    bound = (Q_before - Q) * w.per_area / dt  # what water takes up as it comes loose, per surface
    inside = 5 * w.conductivity / w.radius
    p_s = sorption.water_activity(w.isotherm, Xs, Ts) * air.saturation_pressure(Ts)
    rest = (w.p - air.vapour_pressure(Y, w.p)) * np.exp(np.clip(-J / K, -50.0, 50.0))
    residual = np.stack(
        [
            (w.p - rest - p_s) / w.p,
            (inside * (Tp - Ts) - q - J * (vapour - c_w * Tp) - bound) / inside,
            ((H - H_new) * w.per_area / dt - q - J * vapour) / inside,
        ]
    )
    return residual, X_new, new, H_new


def _diffused(w: _Way, X: Array, Xs: Array, Ts: Array, dt: Array) -> Array:
    """Moisture of the shells at the end of a step whose surface ends at Xs, with D at Ts (Thomas's algorithm).

    D of a law that hangs on moisture is taken at each shell's at the beginning of the step.
    """
    g, V = w.shells.conductance, w.shells.volume
    D = pellet.diffusivity(w.law, Ts, 0.5 * (X + np.concatenate([X[1:], Xs[None]])))
    c = g * D / w.radius**2 * dt
    inner = np.concatenate([np.zeros_like(c[:1]), c[:-1]])
    diagonal, right = V + c + inner, V * X
    right[-1] = right[-1] + c[-1] * Xs
    n = len(X)
    above, value = np.empty_like(X), np.empty_like(X)
    above[0], value[0] = c[0] / diagonal[0], right[0] / diagonal[0]
    for i in range(1, n):
        pivot = diagonal[i] - inner[i] * above[i - 1]
        above[i], value[i] = c[i] / pivot, (right[i] + inner[i] * value[i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        value[i] += above[i] * value[i + 1]
    return value
