"""A drying from beginning to end: phases one after the other, on two meshes, with balances and an error estimate.

1. Every case is solved twice: on a mesh graded to both faces of the bed, and on one of half the cells and shells
   with steps in time about twice as long. Both schemes' errors fall by four or more, so the difference between the
   two answers bounds the error of the finer one.
2. The two march side by side, as if they were two cases: the coarse mesh is laid out on the fine one's arrays, with
   cells without thickness and shells without volume between its own. A step costs hardly more for two than for one.
3. Cases whose error is above tolerance go round again, with twice the cells and shells and shorter steps. Columns
   that are mixed do so only where the error of their mixture is: a few of the pellets move it little.

A batch has one phase; a belt has one for each zone, and its clock is the dwell.

Cooling of a batch
------------------
`cooler.cooling_time` makes a second phase (`dryer_phases._cooling_phase`, `Phase.cooling`): supply of
outside air, no heater, no recirculation, airflow as before. Its air begins on the first side and changes sides
after `reverse_every`, counted anew: a damper's programme starts again, and were the clock to go on, the exit
would turn with each reversal instead of each second one. This is the one place for that time: cycle, floor and
load take it from there (`schema.MOVED` tells who types the schedule's own). `air_out` and limits on the exhaust
leave it out, since cool air would hide that ducts run wet; `air_ratio`, fan energy, lift-off and pressure drop
count it. In `History.zone` it is 0, by which pictures and cautions know where it begins.

For searches the drying is marched once and cooled from up to 24 ends of its steps, all side by side
(`march_outcomes._cooled`, for which `march` keeps the pellets): one march still tells of every shorter drying.
Dead end: time as one more setting of the fits. A reversal leaves a bend in what the cooling does (the exit of
`batch-to-buy`, cooled, is drier after 30 than after 32 min), fits ran through it, settings cost 4 % too much, and
a dryer was sized 8 % too large.

Proofs: `tests/laws/test_cooling_phase` (Schumann's bed from the switch on, with and without a recirculation
before it; what pellets give is what the air carries; third order across the switch), `test_cooling_domain`
(random batches, cooled for a second to four hours), `tests/studies/test_cooled_batches` (marches against
predictions, settings against a dense grid), `tests/cli/test_cooled_batches` (times, energies and schedule by
hand). Weak: the airflow is the same in both phases, where real fans, less throttled by a heater, may blow more;
humid air that pellets take up is only as good as the isotherm, whose drying and wetting branches are one here.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.model import dryer as dr
from coolsim.model.bed import Bed, take
from coolsim.model.dryer import Dryer, Pellets, Supply
from coolsim.model.march import ENOUGH, STEP_TOLERANCE, March, Programme, march
from coolsim.model.pellet_shells import Shells, shaped_shells, with_empty_shells
from coolsim.model.solve import GRADING, KELVIN_PER_MOISTURE, MOISTURE_PER_KELVIN
from coolsim.model.surface import REAL, Laws
from coolsim.numerics import mesh
from coolsim.numerics.stages import over_step
from coolsim.physics import air, packed_bed
from coolsim.support.fields import Array

FACE_LAYER = 0.3  # thickness of the outermost cells' layer, in transfer lengths of the air
PART = 0.9  # of the difference between two meshes that counts as error
LEAST_ERRORS = 1e-5, 0.01  # kg/kg wet and K of the steps in time, where the two meshes agree by chance
COARSER_STEPS = 2.0  # times the tolerance of steps that the coarse mesh takes
MOISTURE_ERROR, TEMPERATURE_ERROR = 5e-4, 0.5  # kg/kg wet and K above which a case is refined


@dataclass(frozen=True)
class Resolution:
    """Cells and shells of the mesh that answers, both even; how often a rough case is refined; steps: see march.

    Without an estimate no coarse mesh marches beside it, errors are nan, and nothing is refined: for surveys.
    `enough` is the size of the last Newton step of each step in time.
    """

    cells: int = 12
    shells: int = 12
    refinements: int = 2
    step_tolerance: float = STEP_TOLERANCE
    estimate: bool = True
    enough: float = ENOUGH
    keep: bool = False  # the pellets at the end of each step


@dataclass(frozen=True)
class Phase:
    """What the bed meets for a while. Every number is an array (cases,)."""

    air_flux: Array  # Ga, kg dry air/(m² s)
    supply: Supply
    programme: Programme
    cooling: bool = False  # whether it only cools what is dry: its air is no part of the exhaust that is told


@dataclass(frozen=True)
class Pellet:
    """Shape of the pellets, per case: exponent of physics.pellet.shape_exponent, and shrinkage of deep_bed."""

    exponent: Array
    shrinkage: Array
    mixed: bool = False  # whether they are turned over all the time


@dataclass(frozen=True)
class Totals:
    """What a phase has cost and done, per m² of floor, (B,)."""

    water: Array  # carried off by the exhaust, kg
    enthalpy: Array  # carried off by the exhaust above that of the fresh air, J
    heat: Array  # given by the heater, J


@dataclass(frozen=True)
class Solution:
    """Cases solved on meshes of one size."""

    index: NDArray[np.intp]  # which cases of the bed, (B,)
    phases: tuple[Phase, ...]
    marches: tuple[March, ...]  # one per phase
    totals: tuple[Totals, ...]
    start: Pellets
    moisture_error: Array  # kg/kg wet, of the bed's mean at the end, (B,)
    temperature_error: Array  # K, likewise
    converged: NDArray[np.bool_]

    @property
    def dryer(self) -> Dryer:
        return self.marches[-1].dryer


def solve(
    bed: Bed,
    phases: tuple[Phase, ...],
    pellet: Pellet,
    laws: Laws = REAL,
    resolution: Resolution = Resolution(),
    shares: Array | None = None,
) -> list[Solution]:
    """Dry every case through all phases: a list of solutions, one per size of mesh that was needed.

    The bed's feed is what is laid; its air_flux and inlet air are those of the phases instead. shares: of columns
    that are mixed, (columns, beds), where the cases are such, column after column.
    """
    answers: list[Solution] = []
    index, r = np.arange(bed.cases), resolution
    errors = np.zeros((2, bed.cases))
    for attempt in range(r.refinements + 1):
        k = 2**attempt
        finer = Resolution(k * r.cells, k * r.shells, 0, r.step_tolerance / k, r.estimate, r.enough, r.keep)
        fine = _estimated(take(bed, index), take(phases, index), take(pellet, index), laws, finer)
        fine = dataclasses.replace(fine, index=index)
        errors[:, index] = fine.moisture_error, fine.temperature_error
        rough = ~fine.converged | to_refine(errors, shares)[index]
        if attempt == r.refinements or not rough.any():
            return [*answers, fine]
        if not rough.all():
            answers.append(part(fine, np.flatnonzero(~rough)))
        index = index[rough]
    raise AssertionError("not reached")


def to_refine(errors: Array, shares: Array | None) -> NDArray[np.bool_]:
    """Which cases are too rough, by errors of moisture and temperature (2, cases), shares as of `solve`."""
    rough = _above(errors)
    if shares is None:
        return rough
    mixed = (errors.reshape(2, *shares.shape) * shares).sum(axis=1)
    return np.asarray(rough & np.tile(_above(mixed), len(shares)))


def _above(errors: Array) -> NDArray[np.bool_]:
    """Whether errors (2, …) are above tolerance."""
    return np.asarray((errors[0] > MOISTURE_ERROR) | (errors[1] > TEMPERATURE_ERROR))


def _estimated(bed: Bed, phases: tuple[Phase, ...], pellet: Pellet, laws: Laws, r: Resolution) -> Solution:
    """All cases on one size of mesh, and how far they are off by the half as fine one that marches beside them.

    Errors are nan where none are asked for.
    """
    B = bed.cases
    if not r.estimate:
        alone = _run(bed, phases, pellet, laws, r, np.full(B, r.step_tolerance))
        return dataclasses.replace(
            alone, moisture_error=np.full(B, np.nan), temperature_error=np.full(B, np.nan)
        )
    twice = np.tile(np.arange(B), 2)
    tolerance = np.repeat([r.step_tolerance, COARSER_STEPS * r.step_tolerance], B)
    both = _run(take(bed, twice), take(phases, twice), take(pellet, twice), laws, r, tolerance)
    X, T = mean_exit(both)
    wet = X / (1 + X)
    moisture = LEAST_ERRORS[0] + PART * np.abs(wet[:B] - wet[B:])
    temperature = LEAST_ERRORS[1] + PART * np.abs(T[:B] - T[B:])
    known = both.converged[B:]
    return dataclasses.replace(
        part(both, np.arange(B)),
        moisture_error=np.where(known, moisture + MOISTURE_PER_KELVIN * temperature, np.inf),
        temperature_error=np.where(known, temperature + KELVIN_PER_MOISTURE * moisture, np.inf),
    )


def part(s: Solution, which: NDArray[np.intp]) -> Solution:
    """Some cases of a solution."""
    records = {id(m): _records_of(m, which) for m in s.marches}
    bare = dataclasses.replace(s, marches=tuple(dataclasses.replace(m, records=[]) for m in s.marches))
    picked = take(bare, which)
    marches = (dataclasses.replace(p, records=records[id(m)]) for p, m in zip(picked.marches, s.marches))
    return dataclasses.replace(picked, marches=tuple(marches))


def _records_of(m: March, which: NDArray[np.intp]) -> list:
    """The steps of some cases, renumbered."""
    place = np.full(m.dryer.bed.cases, -1)
    place[which] = np.arange(len(which))
    records = []
    for record in m.records:
        chosen = np.flatnonzero(place[record.index] >= 0)
        if len(chosen):
            some = take(record, chosen)
            records.append(dataclasses.replace(some, index=place[some.index]))
    return records


def _run(
    bed: Bed,
    phases: tuple[Phase, ...],
    pellet: Pellet,
    laws: Laws,
    resolution: Resolution,
    tolerance: Array,
) -> Solution:
    """All phases, with steps by `tolerance` (cases,); with an estimate the second half of the cases is coarser."""
    dryer = _dryer(bed, phases, pellet, laws, resolution)
    start = pellets = dr.fed_pellets(dryer)
    marches, totals = [], []
    converged = np.ones(bed.cases, bool)
    for k, phase in enumerate(phases):
        dryer = dataclasses.replace(
            dryer, bed=dataclasses.replace(bed, air_flux=phase.air_flux), supply=phase.supply
        )
        done = march(
            dryer, pellets, phase.programme, tolerance, resolution.enough, feed=k == 0, keep=resolution.keep
        )
        pellets, converged = done.pellets, converged & done.reached
        marches.append(done)
        totals.append(_totals(done, phase))
    unknown = np.full(bed.cases, np.inf)
    return Solution(
        np.arange(bed.cases), phases, tuple(marches), tuple(totals), start, unknown, unknown, converged
    )


def _dryer(bed: Bed, phases: tuple[Phase, ...], pellet: Pellet, laws: Laws, r: Resolution) -> Dryer:
    """The dryer on its mesh; with an estimate the second half of the cases on one of half the cells and shells."""
    layer = np.min([face_layer(bed, phase.air_flux) for phase in phases], axis=0)
    B = bed.cases // 2 if r.estimate else bed.cases
    grading, layer, exponent = np.full(B, GRADING), layer[:B], pellet.exponent[:B]
    shells, z = shaped_shells(r.shells, grading, exponent), mesh.layered_nodes(r.cells, layer, layer)
    if r.estimate:
        coarse = shaped_shells(r.shells // 2, grading, exponent)
        z_coarse = mesh.layered_nodes(r.cells // 2, layer, layer)
        shells = _joined(shells, with_empty_shells(coarse))
        z = np.concatenate([z, mesh.doubled(z_coarse)], axis=1)
    return Dryer(bed, phases[0].supply, shells, pellet.exponent, pellet.shrinkage, z, laws, pellet.mixed)


def _joined(a: Shells, b: Shells) -> Shells:
    """The shells of two groups of cases as those of one."""
    names = (f.name for f in dataclasses.fields(Shells))
    return Shells(*(np.concatenate([getattr(a, name), getattr(b, name)], axis=1) for name in names))


def face_layer(bed: Bed, air_flux: Array) -> Array:
    """Thickness of the layer at each face, as a share of the depth: a part of where the air changes by 1/e."""
    h = packed_bed.heat_transfer_coefficient(air_flux, 2 * bed.radius, bed.inlet_air_temperature)
    return np.clip(FACE_LAYER * air_flux * air.HEAT_CAPACITY_DRY_AIR / (h * bed.surface), 1e-4, 1.0)


def _totals(m: March, phase: Phase) -> Totals:
    water, enthalpy, heat = (np.zeros(m.dryer.bed.cases) for _ in range(3))
    for record in m.records:
        k = record.index
        dry_air = phase.air_flux[k] * record.duration
        exhausted = (1 - phase.supply.recirculation[k]) * dry_air
        Y_out, h_out = over_step(record.outlet)
        water[k] += exhausted * (Y_out - phase.supply.fresh_humidity_ratio[k])
        enthalpy[k] += exhausted * (h_out - phase.supply.fresh_enthalpy[k])
        heat[k] += dry_air * record.heat
    return Totals(water, enthalpy, heat)


# ---- What has become of the bed -------------------------------------------------------------------------


def mean_exit(s: Solution) -> tuple[Array, Array]:
    """Mean moisture and temperature of the bed at the end, once mixed."""
    dryer, pellets = s.dryer, s.marches[-1].pellets
    w = dr.point_weights(dryer.z)
    X, Q = dr.means(dryer, pellets.moisture)
    mean, heat = (w * X).sum(axis=0), (w * pellets.enthalpy).sum(axis=0)
    return mean, dryer.laws.pellet_temperature(dryer.bed, mean, heat, (w * Q).sum(axis=0))


def imbalances(s: Solution) -> tuple[Array, Array]:
    """Water as a share of the water laid or taken up, energy of what the heater gave or the feed brought.

    From the pellets at both ends, the exhaust and the heater: nothing that the solver balanced by itself.
    """
    dryer, end = s.dryer, s.marches[-1].pellets
    bed = dryer.bed
    w = dr.point_weights(dryer.z)
    solid = bed.solid_density * (1 - bed.void_fraction) * bed.depth
    X_start, X_end = (
        (w * dr.means(dryer, s.start.moisture)[0]).sum(0),
        (w * dr.means(dryer, end.moisture)[0]).sum(0),
    )
    H_start, H_end = (w * s.start.enthalpy).sum(0), (w * end.enthalpy).sum(0)
    water = solid * (X_start - X_end) - sum(t.water for t in s.totals)
    heat = sum(t.heat for t in s.totals)
    energy = solid * (H_start - H_end) + heat - sum(t.enthalpy for t in s.totals)
    capacity = bed.specific_heat + air.HEAT_CAPACITY_WATER * bed.feed_moisture_db
    return water / (solid * np.maximum(X_start, X_end)), energy / np.maximum(heat, solid * capacity)
