"""What a small change of a bed does to its solution, on the same mesh and from the solution's own factors.

The discrete equations R(state, bed) = 0 hold before and after: to first order the state moves by −J⁻¹ ∂R, with
∂R half the difference of the residuals of two beds at the solved state, one a little above and one below. The
Jacobian is eliminated once for all changes. What an exit does is then its difference between the two beds, each
with its moved state: a central difference of explicit formulas only, within 1e-10 of the exact slope for steps
of 1e-5 (tests/laws/test_gradients.py); nothing is solved again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.fields import Array
from coolsim.model import counterflow as cf
from coolsim.model.bed import Bed, take
from coolsim.model.counterflow import Problem, State, pose
from coolsim.numerics import chain_cells


def moved_either_way(
    problem: Problem, state: State, high: Bed, low: Bed
) -> tuple[tuple[Problem, State], tuple[Problem, State]]:
    """Problems and states of beds a little above and a little below a solved one of B cases.

    `high` and `low` hold any number of changes: (changes · B) cases, the cases of one change side by side.
    """
    B, (K, n, _, _) = problem.bed.cases, state.chain.shape
    there = np.tile(np.arange(B), high.cases // B)
    above, below = (_on_the_same_mesh(problem, there, bed) for bed in (high, low))
    repeated = take(state, there)
    chain, points = residual_change(above, below, repeated)
    cells = cf.linearise(problem, state, cf.evaluate(problem, state))
    chain, points = chain_cells.solve_for_many(
        cells, chain.reshape(K, n, 2, -1, B), points.reshape(K, 10, -1, B)
    )
    dX, dP = chain.reshape(repeated.chain.shape), points.reshape(repeated.points.shape)
    return (
        (above, State(repeated.chain + dX, repeated.points + dP)),
        (below, State(repeated.chain - dX, repeated.points - dP)),
    )


def residual_change(above: Problem, below: Problem, state: State) -> tuple[Array, Array]:
    """∂R by central difference at one state: half of what residuals differ by, chain and points."""
    high, low = cf.evaluate(above, state), cf.evaluate(below, state)
    return (
        (high.chain_residual - low.chain_residual) / 2,
        (high.point_residual - low.point_residual) / 2,
    )


def _on_the_same_mesh(problem: Problem, cases: NDArray[np.intp], bed: Bed) -> Problem:
    return pose(bed, take(problem.shells, cases), problem.z[:, cases], problem.laws)
