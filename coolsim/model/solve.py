"""From a bed to its solution: meshes, continuation, error estimate.

1. A coarse mesh, graded to both ends by the streams' transfer lengths; Newton's method from straight lines.
2. A mesh with twice the cells that follows the solution, and twice the shells; Newton from the coarse state.
   The few cases that fail (one in two hundred) take a longer road: see ROADS. Those that still fail start anew,
   with these roads on the coarse mesh.
3. One Newton step from that solution on half its cells, and on half its cells and shells: the differences
   are the error estimate. (One step: its own error is the square of what it measures.)
4. Cases whose error is above tolerance go round again with twice the cells and shells.

Measured on random beds (tests/laws/domain.py) against four times the cells and shells, in
tests/laws/test_domain.py. Cells are of third order only where the mesh resolves every layer, so the estimate
takes a larger part of the difference in z than third order would.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.model import counterflow as cf
from coolsim.model.bed import Bed, take
from coolsim.model.counterflow import Contents, Outlet, Problem, State, pose
from coolsim.model.counterflow_starts import first_guess, thin_guess, with_depth, with_moisture_slope
from coolsim.model.pellet_shells import Shells, shells
from coolsim.model.surface import REAL, Laws
from coolsim.numerics import mesh
from coolsim.numerics.newton import CLOSE, CONVERGED, Method, continuation, newton, pseudo_time
from coolsim.physics import air, packed_bed
from coolsim.support.fields import Array

GRADING = 4.5  # of the shells; the error in r is then smallest where it still falls by four per halving
FOLLOWING = 0.5  # share of the cells placed by the solution, the rest by the transfer lengths
END_LAYER = 0.1  # thickness of the first cells' layer, in transfer lengths
MOST_STEPS = 14  # Newton steps before a case is grown from a thin bed
# What part of a difference between meshes counts as error: (in z, in r). Moisture and temperature err
# together, tied by the energy balance, so each estimate also takes a part of the other's: where one difference
# vanishes by chance the other seldom does. Parts set on 600 random beds to cover 97 % (tests/laws/test_domain.py).
MOISTURE_PART, TEMPERATURE_PART = (0.26, 0.37), (0.36, 0.54)
MOISTURE_PER_KELVIN, KELVIN_PER_MOISTURE = 6.5e-4, 300.0  # kg/kg wet and K that stand for the same error
MOISTURE_ERROR, TEMPERATURE_ERROR = 1e-4, 0.07  # kg/kg wet and K above which a case is refined


@dataclass(frozen=True)
class Resolution:
    """Cells and shells of the mesh that answers, both even, and how often a rough case is refined.

    Without an estimate errors are nan, which refines nothing: for surveys, whose answers are predicted anew.
    """

    cells: int = 16
    shells: int = 12
    refinements: int = 3
    estimate: bool = True


@dataclass(frozen=True)
class Solution:
    """Cases solved on meshes of one size."""

    index: NDArray[np.intp]  # which cases of the bed, (B,)
    problem: Problem
    state: State
    contents: Contents
    outlet: Outlet
    moisture_error: Array  # kg/kg wet, (B,)
    temperature_error: Array  # K, (B,)
    converged: NDArray[np.bool_]  # (B,)
    steps: NDArray[np.intp]  # Newton steps on all meshes, (B,)


def _put(state: State, index: Any, part: State) -> State:
    chain, points = state.chain.copy(), state.points.copy()
    chain[..., index], points[..., index] = part.chain, part.points
    return State(chain, points)


METHOD = Method(cf.newton_step, take, _put)


def solve(bed: Bed, laws: Laws = REAL, resolution: Resolution = Resolution()) -> list[Solution]:
    """Solve every case of a bed to tolerance: a list of solutions, each on meshes of one size."""
    solution = _from_coarse(bed, laws, resolution, np.arange(bed.cases), ())
    failed = np.flatnonzero(~solution.converged)
    if not len(failed):
        return _refined(solution, resolution.refinements)
    again = _from_coarse(take(bed, failed), laws, resolution, failed, ROADS)
    others = take(solution, np.flatnonzero(solution.converged))
    parts = [again, others] if len(others.index) else [again]
    return [answer for part in parts for answer in _refined(part, resolution.refinements)]


def _from_coarse(
    bed: Bed, laws: Laws, resolution: Resolution, index: NDArray[np.intp], roads: Roads
) -> Solution:
    """Solve on half the cells and shells, then on all; `roads` are those taken on the coarse mesh.

    They are long there and often lead nowhere, where a finer mesh has a solution that is soon found.
    """
    cells, count = resolution.cells, resolution.shells
    coarse = pose(bed, graded_shells(bed, count // 2), mesh.layered_nodes(cells // 2, *end_layers(bed)), laws)
    state, solved, steps = _solve_on(coarse, first_guess(coarse), CLOSE, roads)
    return _solve_followed(index, coarse, state, solved, cells, count, steps, resolution.estimate)


def solve_from(problem: Problem, guess: State, resolution: Resolution) -> list[Solution]:
    """As `solve`, on a mesh and from a state that are known to be near."""
    cases, none = np.arange(problem.bed.cases), np.zeros(problem.bed.cases, np.intp)
    return _refined(_finished(cases, problem, guess, none, resolution.estimate), resolution.refinements)


def _refined(solution: Solution, refinements: int) -> list[Solution]:
    """Solve again, with twice the cells and shells, the cases whose error is above tolerance."""
    answers = []
    for _ in range(refinements):
        rough = ~solution.converged | (solution.moisture_error > MOISTURE_ERROR)
        rough |= solution.temperature_error > TEMPERATURE_ERROR
        if not rough.any():
            break
        if not rough.all():
            answers.append(take(solution, np.flatnonzero(~rough)))
        again = take(solution, np.flatnonzero(rough))
        cells, count = 2 * (len(again.problem.z) - 1), 2 * len(again.problem.shells.volume)
        solution = _solve_followed(
            again.index, again.problem, again.state, again.converged, cells, count, again.steps
        )
    return [*answers, solution]


def end_layers(bed: Bed) -> tuple[Array, Array]:
    """Thickness of the layer at each end, as a share of the depth: where the quicker stream changes by 1/e."""
    h = packed_bed.heat_transfer_coefficient(bed.air_flux, 2 * bed.radius, bed.inlet_air_temperature)
    capacity = bed.specific_heat + air.HEAT_CAPACITY_WATER * bed.feed_moisture_db
    slower = np.minimum(bed.air_flux * air.HEAT_CAPACITY_DRY_AIR, bed.solid_flux * capacity)
    layer = np.clip(END_LAYER * slower / (h * bed.surface), 1e-6, 0.1)
    return layer, layer


def graded_shells(bed: Bed, count: int) -> Shells:
    """The default shells of a bed's pellets: every case has the same."""
    one = _one_graded(count)
    return Shells(
        *(np.broadcast_to(f, (count, bed.cases)) for f in (one.volume, one.middle, one.conductance))
    )


@lru_cache(maxsize=16)
def _one_graded(count: int) -> Shells:
    return shells(count, np.full(1, GRADING))


def _by_moisture_slope(problem: Problem, enough: float) -> Any:
    """Steep diffusivities: from one that does not depend on moisture. Growing the bed leaves a third of these."""
    start = first_guess(problem)
    return continuation(METHOD, with_moisture_slope, problem, start, problem.bed.cases, enough=enough)


def _by_depth(problem: Problem, enough: float) -> Any:
    """From a thin bed."""
    start = thin_guess(problem)
    return continuation(METHOD, with_depth, problem, start, problem.bed.cases, enough=enough)


def _by_time(problem: Problem, enough: float) -> Any:
    """From fresh pellets, as the bed would settle: for fronts that stand inside it."""
    state, _, steps = pseudo_time(METHOD, problem, thin_guess(problem), problem.bed.cases)
    state, converged, more = newton(METHOD, problem, state, problem.bed.cases, MOST_STEPS, enough)
    return state, converged, steps + more


Roads = tuple[Callable[[Problem, float], Any], ...]
ROADS: Roads = (_by_moisture_slope, _by_depth, _by_time)  # to what Newton's method does not reach at once


def _solve_on(
    problem: Problem, guess: State, enough: float = CONVERGED, roads: Roads | None = None
) -> tuple[State, NDArray[np.bool_], NDArray[np.intp]]:
    """Newton from a guess; for the cases that fail, each road in turn (all of them by default)."""
    state, converged, steps = newton(METHOD, problem, guess, problem.bed.cases, MOST_STEPS, enough)
    for road in ROADS if roads is None else roads:
        failed = np.flatnonzero(~converged)
        if not len(failed):
            break
        part, reached, more = road(take(problem, failed), enough)
        state = _put(state, failed[reached], take(part, reached))
        converged[failed] = reached
        steps[failed] += more
    return state, converged, steps


def _solve_followed(
    index: NDArray[np.intp],
    problem: Problem,
    state: State,
    solved: NDArray[np.bool_],
    cells: int,
    count: int,
    steps: NDArray[np.intp],
    estimate: bool = True,
) -> Solution:
    """Solve on a mesh that follows a coarser state, where that state solves its own mesh."""
    bed = problem.bed
    if solved.all():
        nodes = followed_mesh(problem, state, cells)
    else:
        nodes = mesh.layered_nodes(cells, *end_layers(bed))
        nodes[:, solved] = followed_mesh(take(problem, solved), take(state, solved), cells)
    fine = cf.on_mesh(problem, graded_shells(bed, count), nodes)
    return _finished(index, fine, moved(problem, state, fine), steps, estimate)


def _finished(
    index: NDArray[np.intp], fine: Problem, guess: State, steps: NDArray[np.intp], estimate: bool = True
) -> Solution:
    """Solve on a mesh, and estimate the error."""
    state, converged, more = _solve_on(fine, guess)
    out, none = cf.outlet(fine, state), np.full(fine.bed.cases, np.nan)
    moisture, temperature = _errors(fine, state, out) if estimate else (none, none)
    return Solution(
        index, fine, state, cf.contents(fine, state), out, moisture, temperature, converged, steps + more
    )


def _errors(fine: Problem, state: State, out: Outlet) -> tuple[Array, Array]:
    """Errors of exit moisture (wet basis) and temperature: from half the cells, and half the shells, too."""
    bed, laws = fine.bed, fine.laws
    half = cf.on_mesh(fine, fine.shells, fine.z[::2])
    quarter = cf.on_mesh(half, graded_shells(bed, len(fine.shells.volume) // 2), half.z)
    on_half = moved(fine, state, half)
    on_quarter = State(between_shells(on_half.chain, len(quarter.shells.volume)), on_half.points)
    outlets = [out, _outlet_after_one_step(half, on_half), _outlet_after_one_step(quarter, on_quarter)]
    moisture = _difference(MOISTURE_PART, *(o.moisture / (1 + o.moisture) for o in outlets))
    temperature = _difference(
        TEMPERATURE_PART,
        *(laws.pellet_temperature(bed, o.moisture, o.enthalpy, o.bound_heat) for o in outlets),
    )
    return moisture + MOISTURE_PER_KELVIN * temperature, temperature + KELVIN_PER_MOISTURE * moisture


def _difference(part: tuple[float, float], fine: Array, half: Array, quarter: Array) -> Array:
    error = part[0] * np.abs(fine - half) + part[1] * np.abs(half - quarter)
    return np.where(np.isfinite(error), error, np.inf)


def _outlet_after_one_step(problem: Problem, guess: State) -> Outlet:
    with np.errstate(all="ignore"):  # a case that fails here gets an infinite error estimate
        state, _ = cf.newton_step(problem, guess)
        return cf.outlet(problem, state)


# ---- Between meshes -----------------------------------------------------------------------------------


def followed_mesh(problem: Problem, state: State, cells: int) -> Array:
    """Nodes shared between the end layers and the curves of the solution, by the curves' length."""
    s = cf.stage_positions(problem.z)
    K, _, B = s.shape
    mean = (problem.shells.volume[:, None] * state.chain).sum(axis=1)
    temperatures = state.points[:, cf.TS : cf.TA + 1]
    span = np.ptp(temperatures, axis=(0, 1, 2))
    length = np.zeros((2 * K - 1, B))
    for curve, height in (
        *((temperatures[:, v], span) for v in range(3)),
        (state.points[:, cf.HUMIDITY], np.ptp(state.points[:, cf.HUMIDITY], axis=(0, 1))),
        (mean, np.ptp(mean, axis=(0, 1))),
    ):
        length += np.abs(np.diff(curve.reshape(2 * K, B), axis=0)) / (height + 1e-12)
    ends, none = np.zeros((1, B)), np.zeros((1, B))
    z = np.concatenate([ends, s.reshape(2 * K, B), ends + 1])
    weight = np.concatenate([none, length, none]) + 1e-6
    return mesh.followed_nodes(cells, *end_layers(problem.bed), z, weight, FOLLOWING)


def moved(problem: Problem, state: State, target: Problem) -> State:
    """A state carried to another mesh: linear in z through the stages, linear in shell number."""
    s, t = cf.stage_positions(problem.z), cf.stage_positions(target.z)
    K, T, B = len(s), len(t), s.shape[-1]
    s, t = s.reshape(2 * K, B), t.reshape(2 * T, B)
    k = np.clip((s[:, None] < t).sum(axis=0) - 1, 0, 2 * K - 2)
    s_0, s_1 = np.take_along_axis(s, k, 0), np.take_along_axis(s, k + 1, 0)
    w = np.clip((t - s_0) / (s_1 - s_0), 0.0, 1.0)[:, None]

    def along(f: Array) -> Array:
        """(K, m, 2, B) → (T, m, 2, B)."""
        f = np.moveaxis(f, 2, 1).reshape(2 * K, -1, B)
        f_0, f_1 = np.take_along_axis(f, k[:, None], 0), np.take_along_axis(f, k[:, None] + 1, 0)
        g = (f_0 + w * (f_1 - f_0)).reshape(T, 2, -1, B)
        return np.ascontiguousarray(np.moveaxis(g, 1, 2))

    chain = between_shells(state.chain, len(target.shells.volume))
    return State(along(chain), along(state.points))


def between_shells(X: Array, count: int) -> Array:
    """Moisture (K, n, 2, B) at the middles of `count` shells, linear in shell number (equal grading)."""
    n = X.shape[1]
    if n == count:
        return X
    at = np.clip((np.arange(count) + 0.5) * n / count - 0.5, 0, n - 1)
    k = np.minimum(at.astype(int), n - 2)
    w = (at - k)[:, None, None]
    return (1 - w) * X[:, k] + w * X[:, k + 1]


# ---- When it fails ------------------------------------------------------------------------------------

EQUATION_NAMES = ("surface moisture", "surface heat", "pellet enthalpy", "air water", "air enthalpy")


def worst_equation(solution: Solution, case: int) -> str:
    """The equation with the largest residual in one case, and where in the bed: for the error message."""
    one = np.array([case])
    at = cf.evaluate(take(solution.problem, one), take(solution.state, one))
    residual = np.abs(at.point_residual[..., 0])
    scale = np.array([1.0, 1e3, 1e5, 1e-2, 1e5])[:, None]
    k, equation, _ = np.unravel_index(
        np.nanargmax(np.nan_to_num(residual / scale, nan=np.inf)), residual.shape
    )
    depth = float(solution.problem.z[k : k + 2, case].mean() * solution.problem.bed.depth[case])
    return f"{EQUATION_NAMES[equation]} at {depth:.3f} m below the top"
