"""Counter-flow bed, steady: pellets down, air up.

    Gs dX̄/dz = −a J          Ga dY/dz = −a J           each shell with its own diffusion balance
    Gs dH/dz = −a (q + J h_v)   Ga dh/dz = −a (q + J h_v)     H = (c_d + c_w X̄) Tp − ⟨Q⟩, h of moist air
    z = 0: X = X_in, Tp = Tp_in       z = L: Ta, Y of the air that enters

with the surface equations of model.surface at every point. Both streams take two-stage upwind Galerkin steps
(numerics.stages) on the same cells and share J and q at the stages, so water and energy balance to rounding
on any mesh. Unknowns: the shells' moisture (the chain of numerics.chain_cells) and Xs, Ts, Tp, Ta, Y (its
points). The heat that bound water takes up is the scheme's own difference of ⟨Q⟩ along the pellets' path.

Dead ends, so that nobody tries them again: limiting the Newton step as a whole (one dry cell stops
all others: 3 % failed); letting moisture go negative with an odd isotherm (6 % failed); forbidding
negative humidity in an iterate (a coarse cell at a sharp inlet can have it, and recovers on the next mesh).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.model.bed import Bed
from coolsim.model.iterate import (
    HUMIDITY,
    LARGEST_MOISTURE,
    LEAST_MOISTURE_KEPT,
    MOISTURE_SCALE,
    POINT_SCALES,
    TA,
    TP,
    TS,
    XS,
    largest,
    moved,
    within,
)
from coolsim.model.pellet_shells import Diffusion, Shells, diffuse, feed_shells
from coolsim.model.surface import REAL, Laws, MoistureLaw, SurfaceState
from coolsim.numerics import chain_cells
from coolsim.numerics.chain_cells import ChainCells
from coolsim.numerics.stages import DOWN, GAUSS_POINTS, UP, differences, exits
from coolsim.physics.air import HEAT_CAPACITY_DRY_AIR
from coolsim.support.fields import Array

HUMIDITY_RANGE = (-0.05, 5.0)  # kg/kg; see the dead ends above
TEMPERATURE_MARGIN = 25.0  # K above the hotter stream: condensation and sorption heat pellets no further


@dataclass(frozen=True)
class State:
    """An iterate: `chain` (K, n, 2, B) shell moistures, `points` (K, 5, 2, B) as XS … HUMIDITY."""

    chain: Array
    points: Array


@dataclass(frozen=True)
class Problem:
    """The discrete equations of a batch of cases; make one with `pose`."""

    bed: Bed
    shells: Shells
    z: Array  # nodes on 0…1, (K + 1, B)
    laws: Laws
    time: Array  # Δz τ [s], (K, 1, B)
    per_solid: Array  # Δz a L/Gs, (K, 1, B)
    per_air: Array  # Δz a L/Ga, (K, 1, B)
    inner: Array  # 5k/R [W/(m² K)], (B,)
    feed: Array  # H and ⟨Q⟩ of the pellets that enter, (2, B)
    feed_shells: Array  # their moisture, (n, B)
    inlet: Array  # Y and h of the air that enters, (2, B)


def pose(bed: Bed, shells: Shells, z: Array, laws: Laws = REAL) -> Problem:
    """The equations of a bed on a mesh of shells and nodes z (K + 1, B)."""
    Y = bed.inlet_humidity_ratio
    inlet = np.stack([Y, laws.air_enthalpy(bed.inlet_air_temperature, Y)])
    inner = 5 * bed.conductivity / bed.radius
    return Problem(bed, shells, z, laws, *_cell_sizes(bed, z), inner, *_fed(bed, shells, laws), inlet)


def _fed(bed: Bed, shells: Shells, laws: Laws) -> tuple[Array, Array]:
    """H and ⟨Q⟩ (2, B) of the pellets that enter, and their moisture (n, B), on a mesh of shells."""
    X, Q = feed_shells(bed, shells), bed.bound_water(bed.feed_moisture_db)[0]
    if bed.fed is None:
        return np.stack([laws.pellet_enthalpy(bed, bed.feed_moisture_db, bed.feed_temperature, Q), Q]), X
    H = laws.pellet_enthalpy(bed, bed.feed_moisture_db, bed.feed_temperature, bed.fed.bound_heat)
    return np.stack([H, (shells.volume * bed.bound_water(X)[0]).sum(axis=0)]), X


def on_mesh(problem: Problem, shells: Shells, z: Array) -> Problem:
    """The same equations on another mesh."""
    time, per_solid, per_air = _cell_sizes(problem.bed, z)
    feed, in_shells = _fed(problem.bed, shells, problem.laws)
    return dataclasses.replace(
        problem,
        shells=shells,
        z=z,
        time=time,
        per_solid=per_solid,
        per_air=per_air,
        feed=feed,
        feed_shells=in_shells,
    )


def _cell_sizes(bed: Bed, z: Array) -> tuple[Array, Array, Array]:
    """Cells in seconds, and in pellet surface per solid and per air flux."""
    dz, surface = np.diff(z, axis=0)[:, None], bed.surface
    return dz * bed.residence_time, dz * (surface / bed.solid_flux), dz * (surface / bed.air_flux)


@dataclass(frozen=True)
class Contents:
    """What the streams hold at the stages, each (K, 2, B)."""

    mean_moisture: Array  # X̄
    bound_heat: Array  # ⟨Q⟩
    enthalpy: Array  # H
    air_enthalpy: Array  # h


def contents(problem: Problem, state: State) -> Contents:
    """What the streams hold at a state."""
    return _contents(problem, state)[0]


def _contents(problem: Problem, state: State) -> tuple[Contents, Array]:
    """As `contents`, and q_st of each shell (K, n, 2, B)."""
    bed, laws, V = problem.bed, problem.laws, problem.shells.volume[:, None]
    Q_shells, q_st = bed.bound_water(state.chain)
    X_mean, Q = (V * state.chain).sum(axis=1), (V * Q_shells).sum(axis=1)
    H = laws.pellet_enthalpy(bed, X_mean, state.points[:, TP], Q)
    return Contents(X_mean, Q, H, laws.air_enthalpy(state.points[:, TA], state.points[:, HUMIDITY])), q_st


@dataclass(frozen=True)
class Evaluation:
    """Residuals at an iterate, and the parts that slopes are made of."""

    chain_residual: Array  # (K, n, 2, B)
    point_residual: (
        Array  # (K, 5, 2, B): moisture law, surface heat, pellet enthalpy, air water, air enthalpy
    )
    diffusion: Diffusion
    law: MoistureLaw
    heat_coefficient: Array
    heat_coefficient_slope: Array
    bound_heat_slope: Array  # q_st of each shell (K, n, 2, B)
    mean_moisture: Array  # X̄ (K, 2, B)


def bound_water_rate(problem: Problem) -> Array:
    """(ρ_d R/3)/(Δz τ): what a difference of ⟨Q⟩ over a cell is as heat per pellet surface, (K, 1, B)."""
    return problem.bed.solid_density * problem.bed.radius / 3 / problem.time


def evaluate(problem: Problem, state: State) -> Evaluation:
    """Residuals of the discrete equations at an iterate."""
    bed, laws, V = problem.bed, problem.laws, problem.shells.volume[:, None]
    X = state.chain
    Xs, Ts, Tp, Ta, Y = (state.points[:, v] for v in range(5))

    d = diffuse(bed, problem.shells, X, Xs, Ts)
    chain_residual = V * differences(DOWN, X, problem.feed_shells)
    chain_residual -= (problem.time * d.rate)[:, None] * d.inflow

    c, q_st = _contents(problem, state)
    coefficient, coefficient_slope = laws.heat_transfer(bed, Ta)
    h_v = laws.vapour_enthalpy(Ts)
    q = coefficient * (Ts - Ta)
    passed = q + d.flux * h_v
    down = differences(DOWN, np.stack([c.enthalpy, c.bound_heat], axis=1), problem.feed)
    up = differences(UP, np.stack([Y, c.air_enthalpy], axis=1), problem.inlet)
    q_bound = -bound_water_rate(problem) * down[:, 1]
    law = laws.moisture(bed, SurfaceState(Xs, Ts, Ta, Y, d.flux))

    points = np.empty_like(state.points)
    points[:, 0] = law.residual
    points[:, 1] = problem.inner * (Tp - Ts) - q - d.flux * (h_v - laws.water_capacity * Tp) - q_bound
    points[:, 2] = down[:, 0] + problem.per_solid * passed
    points[:, 3] = up[:, 0] - problem.per_air * d.flux
    points[:, 4] = up[:, 1] - problem.per_air * passed
    return Evaluation(chain_residual, points, d, law, coefficient, coefficient_slope, q_st, c.mean_moisture)


def linearise(problem: Problem, state: State, e: Evaluation) -> ChainCells:
    """Jacobian of the residuals at an iterate, by hand; held against finite differences in the tests."""
    bed, laws, sh = problem.bed, problem.laws, problem.shells
    per_time = bound_water_rate(problem)[:, 0]
    _, Ts, Tp, Ta, Y = (state.points[:, v] for v in range(5))
    K, _, _, B = state.chain.shape
    d, law = e.diffusion, e.law

    rate = (problem.time * d.rate)[:, None]  # (K, 1, 2, B)
    g = sh.conductance[:, None]
    both = g.copy()
    both[1:] += g[:-1]
    lower, upper, diagonal = np.zeros(state.chain.shape), np.zeros(state.chain.shape), rate * both
    lower[:, 1:] = upper[:, :-1] = -rate * g[:-1]
    if not isinstance(d.slope, float):
        lower[:, 1:] *= d.slope[:, :-1]
        upper[:, :-1] *= d.slope[:, 1:]
        diagonal *= d.slope

    J_n, J_s, J_T = d.flux_by_last, d.flux_by_surface, d.flux * d.rate_log_slope
    h_v = laws.vapour_enthalpy(Ts)
    q_T = e.heat_coefficient + laws.vapour_capacity * d.flux  # ∂(q + J h_v)/∂Ts at constant J
    q_Ta = e.heat_coefficient_slope * (Ts - Ta) - e.heat_coefficient
    latent = h_v - laws.water_capacity * Tp
    inner = problem.inner
    H_T = bed.specific_heat + laws.water_capacity * e.mean_moisture
    H_X = laws.water_capacity * Tp
    h_T, h_Y = HEAT_CAPACITY_DRY_AIR + laws.vapour_capacity * Y, laws.vapour_enthalpy(Ta)

    P = np.zeros((K, 5, 2, 5, 2, B))
    F = np.zeros((K, 5, 2, 3, 2, B))  # by last shell, mean moisture, ⟨Q⟩
    own, own_F = np.einsum("kricib->krcib", P), np.einsum("krifib->krfib", F)  # views: one stage by itself
    own[:, 0, XS] = law.by_moisture + law.by_flux * J_s
    own[:, 0, TS] = law.by_temperature + law.by_flux * J_T
    own[:, 0, TA] = law.by_air_temperature
    own[:, 0, HUMIDITY] = law.by_humidity_ratio
    own_F[:, 0, 0] = law.by_flux * J_n

    own[:, 1, XS] = -latent * J_s
    own[:, 1, TS] = -latent * J_T - inner - q_T
    own[:, 1, TP] = inner + laws.water_capacity * d.flux
    own[:, 1, TA] = -q_Ta
    own_F[:, 1, 0] = -latent * J_n

    for row, scale in ((2, problem.per_solid), (4, -problem.per_air)):
        own[:, row, XS] = scale * h_v * J_s
        own[:, row, TS] = scale * (h_v * J_T + q_T)
        own[:, row, TA] = scale * q_Ta
        own_F[:, row, 0] = scale * h_v * J_n
    own[:, 3, XS], own[:, 3, TS] = -problem.per_air * J_s, -problem.per_air * J_T
    own_F[:, 3, 0] = -problem.per_air * J_n
    down_stage, up_stage = DOWN.stage[..., None], UP.stage[..., None]  # by (stage, stage, case)
    P[:, 2, :, TP] += down_stage * H_T[:, None]
    P[:, 3, :, HUMIDITY] += up_stage
    P[:, 4, :, TA] += up_stage * h_T[:, None]
    P[:, 4, :, HUMIDITY] += up_stage * h_Y[:, None]
    F[:, 1, :, 2] = per_time[:, None, None] * down_stage
    F[:, 2, :, 1] = down_stage * H_X[:, None]
    F[:, 2, :, 2] = -down_stage

    by_down, by_up = np.zeros((K, 5, 2, 2, B)), np.zeros((K, 5, 2, 2, B))  # (H, ⟨Q⟩) and (Y, h)
    by_down[:, 1, :, 1] = per_time[:, None] * DOWN.entry[:, None]
    by_down[:, 2, :, 0] = DOWN.entry[:, None]
    by_up[:, 3, :, 0] = by_up[:, 4, :, 1] = UP.entry[:, None]
    down, down_f = np.zeros((K, 2, 5, 2, B)), np.zeros((K, 2, 3, 2, B))
    up = np.zeros((K, 2, 5, 2, B))
    down_exit, up_exit = DOWN.exit[:, None], UP.exit[:, None]
    down[:, 0, TP] = down_exit * H_T
    down_f[:, 0, 1] = down_exit * H_X
    down_f[:, 0, 2], down_f[:, 1, 2] = -down_exit, down_exit
    up[:, 0, HUMIDITY] = up_exit
    up[:, 1, TA], up[:, 1, HUMIDITY] = up_exit * h_T, up_exit * h_Y
    return ChainCells(
        mass=sh.volume,
        lower=lower,
        diagonal=diagonal,
        upper=upper,
        last_by_first=-rate[:, 0] * sh.conductance[-1] * d.surface_slope,
        links_by_second=-rate * d.rate_log_slope[:, None] * d.inflow,
        weight=sh.volume[:, None] * e.bound_heat_slope,
        points=P.reshape(K, 10, 10, B),
        points_by_functionals=F.reshape(K, 10, 6, B),
        points_by_down=by_down.reshape(K, 10, 2, B),
        points_by_up=by_up.reshape(K, 10, 2, B),
        down_by_points=down.reshape(K, 2, 10, B),
        down_by_functionals=down_f.reshape(K, 2, 6, B),
        up_by_points=up.reshape(K, 2, 10, B),
    )


def with_inertia(
    problem: Problem, state: State, e: Evaluation, cells: ChainCells, inertia: Array
) -> ChainCells:
    """The Jacobian of one linearly implicit step in time, of 1/inertia (B,) residence times.

    Every stream resists change: with much inertia a step is a little of what the bed would really do.
    """
    mass = (np.diff(problem.z, axis=0) * inertia)[:, None]  # (K, 1, B)
    laws, bed = problem.laws, problem.bed
    Tp, Ta, Y = (state.points[:, v] for v in (TP, TA, HUMIDITY))
    K, _, _, B = state.chain.shape
    P = cells.points.copy().reshape(K, 5, 2, 5, 2, B)
    F = cells.points_by_functionals.copy().reshape(K, 5, 2, 3, 2, B)
    own, own_F = np.einsum("kricib->krcib", P), np.einsum("krifib->krfib", F)
    own[:, 2, TP] += mass * (bed.specific_heat + laws.water_capacity * e.mean_moisture)
    own_F[:, 2, 1] += mass * laws.water_capacity * Tp
    own_F[:, 2, 2] -= mass
    own[:, 3, HUMIDITY] += mass
    own[:, 4, TA] += mass * (HEAT_CAPACITY_DRY_AIR + laws.vapour_capacity * Y)
    own[:, 4, HUMIDITY] += mass * laws.vapour_enthalpy(Ta)
    return dataclasses.replace(
        cells,
        diagonal=cells.diagonal + problem.shells.volume[:, None] * mass[:, None],
        points=P.reshape(cells.points.shape),
        points_by_functionals=F.reshape(cells.points_by_functionals.shape),
    )


def newton_step(problem: Problem, state: State, inertia: Array | None = None) -> tuple[State, Array]:
    """One limited Newton step, and its size (B,): the largest change, in parts of what the cooler changes."""
    e = evaluate(problem, state)
    cells = linearise(problem, state, e)
    if inertia is not None:
        cells = with_inertia(problem, state, e, cells, inertia)
    K, _, _, B = state.points.shape[0], 5, 2, problem.bed.cases
    dX, dP = chain_cells.solve(cells, e.chain_residual, e.point_residual.reshape(K, 10, B))
    return _advance(problem, state, dX, dP.reshape(K, 5, 2, B))


def _advance(problem: Problem, state: State, dX: Array, dP: Array) -> tuple[State, Array]:
    """Add a Newton step, limited entry by entry (see the dead ends above)."""
    size = np.maximum(largest(dX) / MOISTURE_SCALE, largest(dP / POINT_SCALES))
    chain = within(state.chain + dX, LEAST_MOISTURE_KEPT * state.chain, LARGEST_MOISTURE)
    hottest = np.maximum(problem.bed.feed_temperature, problem.bed.inlet_air_temperature) + TEMPERATURE_MARGIN
    return State(chain, moved(state.points, dP, LARGEST_MOISTURE, hottest, HUMIDITY_RANGE)), size


# ---- Starting points, other meshes, subsets ------------------------------------------------------------


def stage_positions(z: Array) -> Array:
    """Where the stages lie on 0…1: (K, 2, B) from nodes (K + 1, B)."""
    return z[:-1, None] + np.diff(z, axis=0)[:, None] * GAUSS_POINTS[:, None]


@dataclass(frozen=True)
class Outlet:
    """The two streams where they leave, per case: conserved quantities, so that means of them balance too."""

    moisture: Array  # X̄
    enthalpy: Array  # H
    bound_heat: Array  # ⟨Q⟩
    surface_moisture: Array  # Xs at the last stage, extrapolated
    humidity_ratio: Array  # Y
    air_enthalpy: Array  # h


def outlet(problem: Problem, state: State) -> Outlet:
    """What leaves the bottom (pellets) and the top (air) at a state."""
    bed, laws = problem.bed, problem.laws
    X, points = state.chain[-1], state.points[-1]
    V = problem.shells.volume[:, None]
    mean, Q = (V * X).sum(axis=0), (V * bed.bound_water(X)[0]).sum(axis=0)
    Ta, Y = state.points[0, TA], state.points[0, HUMIDITY]
    return Outlet(
        exits(DOWN, mean),
        exits(DOWN, laws.pellet_enthalpy(bed, mean, points[TP], Q)),
        exits(DOWN, Q),
        exits(DOWN, points[XS]),
        exits(UP, Y),
        exits(UP, laws.air_enthalpy(Ta, Y)),
    )
