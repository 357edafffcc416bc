"""How uneven a bed is, from trials whose pellets were sampled at several places.

The moistures of the places scatter for two reasons: the bed differs from place to place, and the instrument errs.
Each is normal, so n of them, with a standard deviation s, have the likelihood of (n − 1) s²/σ² as χ² with n − 1
degrees of freedom, σ² = σ_bed² + σ_instrument². What the bed does is predicted with the fitted numbers at some
deviations of its depth; a speed_deviation stays as it is stated, as samples cannot tell the two apart.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.model.columns import MOST
from coolsim.scenario.trials import Trials
from coolsim.simulate.prediction import predict
from coolsim.studies.fitting.answer import Unevenness
from coolsim.studies.fitting.march_model import put
from coolsim.support.fields import Array

LOOKED_AT = np.array([0.0, 0.05, 0.1, 0.2, 0.3, MOST])  # deviations of the depth that are predicted
FINE = 401  # between them
WITHIN_95 = 3.841 / 2  # of a log-likelihood, below its highest: χ² of one degree of freedom


def unevenness_of(trials: Trials, numbers: Sequence[tuple[str, float]]) -> Unevenness | None:
    """The deviation of the depth that explains the scatter between places, with fitted numbers by their names.

    None where no trial was sampled at several places.
    """
    places = trials.places
    if places is None:
        return None
    some = np.flatnonzero(places.count > 1)
    if not len(some):
        return None
    cases = [_with(trials.cases[k], numbers) for k in some]
    bed = np.array([_predicted(cases, share) for share in LOOKED_AT])  # (deviations, trials)
    fine = np.linspace(0.0, MOST, FINE)
    # variances add, each as its deviation squared
    of_bed = np.array([np.interp(fine**2, LOOKED_AT**2, column) for column in bed.T])  # (trials, deviations)
    variance = of_bed + places.instrument[some, None] ** 2
    free = places.count[some, None] - 1
    loss = 0.5 * (free * (np.log(variance) + places.deviation[some, None] ** 2 / variance)).sum(axis=0)
    inside = fine[loss <= loss.min() + WITHIN_95]
    return Unevenness(
        depth_deviation=float(fine[loss.argmin()]),
        low=float(inside.min()),
        high=float(inside.max()),
        before=_stated(trials.cases[0]),
        trials=len(some),
        places=int(places.count[some].sum()),
    )


def _with(case: Case, numbers: Sequence[tuple[str, float]]) -> Case:
    for name, value in numbers:
        case = put(case, name, value)
    return case


def _last(case: Case) -> Any:
    """The machine whose pellets are sampled: of a line the last."""
    return case.cooler.stages[-1].cooler if isinstance(case.cooler, Line) else case.cooler


def _stated(case: Case) -> float:
    """The deviation of the depth that a case states, as a share."""
    machine = _last(case)
    length = machine.depth_deviation_length or 0.0
    return float((machine.depth_deviation or 0.0) + length / machine.bed_depth)


def _so_uneven(case: Case, share: float) -> Case:
    changed = dataclasses.replace(_last(case), depth_deviation=share, depth_deviation_length=None)
    if not isinstance(case.cooler, Line):
        return dataclasses.replace(case, cooler=changed)
    *before, last = case.cooler.stages
    return dataclasses.replace(case, cooler=Line((*before, dataclasses.replace(last, cooler=changed))))


def _predicted(cases: Sequence[Case], share: float) -> Array:
    """Variance of the moisture between the pellets of each trial, at a deviation of the depth."""
    told = predict([_so_uneven(case, share) for case in cases]).between_pellets
    return np.zeros(len(cases)) if told is None else np.broadcast_to(told.deviation_wb**2, (len(cases),))
