"""What has become of dryers at any time of their course: one march tells of every shorter one.

Outcomes are what costs and limits ask for. Rows of arrays stand in the order of OUTCOMES. Of a batch that is cooled
the drying is marched once, then the cooling from the end of each of its steps, all of them side by side.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.quantities import READABLE, Kind, MachineState
from coolsim.case.result import Result
from coolsim.machines.dryers import mass_of
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.model.dryer import Pellets
from coolsim.model.march import march
from coolsim.numerics.stages import over_step
from coolsim.physics import air, sorption
from coolsim.simulate import dryer_simulation
from coolsim.simulate.cautions import cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.dryer_phases import gathered, phases_and_pellets
from coolsim.simulate.dryer_results import bagged_apart, highest, through
from coolsim.simulate.finishing import headspace_dew_point
from coolsim.simulate.inputs import Inputs, bed_of
from coolsim.simulate.requirements import predicted_state
from coolsim.simulate.uneven_beds import UnevenBeds, apart, columns_of_dryers
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

BOUNDED = tuple(q for q in READABLE if q.only_of != "coolers")  # as `MachineState` has them
OUTCOMES = (
    *(q.name for q in BOUNDED),
    "heat",  # J per kg of wet feed
    "fan",  # J of electricity per kg of wet feed
)
PLAIN = tuple(q.name for q in BOUNDED if q.may_be_negative)  # fitted as they are, the others as logarithms
LOOSE = 1e-2  # of Newton's method: the next step would be 1e-4, below 1e-6 of moisture
# Right to a few tenths of a point: what is found on it is corrected by predictions.
ROUGH = drying.Resolution(
    4,
    6,
    refinements=0,
    step_tolerance=2 * drying.STEP_TOLERANCE,
    estimate=False,
    enough=LOOSE,
)
COOLED = 24  # ends of steps of a march, at the most, from which a batch is cooled
# The full mesh of predictions, at half the price: without their error.
QUICK = drying.Resolution(refinements=0, estimate=False, enough=LOOSE)


@dataclass(frozen=True)
class Course:
    """Ends of the steps (S,) that a dryer was marched in, and its outcomes there (outcomes, S), cooled if it is."""

    ends: Array
    outcomes: Array

    def at(self, times: Sequence[float] | Array) -> Array:
        """Outcomes at `times` (T,) since the dryer was laid, (outcomes, T); after its end as at its end."""
        return np.array([np.interp(times, self.ends, row) for row in self.outcomes])


@dataclass(frozen=True)
class Predicted:
    """One dryer on the full mesh, as `predict` gives it, and its outcomes (outcomes,)."""

    result: Result
    outcomes: Array


def marched(
    cases: Sequence[Case],
    resolution: drying.Resolution = ROUGH,
    times: Sequence[Sequence[float] | Array] | None = None,
) -> list[Course | None]:
    """Courses of dryers of one kind, solved side by side; None where one does not converge.

    times: at which each will be asked for, since it was laid and without its cooling; at any if left out.
    """
    inputs = gathered(cases)
    phases, pellets, efficiency = phases_and_pellets(cases, inputs)
    earliest = np.zeros(len(cases)) if times is None else np.array([np.min(t) for t in times])
    beds, bed = columns_of_dryers(inputs), bed_of(inputs)
    if beds is not None:  # each column is marched, and what has become of them is mixed
        each = beds.columns.case
        bed, phases = bed_of(beds.inputs), apart(beds, inputs, phases)
        pellets, efficiency, earliest = take((pellets, efficiency, earliest), each)
    cooling = phases[1] if phases[-1].cooling else None
    if cooling is not None:
        phases, resolution = phases[:1], dataclasses.replace(resolution, keep=True)
    tables: list[Array | None] = [None] * bed.cases
    with on_one_thread():
        for s in drying.solve(bed, phases, pellets, resolution=resolution):
            fans = efficiency[s.index]
            some = [_so_far(rows) if ok else None for rows, ok in zip(_rows(s, fans), s.converged)]
            if cooling is not None and s.converged.any():
                some = _cooled(s, some, take(cooling, s.index), fans, earliest[s.index], resolution)
            for k, table in zip(s.index, some):
                tables[k] = table
    if beds is not None:
        tables = [_mean_table(beds, tables, k) for k in range(len(cases))]
    layers = bagged_apart(cases[0].cooler)
    return [
        None if t is None else _course(t, _one(inputs, k), layers, cases[k]) for k, t in enumerate(tables)
    ]


def _course(table: Array, inputs: Inputs, layers: bool, case: Case) -> Course:
    return Course(table[:, 0], _outcomes(table, inputs, float(inputs.pressure[0]), layers, case))


def _mean_table(beds: UnevenBeds, tables: list[Array | None], k: int) -> Array | None:
    """The table of one dryer from those of its columns, at the times of the one that is like the mean."""
    columns = beds.columns
    each = [tables[at] for at in beds.who(k)]
    own = [table for table in each if table is not None]
    if len(own) < columns.count:
        return None
    speed, solid = columns.speed[:, k], beds.solid[:, k]
    floor = columns.area[:, k] * speed
    ends = own[len(own) // 2][:, 0]
    read = np.array(
        [[np.interp(ends, t[:, 0] * s, column) for column in t.T] for t, s in zip(own, speed)]
    )  # (K, columns, ends)
    mixed = np.tensordot(floor, read, 1)
    mixed[0], mixed[_HIGHEST] = ends, read[:, _HIGHEST].max(axis=0)
    for column in (_X, _T):
        mixed[column] = solid @ read[:, column]
    mixed[_DROP] = floor @ read[:, _DROP]
    wet = read[:, _X] / (1 + read[:, _X])
    mixed[_SPREAD] = np.sqrt(solid @ (read[:, _SPREAD] ** 2 + (wet - solid @ wet) ** 2))
    return mixed.T


def _cooled(
    s: drying.Solution,
    tables: list[Array | None],
    cooling: drying.Phase,
    efficiency: Array,
    earliest: Array,
    resolution: drying.Resolution,
) -> list[Array | None]:
    """Tables of dryers that are cooled after so long a drying: fewer rows, none before `earliest` (B,) is needed.

    None where a cooling does not converge.
    """
    rows = [_to_cool(table, first) for table, first in zip(tables, earliest)]
    who, pellets = _at_ends(s, tables, rows)
    bed = dataclasses.replace(take(s.dryer.bed, who), air_flux=cooling.air_flux[who])
    dryer = dataclasses.replace(take(s.dryer, who), bed=bed, supply=take(cooling.supply, who))
    tolerance = np.full(len(who), resolution.step_tolerance)
    done = march(dryer, pellets, take(cooling.programme, who), tolerance, resolution.enough, feed=False)
    unknown = np.full(len(who), np.nan)
    after = drying.Solution(who, (take(cooling, who),), (done,), (), pellets, unknown, unknown, done.reached)
    each = _rows(after, efficiency[who])
    found: list[Array | None] = []
    for k, (table, some) in enumerate(zip(tables, rows)):
        mine = np.flatnonzero(who == k)
        lost = not done.reached[mine].all()
        found.append(None if table is None or lost else _joined(table[some], [each[i] for i in mine]))
    return found


def _to_cool(table: Array | None, earliest: float) -> NDArray[np.intp]:
    """Rows of a table from whose ends a dryer is cooled: from the last before `earliest` on, not all of many."""
    if table is None:
        return np.zeros(0, np.intp)
    first = max(int(np.searchsorted(table[:, 0], earliest, "right")) - 1, 0)
    count = len(table) - first
    return first + np.unique(np.linspace(0, count - 1, min(count, COOLED)).round().astype(np.intp))


def _at_ends(
    s: drying.Solution, tables: list[Array | None], rows: list[NDArray[np.intp]]
) -> tuple[NDArray[np.intp], Pellets]:
    """Which dryers, and their pellets as they are at the ends of the rows of their tables; each one's in order."""
    wanted = [{*table[some, 0]} if table is not None else {*()} for table, some in zip(tables, rows)]
    who, kept = [], []
    for record in s.marches[0].records:
        at = [i for i, (k, t) in enumerate(zip(record.index, record.time)) if t in wanted[k]]
        if at:
            who.append(record.index[at])
            kept.append(take(record.pellets, at))
    names = [f.name for f in dataclasses.fields(Pellets)]
    together = Pellets(*(np.concatenate([getattr(p, name) for p in kept], axis=-1) for name in names))
    return np.concatenate(who), together


def _joined(dry: Array, cooled: list[Array]) -> Array:
    """Rows of a table of drying with what the cooling after each has made of them."""
    end = np.array([_so_far(rows)[-1] for rows in cooled])
    end[:, 0] = dry[:, 0]
    end[:, _HIGHEST] = np.maximum(end[:, _HIGHEST], dry[:, _HIGHEST])
    end[:, _SUMS] += dry[:, _SUMS]
    return end


def predictions(cases: Sequence[Case]) -> list[Predicted | None]:
    """Predictions of dryers of one kind, solved side by side; None where one does not converge."""
    try:
        with on_one_thread():
            results = dryer_simulation.each(cases)
    except NotConverged as error:
        good = np.setdiff1d(np.arange(len(cases)), error.failed)
        some = predictions([cases[k] for k in good]) if len(good) else []
        found: list[Predicted | None] = [None] * len(cases)
        for k, one in zip(good, some):
            found[k] = one
        return found
    told = (dataclasses.replace(r, warnings=cautions(c, r)) for c, r in zip(cases, results))
    return [Predicted(r, outcomes_of(c, r)) for c, r in zip(cases, told)]


def _one(inputs: Inputs, k: int) -> Inputs:
    return take(inputs, np.array([k]))


def _rows(s: drying.Solution, efficiency: Array) -> list[Array]:
    """Per case, a row per step: its end, states there, and what passed in it; no exhaust while cooling."""
    weights = dr.point_weights(s.dryer.z)
    rows: list[list[Array]] = [[] for _ in efficiency]
    began = np.zeros(len(efficiency))
    for phase, marched_so in zip(s.phases, s.marches):
        for record in marched_so.records:
            k = record.index
            w, X = weights[:, k], record.mean_moisture
            T = record.points[:, db.TP, 1]
            wet = X / (1 + X)
            spread = np.sqrt((w * (wet - (w * wet).sum(axis=0)) ** 2).sum(axis=0))
            drop, _, _, volume = through(s, phase, record)
            most = highest(s, phase, record)
            dry_air = phase.air_flux[k] * record.duration
            exhaust = 0 * dry_air if phase.cooling else dry_air
            Y, h = over_step(record.outlet)
            columns = (
                *(began[k] + record.time, (w * X).sum(axis=0), (w * T).sum(axis=0), T.max(axis=0), spread),
                *(most["lift_off"], most["pressure_drop"], exhaust, exhaust * Y, exhaust * h),
                *(dry_air * record.heat, dry_air * volume * drop / efficiency[k]),
            )
            for case, row in zip(k, np.transpose(columns)):
                rows[case].append(row)
        began = began + phase.programme.duration
    return [np.array(case) for case in rows]


_X, _T, _SPREAD, _DROP = 1, 2, 4, 6  # columns of rows
_HIGHEST, _SUMS = [3, 5, 6], slice(7, None)  # columns of which the highest so far counts, and the sum


def _so_far(rows: Array) -> Array:
    """Rows of one case as `_rows` has them, with the highest and the sums up to the end of each step."""
    table = rows.copy()
    table[:, _HIGHEST] = np.maximum.accumulate(rows[:, _HIGHEST])
    table[:, _SUMS] = np.cumsum(rows[:, _SUMS], axis=0)
    return table


# Standard deviations that the wettest tenth of a bed lies above its mean: even spread 1.56, normal 1.75.
# A search is corrected by predictions, which have the tenth itself.
WETTEST_TENTH = 1.6


def _outcomes(table: Array, inputs: Inputs, pressure: float, layers: bool, case: Case) -> Array:
    """Outcomes of one case at the ends of its steps, (outcomes, S); `layers` may be bagged apart."""
    _, X, T, hottest, spread, lift, drop, exhaust, vapour, enthalpy, heat, fan = table.T
    wet_weight = inputs.bulk_density * inputs.bed_depth
    Y = vapour / exhaust
    T_air = air.temperature_from_enthalpy(enthalpy / exhaust, Y)
    judged = np.minimum(X / (1 + X) + (WETTEST_TENTH * spread if layers else 0.0), 0.9)
    activity = sorption.water_activity(inputs.isotherm, judged / (1 - judged), inputs.store_temperature)
    state = MachineState(
        moisture=X / (1 + X),
        temperature=T,
        even_temperature=T,
        water_activity=activity,
        outside_temperature=inputs.outside_temperature,
        exhaust_temperature=T_air,
        exhaust_relative_humidity=air.relative_humidity(T_air, Y, pressure),
        lift_off=lift,
        pressure_drop=drop,
        dew_point_in_bag=partial(headspace_dew_point, case),
        hottest=hottest,
        deviation=spread,
    )
    return outcome_rows(state, "dryers", heat=heat / wet_weight, fan=fan / wet_weight)


def outcome_rows(
    state: MachineState, kind: Kind, rows: Sequence[str] = OUTCOMES, **spent: Array | float
) -> Array:
    """Rows (rows, …) of the state of dryers or coolers, and of the heat and electricity that they take.

    Of what only the other kind has there is 0: nobody bounds it. What its own kind lacks raises LookupError.
    """
    known = spent | {q.name: q.of(state) if q.only_of in ("", kind) else 0.0 for q in READABLE}
    return np.array(np.broadcast_arrays(*(known[name] for name in rows)), float)


def outcomes_of(case: Case, result: Result) -> Array:
    """Outcomes of one dryer that was predicted, (outcomes,)."""
    energy, mass = result.energy, mass_of(case)
    assert energy is not None
    state = predicted_state(result, case.air.temperature, case)
    return outcome_rows(state, "dryers", heat=energy.heat / mass, fan=energy.fan / mass)
