"""Peers on our own discrete equations: general tools for sparse systems in place of our elimination.

Every one walks the same way as the product, without its error estimate: a coarse mesh from straight lines,
then meshes that follow the solution up to the one our answer stands on; on each a Newton method.

* `our_newton`: our step (elimination of the chains), for comparison like for like;
* `sparse_newton`: the same Jacobian assembled as a sparse matrix for scipy.sparse.linalg.splu (SuperLU).
"""

from __future__ import annotations

import numpy as np
from lines import Unsolved
from scipy import sparse
from scipy.sparse.linalg import splu

from coolsim.model import counterflow as cf
from coolsim.model.counterflow_starts import first_guess
from coolsim.model.solve import Solution, end_layers, followed_mesh, graded_shells, moved
from coolsim.numerics import chain_cells, mesh
from coolsim.numerics.newton import CONVERGED
from coolsim.numerics.stages import DOWN

MOST_STEPS = 40


def walk(solution: Solution, newton):
    """Exits by `newton(problem, state) → state` on the meshes that led to our solution."""
    bed, laws = solution.problem.bed, solution.problem.laws
    cells, shells = len(solution.problem.z) - 1, len(solution.problem.shells.volume)
    levels = 1
    while cells >> levels >= 8:  # the product begins with 8 cells and 6 shells unless told otherwise
        levels += 1
    levels -= 1
    cells, shells = cells >> levels, shells >> levels
    problem = cf.pose(bed, graded_shells(bed, shells), mesh.layered_nodes(cells, *end_layers(bed)), laws)
    state = newton(problem, first_guess(problem))
    for _ in range(levels):
        cells, shells = 2 * cells, 2 * shells
        finer = cf.pose(bed, graded_shells(bed, shells), followed_mesh(problem, state, cells), laws)
        problem, state = finer, newton(finer, moved(problem, state, finer))
    out = cf.outlet(problem, state)
    temperature = laws.pellet_temperature(bed, out.moisture, out.enthalpy, out.bound_heat)
    return float(out.moisture[0] / (1 + out.moisture[0])), float(temperature[0])


def our_newton(problem, state):
    """Our Newton step to convergence."""
    for _ in range(MOST_STEPS):
        state, size = cf.newton_step(problem, state)
        if size[0] < CONVERGED:
            return state
    raise Unsolved("Newton")


def jacobian(problem, state, e):
    """The whole Jacobian of one case, sparse; unknowns ordered (cell, [link, stage | point]). And residual."""
    cells = cf.linearise(problem, state, e)
    A, down, up = (a[:, 0] for a in chain_cells.dense_cells(cells))
    K, M, _ = A.shape
    n = state.chain.shape[1]
    N = 2 * n
    below, above = np.zeros((K - 1, M, M)), np.zeros((K - 1, M, M))  # row cell k by k − 1; by k + 1
    handed = np.outer(DOWN.entry, DOWN.exit)
    for j in range(n):
        below[:, 2 * j : 2 * j + 2, 2 * j : 2 * j + 2] = cells.mass[j, 0] * handed
    below[:, N:] += cells.points_by_down[1:, ..., 0] @ down[:-1]
    above[:, N:] = cells.points_by_up[:-1, ..., 0] @ up[1:]
    entries, rows, columns = [], [], []
    for blocks, first_row, first_column in ((A, 0, 0), (below, 1, 0), (above, 0, 1)):
        k, i, j = np.nonzero(blocks)
        entries.append(blocks[k, i, j])
        rows.append((k + first_row) * M + i)
        columns.append((k + first_column) * M + j)
    size = K * M
    matrix = sparse.csc_matrix(
        (np.concatenate(entries), (np.concatenate(rows), np.concatenate(columns))), (size, size)
    )
    residual = np.concatenate(
        [e.chain_residual[..., 0].reshape(K, N), e.point_residual[..., 0].reshape(K, M - N)], axis=1
    )
    return matrix, residual


def flat(state):
    """Unknowns (K, M) of one case, in the order of `jacobian`."""
    K = len(state.chain)
    return np.concatenate([state.chain[..., 0].reshape(K, -1), state.points[..., 0].reshape(K, -1)], axis=1)


def unflat(x, n):
    """A state of one case from unknowns (K, M)."""
    K = len(x)
    return cf.State(x[:, : 2 * n].reshape(K, n, 2, 1), x[:, 2 * n :].reshape(K, 5, 2, 1))


def limited(problem, x, step):
    """x + step, entry by entry within the product's limits: a peer need not fail where ours is held."""
    n, bed = len(problem.shells.volume), problem.bed
    N = 2 * n + 2  # shells and Xs are moistures
    new = x + step
    new[:, :N] = np.clip(new[:, :N], 0.2 * x[:, :N], 2.0)
    hottest = max(bed.feed_temperature[0], bed.inlet_air_temperature[0]) + 25.0
    new[:, N : N + 6] = np.clip(x[:, N : N + 6] + np.clip(step[:, N : N + 6], -30, 30), -80, hottest)
    new[:, N + 6 :] = np.clip(new[:, N + 6 :], -0.05, 5.0)
    return new


def step_size(step, n):
    """The product's measure of a step, so that all stop alike."""
    N = 2 * n + 2
    water, heat = np.concatenate([step[:, :N], step[:, N + 6 :]], axis=1), step[:, N : N + 6]
    return max(np.abs(water).max() / 0.1, np.abs(heat).max() / 50.0)


def sparse_newton(problem, state):
    """Newton with SuperLU on the assembled Jacobian."""
    n = len(problem.shells.volume)
    for _ in range(MOST_STEPS):
        matrix, residual = jacobian(problem, state, cf.evaluate(problem, state))
        try:
            step = -splu(matrix).solve(residual.ravel()).reshape(residual.shape)
        except RuntimeError as error:
            raise Unsolved("singular") from error
        if not np.isfinite(step).all():
            raise Unsolved("not finite")
        state = unflat(limited(problem, flat(state), step), n)
        if step_size(step, n) < CONVERGED:
            return state
    raise Unsolved("Newton")
