"""Linear equations of one step in time of many chains that one stream crosses, solved for many cases at once.

The unknowns of a chain are n links (in the model: the moisture of a pellet's shells) and three points
(its surface's moisture and temperature, its own temperature), each at the two stages of a step in time.
A stream (air) passes the chains one after the other; it has two variables at each, and takes
two-stage steps of its own (numerics.stages), so two neighbouring chains make a cell.

Elimination in the order of what is narrow: the links of all chains at once, as one band of LAPACK; then each
chain's points, for the stream's variables; then each cell, for what the stream brings; then the stream from
cell to cell, and last the inlet, which may depend on what leaves (recirculation).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.numerics.stages import DOWN, STEP
from coolsim.support.fields import Array

LINKS_BELOW = LINKS_ABOVE = 2  # of the band: a link sees its neighbour at its own stage, and its other stage


@dataclass(frozen=True)
class Crossed:
    """Jacobian of a step of P chains of n links, B cases. All arrays lead with the case.

    Chain rows hold mass · (STAGE · x). Points and functionals are ordered (variable, stage); functionals of
    a chain are its last link, its mean and one weighted sum. Air variables at a chain: (temperature,
    humidity) × stage; what cells hand on: (humidity, enthalpy) × stage.
    """

    mass: Array  # (B, n)
    lower: Array  # (B, P, n, 2): row j by link j−1 (j = 0 unused)
    diagonal: Array  # (B, P, n, 2)
    upper: Array  # (B, P, n, 2): by link j+1 (j = n−1 unused)
    last_by_first: Array  # (B, P, 2): last link's row by the first point, own stage
    links_by_second: Array  # (B, P, n, 2): every link's row by the second point, own stage
    weight: Array  # (B, P, n, 2): weights of the third functional
    points: Array  # (B, P, 6, 6)
    points_by_functionals: Array  # (B, P, 6, 6)
    points_by_air: Array  # (B, P, 6, 4)
    passed_by_points: Array  # (B, P, 4, 6): (water, heat) × stage given to the air, per air
    passed_by_last: Array  # (B, P, 4, 2)
    passed_by_air: Array  # (B, P, 4, 4)
    enthalpy_by_air: Array  # (B, P, 2, 2): by (temperature, humidity), at each stage (last axis)
    inlet_by_outlet: Array  # (B, 4, 4)


@dataclass(frozen=True)
class Residuals:
    """Right-hand sides in the same order: links (B, P, n, 2), points (B, P, 6), air (B, P, 4), inlet (B, 4)."""

    links: Array
    points: Array
    air: Array
    inlet: Array


@dataclass(frozen=True)
class Step:
    """Newton step: links (B, P, n, 2), points (B, P, 3, 2), air (B, P, 2, 2), inlet (B, 2, 2)."""

    links: Array
    points: Array
    air: Array
    inlet: Array


def solve(c: Crossed, r: Residuals) -> Step:
    """−J⁻¹ r. A singular case comes back as NaN."""
    B, P = c.diagonal.shape[:2]
    links = _chains(c, r.links)  # by (1, first point × 2, second × 2): (5, B, P, n, 2)
    f = _functionals(c, links)  # (B, P, 6, 5)
    points = _points(c, r, f)  # by (1, air × 4): (B, P, 6, 5)
    passed = _passed(c, f, points)  # (B, P, 4, 5)
    cells, handed = _cells(c, r, passed)  # (B, K, 8, 5) and (B, K, 4, 5), by (1, entry × 4)
    inlet, entries = _along(c, r, handed)  # (B, 4), and (1, entry × 4) of each cell (B, K, 5, 1)
    air = (cells @ entries).reshape(B, P, 4)
    s = points[..., 0] + (points[..., 1:] @ air[..., None])[..., 0]
    x = links[0] + np.einsum("cbpni,bpc->bpni", links[1:], s[:, :, :4])
    return Step(x, s.reshape(B, P, 3, 2), air.reshape(B, P, 2, 2), inlet.reshape(B, 2, 2))


def _chains(c: Crossed, residual: Array) -> Array:
    """Links by (1, first point × 2, second × 2): (5, B, P, n, 2)."""
    band, right = _band(c, residual)
    x = _eliminated(band, right)
    if np.isfinite(x).all():
        return x
    # one band holds all cases: where one of them is singular, or no number any more, it took others along
    band, right = _band(c, residual)
    each = [_eliminated(band[b : b + 1], right[:, b : b + 1]) for b in range(len(band))]
    return np.concatenate(each, axis=1)


def _band(c: Crossed, residual: Array) -> tuple[Array, Array]:
    """The links' own band, as LAPACK keeps it but a column a row, and right-hand sides."""
    B, P, n, _ = c.diagonal.shape
    mass = c.mass[:, None, :, None]
    band = np.zeros((B, P, n, 2, 2 * LINKS_BELOW + LINKS_ABOVE + 1))
    middle = LINKS_BELOW + LINKS_ABOVE
    band[..., middle] = c.diagonal + mass * np.diagonal(STEP.stage)
    band[:, :, 1:, :, middle - 2] = c.upper[:, :, :-1]
    band[:, :, :-1, :, middle + 2] = c.lower[:, :, 1:]
    band[..., 1:, middle - 1] = mass * STEP.stage[0, 1]
    band[..., :1, middle + 1] = mass * STEP.stage[1, 0]
    right = np.zeros((5, B, P, n, 2))
    np.negative(residual, out=right[0])
    for i in range(2):
        np.negative(c.last_by_first[..., i], out=right[1 + i, ..., -1, i])
        np.negative(c.links_by_second[..., i], out=right[3 + i, ..., i])
    return band, right


def _eliminated(band: Array, right: Array) -> Array:
    """Solutions of `_band`, which may be overwritten; NaN where it is singular."""
    from scipy.linalg import lapack  # late: a quarter of a second that coolers should not pay

    N = right[0].size
    *_, x, info = lapack.dgbsv(
        LINKS_BELOW,
        LINKS_ABOVE,
        band.reshape(N, -1).T,
        right.reshape(5, N).T,
        overwrite_ab=True,
        overwrite_b=True,
    )
    if info:
        x = np.full((N, 5), np.nan, order="F")
    return np.asarray(x.T.reshape(right.shape))


def _functionals(c: Crossed, links: Array) -> Array:
    _, B, P, _, _ = links.shape
    f = np.empty((B, P, 3, 2, 5))
    f[:, :, 0] = links[..., -1, :].transpose(1, 2, 3, 0)
    f[:, :, 1] = (c.mass[:, None, None] @ links)[..., 0, :].transpose(1, 2, 3, 0)
    f[:, :, 2] = np.einsum("bpni,cbpni->bpic", c.weight, links)
    return f.reshape(B, P, 6, 5)


def _points(c: Crossed, r: Residuals, f: Array) -> Array:
    response = c.points_by_functionals @ f
    matrix = c.points.copy()
    matrix[..., :4] += response[..., 1:]
    right = np.empty((*f.shape[:2], 6, 5))
    right[..., 0] = r.points + response[..., 0]
    right[..., 1:] = c.points_by_air
    return -solve_each(matrix, right)


def _passed(c: Crossed, f: Array, points: Array) -> Array:
    last = f[:, :, :2, 1:] @ points[:, :, :4]
    last[..., 0] += f[:, :, :2, 0]
    passed = c.passed_by_points @ points + c.passed_by_last @ last
    passed[..., 1:] += c.passed_by_air
    return np.asarray(passed)


def _cell_constants() -> tuple[Array, Array, Array]:
    """What is the same in all cells: rows by the air (2, 4, 2, 4), right-hand side (2, 4, 5), handed on (4, 2, 4).

    Ordered (point, equation × stage) and (point, variable × stage); humidity is the second variable.
    """
    A, right, onward = np.zeros((2, 4, 2, 4)), np.zeros((2, 4, 5)), np.zeros((4, 2, 4))
    for i in range(2):
        A[:, i, :, 2 + i] = DOWN.stage
        right[:, i, 1 + i] = right[:, 2 + i, 3 + i] = -DOWN.entry
        onward[i, :, 2 + i] = DOWN.exit
    return A, right, onward


_ROWS, _RIGHT, _ONWARD = _cell_constants()


def _cells(c: Crossed, r: Residuals, passed: Array) -> tuple[Array, Array]:
    """Each cell's air, and what it hands on, as affine maps of what it is given."""
    B, P = passed.shape[:2]
    K = P // 2
    by_air = c.enthalpy_by_air.reshape(B, K, 2, 2, 2)  # (point, variable, stage)
    A, right, onward = (np.empty((B, K, *f.shape)) for f in (_ROWS, _RIGHT, _ONWARD))
    A[:], right[:], onward[:] = _ROWS, _RIGHT, _ONWARD
    for i in range(2):
        own = by_air[..., i]  # (B, K, point, variable)
        A[:, :, :, 2 + i, :, i::2] = DOWN.stage[:, :, None] * own[:, :, None]
        onward[:, :, 2 + i, :, i::2] = DOWN.exit[:, None] * own
    passed = passed.reshape(B, K, 2, 4, 5)
    for a in range(2):
        A[:, :, a, :, a] -= passed[:, :, a, :, 1:]
    right[..., 0] = passed[..., 0] - r.air.reshape(B, K, 2, 4)
    x = solve_each(A.reshape(B, K, 8, 8), right.reshape(B, K, 8, 5))
    return x, onward.reshape(B, K, 4, 8) @ x


def _along(c: Crossed, r: Residuals, handed: Array) -> tuple[Array, Array]:
    """The change at the inlet (B, 4), and of what each cell is given, as (1, entry): (B, K, 5, 1)."""
    B, K = handed.shape[:2]
    onward = np.zeros((B, K, 5, 5))
    onward[:, :, 0, 0] = 1.0
    onward[:, :, 1:] = handed
    given = np.empty((B, K + 1, 5, 5))  # to each cell, by (1, inlet × 4)
    given[:, 0] = np.eye(5)
    for k in range(K):
        np.matmul(onward[:, k], given[:, k], out=given[:, k + 1])
    back = c.inlet_by_outlet @ given[:, -1, 1:]
    ahead = np.empty((B, 5, 1))
    ahead[:, 0] = 1.0
    ahead[:, 1:] = solve_each(np.eye(4) - back[..., 1:], back[..., :1] - r.inlet[..., None])
    return ahead[:, 1:, 0], given[:, :-1] @ ahead[:, None]


# ---- Chains that are all one, because they are mixed ----------------------------------------------------


def solve_mixed(c: Crossed, r: Residuals, share: Array) -> Step:
    """As `solve`, where links and third points are the same for all chains: each counts by its share (B, P).

    The rows of links and third points are means over the chains (so are their residuals: every chain's is the
    mean). One matrix per case: links and third point once, and at each chain two points and the air.
    """
    B, P, n, _ = c.diagonal.shape
    N, local = 2 * n + 2, 2 * n + 2 + 8 * P  # where the chains' own unknowns begin and end; then the inlet
    A = np.zeros((B, local + 4, local + 4))
    f = _functionals_of_links(c)  # (B, 6, 2n), the same for all chains
    own = A[:, N:local, N:local].reshape(B, P, 8, P, 8)
    to_links, by_links = A[:, : 2 * n, N:local].reshape(B, n, 2, P, 8), A[:, N:local, : 2 * n]
    _mean_links(c, share, A[:, : 2 * n, : 2 * n].reshape(B, n, 2, n, 2), to_links)
    w = share[:, :, None, None]
    p, at = np.arange(P), slice(2 * n, N)
    A[:, at, : 2 * n] = (w * c.points_by_functionals[:, :, 4:]).sum(axis=1) @ f
    A[:, at, at] = (w * c.points[:, :, 4:, 4:]).sum(axis=1)
    third = np.concatenate([c.points[:, :, 4:, :4], c.points_by_air[:, :, 4:]], axis=3) * w  # (B, P, 2, 8)
    A[:, at, N:local] = np.moveaxis(third, 1, 2).reshape(B, 2, 8 * P)
    by_links = by_links.reshape(B, P, 8, 2 * n)
    by_links[:, :, :4] = c.points_by_functionals[:, :, :4] @ f[:, None]
    by_links[:, :, 4:, -2:] = -c.passed_by_last
    by_third = A[:, N:local, at].reshape(B, P, 8, 2)
    by_third[:, :, :4], by_third[:, :, 4:] = c.points[:, :, :4, 4:], -c.passed_by_points[..., 4:]
    own[:, p, :4, p, :4] = np.moveaxis(c.points[:, :, :4, :4], 1, 0)
    own[:, p, :4, p, 4:] = np.moveaxis(c.points_by_air[:, :, :4], 1, 0)
    own[:, p, 4:, p, :4] = -np.moveaxis(c.passed_by_points[..., :4], 1, 0)
    own[:, p, 4:, p, 4:] = -np.moveaxis(c.passed_by_air, 1, 0)
    _stream(c, own, A[:, N:local, local:].reshape(B, P, 8, 4), A[:, local:, N:].reshape(B, 4, -1))
    right = np.empty((B, local + 4, 1))
    right[:, : 2 * n, 0] = -r.links[:, 0].reshape(B, 2 * n)
    right[:, at, 0] = -r.points[:, 0, 4:]
    right[:, N:local, 0] = -np.concatenate([r.points[:, :, :4], r.air], axis=2).reshape(B, 8 * P)
    right[:, local:, 0] = -r.inlet
    x = _bordered(A, right, N, P // 2)
    chains = x[:, N:local].reshape(B, P, 4, 2)
    points = np.empty((B, P, 3, 2))
    points[:, :, :2], points[:, :, 2] = chains[:, :, :2], x[:, None, at]
    links = np.broadcast_to(x[:, None, : 2 * n].reshape(B, 1, n, 2), (B, P, n, 2))
    return Step(links, points, chains[:, :, 2:], x[:, local:].reshape(B, 2, 2))


def _bordered(A: Array, right: Array, first: int, cells: int) -> Array:
    """A⁻¹ right, (B, M), where the stream takes unknowns `first` … M − 4 from cell to cell: each cell sees the one
    before it, and all see what is shared, before and behind."""
    B, M, _ = A.shape
    wide = (M - 4 - first) // cells
    shared, k = np.r_[:first, M - 4 : M], np.arange(cells)
    rows = A[:, first : M - 4].reshape(B, cells, wide, M)
    between = rows[..., first : M - 4].reshape(B, cells, wide, cells, wide)
    given = np.empty(
        (B, cells, wide, 1 + len(shared) + wide)
    )  # right-hand side, what is shared, the cell before
    given[..., :1] = right[:, first : M - 4].reshape(B, cells, wide, 1)
    given[..., 1:-wide] = -rows[..., shared]
    given[:, 0, :, -wide:] = 0.0
    given[:, 1:, :, -wide:] = -between[:, k[1:], :, k[:-1]].transpose(1, 0, 2, 3)
    x = solve_each(between[:, k, :, k].transpose(1, 0, 2, 3), given)
    own = x[..., :-wide]
    for j in range(1, cells):
        own[:, j] += x[:, j, :, -wide:] @ own[:, j - 1]
    own = own.reshape(B, cells * wide, -1)  # by (1, what is shared)
    rest = A[:, shared]
    matrix = rest[..., shared] + rest[..., first : M - 4] @ own[..., 1:]
    border = solve_each(matrix, right[:, shared] - rest[..., first : M - 4] @ own[..., :1])
    answer = np.empty((B, M))
    answer[:, shared] = border[..., 0]
    answer[:, first : M - 4] = own[..., 0] + (own[..., 1:] @ border)[..., 0]
    return answer


def _functionals_of_links(c: Crossed) -> Array:
    """Last link, mean and weighted sum at both stages, by the links: (B, 6, 2n)."""
    B, _, n, _ = c.diagonal.shape
    f = np.zeros((B, 3, 2, n, 2))
    for i in range(2):
        f[:, 0, i, -1, i] = 1.0
        f[:, 1, i, :, i] = c.mass
        f[:, 2, i, :, i] = c.weight[:, 0, :, i]
    return f.reshape(B, 6, 2 * n)


def _mean_links(c: Crossed, share: Array, by_links: Array, by_chains: Array) -> None:
    """Rows of the mixed links: by the links (B, n, 2, n, 2), by each chain's points (B, n, 2, P, 8)."""
    n = c.mass.shape[1]
    j = np.arange(n)
    mean = {
        name: np.einsum("bp,bpni->bni", share, getattr(c, name)) for name in ("lower", "diagonal", "upper")
    }
    for i in range(2):
        for l in range(2):
            by_links[:, j, i, j, l] = STEP.stage[i, l] * c.mass
        by_links[:, j, i, j, i] += mean["diagonal"][:, :, i]
        by_links[:, j[1:], i, j[:-1], i] = mean["lower"][:, 1:, i]
        by_links[:, j[:-1], i, j[1:], i] = mean["upper"][:, :-1, i]
        by_chains[:, -1, i, :, i] = share * c.last_by_first[..., i]
        by_chains[:, :, i, :, 2 + i] = np.moveaxis(share[:, :, None] * c.links_by_second[..., i], 1, 2)


def _stream(c: Crossed, own: Array, by_inlet: Array, inlet_rows: Array) -> None:
    """The stream's own rows, added to those of the chains (B, P, 8, P, 8), and the inlet's."""
    B, P = c.mass.shape[0], own.shape[1]
    Z = np.zeros((P, P))  # differences along the stream, by the values at the chains
    for k in range(0, P, 2):
        Z[k : k + 2, k : k + 2] = DOWN.stage
        if k:
            Z[k : k + 2, k - 2 : k] = np.outer(DOWN.entry, DOWN.exit)
    outlet = np.zeros((B, 4, P, 8))
    for i in range(2):
        by_T, by_Y = c.enthalpy_by_air[:, :, 0, i], c.enthalpy_by_air[:, :, 1, i]
        own[:, :, 4 + i, :, 6 + i] += Z
        own[:, :, 6 + i, :, 4 + i] += Z * by_T[:, None]
        own[:, :, 6 + i, :, 6 + i] += Z * by_Y[:, None]
        by_inlet[:, :2, 4 + i, i] = by_inlet[:, :2, 6 + i, 2 + i] = DOWN.entry
        outlet[:, i, -2:, 6 + i] = DOWN.exit
        outlet[:, 2 + i, -2:, 4 + i] = DOWN.exit * by_T[:, -2:]
        outlet[:, 2 + i, -2:, 6 + i] = DOWN.exit * by_Y[:, -2:]
    inlet_rows[..., : 8 * P] = -c.inlet_by_outlet @ outlet.reshape(B, 4, 8 * P)
    inlet_rows[..., 8 * P :] = np.eye(4)


def solve_each(A: Array, b: Array) -> Any:
    """np.linalg.solve on (…, M, M); singular ones come back as NaN."""
    try:
        return np.linalg.solve(A, b)
    except np.linalg.LinAlgError:
        bad = ~(np.abs(np.linalg.slogdet(A)[0]) > 0)
        x = np.linalg.solve(np.where(bad[..., None, None], np.eye(A.shape[-1]), A), b)
        x[bad] = np.nan
        return x
