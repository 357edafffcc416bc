"""A bed of pellets as the models see it: numbers of many cases side by side, and what does not change within it.

Shared by every arrangement. Each number has shape (cases,); symbols as in the docstrings of physics.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.fields import Array
from coolsim.physics import sorption
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm


@dataclass(frozen=True)
class BoundWater:
    """Q(X) = ∫₀ˣ q_st dX of one or more isotherms, tabulated at equal steps of moisture.

    Between the knots Q is a cubic with the exact q_st at both ends, and the q_st that the solver uses is its
    derivative, so energy closes to rounding however coarse the table. `row` says whose table a case uses.
    """

    step: float
    heat: Array  # Q at the knots, (tables, knots)
    slope: Array  # q_st · step at the knots, (tables, knots)
    row: NDArray[np.intp]  # (cases,)

    def __call__(self, moisture: Array) -> tuple[Array, Array]:
        """Q [J/kg dry] and q_st [J/kg] at moisture (…, cases); linear beyond the last knot and below zero."""
        knots = self.heat.shape[1]
        u = moisture * (1 / self.step)
        k = np.clip(u, 0, knots - 2).astype(np.intp)
        s = u - k
        k += self.row * knots
        Q_0, q_0 = self.heat.take(k), self.slope.take(k)
        k += 1
        rise, q_1 = self.heat.take(k) - Q_0, self.slope.take(k)
        outside = (s < 0) | (s > 1)
        c_2, c_3 = 3 * rise - 2 * q_0 - q_1, q_0 + q_1 - 2 * rise
        Q, q = Q_0 + s * (q_0 + s * (c_2 + s * c_3)), q_0 + s * (2 * c_2 + 3 * s * c_3)
        if outside.any():
            edge = np.where(s > 1, q_1, q_0)
            Q = np.where(outside, np.where(s > 1, Q_0 + rise + (s - 1) * q_1, Q_0 + s * q_0), Q)
            q = np.where(outside, edge, q)
        return Q, q / self.step


MOISTURE_STEP = 0.0025  # kg/kg dry; Q within 1e-7 of quadrature (tests)
HIGHEST_MOISTURE = 1.0  # kg/kg dry


def tabulate_bound_water(isotherm: Isotherm, cases: int) -> BoundWater:
    """Tables of Q for the isotherms of `cases` cases, each distinct isotherm once."""
    parts = np.broadcast_arrays(*isotherm.constants, isotherm.fat, isotherm.scale, np.empty(cases))[:-1]
    distinct, row = np.unique(np.array(parts), axis=1, return_inverse=True)
    *constants, fat, scale = distinct[:, :, None]
    each = Isotherm(isotherm.equation, tuple(constants), fat, scale)
    X = np.arange(0.0, HIGHEST_MOISTURE + MOISTURE_STEP / 2, MOISTURE_STEP)
    nodes, weights = np.polynomial.legendre.leggauss(3)
    middle = 0.5 * (X[1:] + X[:-1])
    rises = sum(
        0.5 * MOISTURE_STEP * weight * sorption.heat_of_desorption(each, middle + 0.5 * MOISTURE_STEP * node)
        for node, weight in zip(nodes, weights)
    )
    heat = np.zeros((distinct.shape[1], len(X)))
    np.cumsum(rises, axis=1, out=heat[:, 1:])
    slope = np.broadcast_to(sorption.heat_of_desorption(each, X), heat.shape) * MOISTURE_STEP
    return BoundWater(MOISTURE_STEP, heat, np.ascontiguousarray(slope), row.reshape(cases))


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
    feed_moisture: Array  # X_in, kg/kg dry
    feed_temperature: Array  # °C
    inlet_air_temperature: Array  # °C
    inlet_humidity_ratio: Array  # kg/kg dry air

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
