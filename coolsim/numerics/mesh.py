"""Meshes that are fine where the solution is thin. Every case has a mesh of its own, along the last axis."""

from __future__ import annotations

import numpy as np

from coolsim.support.fields import Array


def surface_graded_faces(shells: int, grading: Array) -> tuple[Array, Array]:
    """Faces (shells + 1, cases) and middles (shells, cases) from 0 (centre) to 1 (surface).

    Distance from the surface is (e^{γs} − 1)/(e^γ − 1) at equal steps of s: shells grow by e^{γ/shells}
    each, so a mesh of twice the shells halves every step smoothly and errors fall by four.
    """

    def radius(s: Array) -> Array:
        return 1.0 - np.expm1(grading * s[:, None]) / np.expm1(grading)

    faces = radius(np.linspace(1.0, 0.0, shells + 1))
    faces[0], faces[-1] = 0.0, 1.0
    return faces, radius((np.arange(shells, 0, -1) - 0.5) / shells)


def layered_nodes(cells: int, top: Array, bottom: Array) -> Array:
    """Nodes (cells + 1, cases) on 0…1, graded towards both ends.

    Equal shares of the nodes go to the middle and to each end, whose layers are `top` and `bottom` thick
    (fractions of the length): the density is 1 + 1/(z + top)/ln(1 + 1/top) + the same from the bottom.
    """
    z = _end_graded_grid(np.minimum(top, bottom))
    return _invert(_layered_share(z, top, bottom), z, cells)


def doubled(z: Array) -> Array:
    """The same cells (nodes (K + 1, cases)) and as many without thickness between them: nodes (2K + 1, cases).

    Of an even number of cells each half is the other's mirror image, and both ends are cells with thickness.
    """
    times = np.full(len(z), 2)
    times[[0, -1]] = 1
    times[len(z) // 2] += 1
    return np.repeat(z, times, axis=0)


def followed_nodes(cells: int, top: Array, bottom: Array, z: Array, weight: Array, follow: float) -> Array:
    """As `layered_nodes`, but a share `follow` of the nodes goes by a weight (n, B) between z (n + 1, B)."""
    share = np.zeros_like(z)
    np.cumsum(weight, axis=0, out=share[1:])
    share /= share[-1]
    grid = _end_graded_grid(np.minimum(top, bottom))
    mixed = (1 - follow) * _layered_share(grid, top, bottom) + follow * _interpolate(grid, z, share)
    return _invert(mixed, grid, cells)


def _layered_share(z: Array, top: Array, bottom: Array) -> Array:
    """Share of a layered mesh's nodes above z, from 0 to 1."""
    from_top = np.log1p(z / top) / np.log1p(1 / top)
    from_bottom = 1 - np.log1p((1 - z) / bottom) / np.log1p(1 / bottom)
    return (z + from_top + from_bottom) / 3


def _end_graded_grid(thinnest: Array, points: int = 121) -> Array:
    """A fine grid on 0…1, geometric towards both ends, to tabulate shares on: (points, cases)."""
    s = np.linspace(-1.0, 1.0, points)[:, None]
    gamma = np.log1p(1.0 / thinnest)
    half = 0.5 * np.expm1(gamma * (1 - np.abs(s))) / np.expm1(gamma)
    return np.where(s < 0, half, 1.0 - half)


def _interpolate(at: Array, z: Array, f: Array) -> Array:
    """f (n, cases) given at z (n, cases), increasing, linearly interpolated at (m, cases)."""
    k = np.clip((z[:, None] < at).sum(axis=0), 1, len(z) - 1)
    z_0, z_1 = np.take_along_axis(z, k - 1, 0), np.take_along_axis(z, k, 0)
    f_0, f_1 = np.take_along_axis(f, k - 1, 0), np.take_along_axis(f, k, 0)
    return f_0 + (f_1 - f_0) * (at - z_0) / (z_1 - z_0)


def _invert(share: Array, z: Array, cells: int) -> Array:
    """z at which `share` (increasing from 0 to 1, (n, cases)) reaches equal parts."""
    parts = np.broadcast_to(np.linspace(0.0, 1.0, cells + 1)[:, None], (cells + 1, z.shape[1]))
    nodes = _interpolate(parts, share, z)
    nodes[0], nodes[-1] = 0.0, 1.0
    return nodes
