"""The Jacobian written by hand, and the elimination that solves with it, against finite differences.

Only `linearise` and the solvers are used, never how the matrix is stored.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws.domain import SORPTION_SETS, changed, sample
from scipy import sparse
from scipy.sparse.linalg import splu

from coolsim.model import counterflow as cf
from coolsim.model.counterflow import Problem, State, pose
from coolsim.model.counterflow_starts import first_guess
from coolsim.model.solve import METHOD, end_layers, graded_shells
from coolsim.numerics import chain_cells
from coolsim.numerics.mesh import layered_nodes
from coolsim.numerics.newton import newton
from coolsim.simulate.inputs import bed_of, gather

SOLVERS = [chain_cells.solve_few, chain_cells.solve_many]
every_equation = pytest.mark.parametrize("equation", SORPTION_SETS)
both_solvers = pytest.mark.parametrize("solver", SOLVERS, ids=lambda f: f.__name__)


def problem_of(equation: str, cells: int = 3, shells: int = 4, cases: int = 3) -> Problem:
    """Random cases of one isotherm; the first has b = 0, the others D that falls or rises with moisture."""
    slopes = [0.0, 12.0, -4.0]
    random = sample(cases, seed=71, equation=equation)
    chosen = [changed(c, diffusivity__moisture_slope=slopes[i % 3]) for i, c in enumerate(random)]
    bed = bed_of(gather(chosen))
    return pose(bed, graded_shells(bed, shells), layered_nodes(cells, *end_layers(bed)))


def random_state(problem: Problem, rng: np.random.Generator) -> State:
    """Nothing near a solution: every number anywhere in its range."""
    bed, n, K = problem.bed, len(problem.shells.volume), len(problem.z) - 1
    B = bed.cases
    chain = bed.feed_moisture_db * rng.uniform(0.4, 1.2, (K, n, 2, B))
    points = np.empty((K, 5, 2, B))
    points[:, cf.XS] = bed.feed_moisture_db * rng.uniform(0.3, 1.0, (K, 2, B))
    for v in (cf.TS, cf.TP, cf.TA):
        points[:, v] = rng.uniform(5.0, 85.0, (K, 2, B))
    points[:, cf.HUMIDITY] = rng.uniform(0.0, 0.06, (K, 2, B))
    return State(chain, points)


def solution(problem: Problem) -> State:
    state, converged, _ = newton(METHOD, problem, first_guess(problem), problem.bed.cases, 60)
    assert converged.all()
    return state


def residuals(problem: Problem, state: State):
    e = cf.evaluate(problem, state)
    return e.chain_residual, e.point_residual


def moved(state: State, direction: State, h: float) -> State:
    return State(state.chain + h * direction.chain, state.points + h * direction.points)


def random_direction(problem: Problem, rng: np.random.Generator) -> State:
    """A change of 0.01 kg/kg in every moisture and 1 K in every temperature, of random sign and size."""
    K, n, B = len(problem.z) - 1, len(problem.shells.volume), problem.bed.cases
    size = np.array([0.01, 1.0, 1.0, 1.0, 0.01])[:, None, None]
    return State(0.01 * rng.standard_normal((K, n, 2, B)), size * rng.standard_normal((K, 5, 2, B)))


def slope(problem: Problem, state: State, direction: State, h: float):
    """J · direction by central differences of step h."""
    high, low = (
        residuals(problem, moved(state, direction, h)),
        residuals(problem, moved(state, direction, -h)),
    )
    return [(a - b) / (2 * h) for a, b in zip(high, low)]


def solved(solver, problem: Problem, state: State, chain_right, point_right) -> State:
    """−J⁻¹ right at a state."""
    K, _, _, B = chain_right.shape
    cells = cf.linearise(problem, state, cf.evaluate(problem, state))
    chain, points = solver(cells, chain_right, point_right.reshape(K, 10, B))
    return State(chain, points.reshape(K, 5, 2, B))


def relative_error(got: State, expected: State):
    """Largest deviation per case, as a share of the sizes in `random_direction`."""
    size = np.array([0.01, 1.0, 1.0, 1.0, 0.01])[:, None, None]
    chain = np.abs(got.chain - expected.chain).max(axis=(0, 1, 2)) / 0.01
    points = (np.abs(got.points - expected.points) / size).max(axis=(0, 1, 2))
    return np.maximum(chain, points)


# ---- The whole linearisation ----------------------------------------------------------------------------


@every_equation
@both_solvers
@pytest.mark.parametrize("place", ["anywhere", "solution"])
def test_solving_undoes_a_directional_derivative(equation, solver, place):
    """−J⁻¹(−J d) = d, J d by central differences at several steps: the best of them to 1e-5.

    Random directions touch every entry of J: a wrong one is an error of its own relative size. The error
    that stays is the differences' (h² and rounding/h), amplified by the condition of J.
    """
    rng = np.random.default_rng(5)
    problem = problem_of(equation)
    state = random_state(problem, rng) if place == "anywhere" else solution(problem)
    for _ in range(3):
        d = random_direction(problem, rng)
        errors = []
        for h in (1e-2, 1e-3, 1e-4, 1e-5):
            chain, points = slope(problem, state, d, h)
            errors.append(relative_error(solved(solver, problem, state, -chain, -points), d))
        best = np.min(errors, axis=0)
        assert (best < 1e-5).all(), best


@every_equation
def test_differences_approach_the_slopes_quadratically(equation):
    """J d from the linear solver's own inverse: halving the step of the differences quarters their error."""
    rng = np.random.default_rng(6)
    problem = problem_of(equation)
    state = random_state(problem, rng)
    d = random_direction(problem, rng)
    errors = []
    for h in (0.2, 0.1, 0.05):
        chain, points = slope(problem, state, d, h)
        errors.append(relative_error(solved(chain_cells.solve_few, problem, state, -chain, -points), d))
    falls = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    np.testing.assert_allclose(falls, 2.0, atol=0.5)


def matrix_by_differences(problem: Problem, state: State) -> np.ndarray:
    """The whole Jacobian of one case, column by column, chain first in each cell."""
    K, n, _, _ = state.chain.shape
    M = 2 * n + 10

    def flat(chain, points):
        return np.concatenate([chain.reshape(K, -1), points.reshape(K, -1)], axis=1).ravel()

    columns = []
    for k in range(K):
        for j in range(M):
            d = State(np.zeros_like(state.chain), np.zeros_like(state.points))
            if j < 2 * n:
                d.chain[k].reshape(-1)[j] = 1.0
                h = 1e-6
            else:
                d.points[k].reshape(-1)[j - 2 * n] = 1.0
                h = 1e-6 if (j - 2 * n) // 2 in (cf.XS, cf.HUMIDITY) else 1e-3
            columns.append(flat(*slope(problem, state, d, h)))
    return np.array(columns).T


@pytest.mark.thorough
@every_equation
@both_solvers
def test_elimination_agrees_with_a_sparse_factorisation(equation, solver):
    """The whole matrix by finite differences, factored by SuperLU: one right-hand side at a time."""
    rng = np.random.default_rng(8)
    whole = problem_of(equation)
    for case in range(whole.bed.cases):
        problem = METHOD.take(whole, np.array([case]))
        state = random_state(problem, rng)
        lu = splu(sparse.csc_matrix(matrix_by_differences(problem, state)))
        d = random_direction(problem, rng)
        chain, points = slope(problem, state, d, 1e-4)
        K = len(chain)
        right = np.concatenate([chain.reshape(K, -1), points.reshape(K, -1)], axis=1).ravel()
        x = -lu.solve(right).reshape(K, -1)
        expected = State(x[:, :-10].reshape(chain.shape), x[:, -10:].reshape(points.shape))
        got = solved(solver, problem, state, chain, points)
        assert relative_error(got, expected) < 1e-4  # differences of single entries, times the condition of J


# ---- The two solvers ------------------------------------------------------------------------------------


@pytest.mark.parametrize("cells, shells, cases", [(1, 2, 1), (2, 3, 2), (8, 6, 5), (16, 12, 50)])
def test_the_two_solvers_agree(cells, shells, cases):
    rng = np.random.default_rng(9)
    problem = problem_of("modified-chung-pfost", cells, shells, cases)
    state = random_state(problem, rng)
    chain, points = residuals(problem, state)
    few, many = (solved(f, problem, state, chain, points) for f in SOLVERS)
    # rounding times the condition of J, which at a random state may be 1e9
    assert (relative_error(many, few) < 1e-5 * np.abs(few.points).max()).all()


def test_the_two_solvers_agree_near_a_solution():
    problem = problem_of("modified-chung-pfost", 16, 12, 50)
    state = solution(problem)
    rng = np.random.default_rng(12)
    d = random_direction(problem, rng)
    right = slope(problem, state, d, 1e-3)
    few, many = (solved(f, problem, state, *right) for f in SOLVERS)
    assert (relative_error(many, few) < 1e-6).all()  # rounding times a condition of 1e8 and more


@both_solvers
def test_cases_do_not_touch_each_other(solver):
    """Solved together or alone, the same step."""
    rng = np.random.default_rng(10)
    problem = problem_of("gab", 4, 5, 6)
    state = random_state(problem, rng)
    chain, points = residuals(problem, state)
    together = solved(solver, problem, state, chain, points)
    for case in range(6):
        i = np.array([case])
        alone = solved(solver, METHOD.take(problem, i), METHOD.take(state, i), chain[..., i], points[..., i])
        np.testing.assert_allclose(alone.chain, together.chain[..., i], rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(alone.points, together.points[..., i], rtol=1e-7, atol=1e-7)


@both_solvers
def test_a_singular_case_spoils_only_itself(solver):
    """One case without numbers in it comes back without numbers; its neighbours come back solved."""
    rng = np.random.default_rng(11)
    problem = problem_of("modified-oswin", 3, 4, 3)
    state = random_state(problem, rng)
    chain, points = residuals(problem, state)
    good = solved(solver, problem, state, chain, points)
    chain[..., 1], points[..., 1] = np.nan, np.nan
    with np.errstate(all="ignore"):
        mixed = solved(solver, problem, state, chain, points)
    assert not np.isfinite(mixed.points[..., 1]).any()
    np.testing.assert_allclose(mixed.points[..., [0, 2]], good.points[..., [0, 2]], rtol=1e-9)


@pytest.mark.parametrize("cells, shells, cases", [(1, 2, 1), (2, 3, 2), (8, 6, 5)])
def test_many_right_hand_sides_of_one_matrix(cells, shells, cases):
    """Solved with one elimination or one by one: the same, each case and each right-hand side in its place."""
    rng = np.random.default_rng(13)
    problem = problem_of("modified-oswin", cells, shells, cases)
    state = solution(problem)
    rights = [slope(problem, state, random_direction(problem, rng), 1e-3) for _ in range(4)]
    matrix = cf.linearise(problem, state, cf.evaluate(problem, state))
    chain = np.stack([chain for chain, _ in rights], axis=-2)
    points = np.stack([points.reshape(cells, 10, cases) for _, points in rights], axis=-2)
    dX, dP = chain_cells.solve_for_many(matrix, chain, points)
    for r, right in enumerate(rights):
        got = State(dX[..., r, :], dP[..., r, :].reshape(cells, 5, 2, cases))
        one_by_one = solved(chain_cells.solve_few, problem, state, *right)
        assert (relative_error(got, one_by_one) < 1e-7).all()  # rounding times the condition of J


def test_newtons_method_ends_quadratically():
    """The last steps fall as squares: only with every slope right."""
    problem = problem_of("modified-henderson", 8, 6, 3)
    state, sizes = first_guess(problem), []
    for _ in range(40):
        state, size = cf.newton_step(problem, state)
        sizes.append(size)
        if (size < 1e-11).all():
            break
    sizes = np.array(sizes)
    assert (sizes[-1] < 1e-11).all()
    for case in range(3):
        s = sizes[:, case]
        k = int(np.flatnonzero(s < 1e-3)[0])
        assert s[k + 1] < 30 * s[k] ** 2 + 1e-12


# ---- Sensitivities --------------------------------------------------------------------------------------

SETTINGS = {  # number of the bed: a step small against it
    "feed_moisture_db": 1e-5, "feed_temperature": 1e-3, "inlet_air_temperature": 1e-3, "air_flux": 1e-5,
    "inlet_humidity_ratio": 1e-6, "depth": 1e-5,
}  # fmt: skip


@pytest.mark.parametrize("setting", SETTINGS)
@both_solvers
def test_sensitivity_of_the_exit(setting, solver):
    """d(exit)/d(setting) by one more back-substitution, against solving again with the setting changed."""
    problem = problem_of("modified-chung-pfost", 6, 4, 3)
    state, step = solution(problem), SETTINGS[setting]

    def with_change(change: float) -> Problem:
        value = getattr(problem.bed, setting) + change
        bed = dataclasses.replace(problem.bed, **{setting: value})
        return pose(bed, problem.shells, problem.z, problem.laws)

    def exit_of(p: Problem, s: State):
        out = cf.outlet(p, s)
        return np.array([out.moisture, out.humidity_ratio, out.enthalpy / 1e5])

    high, low = with_change(step), with_change(-step)
    by_setting = [(a - b) / (2 * step) for a, b in zip(residuals(high, state), residuals(low, state))]
    d = solved(solver, problem, state, *by_setting)
    predicted = (exit_of(high, moved(state, d, step)) - exit_of(low, moved(state, d, -step))) / (2 * step)
    again = (exit_of(high, solution(high)) - exit_of(low, solution(low))) / (2 * step)
    # converged to 1e-7 and better, divided by the step: 1e-3 of the largest slope
    np.testing.assert_allclose(predicted, again, rtol=1e-3, atol=1e-3 * np.abs(again).max())
