"""Linear equations of a column of cells, each holding a chain and a few points, solved for many cases at once.

The unknowns of a cell are a chain of n links (in the model: the moisture of a pellet's shells) and m
point variables, each at the two stages of numerics.stages. A cell hands its chain and two further numbers
down to the next cell, and two numbers up to the one above. Inside the cell the points see the chain
only through three functionals: its last link, its mean and one weighted sum; the chain sees only the first
two point variables: the first at its last link, the second everywhere.

The matrix is block-tridiagonal, but what comes back up is two numbers wide, so elimination from the top
down leaves in each cell an affine map of those two:

    chain = Z · (1, up, first two points),      points = s · (1, up from below).

Two ways through the same equations: `solve_many` eliminates each chain link by link, vectorised over
cases (2–3 times less work per case); `solve_few` writes each cell as one dense matrix for LAPACK (far
fewer calls). They agree to rounding; the tests hold both against a sparse factorisation of the whole matrix.
Elimination without pivoting between cells is safe because each stream is solved in its own direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.fields import Array
from coolsim.numerics.stages import DOWN

FEW = 40  # cases up to which LAPACK on whole cells is the quicker way (measured, tests/performance)


@dataclass(frozen=True)
class ChainCells:
    """Jacobian of K cells of n links and m/2 point variables, B cases. Points are ordered (variable, stage)."""

    mass: Array  # (n, B): the chain rows hold mass · (STAGE · x + ENTRY x_above)
    lower: Array  # (K, n, 2, B): chain row j by link j−1 (j = 0 unused)
    diagonal: Array  # (K, n, 2, B)
    upper: Array  # (K, n, 2, B): by link j+1 (j = n−1 unused)
    last_by_first: Array  # (K, 2, B): last link's row by the first point variable, own stage
    links_by_second: Array  # (K, n, 2, B): every link's row by the second point variable, own stage
    weight: Array  # (K, n, 2, B): weights of the third functional
    points: Array  # (K, m, m, B)
    points_by_functionals: Array  # (K, m, 6, B): by last (2 stages), mean (2), weighted sum (2)
    points_by_down: Array  # (K, m, 2, B): by the two numbers received from above
    points_by_up: Array  # (K, m, 2, B): by the two numbers received from below
    down_by_points: Array  # (K, 2, m, B): the two numbers handed down
    down_by_functionals: Array  # (K, 2, 6, B)
    up_by_points: Array  # (K, 2, m, B): the two numbers handed up


def solve(cells: ChainCells, chain_residual: Array, point_residual: Array) -> tuple[Array, Array]:
    """Newton step (−J⁻¹ r): chain (K, n, 2, B) and points (K, m, B) from residuals of the same shapes."""
    few = chain_residual.shape[-1] <= FEW
    return (solve_few if few else solve_many)(cells, chain_residual, point_residual)


# ---- Many cases: the chain link by link ---------------------------------------------------------------


def _times(a: Array, b: Array) -> Array:
    """Matrix product over the leading two axes of (p, q, B) and (q, r, B): (p, r, B)."""
    out = a[:, 0, None] * b[0]
    for j in range(1, len(b)):
        out += a[:, j, None] * b[j]
    return out


def _inverse_2x2(a: Array, axis: int) -> Array:
    """Inverse over two adjacent axes (axis, axis + 1) of length 2."""
    a = np.moveaxis(a, (axis, axis + 1), (0, 1))
    out = np.empty_like(a)
    determinant = a[0, 0] * a[1, 1] - a[0, 1] * a[1, 0]
    out[0, 0], out[1, 1] = a[1, 1] / determinant, a[0, 0] / determinant
    out[0, 1], out[1, 0] = -a[0, 1] / determinant, -a[1, 0] / determinant
    return np.moveaxis(out, (0, 1), (axis, axis + 1))


def _factor_chains(cells: ChainCells) -> tuple[Array, Array]:
    """Pivots' inverses and couplings to the next link, both (K, n, 2, 2, B), for all cells at once."""
    K, n, _, B = cells.diagonal.shape
    inverse, coupling = np.empty((K, n, 2, 2, B)), np.empty((K, n, 2, 2, B))
    for j in range(n):
        pivot = np.broadcast_to(DOWN.stage[:, :, None] * cells.mass[j], (K, 2, 2, B)).copy()
        pivot[:, 0, 0] += cells.diagonal[:, j, 0]
        pivot[:, 1, 1] += cells.diagonal[:, j, 1]
        if j:
            pivot -= cells.lower[:, j, :, None] * coupling[:, j - 1]
        inverse[:, j] = _inverse_2x2(pivot, 1)
        coupling[:, j] = inverse[:, j] * cells.upper[:, j, None]
    return inverse, coupling


def _point_columns(cells: ChainCells, inverse: Array, coupling: Array) -> Array:
    """Chain response (K, n, 2, 4, B) to the first and second point variable at both stages."""
    K, n, _, B = cells.diagonal.shape
    Z = np.zeros((K, n, 2, 4, B))
    carried = np.zeros((K, 2, 4, B))
    for j in range(n):
        right = np.zeros((K, 2, 4, B))
        for i in range(2):
            right[:, i, 2 + i] = -cells.links_by_second[:, j, i]
            if j == n - 1:
                right[:, i, i] = -cells.last_by_first[:, i]
        if j:
            right -= cells.lower[:, j, :, None] * carried
        carried = (
            inverse[:, j, :, 0, None] * right[:, None, 0] + inverse[:, j, :, 1, None] * right[:, None, 1]
        )
        Z[:, j] = carried
    for j in range(n - 2, -1, -1):
        W = coupling[:, j]
        Z[:, j] -= W[:, :, 0, None] * Z[:, None, j + 1, 0] + W[:, :, 1, None] * Z[:, None, j + 1, 1]
    return Z


def _substitute(inverse: Array, coupling: Array, lower: Array, right: Array) -> Array:
    """Chain response of one cell to right-hand sides (n, 2, c, B), from its factors (n, 2, 2, B)."""
    n = len(right)
    Z = np.empty_like(right)
    for j in range(n):
        r = right[j]
        if j:
            r = r - lower[j, :, None] * Z[j - 1]
        Z[j] = inverse[j, :, 0, None] * r[0] + inverse[j, :, 1, None] * r[1]
    for j in range(n - 2, -1, -1):
        Z[j] -= coupling[j, :, 0, None] * Z[j + 1, 0] + coupling[j, :, 1, None] * Z[j + 1, 1]
    return Z


def _functionals(mass: Array, weight: Array, Z: Array) -> Array:
    """Last link, mean and weighted sum of responses (n, 2, c, B) at both stages: (6, c, B)."""
    mean = mass[0] * Z[0]
    weighted = weight[0, :, None] * Z[0]
    for j in range(1, len(Z)):
        mean += mass[j] * Z[j]
        weighted += weight[j, :, None] * Z[j]
    return np.concatenate([Z[-1], mean, weighted])


def solve_many(cells: ChainCells, chain_residual: Array, point_residual: Array) -> tuple[Array, Array]:
    """As `solve`: each chain eliminated link by link, vectorised over cases."""
    K, n, _, B = chain_residual.shape
    m = point_residual.shape[1]
    inverse, coupling = _factor_chains(cells)
    Z = np.empty((K, n, 2, 7, B))  # columns: 1, two numbers handed up, first points, second points
    Z[:, :, :, 3:] = _point_columns(cells, inverse, coupling)
    entry_mass = cells.mass[:, None] * DOWN.entry[:, None]  # (n, 2, B)
    chain_above = np.zeros((n, 3, B))  # what the cell above hands down, by (1, numbers handed up to it)
    down_above = np.zeros((2, 3, B))
    s, by_columns = np.empty((K, m, 3, B)), np.empty((K, 7, 3, B))
    for k in range(K):
        right = -entry_mass[:, :, None] * chain_above[:, None]
        right[:, :, 0] -= chain_residual[k]
        Z[k, :, :, :3] = _substitute(inverse[k], coupling[k], cells.lower[k], right)
        f = _functionals(cells.mass, cells.weight[k], Z[k])
        response = _times(cells.points_by_functionals[k], f)
        matrix = cells.points[k].copy()
        matrix[:, :4] += response[:, 3:]
        received = response[:, :3] + _times(cells.points_by_down[k], down_above)
        matrix += _times(received[:, 1:], cells.up_by_points[k])
        right_points = np.empty((m, 3, B))
        right_points[:, 0] = -point_residual[k] - received[:, 0]
        right_points[:, 1:] = -cells.points_by_up[k]
        s[k] = _solve_cases(matrix, right_points)
        by_columns[k] = 0.0
        by_columns[k, 0, 0] = 1.0
        by_columns[k, 1:3] = _times(cells.up_by_points[k], s[k])
        by_columns[k, 3:] = s[k, :4]
        handed = DOWN.exit[0] * Z[k, :, 0] + DOWN.exit[1] * Z[k, :, 1]  # (n, 7, B)
        chain_above = _times(handed, by_columns[k])
        down_above = _times(cells.down_by_points[k], s[k])
        down_above += _times(cells.down_by_functionals[k], _times(f, by_columns[k]))
    points, columns = _ascend(s, by_columns, cells.up_by_points)
    chain = Z[:, :, :, 0] * columns[:, None, None, 0]
    for c in range(1, 7):
        chain += Z[:, :, :, c] * columns[:, None, None, c]
    return chain, points


def _solve_cases(matrix: Array, right: Array) -> Array:
    """Solve (m, m, B) x = (m, c, B) case by case with LAPACK; a singular case comes back as NaN."""
    A = np.ascontiguousarray(np.moveaxis(matrix, -1, 0))
    b = np.ascontiguousarray(np.moveaxis(right, -1, 0))
    try:
        x = np.linalg.solve(A, b)
    except np.linalg.LinAlgError:
        bad = ~(np.abs(np.linalg.det(A)) > 0)
        A[bad] = np.eye(A.shape[1])
        x = np.linalg.solve(A, b)
        x[bad] = np.nan
    return np.moveaxis(x, 0, -1)


def _ascend(s: Array, by_columns: Array, up_by_points: Array) -> tuple[Array, Array]:
    """Points (K, m, B) and chain columns (K, 7, B), from the bottom cell, which nothing rises into, up."""
    K, m, _, B = s.shape
    points, columns = np.empty((K, m, B)), np.empty((K, 7, B))
    points[-1], columns[-1] = s[-1, :, 0], by_columns[-1, :, 0]
    for k in range(K - 2, -1, -1):
        up = (up_by_points[k + 1] * points[k + 1]).sum(axis=1)
        points[k] = s[k, :, 0] + s[k, :, 1] * up[0] + s[k, :, 2] * up[1]
        columns[k] = by_columns[k, :, 0] + by_columns[k, :, 1] * up[0] + by_columns[k, :, 2] * up[1]
    return points, columns


# ---- Few cases: whole cells for LAPACK ----------------------------------------------------------------


def dense_cells(cells: ChainCells) -> tuple[Array, Array, Array]:
    """Cells as dense matrices (K, M, M, B), M = 2n + m, chain first, ordered (link, stage), then points.

    Also the numbers handed down (K, 2, M, B) and up (K, 2, M, B), by the cell's unknowns.
    """
    K, n, _, B = cells.diagonal.shape
    m = cells.points.shape[1]
    N, j = 2 * n, np.arange(n)
    A = np.zeros((K, N + m, N + m, B))
    chain = A[:, :N, :N].reshape(K, n, 2, n, 2, B)
    rows = np.zeros((K, 6, N, B)).reshape(K, 3, 2, n, 2, B)  # functionals by links
    for i in range(2):
        for l in range(2):
            chain[:, j, i, j, l] += DOWN.stage[i, l] * cells.mass
        chain[:, j, i, j, i] += cells.diagonal[:, :, i]
        chain[:, j[1:], i, j[:-1], i] = cells.lower[:, 1:, i]
        chain[:, j[:-1], i, j[1:], i] = cells.upper[:, :-1, i]
        rows[:, 0, i, -1, i] = 1.0
        rows[:, 1, i, :, i] = cells.mass
        rows[:, 2, i, :, i] = cells.weight[:, :, i]
        A[:, N - 2 + i, N + i] = cells.last_by_first[:, i]
        A[:, i:N:2, N + 2 + i] = cells.links_by_second[:, :, i]
    A[:, :N, :N] = chain.reshape(K, N, N, B)
    functionals = rows.reshape(K, 6, N, B)
    A[:, N:, N:] = cells.points
    A[:, N:, :N] = np.einsum("kmfb,kfnb->kmnb", cells.points_by_functionals, functionals)
    down = np.zeros((K, 2, N + m, B))
    down[:, :, :N] = np.einsum("kdfb,kfnb->kdnb", cells.down_by_functionals, functionals)
    down[:, :, N:] = cells.down_by_points
    up = np.zeros((K, 2, N + m, B))
    up[:, :, N:] = cells.up_by_points
    return A, down, up


def solve_few(cells: ChainCells, chain_residual: Array, point_residual: Array) -> tuple[Array, Array]:
    """As `solve`: each cell one dense matrix, eliminated from the top down."""
    K, n, _, B = chain_residual.shape
    m = point_residual.shape[1]
    N = 2 * n
    A, down, up = (np.ascontiguousarray(np.moveaxis(a, -1, 1)) for a in dense_cells(cells))
    right = np.zeros((K, B, N + m, 3))
    right[:, :, :N, 0] = -np.moveaxis(chain_residual.reshape(K, N, B), -1, 1)
    right[:, :, N:, 0] = -np.moveaxis(point_residual, -1, 1)
    right[:, :, N:, 1:] = -np.moveaxis(cells.points_by_up, -1, 1)
    by_down = np.moveaxis(cells.points_by_down, -1, 1)
    entry_mass = np.moveaxis(cells.mass[:, None] * DOWN.entry[:, None], -1, 0).reshape(B, N, 1)
    s = np.empty((K, B, N + m, 3))
    for k in range(K):
        if k:
            above = s[k - 1]
            handed = DOWN.exit[0] * above[:, 0:N:2] + DOWN.exit[1] * above[:, 1:N:2]  # (B, n, 3)
            received = np.empty((B, N + m, 3))
            received[:, :N] = entry_mass * np.repeat(handed, 2, axis=1)
            received[:, N:] = by_down[k] @ (down[k - 1] @ above)
            right[k, :, :, 0] -= received[:, :, 0]
            A[k] += received[:, :, 1:] @ up[k]
        s[k] = _solve_dense(A[k], right[k])
    x = np.empty((K, B, N + m))
    x[-1] = s[-1, :, :, 0]
    for k in range(K - 2, -1, -1):
        risen = (up[k + 1] @ x[k + 1][:, :, None])[:, :, 0]
        x[k] = s[k, :, :, 0] + s[k, :, :, 1] * risen[:, :1] + s[k, :, :, 2] * risen[:, 1:]
    x = np.moveaxis(x, 1, -1)
    return x[:, :N].reshape(K, n, 2, B), x[:, N:]


def _solve_dense(A: Array, b: Array) -> Any:
    """np.linalg.solve on (B, M, M); singular cases come back as NaN."""
    try:
        return np.linalg.solve(A, b)
    except np.linalg.LinAlgError:
        bad = ~(np.abs(np.linalg.slogdet(A)[0]) > 0)
        x = np.linalg.solve(np.where(bad[:, None, None], np.eye(A.shape[1]), A), b)
        x[bad] = np.nan
        return x
