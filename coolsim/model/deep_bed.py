"""Deep bed, transient: pellets lie, air crosses them. A batch dryer, and a belt dryer that rides along with it.

    ∂X/∂t: Fick in each pellet        Ga ∂Y/∂ζ = a J
    ρ_d (1−ε) ∂H/∂t = −a (q + J h_v)    Ga ∂h/∂ζ = a (q + J h_v)      ζ along the air's path

with the surface equations of model.surface at every point. The air in the bed holds nothing: it passes in a
second. What enters depends on what leaves (`dryer.blown_in`).

In time, Radau steps of two stages; along the air, two-stage Galerkin steps (both numerics.stages), so pellets
stand at two points of each cell, each of which counts half. What the pellets lose in a step the air gains, on
any mesh and step. Unknowns of a step: the shells' moisture, Xs, Ts, Tp, Ta, Y at each point, and Y, h at the
inlet, all at both stages; points are ordered along the air's path.

Pellets that are turned over all the time (`mixed`) share one profile of moisture and one temperature, whose
balances are means over the bed; their surfaces, which settle in seconds, are those of where they are.

Newton's method leaves out how the radius of pellets that shrink follows their moisture: it moves too little in a
step to slow it down.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.model.bed import Bed
from coolsim.model.dryer import BlownIn, Dryer, Pellets, blown_in, means, point_weights, radius_share
from coolsim.model.iterate import (
    HUMIDITY,
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
from coolsim.model.pellet_shells import Diffusion, diffuse
from coolsim.model.surface import MoistureLaw, SurfaceState
from coolsim.numerics import crossed
from coolsim.numerics.crossed import Crossed, Residuals
from coolsim.numerics.stages import DOWN, STEP, changes, differences, exits
from coolsim.physics.air import HEAT_CAPACITY_DRY_AIR
from coolsim.support.fields import Array

WITHHELD = (
    1e3  # how much more a moisture counts that a limit kept from changing: it is missing in the balance
)
HUMIDITY_RANGE = (-0.1, 60.0)  # kg/kg; recirculated air of a hot dryer is mostly steam
DRIEST_AIR = 1e-5  # kg/kg, below which a surface sees a little more vapour than there is; see `seen`
# kg/kg. Fog that circles in a cold dryer settles where the air enters, and stays there; and a surface that takes up
# dew faster than the pellet does is as wet in the model as it must be to drive that in, some hundred:
LARGEST_MOISTURE = 1e4
# Of a surface's moisture in one iteration, kg/kg or, above one, a share: it would run away on a flat isotherm.
LARGEST_RISE = 0.1
# Pace of time for pellets in a cell without thickness: nothing that they take up would dry the air.
SLOW = 1e-4
# °C, of an iterate; a heater without a thermostat can heat circling air so far:
HIGHEST_TEMPERATURE = 700.0


@dataclass(frozen=True)
class State:
    """An iterate: `chain` (P, n, 2, B), `points` (P, 5, 2, B) as XS … HUMIDITY, `inlet` (2, 2, B): Y and h."""

    chain: Array
    points: Array
    inlet: Array


@dataclass(frozen=True)
class Step:
    """One step in time of a dryer: from these pellets, for `duration` (B,) seconds."""

    dryer: Dryer
    start: Pellets
    duration: Array
    elapsed: Array  # the same for the pellets of each point, (P, 1, B); see SLOW
    start_moisture: Array  # X̄ (P, B)
    start_bound: Array  # ⟨Q⟩ (P, B)
    per_solid: Array  # Evaluation's, of pellets as large as the feed's, (P, 1, B)
    per_air: Array  # likewise


def begin(dryer: Dryer, start: Pellets, duration: Array) -> Step:
    """A step from these pellets."""
    pace = np.where((point_weights(dryer.z) > 0) | dryer.mixed, 1.0, SLOW)[:, None]
    bed, elapsed = dryer.bed, pace * duration
    per_solid = elapsed * 3 / (bed.solid_density * bed.radius)
    per_air = np.repeat(np.diff(dryer.z, axis=0), 2, axis=0)[:, None] * (bed.surface / bed.air_flux)
    return Step(dryer, start, duration, elapsed, *means(dryer, start.moisture), per_solid, per_air)


def seen_by_surface(humidity_ratio: Array) -> tuple[Array, Array]:
    """Humidity ratio that a surface sees, and its slope: never negative, and the air's own above DRIEST_AIR.

    Beside a front thinner than a cell the air's straight line in that cell can dip below zero. No pellet is in
    balance with such air, and the steps would shrink to nothing before a pellet that tries to be.
    """
    Y, least = humidity_ratio, DRIEST_AIR
    dry = np.minimum(Y, least)
    value = least**2 / (2 * least - dry)
    return np.where(least < Y, Y, value), np.where(least < Y, 1.0, (value / least) ** 2)


# ---- Equations ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Evaluation:
    """Everything computed from an iterate: residuals, and the parts that slopes are made of."""

    chain_residual: Array  # (P, n, 2, B)
    point_residual: Array  # (P, 3, 2, B): moisture law, surface heat, pellet enthalpy
    air_residual: Array  # (P, 2, 2, B): water, enthalpy
    inlet_residual: Array  # (2, 2, B)
    bed: Bed  # as the pellets are now: radius and density (P, 2, B) if they shrink
    diffusion: Diffusion
    law: MoistureLaw
    heat_coefficient: Array
    heat_coefficient_slope: Array
    mean_moisture: Array  # X̄ (P, 2, B)
    bound_heat_slope: Array  # q_st of each shell (P, n, 2, B)
    per_solid: Array  # Δt · surface per dry solid [m² s/kg]
    per_air: Array  # surface per dry air [m² s/kg], each point as if it were its whole cell
    bound_rate: Array  # a change of ⟨Q⟩ in a step as heat per pellet surface
    inner: Array  # conductance inside the pellet [W/(m² K)]
    blown_in: BlownIn


def evaluate(step: Step, state: State) -> Evaluation:
    """Residuals of the discrete equations at an iterate."""
    dryer, start = step.dryer, step.start
    feed, laws, V = dryer.bed, dryer.laws, dryer.shells.volume[:, None]
    X = state.chain
    Xs, Ts, Tp, Ta, Y = (state.points[:, v] for v in range(5))
    X_mean = np.einsum("nb,pnib->pib", dryer.shells.volume, X)
    bed, s = _as_now(dryer, X_mean)
    per_solid, per_air = step.per_solid * s**2, step.per_air * s**2
    bound_rate = bed.solid_density * bed.radius / 3 / step.elapsed
    inner = 3 * (dryer.exponent + 3) / (dryer.exponent + 1) * feed.conductivity / bed.radius

    d = diffuse(bed, dryer.shells, X, Xs, Ts)
    chain_residual = V * changes(X, start.moisture) - (step.elapsed * d.rate)[:, None] * d.inflow
    Q_shells, q_st = feed.bound_water(X)
    Q = np.einsum("nb,pnib->pib", dryer.shells.volume, Q_shells)
    H = laws.pellet_enthalpy(feed, X_mean, Tp, Q)
    coefficient, coefficient_slope = laws.heat_transfer(bed, Ta)
    h_v = laws.vapour_enthalpy(Ts)
    q = coefficient * (Ts - Ta)
    passed = q + d.flux * h_v
    Y_seen, seen_slope = seen_by_surface(Y)
    law = laws.moisture(bed, SurfaceState(Xs, Ts, Ta, Y_seen, d.flux))
    law = dataclasses.replace(law, by_humidity_ratio=law.by_humidity_ratio * seen_slope)

    points = np.empty((*Xs.shape[:1], 3, *Xs.shape[1:]))
    points[:, 0] = law.residual
    points[:, 1] = inner * (Tp - Ts) - q - d.flux * (h_v - laws.water_capacity * Tp)
    points[:, 1] += bound_rate * changes(Q, step.start_bound)
    points[:, 2] = changes(H, start.enthalpy) + per_solid * passed
    if dryer.mixed:
        w = point_weights(dryer.z)[:, None]
        chain_residual[:] = (w[:, None] * chain_residual).sum(axis=0)
        points[:, 2] = (w * points[:, 2]).sum(axis=0)
    streams = np.empty((len(Y), 2, *Y.shape[1:]))
    streams[:, 0], streams[:, 1] = Y, laws.air_enthalpy(Ta, Y)
    air_residual = _along(streams, state.inlet)
    air_residual[:, 0] -= per_air * d.flux
    air_residual[:, 1] -= per_air * passed
    blown = blown_in(dryer.supply, laws, *leaving(streams))
    inlet_residual = state.inlet.copy()
    inlet_residual[0] -= blown.humidity_ratio
    inlet_residual[1] -= blown.enthalpy
    return Evaluation(
        chain_residual,
        points,
        air_residual,
        inlet_residual,
        bed,
        d,
        law,
        coefficient,
        coefficient_slope,
        X_mean,
        q_st,
        per_solid,
        per_air,
        bound_rate,
        inner,
        blown,
    )


def _as_now(dryer: Dryer, mean_moisture: Array) -> tuple[Bed, Array | float]:
    """The bed with its pellets at their present size, and their radius as a share of the feed's."""
    if not np.any(dryer.shrinkage):
        return dryer.bed, 1.0
    s = radius_share(dryer, mean_moisture)
    bed = dryer.bed
    return dataclasses.replace(bed, radius=bed.radius * s, solid_density=bed.solid_density / s**3), s


def _along(streams: Array, inlet: Array) -> Array:
    """Differences along the air's path: (P, variables, 2, B) and (variables, 2, B) → (P, variables, 2, B)."""
    P, m, _, B = streams.shape
    f = streams.reshape(P // 2, 2, m, 2, B).transpose(0, 2, 3, 1, 4)
    return differences(DOWN, f, inlet).transpose(0, 3, 1, 2, 4).reshape(streams.shape)


def leaving(streams: Array) -> Array:
    """What leaves the bed, (variables, 2, B), from the air at the points (P, variables, 2, B)."""
    return exits(DOWN, streams[-2:].transpose(1, 2, 0, 3))


def linearise(step: Step, state: State, e: Evaluation) -> Crossed:
    """Jacobian of the residuals at an iterate, by hand; held against finite differences in the tests."""
    laws, sh, d = step.dryer.laws, step.dryer.shells, e.diffusion
    P, _, _, B = state.chain.shape
    rate = (step.elapsed * d.rate)[:, None]  # (P, 1, 2, B)
    g = sh.conductance[:, None]
    both = g.copy()
    both[1:] += g[:-1]
    lower, upper = np.zeros_like(state.chain), np.zeros_like(state.chain)
    between = -rate * g[:-1]
    if isinstance(d.slope, float):
        lower[:, 1:] = upper[:, :-1] = between
    else:
        np.multiply(between, d.slope[:, :-1], out=lower[:, 1:])
        np.multiply(between, d.slope[:, 1:], out=upper[:, :-1])
    points, functionals, by_air, given = _at_points(step, state, e)
    passed, passed_last = np.zeros((B, P, 2, 2, 3, 2)), np.zeros((B, P, 2, 2, 2))
    passed_air = np.zeros((B, P, 2, 2, 2, 2))
    for i in range(2):
        passed[:, :, :, i, :2, i] = given[:, :2, :, i].transpose(3, 2, 0, 1)
        passed_last[:, :, :, i, i] = given[:, 2, :, i].transpose(2, 1, 0)
        passed_air[:, :, 1, i, 0, i] = given[1, 3, :, i].T
    Ta, Y = state.points[:, TA], state.points[:, HUMIDITY]
    enthalpy = np.empty((B, P, 2, 2))
    enthalpy[:, :, 0] = _led(HEAT_CAPACITY_DRY_AIR + laws.vapour_capacity * Y)
    enthalpy[:, :, 1] = _led(laws.vapour_enthalpy(Ta))
    inlet = np.zeros((B, 2, 2, 2, 2))
    for i in range(2):
        inlet[:, 0, i, 0, i] = step.dryer.supply.recirculation
        inlet[:, 1, i, 0, i] = e.blown_in.enthalpy_by_humidity[i]
        inlet[:, 1, i, 1, i] = e.blown_in.enthalpy_by_enthalpy[i]
    return Crossed(
        mass=sh.volume.T,
        lower=_led(lower),
        diagonal=_led(rate * both * d.slope),
        upper=_led(upper),
        last_by_first=_led(-rate[:, 0] * sh.conductance[-1] * d.surface_slope),
        links_by_second=_led(-rate * d.rate_log_slope[:, None] * d.inflow),
        weight=_led(sh.volume[:, None] * e.bound_heat_slope),
        points=points,
        points_by_functionals=functionals,
        points_by_air=by_air,
        passed_by_points=passed.reshape(B, P, 4, 6),
        passed_by_last=passed_last.reshape(B, P, 4, 2),
        passed_by_air=passed_air.reshape(B, P, 4, 4),
        enthalpy_by_air=enthalpy,
        inlet_by_outlet=inlet.reshape(B, 4, 4),
    )


def _at_points(step: Step, state: State, e: Evaluation) -> tuple[Array, Array, Array, Array]:
    """Rows of the points by points (B, P, 6, 6), by functionals (B, P, 6, 6) and by air (B, P, 6, 4); and what is
    given to the air: (water, heat) by (Xs, Ts, last shell, Ta), each at its own stage: (2, 4, P, 2, B)."""
    laws, d, law = step.dryer.laws, e.diffusion, e.law
    Ts, Tp, Ta = state.points[:, TS], state.points[:, TP], state.points[:, TA]
    P, _, B = Ts.shape
    J_n, J_s, J_T = d.flux_by_last, d.flux_by_surface, d.flux * d.rate_log_slope
    h_v = laws.vapour_enthalpy(Ts)
    q_T = e.heat_coefficient + laws.vapour_capacity * d.flux  # ∂(q + J h_v)/∂Ts at constant J
    q_Ta = e.heat_coefficient_slope * (Ts - Ta) - e.heat_coefficient
    latent = h_v - laws.water_capacity * Tp
    per_air, given = e.per_air, np.zeros((2, 4, P, 2, B))
    given[0, 0], given[0, 1], given[0, 2] = J_s, J_T, J_n
    given[1, :3] = h_v * given[0, :3]
    given[1, 1] += q_T
    given[1, 3] = q_Ta
    # rows (moisture law, surface heat, enthalpy) by (Xs, Ts, Tp, last shell, Ta, Y), each at its own stage
    own = np.zeros((3, 6, P, 2, B))
    own[0, 0], own[0, 1], own[0, 3] = J_s, J_T, J_n
    own[1] = -latent * own[0]
    own[0] *= law.by_flux
    own[0, 0] += law.by_moisture
    own[0, 1] += law.by_temperature
    own[0, 4], own[0, 5] = law.by_air_temperature, law.by_humidity_ratio
    own[1, 1] -= e.inner + q_T
    own[1, 2] = e.inner + laws.water_capacity * d.flux
    own[1, 4] = -q_Ta
    own[2, :2] = e.per_solid * given[1, :2]
    own[2, 3:5] = e.per_solid * given[1, 2:]
    points, functionals = np.zeros((B, P, 3, 2, 3, 2)), np.zeros((B, P, 3, 2, 3, 2))
    by_air = np.zeros((B, P, 3, 2, 2, 2))
    for i in range(2):
        f = own[:, :, :, i].transpose(3, 2, 0, 1)
        points[:, :, :, i, :, i], functionals[:, :, :, i, 0, i] = f[..., :3], f[..., 3]
        by_air[:, :, :, i, :, i] = f[..., 4:]
    # and where both stages meet, in what changes over the step
    H_T = _led(step.dryer.bed.specific_heat + laws.water_capacity * e.mean_moisture)
    functionals[:, :, 1, :, 2] = _led(e.bound_rate)[..., None] * STEP.stage
    points[:, :, 2, :, TP] = STEP.stage * H_T[:, :, None]
    functionals[:, :, 2, :, 1] = STEP.stage * _led(laws.water_capacity * Tp)[:, :, None]
    functionals[:, :, 2, :, 2] = -STEP.stage
    rows = B, P, 6
    return points.reshape(*rows, 6), functionals.reshape(*rows, 6), by_air.reshape(*rows, 4), per_air * given


def _led(f: Array) -> Array:
    """A view of (…, cases) with the case first."""
    return f.transpose(f.ndim - 1, *range(f.ndim - 1))


def _trailed(f: Array) -> Array:
    """A view of (cases, …) with the case last."""
    return f.transpose(*range(1, f.ndim), 0)


def newton_step(step: Step, state: State) -> tuple[State, Array]:
    """One limited Newton step, and its size (B,): the largest change, in parts of what a dryer changes."""
    e = evaluate(step, state)
    P, _, _, B = state.chain.shape
    jacobian = linearise(step, state, e)
    residuals = Residuals(
        _led(e.chain_residual),
        _led(e.point_residual).reshape(B, P, 6),
        _led(e.air_residual).reshape(B, P, 4),
        _led(e.inlet_residual).reshape(B, 4),
    )
    if step.dryer.mixed:
        s = crossed.solve_mixed(jacobian, residuals, point_weights(step.dryer.z).T)
    else:
        s = crossed.solve(jacobian, residuals)
    dP = np.concatenate([_trailed(s.points), _trailed(s.air)], axis=1)
    return _advance(state, _trailed(s.links), dP, _trailed(s.inlet))


def _advance(state: State, dX: Array, dP: Array, d_inlet: Array) -> tuple[State, Array]:
    """Add a Newton step, limited entry by entry as in counterflow."""
    wet = state.points[:, XS]
    wanted = state.chain + dX
    chain = within(wanted, LEAST_MOISTURE_KEPT * state.chain, LARGEST_MOISTURE)
    change = np.maximum(largest(dX), WITHHELD * largest(chain - wanted)) / MOISTURE_SCALE
    scaled = dP / POINT_SCALES
    scaled[:, XS] /= np.maximum(wet, 1.0)
    change = np.maximum(change, largest(scaled))
    wettest = np.minimum(wet + LARGEST_RISE * np.maximum(wet, 1.0), LARGEST_MOISTURE)
    points = moved(state.points, dP, wettest, HIGHEST_TEMPERATURE, HUMIDITY_RANGE)
    return State(chain, points, state.inlet + d_inlet), change


# ---- From step to step --------------------------------------------------------------------------------


def start_temperature(step: Step) -> Array:
    """Mean temperature of the pellets as a step begins, (P, B)."""
    bed, laws = step.dryer.bed, step.dryer.laws
    return laws.pellet_temperature(bed, step.start_moisture, step.start.enthalpy, step.start_bound)


def pellets_after(step: Step, state: State) -> Pellets:
    """The pellets at the end of a step: its last stage."""
    X = np.ascontiguousarray(state.chain[:, :, 1])
    mean, Q = means(step.dryer, X)
    return Pellets(X, step.dryer.laws.pellet_enthalpy(step.dryer.bed, mean, state.points[:, TP, 1], Q))
