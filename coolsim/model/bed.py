"""A bed of pellets as the models see it: numbers of many cases side by side, and what does not change within it.

Shared by every arrangement. Each number has shape (cases,); symbols as in the docstrings of physics.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.physics import sorption
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array


@dataclass(frozen=True)
class BoundWater:
    """Q(X) = ∫₀ˣ q_st dX of one or more isotherms, tabulated at equal steps of moisture.

    Between the knots Q is a cubic with the exact q_st at both ends, and the q_st that the solver uses is its
    derivative, so energy closes to rounding however coarse the table. `row` says whose table a case uses.
    """

    step: float
    cubic: Array  # coefficients of Q in the share of a step, (4, tables · intervals)
    row: NDArray[np.intp]  # first interval of a case's table, (cases,)

    def __call__(self, moisture: Array) -> tuple[Array, Array]:
        """Q [J/kg dry] and q_st [J/kg] at moisture (…, cases); beyond HIGHEST_MOISTURE those of there."""
        s = np.minimum(moisture * (1 / self.step), INTERVALS)
        k = s.astype(np.intp)
        np.clip(k, 0, INTERVALS - 1, out=k)
        s -= k
        k += self.row
        c_1, c_2, c_3 = self.cubic[1].take(k), self.cubic[2].take(k), self.cubic[3].take(k)
        Q = self.cubic[0].take(k)
        Q += s * (c_1 + s * (c_2 + s * c_3))
        q = c_1
        q += s * (2 * c_2 + 3 * s * c_3)
        q *= 1 / self.step
        return Q, q


MOISTURE_STEP = (
    0.0025  # kg/kg dry; Q within 60 J/kg of quadrature (0.03 K), from gab's kink of q_st; others 8
)
HIGHEST_MOISTURE = 2.0  # kg/kg dry; water beyond is as good as free
INTERVALS = round(HIGHEST_MOISTURE / MOISTURE_STEP)


def tabulate_bound_water(isotherm: Isotherm, cases: int) -> BoundWater:
    """Tables of Q for the isotherms of `cases` cases, each distinct isotherm once."""
    parts = np.broadcast_arrays(*isotherm.constants, isotherm.fat, isotherm.scale, np.empty(cases))[:-1]
    if cases == 1:
        cubic = _one_table(isotherm.equation, tuple(float(part[0]) for part in parts))
        return BoundWater(MOISTURE_STEP, cubic, np.zeros(1, np.intp))
    distinct, which = np.unique(np.array(parts), axis=1, return_inverse=True)
    cubic = _tables(isotherm.equation, distinct[:, :, None])
    return BoundWater(MOISTURE_STEP, cubic, which.reshape(cases) * INTERVALS)


@lru_cache(maxsize=64)
def _one_table(equation: str, parts: tuple[float, ...]) -> Array:
    """The table of one isotherm; the same pellets are asked for again and again."""
    return _tables(equation, np.array(parts)[:, None, None])


def _tables(equation: str, parts: Array) -> Array:
    """Cubics (4, tables · intervals) for isotherms of constants, fat and scale (parts, tables, 1)."""
    *constants, fat, scale = parts
    each = Isotherm(equation, tuple(constants), fat, scale)
    X = MOISTURE_STEP * np.arange(INTERVALS + 1)
    nodes, weights = np.polynomial.legendre.leggauss(3)
    middle = 0.5 * (X[1:] + X[:-1])
    rise = sum(
        0.5 * MOISTURE_STEP * weight * sorption.heat_of_desorption(each, middle + 0.5 * MOISTURE_STEP * node)
        for node, weight in zip(nodes, weights)
    )
    q = np.broadcast_to(sorption.heat_of_desorption(each, X) * MOISTURE_STEP, (parts.shape[1], len(X)))
    q_0, q_1 = q[:, :-1], q[:, 1:]
    Q_0 = np.cumsum(rise, axis=1) - rise
    cubic = np.stack([Q_0, q_0, 3 * rise - 2 * q_0 - q_1, q_0 + q_1 - 2 * rise]).reshape(4, -1)
    cubic.flags.writeable = False  # shared by every bed of these pellets
    return cubic


@dataclass(frozen=True)
class Fed:
    """Feed that brings its moisture unevenly spread over the pellet, from the machine before.

    It is told by share of the pellet's volume, not by radius: bodies of one surface per volume that stand for the
    same cylinder (pellet_shells) then agree on what lies how deep below the surface.
    """

    volume: Array  # share of the pellet that each shell is, from the centre out, (n, cases)
    moisture: Array  # of each shell, (n, cases); its mean is the bed's feed_moisture_db
    bound_heat: Array  # ⟨Q⟩ [J/kg dry] behind feed_temperature: what holds the enthalpy on any mesh, (cases,)


@dataclass(frozen=True)
class Bed:
    """Many cases of one arrangement and one form of isotherm. Every number is an array (cases,)."""

    radius: Array  # R, m
    conductivity: Array  # k, W/(m K)
    specific_heat: Array  # c_d, J/(kg K)
    solid_density: Array  # ρ_d, kg dry solid per m³ of pellet
    void_fraction: Array  # ε
    diffusivity: Diffusivity  # of arrays
    isotherm: Isotherm  # of arrays
    bound_water: BoundWater
    solid_flux: Array  # Gs, kg dry solid/(m² s)
    air_flux: Array  # Ga, kg dry air/(m² s)
    depth: Array  # L, m
    pressure: Array  # p, Pa
    feed_moisture_db: Array  # X_in, kg/kg dry
    feed_temperature: Array  # °C
    inlet_air_temperature: Array  # °C
    inlet_humidity_ratio: Array  # kg/kg dry air
    fed: Fed | None = None  # None: the feed's moisture is the same throughout the pellet
    resistance: Any = 1.0  # pressure drop as a multiple of the clean bed's

    @property
    def cases(self) -> int:
        return self.radius.shape[0]

    @property
    def residence_time(self) -> Array:
        """τ = ρ_d (1−ε) L/Gs [s]."""
        return self.solid_density * (1 - self.void_fraction) * self.depth / self.solid_flux

    @property
    def surface(self) -> Array:
        """Pellet surface per floor area, a L = 3(1−ε) L/R [-]."""
        return 3 * (1 - self.void_fraction) / self.radius * self.depth


_ABOVE_NOTHING = ("radius", "solid_density", "solid_flux", "air_flux", "depth", "pressure")


def refuse_impossible(bed: Bed, cases: int) -> None:
    """Raise NotConverged, before anything is tried, where a bed has a number with which nothing can be computed.

    cases: how many there are; the bed may hold several columns of each.
    """
    for field in dataclasses.fields(bed):
        values = getattr(bed, field.name)
        if not isinstance(values, np.ndarray):
            continue
        wrong = ~np.isfinite(values)
        if field.name in _ABOVE_NOTHING:
            wrong |= values <= 0.0
        if field.name in ("inlet_humidity_ratio", "feed_moisture_db"):
            wrong |= values < 0.0
        if wrong.any():
            failed = np.unique(np.flatnonzero(wrong) % cases)
            who = "the case" if cases == 1 else f"{len(failed)} of {cases} cases"
            value = values[np.flatnonzero(wrong)[0]]
            reason = f"{who} cannot be computed: {field.name.replace('_', ' ')} is {value:.4g}"
            raise NotConverged(reason, failed)


def take(data: Any, index: Any) -> Any:
    """The cases `index` of a (nested) data class whose arrays carry the cases along their last axis."""
    if isinstance(data, np.ndarray):
        return data[..., index]
    if isinstance(data, tuple):
        return tuple(take(part, index) for part in data)
    if isinstance(data, BoundWater):
        return dataclasses.replace(data, row=data.row[index])
    if dataclasses.is_dataclass(data):
        parts = {f.name: take(getattr(data, f.name), index) for f in dataclasses.fields(data)}
        return dataclasses.replace(data, **parts)  # type: ignore[type-var]
    return data
