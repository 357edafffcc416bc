"""An isotherm through measured points: each equation fitted, the best taken, what is left of each point told.

Least squares in moisture, from published constants on, with a faint pull toward them: where the points leave a
constant open (those of a single temperature say nothing of the others) it stays there. The best is that of the
least Akaike criterion for few points, among those that mean anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.physics.isotherm_checks import objection
from coolsim.physics.isotherms import EQUATIONS
from coolsim.physics.sorption import Isotherm, equilibrium_moisture
from coolsim.support.fields import Array, documented

FEWEST = 4  # points; fewer would pass through any curve
PULL = 0.02  # residual [percent of dry solid] of a constant that moved by its own size


@dataclass(frozen=True)
class SorptionPoint:
    """A measured point of an isotherm."""

    temperature: float = documented("°C", "at which it was measured")
    water_activity: float = documented("-", "of the solid, or of the air that it stood in")
    moisture: float = documented("kg/kg dry", "moisture of the whole solid, its fat included")


@dataclass(frozen=True)
class IsothermFit:
    """The equation that suits measured points best."""

    isotherm: Isotherm = documented("-", "equation and constants")
    residuals: Array = documented("kg/kg dry", "moisture by the isotherm less that measured, point by point")
    rms: float = documented("kg/kg dry", "root of the mean square of the residuals")
    others: dict[str, float] = documented("kg/kg dry", "rms of the other equations that mean anything")


def fit_isotherm(points: Sequence[SorptionPoint], fat: float = 0.0) -> IsothermFit | None:
    """Return the best isotherm through points of a solid with `fat` [kg/kg dry]; None where no equation fits."""
    T, a_w, X = (np.array([getattr(p, n) for p in points]) for n in SorptionPoint.__dataclass_fields__)
    fits = {name: _fitted(name, T, a_w, X, fat) for name in EQUATIONS}
    sound = {name: (i, r) for name, (i, r) in fits.items() if np.isfinite(r).all() and not objection(i)}
    if not sound:
        return None
    rms = {name: float(np.sqrt(np.mean(r**2))) for name, (_, r) in sound.items()}
    best = min(sound, key=lambda name: _criterion(rms[name], len(points), len(EQUATIONS[name].begin_from)))
    isotherm, residuals = sound[best]
    others = {name: rms[name] for name in sorted(rms, key=rms.__getitem__) if name != best}
    return IsothermFit(isotherm, residuals, rms[best], others)


def _criterion(rms: float, points: int, constants: int) -> float:
    """Akaike's criterion corrected for few points; where it has no correction, constants count twice over."""
    k = constants + 1  # and the scatter
    spare = points - k - 1
    penalty = 2 * k * (k + 1) / spare if spare > 0 else 2.0 * k * (k + 1)
    return points * float(np.log(max(rms, 1e-5) ** 2)) + 2 * k + penalty


def _fitted(name: str, T: Array, a_w: Array, X: Array, fat: float) -> tuple[Isotherm, Array]:
    """One equation's least squares; constants move as multiples of where they began."""
    from scipy.optimize import least_squares  # late: 0.1 s, and only where points were typed

    start = np.array(EQUATIONS[name].begin_from)

    def isotherm(moved: Array) -> Isotherm:
        return Isotherm(name, tuple(float(c) for c in start * (1 + moved)), fat)

    def residuals(moved: Array) -> Array:
        with np.errstate(all="ignore"):
            off = np.asarray(equilibrium_moisture(isotherm(moved), a_w, T), float) - X
        return np.where(np.isfinite(off), np.clip(off, -10.0, 10.0), 10.0)

    found = least_squares(
        lambda moved: np.concatenate([100 * residuals(moved), PULL * moved]),
        np.zeros(len(start)),
        x_scale=0.1,
    )
    return isotherm(found.x), residuals(found.x)
