"""Deep bed, transient: pellets lie, air crosses them. A batch dryer, and a belt dryer that rides along with it.

    ∂X/∂t: Fick in each pellet        Ga ∂Y/∂ζ = a J
    ρ_d (1−ε) ∂H/∂t = −a (q + J h_v)    Ga ∂h/∂ζ = a (q + J h_v)      ζ along the air's path

with the surface equations of model.surface at every point. The air in the bed holds nothing: it passes in a
second. What enters is a share of what leaves, mixed with fresh air and heated (`blown_in`).

In time, Radau steps of two stages; along the air, two-stage Galerkin steps (both numerics.stages), so pellets
stand at two points of each cell, each of which counts half. What the pellets lose in a step the air gains, on
any mesh and step. Unknowns of a step: the shells' moisture, Xs, Ts, Tp, Ta, Y at each point, and Y, h at the
inlet, all at both stages; points are ordered along the air's path.

Pellets that are turned over all the time (`mixed`) share one profile of moisture and one temperature, whose
balances are means over the bed; their surfaces, which settle in seconds, are those of where they are.

Pellets may shrink by a share of the volume of the water they lose, all shells alike; their dry solid and
number stay. Newton's method leaves out how the radius follows the moisture: it moves too little in a step to
slow it down.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.fields import Array
from coolsim.model.bed import Bed
from coolsim.model.iterate import (
    HUMIDITY,
    LARGEST_MOISTURE,
    LARGEST_TEMPERATURE_STEP,
    LEAST_MOISTURE_KEPT,
    LOWEST_TEMPERATURE,
    MOISTURE_SCALE,
    TA,
    TEMPERATURE_SCALE,
    TP,
    TS,
    XS,
)
from coolsim.model.pellet_shells import Diffusion, Shells, diffuse, feed_shells
from coolsim.model.surface import REAL, Laws, MoistureLaw, SurfaceState
from coolsim.numerics import crossed
from coolsim.numerics.crossed import Crossed, Residuals
from coolsim.numerics.stages import DOWN, RADAU_POINTS, STEP, changes, differences, exits
from coolsim.physics import air, sorption
from coolsim.physics.air import HEAT_CAPACITY_DRY_AIR

WATER_DENSITY = 1000.0  # kg/m³, of the water whose volume a pellet shrinks by
WITHHELD = (
    1e3  # how much more a moisture counts that a limit kept from changing: it is missing in the balance
)
HUMIDITY_RANGE = (-0.1, 60.0)  # kg/kg; recirculated air of a hot dryer is mostly steam
DRIEST_AIR = 1e-5  # kg/kg, below which a surface sees a little more vapour than there is; see `seen`
HIGHEST_TEMPERATURE = 330.0  # °C, of an iterate


@dataclass(frozen=True)
class Supply:
    """Where the air comes from. Every number is an array (cases,)."""

    fresh_humidity_ratio: Array  # kg/kg
    fresh_enthalpy: Array  # J/kg dry air
    set_temperature: Array  # °C that the heater aims at; −inf: no heater; +inf: as hot as it can
    largest_heat: Array  # J/kg dry air that the heater can give; inf: any
    recirculation: Array  # share of the exhaust that comes back


@dataclass(frozen=True)
class Dryer:
    """A bed that is crossed by air, on a mesh of shells and nodes along the air's path."""

    bed: Bed
    supply: Supply
    shells: Shells
    exponent: Array  # of the pellets' shape (physics.pellet.shape_exponent), (B,)
    shrinkage: Array  # volume lost per volume of water lost, (B,)
    z: Array  # nodes on 0…1, (K + 1, B)
    laws: Laws = REAL
    mixed: bool = False  # whether the pellets are turned over all the time


@dataclass(frozen=True)
class Pellets:
    """What the pellets at P points carry from step to step: shells' moisture (P, n, B), enthalpy (P, B)."""

    moisture: Array
    enthalpy: Array


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


def point_weights(z: Array) -> Array:
    """Share of the bed that each point stands for, (P, B)."""
    return np.repeat(0.5 * np.diff(z, axis=0), 2, axis=0)


def laid(dryer: Dryer) -> Pellets:
    """Feed as it is laid: the same everywhere."""
    bed, points = dryer.bed, 2 * (len(dryer.z) - 1)
    Q = bed.bound_water(bed.feed_moisture)[0] if bed.fed is None else bed.fed.bound_heat
    H = dryer.laws.pellet_enthalpy(bed, bed.feed_moisture, bed.feed_temperature, Q)
    shape = points, len(dryer.shells.volume), bed.cases
    return Pellets(
        np.broadcast_to(feed_shells(bed, dryer.shells), shape).copy(),
        np.broadcast_to(H, (points, bed.cases)).copy(),
    )


def means(dryer: Dryer, X: Array) -> tuple[Array, Array]:
    """Mean moisture and ⟨Q⟩ of pellets of shell moistures (P, n, …, B)."""
    V = dryer.shells.volume.reshape(X.shape[1], *(1,) * (X.ndim - 3), -1)
    return (V * X).sum(axis=1), (V * dryer.bed.bound_water(X)[0]).sum(axis=1)


def temperature(dryer: Dryer, pellets: Pellets) -> Array:
    """Mean temperature of the pellets, (P, B)."""
    mean, Q = means(dryer, pellets.moisture)
    return dryer.laws.pellet_temperature(dryer.bed, mean, pellets.enthalpy, Q)


def size(dryer: Dryer, mean_moisture: Array) -> Array:
    """Radius of pellets as a share of what it was as feed."""
    bed = dryer.bed
    lost = dryer.shrinkage * (bed.feed_moisture - mean_moisture) * (bed.solid_density / WATER_DENSITY)
    return np.asarray(np.cbrt(1 - lost))


# ---- What is blown in ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class BlownIn:
    """Air at the inlet, before and after the heater, and its slopes with the exhaust; all (…, B)."""

    humidity_ratio: Array
    mixed_enthalpy: Array
    enthalpy: Array
    enthalpy_by_humidity: Array  # ∂h/∂Y of the exhaust
    enthalpy_by_enthalpy: Array


def blown_in(supply: Supply, laws: Laws, humidity_ratio: Array, enthalpy: Array) -> BlownIn:
    """Mix a share of the exhaust with fresh air, and heat it to the set temperature or with all the heat there is.

    A heater does not cool: mixed air that is hotter than the set temperature enters as it is.
    """
    r = supply.recirculation
    Y = (1 - r) * supply.fresh_humidity_ratio + r * humidity_ratio
    mixed = (1 - r) * supply.fresh_enthalpy + r * enthalpy
    finite = np.isfinite(supply.set_temperature)
    T = np.where(finite, supply.set_temperature, 0.0)
    aimed = np.where(finite, laws.air_enthalpy(T, Y), supply.set_temperature)
    full = mixed + supply.largest_heat
    h = np.maximum(mixed, np.minimum(aimed, full))
    at_set = (aimed > mixed) & (aimed <= full)
    set_slope = np.where(at_set, laws.vapour_enthalpy(T), 0.0)
    return BlownIn(Y, mixed, h, r * set_slope, np.where(at_set, 0.0, r))


def seen(humidity_ratio: Array) -> tuple[Array, Array]:
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
    X_mean = (V * X).sum(axis=1)
    bed, s = _as_now(dryer, X_mean)
    dz = np.repeat(np.diff(dryer.z, axis=0), 2, axis=0)[:, None]
    per_air = dz * (feed.surface / feed.air_flux) * s**2
    per_solid = step.duration * 3 / (feed.solid_density * feed.radius) * s**2
    bound_rate = bed.solid_density * bed.radius / 3 / step.duration
    inner = 3 * (dryer.exponent + 3) / (dryer.exponent + 1) * feed.conductivity / bed.radius

    d = diffuse(bed, dryer.shells, X, Xs, Ts)
    chain_residual = V * changes(X, start.moisture) - (step.duration * d.rate)[:, None] * d.inflow
    Q_shells, q_st = feed.bound_water(X)
    Q = (V * Q_shells).sum(axis=1)
    _, Q_start = means(dryer, start.moisture)
    H = laws.pellet_enthalpy(feed, X_mean, Tp, Q)
    coefficient, coefficient_slope = laws.heat_transfer(bed, Ta)
    h_v = laws.vapour_enthalpy(Ts)
    q = coefficient * (Ts - Ta)
    passed = q + d.flux * h_v
    Y_seen, seen_slope = seen(Y)
    law = laws.moisture(bed, SurfaceState(Xs, Ts, Ta, Y_seen, d.flux))
    law = dataclasses.replace(law, by_humidity_ratio=law.by_humidity_ratio * seen_slope)

    points = np.empty((*Xs.shape[:1], 3, *Xs.shape[1:]))
    points[:, 0] = law.residual
    points[:, 1] = inner * (Tp - Ts) - q - d.flux * (h_v - laws.water_capacity * Tp)
    points[:, 1] += bound_rate * changes(Q, Q_start)
    points[:, 2] = changes(H, start.enthalpy) + per_solid * passed
    if dryer.mixed:
        w = point_weights(dryer.z)[:, None]
        chain_residual[:] = (w[:, None] * chain_residual).sum(axis=0)
        points[:, 2] = (w * points[:, 2]).sum(axis=0)
    streams = np.stack([Y, laws.air_enthalpy(Ta, Y)], axis=1)  # (P, 2, 2, B)
    given = np.stack([per_air * d.flux, per_air * passed], axis=1)
    blown = blown_in(dryer.supply, laws, *leaving(streams))
    return Evaluation(
        chain_residual,
        points,
        _along(streams, state.inlet) - given,
        state.inlet - np.stack([blown.humidity_ratio, blown.enthalpy]),
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
    s = size(dryer, mean_moisture)
    bed = dryer.bed
    return dataclasses.replace(bed, radius=bed.radius * s, solid_density=bed.solid_density / s**3), s


def _along(streams: Array, inlet: Array) -> Array:
    """Differences along the air's path: (P, variables, 2, B) and (variables, 2, B) → (P, variables, 2, B)."""
    P, m, _, B = streams.shape
    f = np.moveaxis(streams.reshape(P // 2, 2, m, 2, B), 1, 3)
    return np.moveaxis(differences(DOWN, f, inlet), 3, 1).reshape(streams.shape)


def leaving(streams: Array) -> Array:
    """What leaves the bed, (variables, 2, B), from the air at the points (P, variables, 2, B)."""
    last = np.moveaxis(streams[-2:], 0, -2)
    return exits(DOWN, last)


def linearise(step: Step, state: State, e: Evaluation) -> Crossed:
    """Jacobian of the residuals at an iterate, by hand; held against finite differences in the tests."""
    laws, sh, d, law = step.dryer.laws, step.dryer.shells, e.diffusion, e.law
    _, Ts, Tp, Ta, Y = (state.points[:, v] for v in range(5))
    P, _, _, B = state.chain.shape
    rate = (step.duration * d.rate)[:, None]  # (P, 1, 2, B)
    g = sh.conductance[:, None]
    both = g.copy()
    both[1:] += g[:-1]
    lower, upper = np.zeros_like(state.chain), np.zeros_like(state.chain)
    slope = np.broadcast_to(d.slope, state.chain.shape)
    lower[:, 1:] = -rate * g[:-1] * slope[:, :-1]
    upper[:, :-1] = -rate * g[:-1] * slope[:, 1:]

    J_n, J_s, J_T = d.flux_by_last, d.flux_by_surface, d.flux * d.rate_log_slope
    h_v = laws.vapour_enthalpy(Ts)
    q_T = e.heat_coefficient + laws.vapour_capacity * d.flux  # ∂(q + J h_v)/∂Ts at constant J
    q_Ta = e.heat_coefficient_slope * (Ts - Ta) - e.heat_coefficient
    latent = h_v - laws.water_capacity * Tp
    H_T = step.dryer.bed.specific_heat + laws.water_capacity * e.mean_moisture
    H_X = laws.water_capacity * Tp
    heat = (h_v * J_s, h_v * J_T + q_T, h_v * J_n, q_Ta)  # of what is passed, by Xs, Ts, last shell, Ta

    points, functionals = np.zeros((B, P, 3, 2, 3, 2)), np.zeros((B, P, 3, 2, 3, 2))
    by_air = np.zeros((B, P, 3, 2, 2, 2))
    passed, passed_last = np.zeros((B, P, 2, 2, 3, 2)), np.zeros((B, P, 2, 2, 2))
    passed_air = np.zeros((B, P, 2, 2, 2, 2))
    for i in range(2):
        own, own_f, own_air = (
            points[:, :, :, i, :, i],
            functionals[:, :, :, i, :, i],
            by_air[:, :, :, i, :, i],
        )
        own[:, :, 0, XS] = _first(law.by_moisture + law.by_flux * J_s, i)
        own[:, :, 0, TS] = _first(law.by_temperature + law.by_flux * J_T, i)
        own_f[:, :, 0, 0] = _first(law.by_flux * J_n, i)
        own_air[:, :, 0, 0], own_air[:, :, 0, 1] = (
            _first(law.by_air_temperature, i),
            _first(law.by_humidity_ratio, i),
        )
        own[:, :, 1, XS] = _first(-latent * J_s, i)
        own[:, :, 1, TS] = _first(-latent * J_T - e.inner - q_T, i)
        own[:, :, 1, TP] = _first(e.inner + laws.water_capacity * d.flux, i)
        own_f[:, :, 1, 0] = _first(-latent * J_n, i)
        own_air[:, :, 1, 0] = _first(-q_Ta, i)
        own[:, :, 2, XS], own[:, :, 2, TS] = (
            _first(e.per_solid * heat[0], i),
            _first(e.per_solid * heat[1], i),
        )
        own_f[:, :, 2, 0], own_air[:, :, 2, 0] = (
            _first(e.per_solid * heat[2], i),
            _first(e.per_solid * heat[3], i),
        )
        for l in range(2):
            functionals[:, :, 1, i, 2, l] = _first(e.bound_rate * np.ones_like(Ts), i) * STEP.stage[i, l]
            points[:, :, 2, i, TP, l] += STEP.stage[i, l] * _first(H_T, l)
            functionals[:, :, 2, i, 1, l] = STEP.stage[i, l] * _first(H_X, l)
            functionals[:, :, 2, i, 2, l] = -STEP.stage[i, l]
        passed[:, :, 0, i, XS, i], passed[:, :, 0, i, TS, i] = (
            _first(e.per_air * J_s, i),
            _first(e.per_air * J_T, i),
        )
        passed[:, :, 1, i, XS, i], passed[:, :, 1, i, TS, i] = (
            _first(e.per_air * heat[0], i),
            _first(e.per_air * heat[1], i),
        )
        passed_last[:, :, 0, i, i], passed_last[:, :, 1, i, i] = (
            _first(e.per_air * J_n, i),
            _first(e.per_air * heat[2], i),
        )
        passed_air[:, :, 1, i, 0, i] = _first(e.per_air * heat[3], i)
    enthalpy = np.stack([HEAT_CAPACITY_DRY_AIR + laws.vapour_capacity * Y, laws.vapour_enthalpy(Ta)], axis=1)
    inlet = np.zeros((B, 2, 2, 2, 2))
    for i in range(2):
        inlet[:, 0, i, 0, i] = step.dryer.supply.recirculation
        inlet[:, 1, i, 0, i] = e.blown_in.enthalpy_by_humidity[i]
        inlet[:, 1, i, 1, i] = e.blown_in.enthalpy_by_enthalpy[i]
    return Crossed(
        mass=np.moveaxis(sh.volume, -1, 0),
        lower=np.moveaxis(lower, -1, 0),
        diagonal=np.moveaxis(rate * both * slope, -1, 0),
        upper=np.moveaxis(upper, -1, 0),
        last_by_first=np.moveaxis(-rate[:, 0] * sh.conductance[-1] * d.surface_slope, -1, 0),
        links_by_second=np.moveaxis(-rate * d.rate_log_slope[:, None] * d.inflow, -1, 0),
        weight=np.moveaxis(sh.volume[:, None] * e.bound_heat_slope, -1, 0),
        points=points.reshape(B, P, 6, 6),
        points_by_functionals=functionals.reshape(B, P, 6, 6),
        points_by_air=by_air.reshape(B, P, 6, 4),
        passed_by_points=passed.reshape(B, P, 4, 6),
        passed_by_last=passed_last.reshape(B, P, 4, 2),
        passed_by_air=passed_air.reshape(B, P, 4, 4),
        enthalpy_by_air=np.moveaxis(enthalpy, -1, 0),
        inlet_by_outlet=inlet.reshape(B, 4, 4),
    )


def _first(f: Array, stage: int) -> Array:
    """One stage of (P, 2, B), with the case first: (B, P)."""
    return f[:, stage].T


def newton_step(step: Step, state: State) -> tuple[State, Array]:
    """One limited Newton step, and its size (B,): the largest change, in parts of what a dryer changes."""
    e = evaluate(step, state)
    P, _, _, B = state.chain.shape
    jacobian = linearise(step, state, e)
    residuals = Residuals(
        np.moveaxis(e.chain_residual, -1, 0),
        np.moveaxis(e.point_residual, -1, 0).reshape(B, P, 6),
        np.moveaxis(e.air_residual, -1, 0).reshape(B, P, 4),
        np.moveaxis(e.inlet_residual, -1, 0).reshape(B, 4),
    )
    if step.dryer.mixed:
        s = crossed.solve_mixed(jacobian, residuals, point_weights(step.dryer.z).T)
    else:
        s = crossed.solve(jacobian, residuals)
    dP = np.concatenate([np.moveaxis(s.points, 0, -1), np.moveaxis(s.air, 0, -1)], axis=1)
    return _advance(state, np.moveaxis(s.links, 0, -1), dP, np.moveaxis(s.inlet, 0, -1))


def _advance(state: State, dX: Array, dP: Array, d_inlet: Array) -> tuple[State, Array]:
    """Add a Newton step, limited entry by entry as in counterflow."""
    old, temperatures = state.points, slice(TS, TA + 1)
    dT = dP[:, temperatures]
    change = np.maximum(np.abs(dX).max(axis=(0, 1, 2)), np.abs(dP[:, XS]).max(axis=(0, 1)))
    change = np.maximum(change, np.abs(dP[:, HUMIDITY]).max(axis=(0, 1))) / MOISTURE_SCALE
    change = np.maximum(change, np.abs(dT).max(axis=(0, 1, 2)) / TEMPERATURE_SCALE)
    wanted = state.chain + dX
    chain = np.clip(wanted, LEAST_MOISTURE_KEPT * state.chain, LARGEST_MOISTURE)
    change = np.maximum(change, np.abs(chain - wanted).max(axis=(0, 1, 2)) * (WITHHELD / MOISTURE_SCALE))
    points = old + dP
    points[:, XS] = np.clip(points[:, XS], LEAST_MOISTURE_KEPT * old[:, XS], LARGEST_MOISTURE)
    stepped = old[:, temperatures] + np.clip(dT, -LARGEST_TEMPERATURE_STEP, LARGEST_TEMPERATURE_STEP)
    points[:, temperatures] = np.clip(stepped, LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE)
    points[:, HUMIDITY] = np.clip(points[:, HUMIDITY], *HUMIDITY_RANGE)
    return State(chain, points, state.inlet + d_inlet), change


# ---- From step to step --------------------------------------------------------------------------------


def ended(step: Step, state: State) -> Pellets:
    """The pellets at the end of a step: its last stage."""
    X = np.ascontiguousarray(state.chain[:, :, 1])
    mean, Q = means(step.dryer, X)
    return Pellets(X, step.dryer.laws.pellet_enthalpy(step.dryer.bed, mean, state.points[:, TP, 1], Q))


NEARLY_BOILING = 0.9  # highest share of p that the vapour of a first guess has


def first_guess(step: Step) -> State:
    """Pellets as they are, their surfaces nearly so; air on its way from what is blown in to what they would give.

    What leaves decides what enters, so the guess for both is made from air in balance with the last pellets.
    """
    start, dryer = step.start, step.dryer
    bed, supply, laws = dryer.bed, dryer.supply, dryer.laws
    P, _, B = start.moisture.shape
    T, Xs = temperature(dryer, start), start.moisture[:, -1]
    a_w = sorption.water_activity(bed.isotherm, Xs[-1], T[-1])
    p_s = np.minimum(a_w * air.saturation_pressure(T[-1]), NEARLY_BOILING * bed.pressure)
    Y_out = air.humidity_ratio(p_s, bed.pressure)
    blown = blown_in(supply, laws, Y_out, laws.air_enthalpy(T[-1], Y_out))
    T_in = air.temperature_from_enthalpy(blown.enthalpy, blown.humidity_ratio)
    along = np.linspace(0.9, 0.1, P)[:, None]
    points = np.empty((P, 5, 2, B))
    points[:, XS] = 0.98 * Xs[:, None]
    points[:, TP] = points[:, TS] = T[:, None]
    points[:, TA] = (T + along * (T_in - T))[:, None]
    points[:, HUMIDITY] = (Y_out + along * (blown.humidity_ratio - Y_out))[:, None]
    inlet = np.stack([blown.humidity_ratio, blown.enthalpy])
    return State(
        np.repeat(start.moisture[:, :, None], 2, axis=2), points, np.repeat(inlet[:, None], 2, axis=1)
    )


def continued(step: Step, state: State, ratio: Array) -> State:
    """A guess for the next step, `ratio` (B,) times as long: straight on through the last step's stages."""
    slope = ratio / (RADAU_POINTS[1] - RADAU_POINTS[0])

    def onward(f: Array, limit: bool) -> Array:
        at = RADAU_POINTS[:, None] * slope
        last = f[..., 1:, :]
        g = last + at * (last - f[..., :1, :])
        return np.clip(g, 0.5 * last, 2 * last) if limit else g

    points = onward(state.points, False)
    points[:, XS] = onward(state.points[:, XS], True)
    return State(onward(state.chain, True), points, onward(state.inlet, False))
