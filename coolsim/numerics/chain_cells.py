"""Linear equations of a column of cells, each holding a chain and a few points, solved for many cases at once.

The unknowns of a cell are a chain of n links (in the model: the moisture of a pellet's shells) and m
point variables, each at the two stages of numerics.stages. A cell hands its chain and two further numbers
down to the next cell, and two numbers up to the one above. Inside the cell the points see the chain
only through three functionals: its last link, its mean and one weighted sum; the chain sees only the first
two point variables: the first at its last link, the second everywhere.

The matrix is block-tridiagonal, but what comes back up is two numbers wide, so elimination from the top
down leaves chain and points of each cell as affine maps of those two.

Two ways through the same equations: `solve_many` eliminates each chain link by link, vectorised over
cases (2–3 times less work per case); `solve_few` writes each cell as one dense matrix for LAPACK (far
fewer calls). They agree to rounding; the tests hold both against a sparse factorisation of the whole matrix.
Elimination without pivoting between cells is safe because each stream is solved in its own direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.numerics.stages import DOWN
from coolsim.support.fields import Array

FEW = 25 * 34**2  # numbers in one level of cells, up to which LAPACK on whole cells is the quicker way


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
    _, n, _, cases = chain_residual.shape
    few = cases * (2 * n + point_residual.shape[1]) ** 2 <= FEW
    return (solve_few if few else solve_many)(cells, chain_residual, point_residual)


# ---- Many cases: the chain link by link ---------------------------------------------------------------
#
# Per cell: forward elimination along the chain, from the centre to the surface, of five right-hand sides
# (1, the two numbers handed up, the second point variable at both stages) with the functionals carried
# along as bordering rows; the first point variable touches the last link only. That gives the points; the
# way back along the chain is then needed only for their three combinations (1, two numbers from below).


def _times(a: Array, b: Array) -> Array:
    """Matrix product over the leading two axes of (p, q, B) and (q, r, B): (p, r, B)."""
    out = a[:, 0, None] * b[0]
    for j in range(1, len(b)):
        out += a[:, j, None] * b[j]
    return out


def _turn(a: Array, b: Array) -> Array:
    """2×2 matrices (…, 2, 2, B) times columns (…, 2, c, B)."""
    out = a[..., 0, None, :] * b[..., None, 0, :, :]
    out += a[..., 1, None, :] * b[..., None, 1, :, :]
    return out


@dataclass(frozen=True)
class _Factors:
    """Forward elimination of the chains of all cells; j runs over links."""

    inverse: Array  # (n, K, 2, 2, B): of each link's pivot
    coupling: Array  # (n, K, 2, 2, B): of each link to the next
    border: Array  # (n, K, 4, 2, B): mean and weighted sum (2 stages each) by the link, reduced
    z: Array  # (n, K, 2, 2, B): forward solution for the second point variable
    f: Array  # (K, 4, 2, B): what the border takes from it


def _factor(cells: ChainCells) -> _Factors:
    K, n, _, B = cells.diagonal.shape
    inverse, coupling = np.empty((n, K, 2, 2, B)), np.empty((n, K, 2, 2, B))
    border, z, f = np.zeros((n, K, 4, 2, B)), np.zeros((n, K, 2, 2, B)), np.zeros((K, 4, 2, B))
    for j in range(n):
        pivot = np.empty((K, 2, 2, B))
        pivot[:] = DOWN.stage[:, :, None] * cells.mass[j]
        for i in range(2):
            pivot[:, i, i] += cells.diagonal[:, j, i]
            z[j, :, i, i] = -cells.links_by_second[:, j, i]
            border[j, :, i, i] = cells.mass[j]
            border[j, :, 2 + i, i] = cells.weight[:, j, i]
        if j:
            lower = cells.lower[:, j, :, None]
            pivot -= lower * coupling[j - 1]
            z[j] -= lower * z[j - 1]
            border[j] -= _turn(border[j - 1], coupling[j - 1])
        determinant = 1 / (pivot[:, 0, 0] * pivot[:, 1, 1] - pivot[:, 0, 1] * pivot[:, 1, 0])
        inverse[j, :, 0, 0], inverse[j, :, 1, 1] = pivot[:, 1, 1], pivot[:, 0, 0]
        inverse[j, :, 0, 1], inverse[j, :, 1, 0] = -pivot[:, 0, 1], -pivot[:, 1, 0]
        inverse[j] *= determinant[:, None, None]
        coupling[j] = inverse[j] * cells.upper[:, j, None]
        z[j] = _turn(inverse[j], z[j])
        f += _turn(border[j], z[j])
    return _Factors(inverse, coupling, border, z, f)


def solve_many(cells: ChainCells, chain_residual: Array, point_residual: Array) -> tuple[Array, Array]:
    """As `solve`: each chain eliminated link by link, vectorised over cases."""
    K, n, _, B = chain_residual.shape
    m = point_residual.shape[1]
    factors = _factor(cells)
    entry_mass = cells.mass[:, None] * DOWN.entry[:, None]  # (n, 2, B)
    last_by_first = np.zeros((K, 2, 2, B))
    for i in range(2):
        last_by_first[:, i, i] = -cells.last_by_first[:, i]
    by_first = _turn(factors.inverse[-1], last_by_first)  # last link, (K, 2, 2, B)
    border_by_first = _turn(factors.border[-1], by_first)
    chain_above = np.zeros((n, 3, B))  # what the cell above hands down, by (1, numbers handed up to it)
    down_above = np.zeros((2, 3, B))
    s, chain = np.empty((K, m, 3, B)), np.empty((K, n, 2, 3, B))
    f = np.empty((6, 7, B))  # functionals by (1, two numbers handed up, first points, second points)
    for k in range(K):
        inverse, border = factors.inverse[:, k], factors.border[:, k]
        z = np.empty((n, 2, 3, B))
        gathered: Any = 0.0
        for j in range(n):
            right = entry_mass[j, :, None] * -chain_above[j]
            right[:, 0] -= chain_residual[k, j]
            if j:
                right -= cells.lower[k, j, :, None] * z[j - 1]
            z[j] = _turn(inverse[j], right)
            gathered = gathered + _turn(border[j], z[j])
        f[:2, :3], f[:2, 3:5], f[:2, 5:] = z[-1], by_first[k], factors.z[-1, k]
        f[2:, :3], f[2:, 3:5], f[2:, 5:] = gathered, border_by_first[k], factors.f[k]
        response = _times(cells.points_by_functionals[k], f)
        received = response[:, :3] + _times(cells.points_by_down[k], down_above)
        matrix = cells.points[k] + _times(received[:, 1:], cells.up_by_points[k])
        matrix[:, :4] += response[:, 3:]
        right_points = np.empty((m, 3, B))
        right_points[:, 0] = -point_residual[k] - received[:, 0]
        right_points[:, 1:] = -cells.points_by_up[k]
        s[k] = _solve_cases(matrix, right_points)
        # in terms of (1, two numbers from below): numbers handed up, the chain, what is handed down
        columns = np.zeros((7, 3, B))
        columns[0, 0] = 1.0
        columns[1:3] = _times(cells.up_by_points[k], s[k])
        columns[3:] = s[k, :4]
        x = _back(factors, k, z, by_first[k], columns, chain[k])
        chain_above = DOWN.exit[0] * x[:, 0] + DOWN.exit[1] * x[:, 1]
        down_above = _times(cells.down_by_points[k], s[k])
        down_above += _times(cells.down_by_functionals[k], _times(f, columns))
    points, up = _ascend(s, cells.up_by_points)
    return chain[..., 0, :] + chain[..., 1, :] * up[:, None, None, 0] + chain[..., 2, :] * up[
        :, None, None, 1
    ], points


def _back(factors: _Factors, k: int, z: Array, by_first: Array, columns: Array, x: Array) -> Array:
    """Chain of cell k by (1, two numbers from below), written to x (n, 2, 3, B), from the surface inwards."""
    n = len(x)
    for j in range(n - 1, -1, -1):
        x[j] = z[j, :, 1, None] * columns[1]
        x[j] += z[j, :, 2, None] * columns[2]
        x[j, :, 0] += z[j, :, 0]
        x[j] += _turn(factors.z[j, k], columns[5:])
        if j == n - 1:
            x[j] += _turn(by_first, columns[3:5])
        else:
            x[j] -= _turn(factors.coupling[j, k], x[j + 1])
    return x


def _solve_cases(matrix: Array, right: Array) -> Array:
    """Solve (m, m, B) x = (m, c, B) case by case with LAPACK; a singular case comes back as NaN."""
    A = np.ascontiguousarray(np.moveaxis(matrix, -1, 0))
    b = np.ascontiguousarray(np.moveaxis(right, -1, 0))
    return np.moveaxis(_solve_dense(A, b), 0, -1)


def _ascend(s: Array, up_by_points: Array) -> tuple[Array, Array]:
    """Points (K, m, B) and the numbers received from below (K, 2, B); nothing rises into the bottom cell."""
    K, m, _, B = s.shape
    points, up = np.empty((K, m, B)), np.zeros((K, 2, B))
    points[-1] = s[-1, :, 0]
    for k in range(K - 2, -1, -1):
        up[k] = (up_by_points[k + 1] * points[k + 1]).sum(axis=1)
        points[k] = s[k, :, 0] + s[k, :, 1] * up[k, 0] + s[k, :, 2] * up[k, 1]
    return points, up


# ---- Few cases: whole cells for LAPACK ----------------------------------------------------------------


def dense_cells(cells: ChainCells) -> tuple[Array, Array, Array]:
    """Cells as dense matrices (K, B, M, M), M = 2n + m, chain first, ordered (link, stage), then points.

    Also the numbers handed down (K, B, 2, M) and up (K, B, 2, M), by the cell's unknowns.
    """
    K, n, _, B = cells.diagonal.shape
    m, N = cells.points.shape[1], 2 * n
    A, down, up = np.zeros((K, B, N + m, N + m)), np.empty((K, B, 2, N + m)), np.zeros((K, B, 2, N + m))
    mass, weight = cells.mass.T, _cases_second(cells.weight)
    chain = A[:, :, :N, :N].reshape(K, B, n, 2, n, 2)
    np.einsum("kbjijl->kbjil", chain)[:] = DOWN.stage * mass[:, :, None, None]  # a view, written to
    np.einsum("kbjiji->kbji", chain)[:] += _cases_second(cells.diagonal)
    np.einsum("kbjiji->kbji", chain[:, :, 1:, :, :-1])[:] = _cases_second(cells.lower[:, 1:])
    np.einsum("kbjiji->kbji", chain[:, :, :-1, :, 1:])[:] = _cases_second(cells.upper[:, :-1])
    by_points = A[:, :, :N, N:].reshape(K, B, n, 2, m)
    np.einsum("kbii->kbi", by_points[:, :, -1, :, :2])[:] = _cases_second(cells.last_by_first)
    np.einsum("kbjii->kbji", by_points[..., 2:4])[:] = _cases_second(cells.links_by_second)
    functionals = np.zeros((K, B, 3, 2, n, 2))
    for i in range(2):
        functionals[:, :, 0, i, -1, i] = 1.0
        functionals[:, :, 1, i, :, i] = mass
        functionals[:, :, 2, i, :, i] = weight[..., i]
    by_links = functionals.reshape(K, B, 6, N)
    A[:, :, N:, N:] = _cases_second(cells.points)
    A[:, :, N:, :N] = _cases_second(cells.points_by_functionals) @ by_links
    down[..., :N] = _cases_second(cells.down_by_functionals) @ by_links
    down[..., N:] = _cases_second(cells.down_by_points)
    up[..., N:] = _cases_second(cells.up_by_points)
    return A, down, up


def _cases_second(a: Array) -> Array:
    """(K, …, B) → (K, B, …), a view."""
    return a.transpose(0, a.ndim - 1, *range(1, a.ndim - 1))


def solve_few(cells: ChainCells, chain_residual: Array, point_residual: Array) -> tuple[Array, Array]:
    """As `solve`: each cell one dense matrix, eliminated from the top down."""
    chain, points = solve_for_many(cells, chain_residual[..., None, :], point_residual[..., None, :])
    return chain[..., 0, :], points[..., 0, :]


def solve_for_many(cells: ChainCells, chain_right: Array, point_right: Array) -> tuple[Array, Array]:
    """−J⁻¹ r for many right-hand sides of the same cells, with one elimination.

    Chain (K, n, 2, R, B) and points (K, m, R, B) from right-hand sides of the same shapes. A cell receives the
    one above through the n + 2 numbers that are handed down, and answers by R + 2 columns: its right-hand sides
    and the two numbers from below.
    """
    K, n, _, R, B = chain_right.shape
    N, M = 2 * n, 2 * n + point_right.shape[1]
    A, down, up = dense_cells(cells)
    handed, received = np.zeros((K, B, n + 2, M)), np.zeros((K, B, M, n + 2))
    np.einsum("kbjji->kbji", handed[:, :, :n, :N].reshape(K, B, n, n, 2))[:] = DOWN.exit
    handed[:, :, n:] = down
    entering = DOWN.entry * cells.mass.T[:, :, None]
    np.einsum("kbjij->kbji", received[:, :, :N, :n].reshape(K, B, n, 2, n))[:] = entering
    received[:, :, N:, n:] = _cases_second(cells.points_by_down)
    augmented = np.zeros((K, B, M, M + R + 2))
    augmented[..., :M] = A
    augmented[..., :N, M:-2] = -_cases_second(chain_right).reshape(K, B, N, R)
    augmented[..., N:, M:-2] = -_cases_second(point_right)
    augmented[..., N:, -2:] = -_cases_second(cells.points_by_up)
    lift = np.zeros((K, B, R + 2, M + R + 2))  # where a column of the cell above enters this one
    np.einsum("kbrr->kbr", lift[:, :, :R, M:-2])[:] = -1.0
    lift[:, :, R:, :M] = up
    x = np.empty((K, B, M, R + 2))
    for k in range(K):
        if k:
            augmented[k] += received[k] @ (handed[k - 1] @ x[k - 1]) @ lift[k]
        x[k] = _solve_dense(augmented[k, ..., :M], augmented[k, ..., M:])
    for k in range(K - 2, -1, -1):
        x[k, ..., :R] += x[k, ..., R:] @ (up[k + 1] @ x[k + 1, ..., :R])
    found = np.moveaxis(x[..., :R], 1, -1)
    return found[:, :N].reshape(K, n, 2, R, B), found[:, N:]


def _solve_dense(A: Array, b: Array) -> Any:
    """np.linalg.solve on (B, M, M); singular cases come back as NaN."""
    try:
        return np.linalg.solve(A, b)
    except np.linalg.LinAlgError:
        bad = ~(np.abs(np.linalg.slogdet(A)[0]) > 0)
        x = np.linalg.solve(np.where(bad[:, None, None], np.eye(A.shape[1]), A), b)
        x[bad] = np.nan
        return x
