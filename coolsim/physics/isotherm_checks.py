"""Whether an isotherm means anything: constants that were mistyped give curves that no solid has."""

from __future__ import annotations

import numpy as np

from coolsim.physics.sorption import Isotherm, water_activity
from coolsim.support.fields import Array

TEMPERATURES = (5.0, 25.0, 50.0)  # °C, where every feed is handled
DRIEST, WETTEST = 0.01, 1.0  # kg/kg dry: no solid is near saturation at the one, none below 0.9 at the other
LEAST_RISE = 0.005  # kg/kg dry between water activities of 0.3 and 0.9; corn has 0.12


def objection(isotherm: Isotherm) -> str:
    """Return in words what is wrong with an isotherm, "" if nothing: it must rise, slowly, from dry to 0.9."""
    X = np.geomspace(1e-3, WETTEST, 400)
    for T in TEMPERATURES:
        with np.errstate(all="ignore"):
            a_w = np.asarray(water_activity(isotherm, X, T), float)
        found = _wrong_with(X, a_w)
        if found:
            return f"at {T:g} degC its water activity {found}"
    return ""


def _wrong_with(X: Array, a_w: Array) -> str:
    if not np.isfinite(a_w).all():
        return "is no number at some moistures"
    falls = np.flatnonzero(np.diff(a_w) < -1e-9)
    if len(falls):
        return f"falls as moisture rises past {100 * X[falls[0]]:.3g} % (dry basis)"
    if a_w[-1] < 0.9:
        return f"stays at {a_w[-1]:.2g} up to {100 * WETTEST:.0f} % of moisture (dry basis): it never reaches 0.9"
    if a_w[0] < 0 or np.interp(DRIEST, X, a_w) > 0.9:
        return f"is above 0.9 at {100 * DRIEST:.0f} % of moisture (dry basis) already: it holds no water"
    rise = float(np.interp(0.9, a_w, X) - np.interp(0.3, a_w, X))
    if rise < LEAST_RISE:
        return f"leaps from 0.3 to 0.9 within {100 * rise:.2g} points of moisture"
    return ""
