"""Columns of uneven beds by hand: their shares, how the air splits between them, and what they mix to."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
from scipy.optimize import brentq
from shipped import level

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.physics import air

COOLER = level("humid-delta")


BATCH = level("evening-batch")


BELT = level("belt-four-zones")


LINE = level("dryer-then-cooler")


NODES, WEIGHTS = (-(3**0.5), 0.0, 3**0.5), (1 / 6, 2 / 3, 1 / 6)  # Gauss–Hermite of three points


def uneven(case: Case, **deviations: float) -> Case:
    return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **deviations))


def ergun(case: Case, T: float) -> tuple[float, float]:
    """Factors of u and u² of Ergun's gradient, in air from outside heated to T, written out."""
    feed, outside = case.feed, case.air
    Y = air.humidity_ratio_from_relative_humidity(
        outside.temperature, outside.relative_humidity, outside.pressure
    )
    d_p = 6 * (feed.diameter**2 * feed.length / 4) / (feed.diameter * feed.length + feed.diameter**2 / 2)
    rho, mu, eps = air.moist_density(T, Y, outside.pressure), air.viscosity(T), feed.void_fraction
    return 150 * mu * (1 - eps) ** 2 / (eps**3 * d_p**2), 1.75 * rho * (1 - eps) / (eps**3 * d_p)


def split(case: Case, depth: np.ndarray, area: np.ndarray, velocity: float, T: float) -> np.ndarray:
    """Velocity through each column, of the mean, with the drop by Brent's method."""
    b, a = ergun(case, T)

    def through(drop: float) -> np.ndarray:
        return (np.sqrt(b * b + 4 * a * drop / depth) - b) / (2 * a)

    drop = brentq(lambda p: area @ through(p) - velocity, 1e-6, 1e6, xtol=1e-10)
    return through(drop) / velocity


def gauss(sigma_depth: float, sigma_speed: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    pairs = list(itertools.product(range(3), range(3)))
    w = np.array([WEIGHTS[i] * WEIGHTS[j] for i, j in pairs])
    depth = np.array([1 + sigma_depth * NODES[i] for i, _ in pairs])
    return w, depth, np.array([1 + sigma_speed * NODES[j] for _, j in pairs])


def mixed(case: Case, parts: list[Result], solid: np.ndarray) -> tuple[float, float]:
    """Moisture, wet basis, and temperature by heat capacity: the heat of mixing bound water is below 0.02 K."""
    X = np.array([r.pellets_out.moisture_db for r in parts])
    T = np.array([r.pellets_out.temperature for r in parts])
    heat = solid * (case.material.specific_heat + 4186 * X)
    mean = float(solid @ X)
    return mean / (1 + mean), float(heat @ T / heat.sum())
