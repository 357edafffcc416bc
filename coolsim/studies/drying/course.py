"""What has become of dryers at any time of their course: one march tells of every shorter one that is not cooled.

Outcomes are what costs and limits ask for. Rows of arrays stand in the order of OUTCOMES.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coolsim import dried
from coolsim.case import Case
from coolsim.cautions import cautions
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.inputs import Inputs, bed_of
from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.numerics.stages import over_step
from coolsim.physics import air, sorption
from coolsim.predict import on_one_thread
from coolsim.result import Result

OUTCOMES = (
    "moisture",  # kg/kg wet, mean of the bed
    "temperature",  # °C, likewise
    "water activity",  # of the mean moisture
    "exhaust relative humidity",  # mean of all air so far, without that which cools a batch
    "lift-off",  # highest so far, as a share of minimum fluidisation
    "bed pressure drop",  # Pa, highest so far
    "pellet temperature",  # °C, of the hottest layer so far
    "deviation",  # kg/kg wet, standard deviation over the bed
    "heat",  # J per kg of wet feed
    "fan",  # J of electricity per kg of wet feed
)
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
# The full mesh of predictions, at half the price: without their error.
QUICK = drying.Resolution(refinements=0, estimate=False, enough=LOOSE)


@dataclass(frozen=True)
class Course:
    """Ends of the steps (S,) that a dryer was marched in, and its outcomes there (outcomes, S).

    Those of a batch that is cooled are no shorter batch's but at its end."""

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


def marched(cases: Sequence[Case], resolution: drying.Resolution = ROUGH) -> list[Course | None]:
    """Courses of dryers of one kind, solved side by side; None where one does not converge."""
    inputs = dried.gathered(cases)
    phases, pellets, efficiency = dried.laid(cases, inputs)
    with on_one_thread():
        solutions = drying.solve(bed_of(inputs), phases, pellets, resolution=resolution)
    found: list[Course | None] = [None] * len(cases)
    for s in solutions:
        some = take(inputs, s.index)
        wet_weight = some.bulk_density * some.bed_depth
        for j, table in enumerate(_rows(s, efficiency[s.index])):
            if s.converged[j]:
                pressure = float(s.dryer.bed.pressure[j])
                outcomes = _outcomes(table, _one(some, j), pressure, float(wet_weight[j]))
                found[int(s.index[j])] = Course(table[:, 0], outcomes)
    return found


def predictions(cases: Sequence[Case]) -> list[Predicted | None]:
    """Predictions of dryers of one kind, solved side by side; None where one does not converge."""
    try:
        with on_one_thread():
            results = dried.each(cases)
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
    for phase, march in zip(s.phases, s.marches):
        for record in march.records:
            k = record.index
            w, X = weights[:, k], record.mean_moisture
            T = record.points[:, db.TP, 1]
            wet = X / (1 + X)
            spread = np.sqrt((w * (wet - (w * wet).sum(axis=0)) ** 2).sum(axis=0))
            drop, lift, volume = dried.through(s, phase, record)
            dry_air = phase.air_flux[k] * record.duration
            exhaust = 0 * dry_air if phase.cooling else dry_air
            Y, h = over_step(record.outlet)
            columns = (
                *(began[k] + record.time, (w * X).sum(axis=0), (w * T).sum(axis=0), T.max(axis=0), spread),
                *(lift, drop, exhaust, exhaust * Y, exhaust * h),
                *(dry_air * record.heat, dry_air * volume * drop / efficiency[k]),
            )
            for case, row in zip(k, np.transpose(columns)):
                rows[case].append(row)
        began = began + phase.programme.duration
    return [np.array(case) for case in rows]


def _outcomes(table: Array, inputs: Inputs, pressure: float, wet_weight: float) -> Array:
    """Outcomes of one case at the ends of its steps, (outcomes, S)."""
    _, X, T, hottest, spread, lift, drop, *passed = table.T
    exhaust, vapour, enthalpy, heat, fan = np.cumsum(passed, axis=1)
    Y = vapour / exhaust
    T_air = air.temperature_from_enthalpy(enthalpy / exhaust, Y)
    return np.stack(
        [
            X / (1 + X),
            T,
            sorption.water_activity(inputs.isotherm, X, T),
            air.relative_humidity(T_air, Y, pressure),
            np.maximum.accumulate(lift),
            np.maximum.accumulate(drop),
            np.maximum.accumulate(hottest),
            spread,
            heat / wet_weight,
            fan / wet_weight,
        ]
    )


def mass_of(case: Case) -> float:
    """Wet feed [kg] that Result.energy is of: a batch, or an hour on a belt."""
    c = case.cooler
    if c.arrangement == "batch":
        return float(case.feed.bulk_density * c.floor_area * c.bed_depth)
    return float(3600 * case.feed.throughput)


def outcomes_of(case: Case, result: Result) -> Array:
    """Outcomes of one dryer that was predicted, (outcomes,)."""
    energy, history, spread, mass = result.energy, result.history, result.spread, mass_of(case)
    assert energy is not None and history is not None and spread is not None
    return np.array(
        [
            result.pellets_out.moisture_wb,
            result.pellets_out.temperature,
            result.after_equalising.water_activity,
            result.air_out.relative_humidity,
            result.bed.lift_off,
            result.bed.pressure_drop,
            history.highest_temperature.max(),
            spread.deviation_wb,
            energy.heat / mass,
            energy.fan / mass,
        ],
        float,
    )
