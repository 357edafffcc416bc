"""Solutions of dryers as columns of numbers, and these as the Result that a person reads."""

from __future__ import annotations

import numpy as np

from coolsim.case.machine import Batch, Belt
from coolsim.case.result import (
    Accuracy,
    BetweenPellets,
    Energy,
    Profile,
    Result,
    Spread,
)
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.model.drying import Phase, Solution
from coolsim.model.march import Record, as_one
from coolsim.model.pellet_shells import Shells
from coolsim.numerics.stages import over_step
from coolsim.physics import air, packed_bed
from coolsim.simulate.inputs import Inputs
from coolsim.simulate.pellet_spread import between_pellets, in_store
from coolsim.simulate.result_building import bed_passed, entered_and_left
from coolsim.simulate.uneven_beds import UnevenBeds, between
from coolsim.support.fields import Array

HOUR = 3600.0


def collected(count: int, solutions: list[Solution], efficiency: Array) -> dict[str, Array]:
    parts = [(s.index, _columns(s, efficiency)) for s in solutions]
    columns = {}
    for name, example in parts[0][1].items():
        columns[name] = np.empty((*example.shape[:-1], count))
        for index, part in parts:
            columns[name][..., index] = part[name]
    return columns


def _columns(s: Solution, efficiency: Array) -> dict[str, Array]:
    """Per case: exit, exhaust, energy per m² of floor and of belt, and the last state over the depth."""
    dryer, end = s.dryer, s.marches[-1].pellets
    bed = dryer.bed
    w = dr.point_weights(dryer.z)
    mean, Q = dr.means(dryer, end.moisture)
    water_error, energy_error = drying.imbalances(s)
    even = (w * bed.bound_water(mean)[0]).sum(axis=0)  # within each pellet, not between them
    solid = bed.solid_density * (1 - bed.void_fraction) * bed.depth
    out = _outflow(s, efficiency[s.index])
    wet = mean / (1 + mean)
    average = (w * wet).sum(axis=0)
    last = _last(s)
    return {
        "X": (w * mean).sum(axis=0),
        "H": (w * end.enthalpy).sum(axis=0),
        "Q": (w * Q).sum(axis=0),
        "Q_even": even,
        "X_surface": np.maximum((w * last["surface_moisture"]).sum(axis=0), 0.0),
        "solid": solid,
        "water_error": water_error,
        "energy_error": energy_error,
        "error_M": s.moisture_error,
        "error_T": s.temperature_error,
        "driest": wet.min(axis=0),
        "wettest": wet.max(axis=0),
        "average": average,
        "deviation": np.sqrt((w * (wet - average) ** 2).sum(axis=0)),
        **out,
        **_of_layers(dryer, mean, dr.temperature(dryer, end)),
        **_profile(s, last),
    }


EVEN_LAYERS = 60  # of equal dry solid, by which the layers of a bed are compared, whatever their mesh


def _of_layers(dryer: dr.Dryer, mean_moisture: Array, temperature: Array) -> dict[str, Array]:
    """Moisture and temperature of layers of equal dry solid; one that stands for all, where pellets are turned."""
    if dryer.mixed:
        return {"layer moisture": mean_moisture[:1], "layer temperature": temperature[:1]}
    at, wanted = dr.point_positions(dryer.z), (np.arange(EVEN_LAYERS) + 0.5) / EVEN_LAYERS
    k = np.clip((at[None] < wanted[:, None, None]).sum(axis=1), 1, len(at) - 1)
    z_0, z_1 = np.take_along_axis(at, k - 1, 0), np.take_along_axis(at, k, 0)
    share = np.clip((wanted[:, None] - z_0) / (z_1 - z_0), 0.0, 1.0)
    return {
        f"layer {name}": (1 - share) * np.take_along_axis(f, k - 1, 0) + share * np.take_along_axis(f, k, 0)
        for name, f in (("moisture", mean_moisture), ("temperature", temperature))
    }


def _outflow(s: Solution, efficiency: Array) -> dict[str, Array]:
    """Exhaust (mean over the air of all phases but cooling), heat, fans, pressure drop and lift-off; per m² of a
    batch's floor, or per m² of bed that rides through all zones."""
    B = s.dryer.bed.cases
    sums = {name: np.zeros(B) for name in ("air", "exhaust", "vapour", "enthalpy", "heat", "fan")}
    most = {name: np.zeros(B) for name in ("lift_off", "wen_yu", "pressure_drop")}
    most["hottest"] = np.full(B, -np.inf)
    for phase, records in ((phase, m.records) for phase, m in zip(s.phases, s.marches) if m.records):
        steps = as_one(records)
        k = steps.index
        dry_air = phase.air_flux[k] * steps.duration
        exhaust = 0 * dry_air if phase.cooling else dry_air
        Y, h = over_step(steps.outlet)
        drop, _, _, volume = through(s, phase, steps)
        passed = {
            "air": dry_air,
            "exhaust": exhaust,
            "vapour": exhaust * Y,
            "enthalpy": exhaust * h,
            "heat": dry_air * steps.heat,
            "fan": dry_air * volume * drop / efficiency[k],
        }
        for name, amount in passed.items():
            sums[name] += np.bincount(k, amount, B)
        hottest = steps.points[:, db.TP, 1].max(axis=0)
        reached = highest(s, phase, steps) | {"hottest": hottest}
        for name, value in reached.items():
            np.maximum.at(most[name], k, value)
    return sums | most


FIRST_STAGE, LAST_STAGE = 0, 1  # of a step: a third of its way, and its end


def highest(s: Solution, phase: Phase, record: Record) -> dict[str, Array]:
    """Of steps: highest pressure drop and shares of the velocity that lifts the bed, at either of their stages.

    Hot pellets drive the air fastest in the first seconds, and the end of the first step comes too late for them.
    """
    stages = [through(s, phase, record, stage)[:3] for stage in (FIRST_STAGE, LAST_STAGE)]
    return dict(zip(("pressure_drop", "lift_off", "wen_yu"), np.maximum(stages[0], stages[1])))


def through(
    s: Solution, phase: Phase, record: Record, stage: int = LAST_STAGE
) -> tuple[Array, Array, Array, Array]:
    """Of steps at a stage, with pellets as large as at the end: pressure drop [Pa], highest share of the velocity
    that lifts the bed, the same by Wen and Yu, and the air's volume before the bed [m³/kg]."""
    k, dryer = record.index, s.dryer
    bed, dz = dryer.bed, dr.point_weights(dryer.z)[:, record.index]
    T, Y = record.points[:, db.TA, stage], np.maximum(record.points[:, db.HUMIDITY, stage], 0.0)
    p, eps, flux = bed.pressure[k], bed.void_fraction[k], phase.air_flux[k]
    density, viscosity = air.moist_density(T, Y, p), air.viscosity(T)
    velocity = flux * air.dry_air_volume(T, Y, p)
    own = take(dryer, k)
    shrunk = dr.radius_share(own, record.mean_moisture)
    d_p = 2 * bed.radius[k] * shrunk
    drop = (
        dz * bed.depth[k] * shrunk**3 * packed_bed.ergun_gradient(velocity, d_p, eps, density, viscosity)
    ).sum(axis=0) * own.bed.resistance
    bulk = bed.solid_density[k] / shrunk**3 * (1 - eps) * (1 + record.mean_moisture)
    lift, wen_yu = packed_bed.lift_off_shares(velocity, d_p, bulk, eps, density, viscosity)
    Y_in, h_in = record.inlet[:, stage]
    T_in = air.temperature_from_enthalpy(h_in, Y_in)
    return drop, lift.max(axis=0), wen_yu.max(axis=0), air.dry_air_volume(T_in, Y_in, p)


_LAST = {
    "surface_moisture": db.XS,
    "surface_temperature": db.TS,
    "air_temperature": db.TA,
    "humidity_ratio": db.HUMIDITY,
}


def _last(s: Solution) -> dict[str, Array]:
    """Surfaces and air at the points at the end, (P, B)."""
    points = np.empty((2 * (len(s.dryer.z) - 1), 5, s.dryer.bed.cases))
    for record in s.marches[-1].records:
        points[..., record.index] = record.points[:, :, 1]
    return {name: points[:, v] for name, v in _LAST.items()}


PROFILE_POINTS = 24  # so that cases on finer meshes have the same shape


def _profile(s: Solution, last: dict[str, Array]) -> dict[str, Array]:
    dryer, end = s.dryer, s.marches[-1].pellets
    at = dr.point_positions(dryer.z)
    every = max(len(at) // PROFILE_POINTS, 1)
    V = _coarser(dryer.shells)
    X = (dryer.shells.volume * end.moisture).reshape(len(at), len(V), -1, dryer.bed.cases).sum(axis=2) / V
    whole = {
        "z": at * dryer.bed.depth,
        "time": np.broadcast_to(sum(p.programme.duration for p in s.phases), at.shape),
        "pellet_temperature": dr.temperature(dryer, end),
        "mean_moisture": dr.means(dryer, end.moisture)[0],
        **last,
    }
    columns = {f"profile {name}": f[::every] for name, f in whole.items()}
    middle = dryer.shells.middle.reshape(len(V), -1, dryer.bed.cases).mean(axis=1) * dryer.bed.radius
    return columns | {"profile moisture": X[::every], "profile radius": middle}


def _coarser(sh: Shells) -> Array:
    """Volumes of twelve shells, whatever the mesh; of all, if they are fewer."""
    shells = min(drying.Resolution().shells, len(sh.volume))
    return sh.volume.reshape(shells, -1, sh.volume.shape[-1]).sum(axis=1)


def result_of(
    cooler: Batch | Belt,
    inputs: Inputs,
    phases: tuple[Phase, ...],
    columns: dict[str, Array],
    beds: UnevenBeds | None,
) -> Result:
    c = columns if beds is None else _mixed(beds, columns)
    X = c["X"]
    heat = inputs.specific_heat + air.HEAT_CAPACITY_WATER * X
    T, T_even = (c["H"] + c["Q"]) / heat, (c["H"] + c["Q_even"]) / heat
    seconds = sum(phase.programme.duration for phase in phases)
    per_bed = (
        inputs.floor_area if isinstance(cooler, Batch) else inputs.throughput * HOUR / _wet_per_area(inputs)
    )
    lost = c["solid"] * (inputs.flashed_moisture_db - X)  # kg/m² of bed
    Y = c["vapour"] / c["exhaust"]
    T_air = air.temperature_from_enthalpy(c["enthalpy"] / c["exhaust"], Y)
    per_water = np.where(lost > 0, c["heat"] / np.where(lost > 0, lost, 1.0), 0.0)
    tenths = _between(inputs, beds, columns, T_even)
    fed, pellets, evened, exhaust = entered_and_left(inputs, X, T, T_even, c["X_surface"], T_air, Y)
    return Result(
        fed,
        pellets,
        evened,
        in_store(inputs.isotherm, inputs.store_temperature, X, tenths, bagged_apart(cooler)),
        exhaust,
        bed_passed(
            inputs,
            c,
            residence_time=seconds,
            air_ratio=c["air"] / _wet_per_area(inputs),
            face_velocity=np.max([phase.air_flux for phase in phases], axis=0) * inputs.outside_volume,
        ),
        Accuracy(c["water_error"], c["energy_error"], c["error_M"], c["error_T"]),
        Profile(
            **{
                name.removeprefix("profile "): np.ascontiguousarray(np.moveaxis(f, -1, 0))
                for name, f in c.items()
                if name.startswith("profile ")
            }
        ),
        energy=Energy(
            c["heat"] * per_bed,
            c["fan"] * per_bed,
            per_water,
            _wet_per_area(inputs) * per_bed,
            c["solid"] * (1 + X) * per_bed,
        ),
        spread=Spread(c["driest"], c["wettest"], c["deviation"], c["hottest"]),
        between_pellets=tenths,
    )


# Of columns of an even bed: how they are mixed. What is not named here is a mean by dry solid.
_OF_FLOOR = ("solid", "air", "exhaust", "vapour", "enthalpy", "heat", "fan", "pressure_drop", "profile z")
_HIGHEST = ("wettest", "hottest", "lift_off", "wen_yu")


def _mixed(beds: UnevenBeds, columns: dict[str, Array]) -> dict[str, Array]:
    """Columns of beds, mixed as they are emptied."""
    mixed = {}
    for name, values in columns.items():
        mean = beds.of_floor if name in _OF_FLOOR else beds.highest if name in _HIGHEST else beds.of_solid
        mixed[name] = mean(values)
    mixed["driest"] = beds.lowest(columns["driest"])
    off = columns["average"] - mixed["average"][beds.columns.case]
    mixed["deviation"] = np.sqrt(beds.of_solid(columns["deviation"] ** 2 + off**2))
    return mixed


def _between(
    inputs: Inputs, beds: UnevenBeds | None, c: dict[str, Array], evened: Array
) -> BetweenPellets | None:
    """How unlike the pellets are; None where they are turned over all the time in an even bed, and so all alike."""
    X, T = c["layer moisture"], c["layer temperature"]
    if beds is not None:
        return between(beds, inputs.isotherm, X, T, evened)
    return None if len(X) == 1 else between_pellets(inputs.isotherm, X, T, np.ones(1), evened)


def bagged_apart(cooler: Batch | Belt) -> bool:
    """Whether layers of its bed may come into different bags: of a batch that is not turned, emptied as it lies."""
    return isinstance(cooler, Batch) and cooler.mixing == "none"


def _wet_per_area(inputs: Inputs) -> Array:
    return inputs.bulk_density * inputs.bed_depth
