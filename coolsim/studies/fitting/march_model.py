"""What the model says of trials on a dryer or a line, and how that moves with the free numbers.

Neither has exact slopes: they are central differences (studies.differences). All cases of all differences march
side by side in one call, so that a free number more costs two columns more per trial. Steps are a tenth of what is
not known: slopes of a fifth of that differ by 0.5 %, as steps in time, which each case takes as it needs, begin to
show. (One-sided differences save a third of the time, and are 6 % off for diffusivity: intervals would be.)
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.machine import Batch, Cooler
from coolsim.case.result import Result
from coolsim.equipment.fan import BLOW_THROUGH
from coolsim.physics import air
from coolsim.scenario import schema
from coolsim.scenario.readings import hottest_inlet
from coolsim.simulate import line
from coolsim.studies.differences import (
    DRYING,
    Movable,
    Moving,
    movable,
    moved_cases,
    outcomes,
    slopes_from,
    staged,
    warmer,
    with_more_air,
)
from coolsim.studies.fitting.model import DOUBTED_AS, Marched, ModelReadings, exhaust_behind
from coolsim.studies.fitting.parameters import placed
from coolsim.support import dual_units
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array, with_number

STEP = 0.1  # of the standard deviation that the published range means


# ---- Numbers of a fit in a case -------------------------------------------------------------------------


def _material(path: str) -> Moving:
    return lambda case, value: with_number(case, f"material.{path}", value)


def _shifted(case: Case, shift: float) -> Case:
    return with_number(case, "material.isotherm.scale", case.material.isotherm.scale * (1 + shift))


def _moister(case: Case, by: float) -> Case:
    return with_number(case, "feed.moisture", case.feed.moisture + by)


def _leaky(case: Case, share: float) -> Case:
    """False air of a machine; where its fan blows through, that air leaves before the bed and counts nowhere."""
    return case if case.fan.position == BLOW_THROUGH else with_number(case, "duct.leakage", share)


def _more_air(case: Case, times: float) -> Case:
    c = case.cooler
    by_fan = isinstance(c, Cooler) and c.airflow is None and c.air_ratio is None
    return case if by_fan else with_more_air(case, times)


_PUT: Mapping[str, Moving] = {
    "diffusivity": _material("diffusivity.value"),
    "activation_energy": _material("diffusivity.activation_energy"),
    "moisture_slope": _material("diffusivity.moisture_slope"),
    "isotherm_shift": _shifted,
    "specific_heat": _material("specific_heat"),
    "airflow_factor": _more_air,
    "feed_moisture_bias": _moister,
    "leakage": _leaky,
}


def put(case: Case, name: str, value: float) -> Case:
    """The case with one of the numbers of a fit, by its name: of a stage, on that stage."""
    stage, own = placed(name)
    return staged(stage, _PUT[own])(case, value)


# ---- What the model says --------------------------------------------------------------------------------


def model_readings(trials: Marched, theta: Array, slopes: bool = True, doubts: bool = False) -> ModelReadings:
    """As of coolers: readings at sets of θ (sets, free), slopes where asked; NotConverged names the trial."""
    theta = np.atleast_2d(theta)
    sets, count, free = len(theta), len(trials.cases), trials.free
    steps = STEP * np.array([p.spread(trials.cases[0]) for p in free])
    there = [theta]
    if slopes:
        there += [theta + way * step for step in np.diag(steps) for way in (1, -1)]
    cases = [case for one in there for row in one for case in _with(trials, row)]
    here = cases[: sets * count]
    moved = [_doubted(trials, case) for case in here] if doubts else []
    labels = list(trials.labels) * (len(cases) // count)
    labels += [
        label for label, ms in zip(list(labels), moved) for m in ms if m is not None for _ in m.offsets()
    ]
    found = _exits(trials, cases + moved_cases(here, moved), labels)
    exits = found[:, : len(cases)].reshape(len(found), -1, sets, count)
    by_theta = np.zeros((len(found), len(free) if slopes else 0, sets, count))
    if slopes:
        by_theta[:] = (exits[:, 1::2] - exits[:, 2::2]) / (2 * steps[:, None, None])
    by_doubt = (
        slopes_from(found[:, len(cases) :], moved) if doubts else np.zeros((len(found), 0, sets * count))
    )
    by_doubt = by_doubt.reshape(len(found), -1, sets, count)
    return ModelReadings(*(np.nan_to_num(x) for x in (exits[:, 0], by_theta, by_doubt)))


def _doubted(trials: Marched, case: Case) -> list[Movable | None]:
    """What is moved of a case for each input that may carry a ±; None where its machine has none such."""
    known = movable(case)
    keys = [(place, DOUBTED_AS[base]) for place, base in map(schema.base_of, trials.inputs)]
    return [known.get(f"{place}.{name}" if place else name) for place, name in keys]


def _with(trials: Marched, theta: Array) -> list[Case]:
    """The trials' cases with one set of the free numbers."""
    cases = list(trials.cases)
    for p, one in zip(trials.free, theta):
        cases = [put(case, p.name, float(p.value(one))) for case in cases]
    return cases


def _exits(trials: Marched, cases: list[Case], labels: list[str]) -> Array:
    """Readings of cases, (quantities, cases), each of the trial of its label."""
    try:
        return outcomes(cases, readings, dry=trials.resolution or DRYING)
    except NotConverged as error:
        label = labels[int(error.failed[0])] if len(error.failed) else "a trial"
        raise NotConverged(f"{label}: {error.reason}", error.failed, error.best) from None


def readings(cases: Sequence[Case], result: Result) -> Array:
    """What is read of predictions, (quantities, cases): behind the machine, then behind each stage before it."""
    rows = []
    for k, one in _machines(cases[0], result):
        alone = [case if k is None else line.by_itself(case, case, k) for case in cases]
        exhaust: Any = np.full((2, len(cases)), np.nan)  # a dryer's changes all the time
        if isinstance(alone[0].cooler, Cooler):
            exhaust = _exhaust(alone, one)
        rows += [one.pellets_out.moisture_wb, one.pellets_out.temperature, *exhaust]
    return np.array(rows)


def _machines(case: Case, result: Result) -> Iterator[tuple[int | None, Result]]:
    """Where readings are taken: which stage, if any, and what it does."""
    if not isinstance(case.cooler, Line):
        yield None, result
        return
    last = len(result.stages) - 1
    for k in (last, *range(last)):
        yield k, result.stages[k].result


def _exhaust(alone: Sequence[Case], result: Result) -> tuple[Array, Array]:
    T, RH, p = (
        np.array([float(getattr(case.air, name)) for case in alone])
        for name in ("temperature", "relative_humidity", "pressure")
    )
    leakage = np.array([_false_air(case) for case in alone])
    outside = (T, air.humidity_ratio_from_relative_humidity(T, RH, p), p)
    return exhaust_behind(result.air_out.temperature, result.air_out.humidity_ratio, leakage, outside)


def _false_air(case: Case) -> float:
    return 0.0 if case.fan.position == BLOW_THROUGH else float(case.duct.leakage or 0.0)


# ---- What to measure next -------------------------------------------------------------------------------

AIR, TIME, HEAT = (0.7, 1.4), (0.6, 1.5), 15.0  # of the scenario's, and K around its hottest air
LEAST_ABOVE = 10.0  # K that heated air stays above the air outside


def changes(case: Case) -> list[tuple[str, Case]]:
    """Trials that may be run on a dryer, or on the machines of a line, in words and as cases."""
    if not isinstance(case.cooler, Line):
        return _of_machine(case)
    found = []
    for k, stage in enumerate(case.cooler.stages):
        for words, there in _of_machine(line.by_itself(case, case, k)):
            stages = list(case.cooler.stages)
            stages[k] = dataclasses.replace(stage, cooler=there.cooler)
            found.append((f"{stage.name}: {words}", dataclasses.replace(case, cooler=Line(tuple(stages)))))
    return found


def _of_machine(case: Case) -> list[tuple[str, Case]]:
    cooler, outside = case.cooler, float(case.air.temperature)
    found = [(f"a trial with {100 * times:.0f} % of the airflow", _more_air(case, times)) for times in AIR]
    for times in TIME:
        if isinstance(cooler, Batch):
            longer = dataclasses.replace(cooler, duration=cooler.duration * times)
            words = f"a trial of {longer.duration / 60:.0f} min"
        else:
            longer = dataclasses.replace(cooler, bed_depth=cooler.bed_depth * times)
            words = f"a trial with a bed of {dual_units.depth(longer.bed_depth)}"
        found.append((words, dataclasses.replace(case, cooler=longer)))
    for way in (-HEAT, HEAT):
        hottest = hottest_inlet(cooler)
        if hottest is not None and hottest + way > outside + LEAST_ABOVE:
            found.append((f"a trial with air of {dual_units.temperature(hottest + way)}", warmer(case, way)))
    return found
