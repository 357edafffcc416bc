"""From solutions of the model to the Result a person reads: states of the exits, the bed, balances, profiles."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import (
    Accuracy,
    AfterEqualising,
    AirOut,
    Bed,
    FeedIn,
    PelletsOut,
    Profile,
    Result,
    StageRun,
)
from coolsim.model import counterflow as cf
from coolsim.model.counterflow import Outlet, Problem, State
from coolsim.model.solve import Resolution, Solution, worst_equation
from coolsim.numerics.stages import DOWN, UP, exits
from coolsim.physics import air, packed_bed, sorption
from coolsim.simulate.inputs import Inputs
from coolsim.simulate.pellet_spread import in_store
from coolsim.simulate.uneven_beds import UnevenBeds, between
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, Number

LEAST_RISE = 1.0  # K of feed above ambient that the energy imbalance is at least measured against
MOST_WITH_PROFILE = 1000  # cases whose profiles are kept unless asked for: they are nine tenths of an answer


@dataclass(frozen=True)
class Part:
    """What an answer takes from a solution, a hundredth of its size: exits, profiles if any, what went wrong."""

    index: NDArray[np.intp]  # which cases, (B,)
    converged: NDArray[np.bool_]
    exits: dict[str, Array]
    profiles: dict[str, Array] | None
    trouble: str  # of the first case that did not converge


def with_profiles(wanted: bool | None, count: int) -> bool:
    """Return whether an answer of so many cases has profiles."""
    return count <= MOST_WITH_PROFILE if wanted is None else wanted


def part_of(s: Solution, resolution: Resolution, profiles: bool) -> Part:
    """What an answer takes from a solution. Profiles have the resolution's nodes."""
    columns = _profile_columns(s, resolution.cells, resolution.shells) if profiles else None
    trouble = ""
    if not s.converged.all():
        k = int(np.flatnonzero(~s.converged)[0])
        trouble = f"largest residual after {s.steps[k]} steps: {worst_equation(s, k)}"
    return Part(s.index, s.converged, _exit_columns(s), columns, trouble)


def build_result(inputs: Inputs, parts: list[Part], beds: UnevenBeds | None = None) -> Result:
    """Assemble the answer, in arrays over the cases.

    The parts are those of `inputs`, or of the columns of uneven `beds`.
    """
    count = len(inputs.radius if beds is None else beds.inputs.radius)
    columns = _collect(count, [(part.index, part.exits) for part in parts])
    profile = _profile(count, parts)
    if beds is not None:
        apart, columns = columns, mixed_columns(beds, inputs, columns)
        profile = None if profile is None else _profile_of(beds, profile)
    X, T = columns["X"], columns["T"]
    T_air, Y = columns["T_air"], columns["Y"]
    c_d = inputs.specific_heat
    H = (c_d + air.HEAT_CAPACITY_WATER * X) * T - columns["Q"]
    T_even = (H + columns["Q_even"]) / (c_d + air.HEAT_CAPACITY_WATER * X)
    tenths = None if beds is None else between(beds, inputs.isotherm, apart["X"], apart["T"], T_even)
    fed, pellets, evened, exhaust = entered_and_left(inputs, X, T, T_even, columns["X_surface"], T_air, Y)
    return Result(
        fed,
        pellets,
        evened,
        in_store(inputs.isotherm, inputs.store_temperature, X, tenths, apart=False),
        exhaust,
        bed_passed(
            inputs,
            columns,
            residence_time=inputs.bulk_density * inputs.bed_depth * inputs.floor_area / inputs.throughput,
            air_ratio=inputs.dry_air / inputs.throughput,
            face_velocity=inputs.dry_air * inputs.outside_volume / inputs.floor_area,
        ),
        Accuracy(*_imbalances(inputs, columns, H), columns["error_M"], columns["error_T"]),
        profile,
        between_pellets=tenths,
    )


def entered_and_left(
    inputs: Inputs, X: Array, T: Array, T_even: Array, X_surface: Array, T_air: Array, Y: Array
) -> tuple[FeedIn, PelletsOut, AfterEqualising, AirOut]:
    """Feed after its flash, pellets and air that leave, of coolers and dryers.

    X, X_surface: moisture of the pellets and of their surface [kg/kg dry]; T, T_even: as they leave and evened out
    [°C]; T_air, Y: of the exhaust [°C, kg/kg].
    """
    p, isotherm = inputs.pressure, inputs.isotherm
    flashed = inputs.flashed_temperature != inputs.feed_temperature
    fed_wb = np.where(
        flashed, inputs.flashed_moisture_db / (1 + inputs.flashed_moisture_db), inputs.moisture_wb
    )
    saturated = air.humidity_ratio(np.minimum(air.saturation_pressure(T_air), 0.999 * p), p)
    return (
        FeedIn(inputs.flashed_temperature, fed_wb, inputs.moisture_wb - fed_wb),
        PelletsOut(
            temperature=T,
            moisture_wb=X / (1 + X),
            moisture_db=X,
            surface_moisture_db=X_surface,
            water_activity=sorption.water_activity(isotherm, X, T),
            mass_flow=inputs.dry_solid * (1 + X),
        ),
        AfterEqualising(T_even, sorption.water_activity(isotherm, X, T_even)),
        AirOut(
            temperature=T_air,
            relative_humidity=air.relative_humidity(T_air, Y, p),
            humidity_ratio=Y,
            wet_bulb=air.wet_bulb(T_air, np.minimum(Y, saturated), p),
            dew_point=air.dew_point(Y, p),
        ),
    )


def bed_passed(inputs: Inputs, columns: dict[str, Array], **by_machine: Number) -> Bed:
    """The bed of coolers or dryers; `by_machine`: its residence_time, air_ratio and face_velocity."""
    return Bed(
        depth=inputs.bed_depth,
        lift_off=columns["lift_off"],
        wen_yu=columns["wen_yu"],
        pressure_drop=columns["pressure_drop"],
        bed_weight=packed_bed.GRAVITY * inputs.bulk_density * inputs.bed_depth,
        evaporation=inputs.dry_solid * (inputs.flashed_moisture_db - columns["X"]),
        **by_machine,
    )


def mixed_columns(beds: UnevenBeds, inputs: Inputs, columns: dict[str, Array]) -> dict[str, Array]:
    """Columns of a bed, mixed: what the pellets carry by dry solid, what the air does by dry air."""
    by_solid = {name: beds.of_solid(columns[name]) for name in columns}
    Y = beds.of_air(columns["Y"])
    h = beds.of_air(air.enthalpy(columns["T_air"], columns["Y"]))
    T = columns["T"] * (beds.inputs.specific_heat + air.HEAT_CAPACITY_WATER * columns["X"])  # H + ⟨Q⟩
    return by_solid | {
        "T": beds.of_solid(T) / (inputs.specific_heat + air.HEAT_CAPACITY_WATER * by_solid["X"]),
        "Y": Y,
        "T_air": air.temperature_from_enthalpy(h, Y),
        "pressure_drop": beds.of_air(columns["pressure_drop"]),
        **{name: beds.highest(columns[name]) for name in ("lift_off", "wen_yu")},
    }


def _profile_of(beds: UnevenBeds, profile: Profile) -> Profile:
    """At equal parts of the depth, the mean over the columns: of the air by dry air, else by dry solid."""
    columns = beds.columns
    shares = {"z": columns.area, "air_temperature": beds.air, "humidity_ratio": beds.air}

    def mean(name: str, values: Array) -> Array:
        """Of values (K · cases, …)."""
        return np.moveaxis(columns.mean(np.moveaxis(values, 0, -1), shares.get(name, beds.solid)), -1, 0)

    return Profile(**{f.name: mean(f.name, getattr(profile, f.name)) for f in dataclasses.fields(profile)})


def _exit_columns(s: Solution) -> dict[str, Array]:
    """Per case of a solution: exit states, errors, and what the air does to the bed on its way."""
    errors = {"error_M": s.moisture_error, "error_T": s.temperature_error}
    return exit_columns(s.problem, s.state, s.outlet) | errors


def exit_columns(problem: Problem, state: State, out: Outlet) -> dict[str, Array]:
    """Exit states of every case, and what the air does to the bed on its way."""
    bed = problem.bed
    drop, lift, wen_yu = through_the_bed(problem, state)
    return {
        "X": out.moisture,
        "T": problem.laws.pellet_temperature(bed, out.moisture, out.enthalpy, out.bound_heat),
        "H": out.enthalpy,
        "Q": out.bound_heat,
        "Q_even": bed.bound_water(out.moisture)[0],
        "X_surface": out.surface_moisture,
        "Y": out.humidity_ratio,
        "T_air": air.temperature_from_enthalpy(out.air_enthalpy, out.humidity_ratio),
        "H_feed": problem.feed[0],
        "pressure_drop": drop,
        "lift_off": lift,
        "wen_yu": wen_yu,
    }


def through_the_bed(problem: Problem, state: State) -> tuple[Array, Array, Array]:
    """Pressure drop [Pa] over the real states of the air, and the highest share of the velocity that lifts, clean.

    The last is that share by Wen and Yu.
    """
    bed, dz = problem.bed, np.diff(problem.z, axis=0)[:, None]
    T, Y = state.points[:, cf.TA], state.points[:, cf.HUMIDITY]
    velocity = bed.air_flux * air.dry_air_volume(T, Y, bed.pressure)
    density, viscosity = air.moist_density(T, Y, bed.pressure), air.viscosity(T)
    d_p, eps = 2 * bed.radius, bed.void_fraction
    gradient = packed_bed.ergun_gradient(velocity, d_p, eps, density, viscosity)
    drop = (0.5 * dz * bed.depth * gradient).sum(axis=(0, 1)) * bed.resistance
    bulk = bed.solid_density * (1 - eps) * (1 + bed.feed_moisture_db)
    lift, wen_yu = packed_bed.lift_off_shares(velocity, d_p, bulk, eps, density, viscosity)
    return drop, lift.max(axis=(0, 1)), wen_yu.max(axis=(0, 1))


def _imbalances(inputs: Inputs, columns: dict[str, Array], H_out: Array) -> tuple[Array, Array]:
    """Water and energy that the exit states leave unaccounted for, from those states alone."""
    Gs, Ga, c_d = inputs.dry_solid, inputs.dry_air, inputs.specific_heat
    X_in, T_in = inputs.flashed_moisture_db, inputs.flashed_temperature
    heat = c_d + air.HEAT_CAPACITY_WATER * X_in
    water = Gs * (X_in - columns["X"]) - Ga * (columns["Y"] - inputs.humidity_ratio)
    gained = air.enthalpy(columns["T_air"], columns["Y"])
    gained = gained - air.enthalpy(inputs.inlet_air_temperature, inputs.humidity_ratio)
    energy = Gs * (columns["H_feed"] - H_out) - Ga * gained
    rise = np.maximum(np.abs(T_in - inputs.outside_temperature), LEAST_RISE)
    entering = Gs * np.maximum(X_in, columns["X"])  # with the feed, or out of the air
    return water / entering, energy / (Gs * heat * rise)


# ---- Profiles -----------------------------------------------------------------------------------------


def _profile(count: int, parts: list[Part]) -> Profile | None:
    """States at the cell edges of the first mesh, which refined meshes share; cases along the first axis."""
    profiles = [(part.index, part.profiles) for part in parts if part.profiles is not None]
    if not profiles:
        return None
    columns = _collect(count, profiles)
    return Profile(**{name: np.ascontiguousarray(np.moveaxis(f, -1, 0)) for name, f in columns.items()})


def _profile_columns(s: Solution, cells: int, shells: int) -> dict[str, Array]:
    bed, laws, e = s.problem.bed, s.problem.laws, s.contents
    every = (len(s.problem.z) - 1) // cells
    points = s.state.points

    def pellets(stages: Array, feed: Array) -> Array:
        """At the edges, as the pellets carry it: the feed, then what each cell hands down."""
        return np.concatenate(
            [np.broadcast_to(feed, (1, *stages.shape[1:-2], bed.cases)), exits(DOWN, stages)]
        )

    def rising(stages: Array, inlet: Array) -> Array:
        return np.concatenate([exits(UP, stages), np.broadcast_to(inlet, (1, bed.cases))])

    def surface(stages: Array) -> Array:
        return np.concatenate([exits(UP, stages)[:1], exits(DOWN, stages)])

    mean = pellets(e.mean_moisture, bed.feed_moisture_db)
    H_feed, Q_feed = s.problem.feed
    Q = pellets(e.bound_heat, Q_feed)
    Y_inlet, h_inlet = s.problem.inlet
    Y, h = rising(points[:, cf.HUMIDITY], Y_inlet), rising(e.air_enthalpy, h_inlet)
    nodes = {
        "z": s.problem.z * bed.depth,
        "time": s.problem.z * bed.residence_time,
        "pellet_temperature": laws.pellet_temperature(bed, mean, pellets(e.enthalpy, H_feed), Q),
        "surface_temperature": surface(points[:, cf.TS]),
        "air_temperature": air.temperature_from_enthalpy(h, Y),
        "humidity_ratio": Y,
        "mean_moisture": mean,
        "surface_moisture": np.maximum(surface(points[:, cf.XS]), 0.0),
    }
    columns = {name: f[::every] for name, f in nodes.items()}
    X, radius = _merged_shells(s, pellets(s.state.chain, s.problem.feed_shells)[::every], shells)
    return columns | {"moisture": X, "radius": radius}


def _merged_shells(s: Solution, X: Array, shells: int) -> tuple[Array, Array]:
    """Moisture (nodes, n, B) and radius (n, B) on `shells` shells, neighbours merged by volume."""
    V, r = s.problem.shells.volume, s.problem.shells.middle * s.problem.bed.radius
    B = V.shape[-1]
    V_grouped = V.reshape(shells, -1, B)
    share = V_grouped / V_grouped.sum(axis=1, keepdims=True)
    X = (X.reshape(len(X), shells, -1, B) * share).sum(axis=2)
    return X, (r.reshape(shells, -1, B) * share).sum(axis=1)


def of_coolers(result: Result, what: str) -> None:
    """Refuse the answer of a dryer or a line: air and pellets do not meet there as in a cooler."""
    if result.stages:
        allowed = (
            f"{what} is for counter-flow coolers only so far: ask with result.stages[…].result and .case"
        )
        raise InputError([Fault("", "result", "the answer of a line", allowed)])
    if result.energy is not None:
        allowed = f"{what} is for counter-flow coolers only so far; `coolsim predict` takes dryers"
        raise InputError([Fault("", "result", "the answer of a dryer", allowed)])


# ---- Putting parts together ---------------------------------------------------------------------------


def _collect(count: int, parts: list[tuple[Any, dict[str, Array]]]) -> dict[str, Array]:
    """Columns with the cases along the last axis, from parts that each hold some of the cases."""
    columns = {}
    for name, example in parts[0][1].items():
        column = np.empty((*example.shape[:-1], count))
        for index, part in parts:
            column[..., index] = part[name]
        columns[name] = column
    return columns


def _is_question(data: Any) -> bool:
    """Whether data is what was asked, not answered: it has no entries to pick or put together."""
    return isinstance(data[0] if isinstance(data, tuple) and data else data, Case)


def first(data: Any) -> Any:
    """A result of one case: arrays (1,) become floats, arrays (1, …) lose their first axis."""
    if _is_question(data):
        return None
    if isinstance(data, np.ndarray):
        return data[0] if data.ndim > 1 else float(data[0])
    if dataclasses.is_dataclass(data) and not isinstance(data, type):
        return dataclasses.replace(
            data, **{f.name: first(getattr(data, f.name)) for f in dataclasses.fields(data)}
        )
    return data


def many(data: Any) -> Any:
    """One case as a result of many: the way back from `first`."""
    if _is_question(data):
        return None
    if isinstance(data, (float, np.ndarray)):
        return np.asarray(data)[None]
    if dataclasses.is_dataclass(data) and not isinstance(data, type):
        return dataclasses.replace(
            data, **{f.name: many(getattr(data, f.name)) for f in dataclasses.fields(data)}
        )
    return data


def pick(data: Any, index: Any) -> Any:
    """Some cases of a (nested) data class of many, whose arrays carry the cases along their first axis."""
    if _is_question(data):
        return None
    if isinstance(data, np.ndarray):
        return data[index]
    if dataclasses.is_dataclass(data) and not isinstance(data, type):
        return dataclasses.replace(
            data, **{f.name: pick(getattr(data, f.name), index) for f in dataclasses.fields(data)}
        )
    return data


def _of_a_stage(runs: list[StageRun], index: list[NDArray[np.intp]]) -> StageRun:
    """What became of a stage of many lines of several kinds; the case is that of the first."""
    names = [f.name for f in dataclasses.fields(StageRun) if f.name != "case"]
    return dataclasses.replace(
        runs[0], **{n: interleave([getattr(r, n) for r in runs], index) for n in names}
    )


def interleave(parts: list[Any], index: list[NDArray[np.intp]]) -> Any:
    """One result from several, whose cases belong at the places `index` of the whole."""
    example = parts[0]
    if any(part is None for part in parts):
        return None  # coolers have no energy, dryers of many have no history
    if _is_question(example):
        return None
    if isinstance(example, np.ndarray) and len({part.shape[1:] for part in parts}) > 1:
        return None  # profiles on different meshes have no common shape
    if isinstance(example, tuple):
        if not example or not isinstance(example[0], StageRun) or {len(p) for p in parts} != {len(example)}:
            return ()  # warnings are of results of one kind
        return tuple(_of_a_stage([p[k] for p in parts], index) for k in range(len(example)))
    if isinstance(example, np.ndarray):
        whole = np.empty((sum(map(len, index)), *example.shape[1:]))
        for part, at in zip(parts, index):
            whole[at] = part
        return whole
    if dataclasses.is_dataclass(example) and not isinstance(example, type):
        names = [f.name for f in dataclasses.fields(example)]
        return dataclasses.replace(
            example, **{n: interleave([getattr(p, n) for p in parts], index) for n in names}
        )
    return example
