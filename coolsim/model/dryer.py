"""A dryer as numbers: its bed, mesh and air supply, the pellets that lie in it, and what is blown in.

What enters is a share of what leaves, mixed with fresh air and heated. Pellets may shrink by a share of the volume
of the water they lose, all shells alike; their dry solid and number stay.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coolsim.model.bed import Bed
from coolsim.model.pellet_shells import Shells, feed_shells
from coolsim.model.surface import REAL, Laws
from coolsim.numerics.stages import GAUSS_POINTS
from coolsim.support.fields import Array

WATER_DENSITY = 1000.0  # kg/m³, of the water whose volume a pellet shrinks by


@dataclass(frozen=True)
class Supply:
    """Where the air comes from. Every number is an array (cases,)."""

    fresh_humidity_ratio: Array  # kg/kg
    fresh_enthalpy: Array  # J/kg dry air
    set_temperature: Array  # °C that the heater aims at; −inf: no heater; +inf: as hot as it can
    largest_heat: Array  # J/kg dry air that the heater can give; inf: any
    recirculation: Array  # share of the exhaust that comes back


@dataclass(frozen=True)
class Dryer:
    """A bed that is crossed by air, on a mesh of shells and nodes along the air's path."""

    bed: Bed
    supply: Supply
    shells: Shells
    exponent: Array  # of the pellets' shape (physics.pellet.shape_exponent), (B,)
    shrinkage: Array  # volume lost per volume of water lost, (B,)
    z: Array  # nodes on 0…1, (K + 1, B)
    laws: Laws = REAL
    mixed: bool = False  # whether the pellets are turned over all the time


@dataclass(frozen=True)
class Pellets:
    """What the pellets at P points carry from step to step: shells' moisture (P, n, B), enthalpy (P, B)."""

    moisture: Array
    enthalpy: Array


def point_weights(z: Array) -> Array:
    """Share of the bed that each point stands for, (P, B)."""
    return np.repeat(0.5 * np.diff(z, axis=0), 2, axis=0)


def point_positions(z: Array) -> Array:
    """Places of the points between the nodes z (N, B), as shares of the depth, (P, B)."""
    return (z[:-1, None] + np.diff(z, axis=0)[:, None] * GAUSS_POINTS[:, None]).reshape(-1, z.shape[1])


def fed_pellets(dryer: Dryer) -> Pellets:
    """Feed as it is laid: the same everywhere."""
    bed, points = dryer.bed, 2 * (len(dryer.z) - 1)
    Q = bed.bound_water(bed.feed_moisture_db)[0] if bed.fed is None else bed.fed.bound_heat
    H = dryer.laws.pellet_enthalpy(bed, bed.feed_moisture_db, bed.feed_temperature, Q)
    shape = points, len(dryer.shells.volume), bed.cases
    return Pellets(
        np.broadcast_to(feed_shells(bed, dryer.shells), shape).copy(),
        np.broadcast_to(H, (points, bed.cases)).copy(),
    )


def means(dryer: Dryer, X: Array) -> tuple[Array, Array]:
    """Mean moisture and ⟨Q⟩ of pellets of shell moistures (P, n, …, B)."""
    V = dryer.shells.volume.reshape(X.shape[1], *(1,) * (X.ndim - 3), -1)
    return (V * X).sum(axis=1), (V * dryer.bed.bound_water(X)[0]).sum(axis=1)


def temperature(dryer: Dryer, pellets: Pellets) -> Array:
    """Mean temperature of the pellets, (P, B)."""
    mean, Q = means(dryer, pellets.moisture)
    return dryer.laws.pellet_temperature(dryer.bed, mean, pellets.enthalpy, Q)


def radius_share(dryer: Dryer, mean_moisture: Array) -> Array:
    """Radius of pellets as a share of what it was as feed."""
    bed = dryer.bed
    lost = dryer.shrinkage * (bed.feed_moisture_db - mean_moisture) * (bed.solid_density / WATER_DENSITY)
    return np.asarray(np.cbrt(1 - lost))


# ---- What is blown in ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class BlownIn:
    """Air at the inlet, before and after the heater, and its slopes with the exhaust; all (…, B)."""

    humidity_ratio: Array
    mixed_enthalpy: Array
    enthalpy: Array
    enthalpy_by_humidity: Array  # ∂h/∂Y of the exhaust
    enthalpy_by_enthalpy: Array


def blown_in(supply: Supply, laws: Laws, humidity_ratio: Array, enthalpy: Array) -> BlownIn:
    """Mix a share of the exhaust with fresh air, and heat it to the set temperature or with all the heat there is.

    A heater does not cool: mixed air that is hotter than the set temperature enters as it is.
    """
    r = supply.recirculation
    Y = (1 - r) * supply.fresh_humidity_ratio + r * humidity_ratio
    mixed = (1 - r) * supply.fresh_enthalpy + r * enthalpy
    finite = np.isfinite(supply.set_temperature)
    T = np.where(finite, supply.set_temperature, 0.0)
    aimed = np.where(finite, laws.air_enthalpy(T, Y), supply.set_temperature)
    full = mixed + supply.largest_heat
    h = np.maximum(mixed, np.minimum(aimed, full))
    at_set = (aimed > mixed) & (aimed <= full)
    set_slope = np.where(at_set, laws.vapour_enthalpy(T), 0.0)
    return BlownIn(Y, mixed, h, r * set_slope, np.where(at_set, 0.0, r))
