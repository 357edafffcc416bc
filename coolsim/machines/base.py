"""What a cooler, a batch, a belt and a line have in common: settings, and what comes of them.

A question asks a machine what may be set, how it is set now, for the case with other settings, and for an appraisal
of many such cases. It does not know which machine it asks.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from coolsim.answer import pick
from coolsim.case import Case
from coolsim.costs import Cost, cost_of, weight_given_away
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.model.solve import Resolution
from coolsim.predict import predict
from coolsim.quantities import QUANTITIES, Quantity
from coolsim.requirements import Constraint, constraints_of, values_of, violations
from coolsim.result import Result

FULL = Resolution()
QUICK = Resolution(8, 6, refinements=0, estimate=False)  # right to a few hundredths of a point, a dryer's to tenths

# Steps of the dial, as people set things. Of an airflow a share of the highest that may be set.
DIAL: Mapping[str, float] = {
    "fan_speed": 0.005,
    "airflow": 0.005,
    "bed_depth": 0.01,
    "residence_time": 30.0,
    "inlet_air_temperature": 0.5,
    "duration": 30.0,
    "cooling_time": 30.0,
    "reverse_every": 30.0,
    "recirculation": 0.01,
    "batch_mass": 1.0,
    "belt_speed": 0.01 / 60,
}
DRYER_DEPTH = 0.002  # m, of the shallow beds of dryers


@dataclass(frozen=True)
class Setting:
    """Something that may be set: how it stands, between what it may be set, and the steps of its dial."""

    quantity: Quantity
    now: float  # nan where nothing is stated
    low: float = np.nan  # nan: not opened by [limits]
    high: float = np.nan  # as low: pinned
    step: float = 0.0
    place: str = ""  # number of the stage of a line
    stage: str = ""  # its name

    @property
    def key(self) -> str:
        """Under which its value goes."""
        return f"{self.place}.{self.quantity.name}" if self.place else self.quantity.name

    @property
    def label(self) -> str:
        """As a person reads it."""
        return f"{self.stage}: {self.quantity.label}" if self.stage else self.quantity.label

    @property
    def opened(self) -> bool:
        """Whether [limits] says between what it may be set."""
        return bool(np.isfinite(self.low))

    @property
    def varies(self) -> bool:
        """Whether there is a choice."""
        return self.opened and self.low < self.high

    def on_dial(self, low: float, high: float) -> Array:
        """What can be dialled in from `low` to `high`, within what is allowed; never nothing."""
        low, high = max(low, self.low), min(high, self.high)
        first, last = np.ceil(low / self.step - 1e-9), np.floor(high / self.step + 1e-9)
        return np.arange(first, last + 1) * self.step if last >= first else np.array([low])


@dataclass(frozen=True)
class Appraisal:
    """What came of some cases: arrays with one entry each, nan where one could not be computed."""

    values: Mapping[str, Array]  # of what is bounded, by the keys of constraints; and of the exit
    violations: Array  # how far each constraint is broken, (constraints, cases)
    cost: Cost
    moisture: Array  # kg/kg wet
    temperature: Array  # °C
    result: Result | None  # of those that were computed
    computed: NDArray[np.bool_]

    @property
    def worst(self) -> Array:
        """How far the constraint that is broken most is broken."""
        return self.violations.max(axis=0, initial=-np.inf)


class Machine(Protocol):
    """A cooler, a dryer or a line, as questions see it."""

    @property
    def case(self) -> Case:
        """The case that was asked."""

    @property
    def settings(self) -> tuple[Setting, ...]:
        """What may be set, whether or not [limits] opens it."""

    def at(self, values: Mapping[str, float]) -> Case:
        """The case set so, by the keys of settings; feed_moisture and feed_temperature, too."""

    def spent(self, cases: Sequence[Case], result: Result) -> tuple[Array, Array, Array]:
        """Electricity [W] and heat [W] of cases that were predicted, and the wet feed [kg/s] that it is spent on."""


def appraised(
    machine: Machine, cases: Sequence[Case], *, quick: bool = False, constraints: Sequence[Constraint] = ()
) -> Appraisal:
    """Predict and weigh cases of a machine side by side; quick: on a rough mesh, to look ahead.

    constraints: those of the machine's case, if left out.
    """
    asked = list(constraints) or constraints_of(machine.case)
    result, computed = predicted(cases, QUICK if quick else FULL)
    some = [case for case, well in zip(cases, computed) if well]
    outside = np.array([case.air.temperature for case in some], float)

    def placed(values: Any) -> Array:
        column = np.full(len(cases), np.nan)
        column[computed] = values
        return column

    values = {key: placed(v) for key, v in values_of(asked, result, outside).items()}
    electricity, heat, feed = machine.spent(some, result)
    solid = feed * np.array([1 - case.feed.moisture for case in some])
    moisture = np.asarray(result.pellets_out.moisture_wb)
    target = machine.case.target.moisture
    lost = 0.0 if target is None else weight_given_away(solid, moisture, target)
    cost = cost_of(machine.case.costs, feed, electricity=electricity, heat=heat, given_away=lost)
    return Appraisal(
        values=values,
        violations=violations(asked, values),
        cost=Cost(*(placed(getattr(cost, f.name)) for f in dataclasses.fields(Cost))),
        moisture=placed(moisture),
        temperature=placed(result.pellets_out.temperature),
        result=result,
        computed=computed,
    )


def predicted(cases: Sequence[Case], resolution: Resolution) -> tuple[Result, NDArray[np.bool_]]:
    """Predict what can be predicted, and which cases that is; raises NotConverged where none can."""
    computed = np.ones(len(cases), bool)
    try:
        return predict(list(cases), resolution=resolution), computed
    except NotConverged as error:
        computed[np.asarray(error.failed, int)] = False
        if not computed.any():
            raise
    return predict([case for case, well in zip(cases, computed) if well], resolution=resolution), computed


def one(result: Result, k: int) -> Result:
    """One of many predictions, as floats; of a line with its stages."""
    from coolsim.answer import first

    own = first(pick(result, np.array([k])))
    stages = tuple(
        dataclasses.replace(run, result=first(pick(run.result, np.array([k])))) for run in result.stages
    )
    return dataclasses.replace(own, stages=stages)


def setting(name: str, now: float | None, limits: Any, *, step: float | None = None) -> Setting:
    """A setting whose name is the key that opens it in [limits]."""
    opened = getattr(limits, name)
    low, high = (np.nan, np.nan) if opened is None else opened
    return Setting(
        QUANTITIES[name],
        np.nan if now is None else float(now),
        float(low),
        float(high),
        DIAL[name] if step is None else step,
    )
