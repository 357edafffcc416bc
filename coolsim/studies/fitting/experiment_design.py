"""What to measure next: how much narrower the exit of the scenario would be known after one trial more."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.scenario.readings import WITHIN, readings_of, usual
from coolsim.simulate.inputs import stated
from coolsim.simulate.prediction import at_its_fan
from coolsim.studies.fitting import march_model
from coolsim.studies.fitting.answer import Measure
from coolsim.studies.fitting.estimate import Estimate, Problem
from coolsim.studies.fitting.model import Coolers, Marched, blown, pivot, pivoted, said
from coolsim.support import dual_units
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

AIR, DWELL, FEED = (0.7, 1.4), (0.5, 1.5), (-0.015, 0.015)  # of the scenario's, where [limits] does not say
HELPS = 0.97  # of the present ±: what narrows it less is not worth naming
PELLETS = (0, 1)  # rows of the readings that every trial has


@dataclass(frozen=True)
class _Candidate:
    what: str
    case: Case
    measured: tuple[int, ...] = PELLETS
    moisture_within: float = 1.0  # times the ± of the present oven


def at_scenario(case: Case, problem: Problem) -> Coolers | Marched:
    """The scenario as a line of one trial."""
    return _line([case], problem)


def _line(cases: list[Case], problem: Problem) -> Coolers | Marched:
    free = problem.line.free
    settled = [at_its_fan(case) for case in cases]
    if "moisture_slope" in [p.name for p in free]:
        settled = pivoted(settled, pivot(problem.trials.cases))
    labels = tuple(f"candidate {i}" for i in range(len(cases)))
    if isinstance(problem.line, Marched):
        return dataclasses.replace(problem.line, cases=tuple(settled), labels=labels)
    numbers, _ = stated(settled)
    leakage = 0.0 if blown(cases[0]) else cases[0].duct.leakage or 0.0
    return dataclasses.replace(
        problem.line, numbers=numbers, leakage=np.full(len(cases), leakage), labels=labels
    )


def next_measures(case: Case, problem: Problem, found: Estimate) -> tuple[Measure, ...]:
    """Trials and instruments by how narrow they would make the exit moisture of the scenario, the best first."""
    candidates = _candidates(at_its_fan(case))
    theta = found.theta(problem)
    try:
        at = said(_line([c.case for c in candidates], problem), theta)
    except NotConverged:  # advice on trials that cannot be computed is none; the fit itself stands
        return ()
    slopes = at.by_theta[:, :, 0] * problem.spread[:, None]  # (quantities, free, candidates)
    to_exit, now = slopes[0, :, 0], np.linalg.pinv(found.covariance, hermitian=True)
    deviation = _instruments(problem)
    measures = []
    for k, candidate in enumerate(candidates):
        sd = deviation * np.where(np.arange(len(deviation)) == 0, candidate.moisture_within, 1.0)
        rows = list(candidate.measured)
        J = slopes[rows, :, k] / sd[rows, None] / found.scatter * found.sure
        then = np.linalg.pinv(now + J.T @ J, hermitian=True)
        measures.append(Measure(candidate.what, _within(to_exit, then)))
    present = _within(to_exit, found.covariance)
    telling = [m for m in measures if m.within_wb < HELPS * present]
    return tuple(sorted(telling, key=lambda m: m.within_wb))


def _within(slopes: Array, covariance: Any) -> float:
    return float(WITHIN * np.sqrt(slopes @ covariance @ slopes))


def _instruments(problem: Problem) -> Array:
    """Standard deviations of a next reading: those of the trials, or of usual instruments."""
    known_of = [usual(q).within / WITHIN for q in problem.trials.quantities]
    known = np.where(np.isfinite(problem.trials.measured), problem.trials.deviation, np.nan)
    return np.array([np.nanmedian(row) if np.isfinite(row).any() else u for row, u in zip(known, known_of)])


def _candidates(case: Case) -> list[_Candidate]:
    """The scenario first, then what may be changed about it; within its limits where it has them."""
    found = [_Candidate("one more trial at the scenario's settings", case)]
    if case.cooler.arrangement != "counter-flow":
        found += [_Candidate(*change) for change in march_model.changes(case)]
        return [*found, *_of_feed(case), *_between(case), _halved(case)]
    limits, cooler = case.limits, case.cooler
    name = "airflow" if cooler.airflow is not None else "air_ratio"
    for value in limits.airflow or () if name == "airflow" else ():
        found.append(_changed(case, "airflow", value))
    if len(found) == 1:
        found += [_changed(case, name, getattr(cooler, name) * times) for times in AIR]
    depths = limits.bed_depth or [cooler.bed_depth * times for times in DWELL]
    found += [_changed(case, "bed_depth", depth) for depth in depths]
    found += [*_of_feed(case), _halved(case)]
    if not blown(case):
        found.append(
            _Candidate("one more trial, exhaust temperature and humidity measured too", case, (0, 1, 2, 3))
        )
    return found


def _of_feed(case: Case) -> list[_Candidate]:
    found = []
    for change in FEED:
        moisture = case.feed.moisture + change
        if moisture > 0.01:
            feed = dataclasses.replace(case.feed, moisture=moisture)
            words = f"a trial with feed of {100 * moisture:.1f} %"
            found.append(_Candidate(words, dataclasses.replace(case, feed=feed)))
    return found


def _between(case: Case) -> list[_Candidate]:
    """Of a line, the same trial with a sample of what goes from one machine to the next."""
    names = readings_of(case)
    found = []
    for k, stage in enumerate(getattr(case.cooler, "stages", ())[:-1], 1):
        rows = (*PELLETS, *(names.index(f"stage.{k}.{name}") for name in ("moisture", "temperature")))
        found.append(_Candidate(f"one more trial, the pellets measured behind {stage.name} too", case, rows))
    return found


def _halved(case: Case) -> _Candidate:
    words = "one more trial, its exit moisture to half the ± (two samples by two ovens, or a finer method)"
    return _Candidate(words, case, moisture_within=0.5)


def _changed(case: Case, name: str, value: float) -> _Candidate:
    words = {
        "airflow": f"a trial at an airflow of {dual_units.airflow(value)}",
        "air_ratio": f"a trial at {value:.2f} kg of air per kg of feed",
        "bed_depth": f"a trial with a bed of {dual_units.depth(value)}",
    }[name]
    return _Candidate(
        words, dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **{name: value}))
    )
