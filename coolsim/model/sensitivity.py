"""What a small change of a bed does to its solution, on the same mesh and from the solution's own factors.

The discrete equations R(state, bed) = 0 hold before and after: to first order the state moves by −J⁻¹ ∂R, with
∂R half the difference of the residuals of two beds at the solved state, one a little above and one below. The
Jacobian is eliminated once for all changes. What an exit does is then its difference between the two beds, each
with its moved state: a central difference of explicit formulas only, within 1e-10 of the exact slope for steps
of 1e-5 (tests/laws/test_gradients.py); nothing is solved again.

Sensitivities
-------------
`coolsim.sensitivities` gives the slope of every exit by every continuous input at a case, from one solution.
`inputs.Stated` holds the numbers as cases state them: one of them is moved and all that follows from it follows
(flash, humidity, fluxes, the table of bound water). `model.sensitivity.moved_either_way` takes half the
difference of the residuals a little above and below, and moves the state by −J⁻¹ of that: one linearisation and
one elimination for all inputs (`chain_cells.solve_for_many`). Exits are then differenced between the two moved
states. The step is 1e-5 of an input's size: residuals differenced so agree with extended precision to 1e-8.

A new input: a field of `Sensitivities`; if `Stated` does not hold it by that name, an entry in `_PLACES`; for
dryers and lines an entry in `differences._SHARED` or `_OF_MACHINES`.

Dryers and lines have no such factors: `studies/differences.py` says what may be moved of a case (`movable`: feed,
air and material, and of each machine its air, bed and time), moves it by what instruments err by and predicts all
moved cases side by side on meshes that stay. Steps in time are three times as many as a prediction's: as each
case takes its own, the exit of evening-batch.toml scattered by 0.007 K, with these by 0.0004 K (polynomial of
degree 4 through 31 diffusivities), at 1.35 of the time. A reversal makes a kink: a slope by the duration beside
one is of neither side. Of a cooler the differences are its exact slopes to 1.5 %
(`tests/studies/test_slopes.py`). Fits of dryers and lines take theirs from there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.model import counterflow as cf
from coolsim.model.bed import Bed, take
from coolsim.model.counterflow import Problem, State, pose
from coolsim.numerics import chain_cells
from coolsim.support.fields import Array


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
