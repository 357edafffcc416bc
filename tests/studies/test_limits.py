"""A limit is one row: its key follows, and predictions, marches and plans tell the same of the number it bounds."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest
from shipped import level

import coolsim
from coolsim.case.quantities import LIMITED, QUANTITIES, READABLE, MachineState
from coolsim.case.tables import TABLES
from coolsim.machines import plant
from coolsim.machines.base import FULL
from coolsim.model.bed import take
from coolsim.scenario import schema
from coolsim.simulate.inputs import gather
from coolsim.simulate.requirements import constraints_of, limits_of, predicted_state
from coolsim.studies.optimise.march_outcomes import BOUNDED, OUTCOMES, QUICK, marched


@pytest.mark.parametrize("q, at_most", LIMITED, ids=[q.name for q, _ in LIMITED])
def test_each_has_its_key_and_its_field(q, at_most):
    assert q.key in {f.name for f in dataclasses.fields(TABLES[at_most.table])}
    key = schema.TABLES[at_most.table].keys[q.key]
    assert (key.meaning, key.low, key.high) == (at_most.meaning, at_most.low, at_most.high)


def test_what_must_be_kept_reaches_other_processes_and_is_in_every_state():
    """Sizes, years and reports hand constraints to workers; a name that no state has would be found in a search."""
    for q in READABLE:
        assert hasattr(MachineState, q.read) or q.read in {f.name for f in dataclasses.fields(MachineState)}
    for case in (level("monsoon-night"), level("evening-batch")):
        kept = constraints_of(case)
        assert pickle.loads(pickle.dumps(kept)) == kept


def test_what_nobody_types_is_kept_and_more_is_no_limit():
    case = level("monsoon-night")
    for typed, kept in (
        (None, 0.7),
        (0.5, 0.5),
        (1.5, 1.0),
    ):  # common practice; as typed; there the bed lifts
        limits = dataclasses.replace(case.limits, maximum_lift_off=typed)
        (lift,) = [
            c for c in limits_of(dataclasses.replace(case, limits=limits)) if c.quantity.name == "lift_off"
        ]
        assert (lift.bound, lift.assumed) == (kept, typed is None)


def test_a_plan_of_a_cooler_tells_what_its_prediction_does():
    """The states of a search against `predict`; of a fan the side of its curve."""
    case = level("monsoon-night")
    weighed = plant.Plant(case).run(take(gather([case]), np.zeros(1, np.intp)), FULL)
    told = plant.planned_state(case, weighed)
    expected = predicted_state(coolsim.predict(case), case.air.temperature, case)
    assert float(told.exhaust_temperature[0]) == pytest.approx(float(expected.exhaust_temperature), rel=1e-6)
    for q in READABLE:
        if q.only_of == "dryers":
            with pytest.raises(LookupError, match=q.name):
                q.of(told)
        elif q.name == "fan_curve":
            assert float(q.of(told)[0]) <= 0.0 and float(q.of(expected)) < 0.0
        else:
            assert float(q.of(told)[0]) == pytest.approx(float(q.of(expected)), rel=1e-6), q.name


def test_a_march_of_a_dryer_tells_what_its_prediction_does():
    """To what a march without refinement is right to; its activity is of a wettest tenth that is only guessed."""
    case = level("evening-batch")
    (course,) = marched([case], QUICK)
    assert course is not None
    told = dict(zip(OUTCOMES, course.outcomes[:, -1]))
    expected = predicted_state(coolsim.predict(case), case.air.temperature, case)
    for q in BOUNDED:
        tolerance = {"abs": 0.05} if q.name == "water_activity" else {"rel": 1e-2}
        assert told[q.name] == pytest.approx(float(q.of(expected)), **tolerance), q.name
    assert {q.name for q in QUANTITIES.values() if q.only_of == "coolers"}.isdisjoint(OUTCOMES)
