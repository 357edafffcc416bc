"""What a cooler, a batch, a belt and a line have in common: what may be set, and what comes of it.

A question asks a machine what may be set, for its case set otherwise, and for an appraisal of many such cases. It
does not know which machine it asks.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.costs import Cost, cost_of, given_away
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.case.result import Result
from coolsim.machines import conditioner
from coolsim.model.solve import Resolution
from coolsim.simulate import dryer_simulation
from coolsim.simulate.cautions import cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.line import kind
from coolsim.simulate.prediction import ROUGH, predict, with_surroundings
from coolsim.simulate.requirements import Constraint, constraints_of, is_dryer, values_of, violations
from coolsim.simulate.result_building import first, many, pick
from coolsim.support.dual_units import FOOT, POUND
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

FULL = Resolution()
UNCHECKED = Resolution(
    refinements=0, estimate=False
)  # the full mesh without its error, a dryer in half the time
QUICK = ROUGH  # right to a few hundredths of a point, of dryers to tenths

# Steps of dials, as people set things: round numbers of the units in which they read them. That of an airflow hangs
# on its range (`airflow_step`).
_OF_TIME_AND_SHARES = {
    "fan_speed": 0.005,
    "residence_time": 30.0,
    "duration": 30.0,
    "cooling_time": 30.0,
    "reverse_every": 30.0,
    "recirculation": 0.01,
    "conditioning_water": 0.001,
}
INCH = FOOT / 12
DIALS: Mapping[str, Mapping[str, float]] = {
    "si": _OF_TIME_AND_SHARES
    | {
        "bed_depth": 0.01,
        "dryer_bed_depth": 0.002,  # shallower than those of coolers
        "inlet_air_temperature": 0.5,
        "batch_mass": 1.0,
        "belt_speed": 0.01 / 60,
        "conditioning_temperature": 0.5,
    },
    "us": _OF_TIME_AND_SHARES
    | {
        "bed_depth": 0.5 * INCH,
        "dryer_bed_depth": 0.1 * INCH,
        "inlet_air_temperature": 1 / 1.8,
        "batch_mass": 2 * POUND,
        "belt_speed": 0.02 * FOOT / 60,
        "conditioning_temperature": 1 / 1.8,
    },
}
AIRFLOW_STEP = 0.005  # of the highest airflow, at least
_FLOW_UNITS = {"si": 1 / 3600, "us": FOOT**3 / 60}  # m³/s
LONGEST_COOLING = 1800.0  # s, of a batch, looked at where nobody opens it; judgement
ON_DIAL = 1e-9  # of a step: as good as on it


@dataclass(frozen=True)
class Setting:
    """Something that may be set: between what, and in which steps of its dial."""

    quantity: Quantity
    low: float = np.nan  # nan: not opened by [limits]
    high: float = np.nan  # as low: pinned
    step: float = 0.0
    place: str = ""  # number of the stage of a line
    stage: str = ""  # its name
    by: str = (
        ""  # quantity through which it is looked for, where it follows from another as a fan's speed does
    )

    @property
    def key(self) -> str:
        """Under which its value goes."""
        return _in(self.place, self.quantity.name)

    @property
    def sought(self) -> str:
        """Key of what is varied to find it."""
        return _in(self.place, self.by or self.quantity.name)

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

    def within(self, low: float, high: float) -> Setting:
        """The same between other ends; one that nobody typed is a step of the dial."""
        up, down = (
            self.step * round_(end / self.step + sign * ON_DIAL)
            for end, round_, sign in ((low, np.ceil, -1), (high, np.floor, 1))
        )
        low, high = (low if low <= self.low else up), (high if high >= self.high else down)
        return dataclasses.replace(self, low=float(min(low, high)), high=float(high))

    def on_dial(self, low: float, high: float) -> Array:
        """What can be dialled in between two values, within what is allowed: steps, and the ends of that.

        An end was typed, so it can be had, and it may be the only value that keeps everything.
        """
        low, high = max(low, self.low), min(high, self.high)
        first, last = np.ceil(low / self.step - ON_DIAL), np.floor(high / self.step + ON_DIAL)
        steps = np.clip(np.arange(first, last + 1) * self.step, low, high)
        ends = [
            end
            for end in (self.low, self.high)
            if low <= end <= high and (np.abs(steps - end) > ON_DIAL * self.step).all()
        ]
        found = np.sort(np.append(steps, ends))
        return found if len(found) else np.array([low])


@dataclass(frozen=True)
class Choice:
    """What may be one thing or another, and not more or less of it: what it is, what it may be, and the case so."""

    quantity: Quantity
    now: str
    to: str
    case: Case
    opened: bool  # by [limits]
    place: str = ""  # as of Setting
    stage: str = ""

    @property
    def label(self) -> str:
        """As a person reads it."""
        return f"{self.stage}: {self.quantity.label}" if self.stage else self.quantity.label


def _in(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name


@dataclass(frozen=True)
class Appraisal:
    """What came of some cases: arrays with one entry each, nan where one could not be computed."""

    values: Mapping[str, Array]  # of what is bounded, by the keys of constraints
    violations: Array  # how far each constraint is broken, (constraints, cases)
    electricity: Array  # W
    heat: Array  # W
    feed: Array  # kg/s of wet feed that it is spent on
    moisture: Array  # kg/kg wet
    temperature: Array  # °C
    computed: NDArray[np.bool_]
    result: Result  # of those that were computed
    cost: Cost

    @property
    def worst(self) -> Array:
        """How far the constraint that is broken most is broken."""
        return np.asarray(self.violations.max(axis=0, initial=-np.inf))

    def result_of(self, k: int) -> Result:
        """The prediction of one case, as floats."""
        return one(self.result, int(self.computed[:k].sum()))


@dataclass(frozen=True)
class Spent:
    """What running takes, of many cases: arrays (cases,)."""

    electricity: Array  # W
    heat: Array  # W
    feed: Array  # kg/s of wet feed that it is spent on
    fan: Mapping[str, Array] = dataclasses.field(
        default_factory=dict
    )  # of its fan, by the keys of constraints


class Machine(Protocol):
    """A cooler, a dryer or a line, as questions see it."""

    @property
    def case(self) -> Case:
        """The case that is asked."""

    @property
    def settings(self) -> tuple[Setting, ...]:
        """What may be set, whether or not [limits] opens it, in the order in which it is told."""

    @property
    def unopened(self) -> tuple[Setting, ...]:
        """What may be changed besides, where nothing opens it, and how far: a bed is evener, or colder, by it."""

    @property
    def choices(self) -> tuple[Choice, ...]:
        """Other ways to run it that are no more or less of something."""

    def at(self, values: Mapping[str, float]) -> Case:
        """The case set so, by the keys of settings, and with another feed_moisture or feed_temperature."""

    def read(self, case: Case, result: Result) -> dict[str, float]:
        """How a case of this machine is set, by the keys of settings and `unopened`, given its prediction."""

    def named_settings(self, case: Case, result: Result) -> Any:
        """The same by the names that people know: Settings, DryerSettings, or one of them for each stage."""

    def spent(self, cases: Sequence[Case], result: Result) -> Spent:
        """What cases that were predicted take, and how they stand on a fan's curve."""

    def spent_on(self, k: int, cases: Sequence[Case], result: Result) -> Spent:
        """What one machine of a line takes, given what it is predicted to do; of a machine alone, what it takes."""


def appraised(
    machine: Machine,
    cases: Sequence[Case],
    *,
    quick: bool = False,
    checked: bool = True,
    constraints: Sequence[Constraint] | None = None,
) -> Appraisal:
    """Predict and weigh cases of a machine side by side; quick: on a rough mesh, to look ahead.

    checked: whether errors are estimated, and the mesh refined where they are large: of what is acted upon.
    constraints: those of the machine's case, if left out. Raises NotConverged where no case can be computed.
    """
    cases = in_air_each(cases)
    result, computed = predicted(cases, QUICK if quick else FULL if checked else UNCHECKED)
    return weighed(machine, cases, result, computed, constraints)


def weighed(
    machine: Machine,
    cases: Sequence[Case],
    result: Result,
    computed: NDArray[np.bool_],
    constraints: Sequence[Constraint] | None = None,
) -> Appraisal:
    """Weigh cases of which those `computed` have a result."""
    asked = constraints_of(machine.case) if constraints is None else constraints
    some = [case for case, well in zip(cases, computed) if well]

    def placed(values: Any) -> Array:
        column = np.full(len(cases), np.nan)
        column[computed] = values
        return column

    outside = np.array([case.air.temperature for case in some], float)
    spent = machine.spent(some, result)
    known = values_of(asked, result, outside, machine.case, some) | dict(spent.fan)
    values = {key: placed(v) for key, v in known.items()}
    electricity, heat, feed = map(placed, (spent.electricity, spent.heat, spent.feed))
    solid = feed * np.array([1 - case.feed.moisture for case in cases])
    if conditioner.ranges(machine.case):
        heat = heat + solid * conditioner.steam(machine.case, cases)
        feed = solid / (1 - machine.case.feed.moisture)  # as it comes today: what is to be compared
    moisture = placed(result.pellets_out.moisture_wb)
    return Appraisal(
        values=values,
        violations=violations(asked, values),
        electricity=electricity,
        heat=heat,
        feed=feed,
        moisture=moisture,
        temperature=placed(result.pellets_out.temperature),
        computed=computed,
        result=result,
        cost=bill(machine.case, electricity, heat, feed, solid, moisture),
    )


def bill(case: Case, electricity: Any, heat: Any, feed: Any, solid: Any, moisture: Any) -> Cost:
    """What is paid for electricity [W], heat [W] and the weight given away of dry solid [kg/s] at a moisture."""
    lost = given_away(case, solid, moisture)
    return cost_of(case.costs, feed, electricity=electricity, heat=heat, given_away=lost)


def of_conditioner(case: Case) -> tuple[Setting, ...]:
    """What may be set on the conditioner before the machine, or before a line."""
    return tuple(setting(name, case) for name in conditioner.present(case))


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


def predicted_each(cases: Sequence[Case]) -> list[Result]:
    """Predict cases, each as if alone, with its course and warnings; dryers of one kind side by side."""
    alike = {kind(case) for case in cases}
    if len(alike) > 1 or not is_dryer(cases[0]):
        return [predict(case) for case in cases]
    with on_one_thread():
        results = dryer_simulation.each(cases)
    return [
        with_surroundings(case, dataclasses.replace(result, warnings=cautions(case, result)))
        for case, result in zip(cases, results)
    ]


def of_one(
    machine: Machine, case: Case, result: Result, constraints: Sequence[Constraint] | None = None
) -> Appraisal:
    """Weigh one case that was predicted by itself."""
    return weighed(machine, [case], as_many(result), np.ones(1, bool), constraints)


def as_many(result: Result) -> Result:
    """One prediction as a result of many: of a line with its stages."""
    stages = tuple(dataclasses.replace(run, result=many(bare(run.result))) for run in result.stages)
    return dataclasses.replace(many(bare(result)), stages=stages)


def bare(result: Result) -> Result:
    """A result without what many results do not have in common."""
    return dataclasses.replace(result, history=None, layers=None, input_band=None, warnings=(), stages=())


def one(result: Result, k: int) -> Result:
    """One of many predictions, as floats; of a line with its stages."""
    own = first(pick(result, np.array([k])))
    stages = tuple(
        dataclasses.replace(run, result=first(pick(run.result, np.array([k])))) for run in result.stages
    )
    return dataclasses.replace(own, stages=stages)


def setting(name: str, case: Case, *, step: float | None = None, by: str = "") -> Setting:
    """A setting whose name is the key that opens it in [limits]."""
    low, high = getattr(case.limits, name) or (np.nan, np.nan)
    step = DIALS[case.units][name] if step is None else step
    return Setting(QUANTITIES[name], float(low), float(high), step, by=by)


def airflow_of(case: Case) -> Setting:
    """The airflow, whose dial is as fine as its range is wide."""
    high = case.limits.airflow[1] if case.limits.airflow else np.nan
    return setting("airflow", case, step=airflow_step(high, case.units))


def airflow_step(highest: float, units: str) -> float:
    """A step [m³/s] of an airflow's dial that ends at the highest: 1, 2, 2.5 or 5 of some power of ten of its unit.

    >>> round(3600 * airflow_step(2748.1 / 3600, "si"), 9), round(60 * airflow_step(0.9, "us") / FOOT**3, 9)
    (20.0, 10.0)
    """
    unit = _FLOW_UNITS[units]
    if not highest > 0.0:
        return np.nan
    least = AIRFLOW_STEP * highest / unit * (1 - ON_DIAL)
    size = 10.0 ** np.floor(np.log10(least))
    return float(unit * size * min(x for x in (1.0, 2.0, 2.5, 5.0, 10.0) if x * size >= least))


def heated(setting_: Setting, outside: float) -> Setting:
    """An inlet temperature that is never colder than the air outside."""
    if not setting_.opened:
        return setting_
    low, high = (max(end, outside) for end in (setting_.low, setting_.high))
    return dataclasses.replace(setting_, low=low, high=high)
