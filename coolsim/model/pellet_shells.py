"""Moisture inside the pellets: Fick's law on shells of the equivalent sphere, fine under the surface.

∂X/∂t = r⁻² ∂/∂r(r² D ∂X/∂r) in finite volumes. D = D(Ts) e^{b(X−X_ref)} is integrated exactly between
two shells by Kirchhoff's variable θ = (e^{b(X−X_ref)} − 1)/b (θ = X − X_ref where b = 0). Shared by every bed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coolsim.model.bed import Bed, Fed
from coolsim.numerics.mesh import surface_graded_faces
from coolsim.numerics.monotone import monotone
from coolsim.physics import pellet
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Shells:
    """Shells from the centre out, on a radius of one."""

    volume: Array  # share of the pellet, (n, cases); sums to 1
    middle: Array  # r of each shell's middle, (n, cases)
    conductance: Array  # 3 r²/Δr at each outer face, (n, cases); the last one to the surface


def shells(count: int, grading: Array) -> Shells:
    """`count` shells per case, graded to the surface by `grading` (cases,)."""
    faces, middle = surface_graded_faces(count, grading)
    conductance = np.empty_like(middle)
    conductance[:-1] = 3 * faces[1:-1] ** 2 / np.diff(middle, axis=0)
    conductance[-1] = 3 / (1 - middle[-1])
    return Shells(np.diff(faces**3, axis=0), middle, conductance)


def shaped_shells(count: int, grading: Array, exponent: Array) -> Shells:
    """As `shells`, of the body whose surfaces grow as r^exponent (physics.pellet.shape_exponent).

    Conductances are per rate D/R² of the equivalent sphere, R = 3V/S, although this body's own radius is
    (exponent + 1) V/S: so that whoever knows the sphere need not know of its shape.
    """
    faces, middle = surface_graded_faces(count, grading)
    scale = 9 / (exponent + 1)
    conductance = np.empty_like(middle)
    conductance[:-1] = scale * faces[1:-1] ** exponent / np.diff(middle, axis=0)
    conductance[-1] = scale / (1 - middle[-1])
    return Shells(np.diff(faces ** (exponent + 1), axis=0), middle, conductance)


def on_shells(fed: Fed, volume: Array) -> Array:
    """Moisture of other shells, of volumes (m, cases): the same mean to rounding, and nowhere below zero.

    Water within a share of the volume is interpolated, monotonely, rather than moisture.
    """
    if np.array_equal(volume, fed.volume):
        return fed.moisture
    within = np.zeros((len(fed.volume) + 1, volume.shape[1]))
    np.cumsum(fed.volume * fed.moisture, axis=0, out=within[1:])
    old, new = _shares(fed.volume), _shares(volume)
    water = np.empty_like(new)
    for case in range(volume.shape[1]):
        water[:, case] = monotone(old[:, case], within[:, case], new[:, case])
    full = volume > 0  # a shell without volume (see spread) is as moist as the one inside it
    moisture = np.diff(water, axis=0) / np.where(full, volume, 1.0)
    within_it = np.maximum.accumulate(np.where(full, np.arange(len(volume))[:, None], 0), axis=0)
    return np.asarray(np.take_along_axis(moisture, within_it, axis=0))


def _shares(volume: Array) -> Array:
    """Share of the volume within each face, (n + 1, cases)."""
    inside = np.zeros((len(volume) + 1, volume.shape[1]))
    np.cumsum(volume, axis=0, out=inside[1:])
    return inside / inside[-1]


def feed_shells(bed: Bed, sh: Shells) -> Array:
    """Moisture of the feed in each shell, (n, cases)."""
    if bed.fed is None:
        return np.broadcast_to(bed.feed_moisture_db, sh.volume.shape)
    return on_shells(bed.fed, sh.volume)


def with_empty_shells(sh: Shells) -> Shells:
    """The same shells with one without volume outside each: a mesh of half as many on twice as many places.

    What crosses a face crosses it twice, each time with half the resistance.
    """
    n, cases = sh.volume.shape
    volume = np.zeros((n, 2, cases))
    volume[:, 0] = sh.volume
    return Shells(
        volume.reshape(2 * n, cases),
        np.repeat(sh.middle, 2, axis=0),
        np.repeat(2 * sh.conductance, 2, axis=0),
    )


@dataclass(frozen=True)
class Diffusion:
    """Diffusion at the stages of a bed's cells: inflow per shell and the flux to the surface, with slopes."""

    rate: Array  # D(Ts)/R² [1/s], (K, 2, B)
    rate_log_slope: Array  # ∂ln D/∂Ts [1/K], (K, 2, B)
    inflow: Array  # per shell, times rate = volume · dX/dt, (K, n, 2, B)
    slope: Array | float  # dθ/dX of each shell, (K, n, 2, B) or 1
    surface_slope: Array | float  # dθ/dX at the surface, (K, 2, B) or 1
    flux: Array  # J out of the surface [kg/(m² s)], (K, 2, B)
    flux_by_last: Array  # ∂J/∂X of the outermost shell, (K, 2, B)
    flux_by_surface: Array  # ∂J/∂Xs, (K, 2, B)


def diffuse(bed: Bed, sh: Shells, X: Array, Xs: Array, Ts: Array) -> Diffusion:
    """Diffusion in pellets of shell moistures X (K, n, 2, B), surface moisture Xs and temperature Ts (K, 2, B)."""
    law = bed.diffusivity
    b = law.moisture_slope
    rate = pellet.diffusivity(law, Ts, law.at_moisture) / bed.radius**2
    slope: Array | float = 1.0
    surface_slope: Array | float = 1.0
    theta, theta_s = X, Xs
    if np.any(b != 0):
        safe = np.where(b == 0, 1.0, b)
        above, above_s = X - law.at_moisture, Xs - law.at_moisture
        theta = np.where(b == 0, above, np.expm1(b * above) / safe)
        theta_s = np.where(b == 0, above_s, np.expm1(b * above_s) / safe)
        slope, surface_slope = np.exp(b * above), np.exp(b * above_s)
    g = sh.conductance[:, None]
    inflow = np.empty_like(X)
    inflow[:, :-1] = g[:-1] * (theta[:, 1:] - theta[:, :-1])
    inflow[:, -1] = g[-1] * (theta_s - theta[:, -1])
    to_surface = -inflow[:, -1]
    per_flux = bed.solid_density * bed.radius / 3 * rate
    flux = per_flux * to_surface
    inflow[:, 1:] -= inflow[:, :-1].copy()
    per_moisture = per_flux * sh.conductance[-1]
    last_slope = slope if isinstance(slope, float) else slope[:, -1]
    return Diffusion(
        rate,
        pellet.diffusivity_log_slope(law, Ts),
        inflow,
        slope,
        surface_slope,
        flux,
        per_moisture * last_slope,
        -per_moisture * surface_slope,
    )
