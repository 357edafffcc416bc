"""What must be kept: wishes of [target] and limits of the machine, and how what they bound is read from a result.

One list for predictions, settings, sizes, years and chances. A limit is a row of `case/quantities.py`, which says
its key and where its number stands in a `MachineState`; `predicted_state` makes that of a result. Values go by the
key of a constraint: the quantity's name, and in a line the number of the stage before it ("2.lift_off").
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case, Line
from coolsim.case.quantities import LIMITED, QUANTITIES, MachineState, Maximum, Quantity
from coolsim.case.result import Result
from coolsim.equipment import fan
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.simulate.finishing import before_coating, coldest_film, headspace_dew_point, headspace_dew_points
from coolsim.support.fields import Array, Number, documented

FEASIBLE = 1e-6  # of a quantity's scale: a breach that counts as none, 1e-8 of moisture
AT_LIMIT = 0.01  # of a quantity's scale, or of a setting's range: closer counts as at the limit
# A breach of a quantity that cannot be computed, as of a fan off its curve, in scales.
UNKNOWN = 10.0

SWEATING = "headspace_dew_point"  # above the coldest film of the bag


@dataclass(frozen=True)
class Constraint:
    """A quantity that must not pass its bound."""

    quantity: Quantity
    bound: Number  # a number, or one per weather
    sense: float = 1.0  # +1: must not exceed; −1: must not fall below
    of_target: bool = False  # a wish; else a limit of the machine
    place: str = ""  # number of the stage of a line whose limit it is
    room: float = 0.0  # kept free before the bound
    assumed: bool = False  # nobody typed it
    scale: Number = 0.0  # that of the quantity, where 0

    @property
    def key(self) -> str:
        """Under which its value goes."""
        return f"{self.place}.{self.quantity.name}" if self.place else self.quantity.name

    @property
    def name(self) -> str:
        """As JSON has it: told apart where a quantity is bounded from both sides."""
        return f"lowest_{self.quantity.name}" if self.sense < 0 else self.quantity.name

    @property
    def called(self) -> str:
        """As a sentence, and the limits of an answer, have it."""
        return f"{self.quantity.called}, lowest" if self.sense < 0 else self.quantity.called

    @property
    def full_name(self) -> str:
        """Its name, that of a line's stage with the number before it: under which chances and margins go."""
        return f"{self.place}.{self.name}" if self.place else self.name

    def with_room(self, rooms: Mapping[str, float]) -> Constraint:
        """The same with the room that is asked for it."""
        room = rooms.get(self.full_name, 0.0)
        return dataclasses.replace(self, room=room) if room else self

    def violation(self, value: Any) -> Array:
        """How far a value is beyond the bound less its room, in the quantity's scale; ≤ 0 where kept."""
        large = self.scale if np.any(self.scale) else self.quantity.scale
        return np.asarray((self.sense * (value - self.bound) + self.room) / large)

    def margin(self, value: Any) -> Any:
        """How far a value is from the bound, in its own unit; below 0 where it is passed."""
        return self.sense * (self.bound - value)


@dataclass(frozen=True)
class AtLimit:
    """A limit, wish or end of a range that settings stand at."""

    limit: str = documented("-", "its name")
    value: float = documented("as the limit", "where it stands")


@dataclass(frozen=True)
class Bounds:
    """Constraints, each on a row of outcomes: arrays (outcomes, …)."""

    constraints: tuple[Constraint, ...]
    rows: tuple[int, ...]

    def excesses(self, outcomes: Array, margin: float | Array = 0.0) -> Array:
        """How far each is broken, in its scale and with a margin, (constraints, …); ≤ 0 where kept.

        margin: of all, or (constraints, …) with the first of the other axes.
        """
        along = (-1, *[1] * (outcomes.ndim - 1))
        sense, bound, room, scale = (x.reshape(along) for x in self._numbers)
        more = (1,) * (outcomes.ndim - np.ndim(margin))
        kept_free = margin.reshape(*margin.shape, *more) if isinstance(margin, np.ndarray) else margin
        return np.asarray((sense * (outcomes[self._of] - bound) + room) / scale + kept_free)

    @cached_property
    def _of(self) -> NDArray[np.intp]:
        return np.array(self.rows, np.intp)

    @cached_property
    def _numbers(self) -> tuple[Array, ...]:
        """As `Constraint.violation` reads them, each (constraints,)."""
        each = [(c.sense, c.bound, c.room, c.scale or c.quantity.scale) for c in self.constraints]
        return tuple(np.array(each, float).reshape(-1, 4).T)

    def of_machine(self) -> Bounds:
        """Those that are no wishes."""
        pairs = [(c, row) for c, row in zip(self.constraints, self.rows) if not c.of_target]
        return Bounds(tuple(c for c, _ in pairs), tuple(row for _, row in pairs))

    def at(self, outcomes: Array, where: Any) -> tuple[AtLimit, ...]:
        """Those of `where`, with the outcomes (outcomes,) at which they stand."""
        each = zip(self.constraints, self.rows, where)
        return tuple(AtLimit(c.called, float(outcomes[row])) for c, row, true in each if true)


def bounds_on(constraints: Sequence[Constraint], row: Callable[[str], int]) -> Bounds:
    """Constraints on outcomes; `row` numbers them by the keys of constraints."""
    return Bounds(tuple(constraints), tuple(row(c.key) for c in constraints))


def violations(constraints: Sequence[Constraint], values: Mapping[str, Array], margin: float = 0.0) -> Array:
    """How far each constraint is broken (constraints, …), with a margin in scales; what is not known is broken."""
    shape = np.broadcast_shapes(*(np.shape(v) for v in values.values())) if values else ()
    rows = [np.broadcast_to(c.violation(values[c.key]) + margin, shape) for c in constraints]
    table = np.array(rows, float).reshape(len(constraints), *shape)
    return np.where(np.isnan(table), UNKNOWN, table)


def only(constraints: Sequence[Constraint], *, of_target: bool) -> list[Constraint]:
    """Only the wishes of the target, or only the limits of the machine."""
    return [c for c in constraints if c.of_target == of_target]


# What becomes of pellets or machine where a constraint is broken, by its name; of all others, a limit is passed.
_HARM: Mapping[str, str] = {
    "moisture": "too_wet",
    "water_activity": "too_wet",
    "lowest_moisture": "too_dry",
    "above_ambient": "too_warm",
    SWEATING: "too_warm",
}
HARMS = ("too_wet", "too_dry", "too_warm", "over_limit")


def harm_of(c: Constraint) -> str:
    """Which of HARMS is done where a constraint is broken."""
    return _HARM.get(c.name, HARMS[-1])


def harms(constraints: Sequence[Constraint], broken: Any) -> dict[str, Any]:
    """Of each of HARMS, where it is done: `broken` (constraints, …) says which constraints are."""
    none = np.zeros(np.shape(broken)[1:], bool)
    each = [harm_of(c) for c in constraints]
    return {
        harm: np.any([none, *(row for row, name in zip(broken, each) if name == harm)], axis=0)
        for harm in HARMS
    }


# ---- What must be kept ----------------------------------------------------------------------------------


def is_dryer(case: Case) -> bool:
    """Whether its machine is a batch or a belt."""
    return case.cooler.arrangement in ("batch", "belt")


def constraints_of(case: Case) -> list[Constraint]:
    """Everything that a case must keep: its wishes, then the limits of its machine, or of each in its line.

    The case's `safety_margins` are kept free before their bounds, by name ("moisture", "2.lift_off").
    """
    if isinstance(case.cooler, Line):
        found = list(wishes_of(case))
        for k, stage in enumerate(case.cooler.stages, 1):
            one = dataclasses.replace(
                case, cooler=stage.cooler, limits=stage.limits, fan=stage.fan, duct=stage.duct
            )
            found += [dataclasses.replace(c, place=str(k)) for c in limits_of(one)]
    else:
        found = [*wishes_of(case), *limits_of(case)]
    return [c.with_room(case.safety_margins) for c in found] if case.safety_margins else found


def wishes_of(case: Case) -> Iterator[Constraint]:
    """Wishes of [target] on what leaves the machine, or the last of a line; of coated pellets, turned into such."""
    target, turned = case.target, before_coating(case)
    last = case.cooler.stages[-1].cooler if isinstance(case.cooler, Line) else case.cooler
    if target and target.maximum_water_activity is None:  # whoever wishes for anything wishes for no moulds
        bound = turned("water_activity", MOULDS_ACTIVE)
        yield Constraint(QUANTITIES["water_activity"], bound, of_target=True, assumed=True)
    if target.moisture is not None:
        moisture, slack = QUANTITIES["moisture"], target.tolerance or 0.0
        yield Constraint(moisture, turned("moisture", target.moisture + slack), of_target=True)
        if slack:
            yield Constraint(moisture, turned("moisture", target.moisture - slack), -1.0, of_target=True)
    for c in _typed(target, "target", last.arrangement != "counter-flow"):
        yield dataclasses.replace(c, bound=turned(c.quantity.name, c.bound))
    if target.no_sweating and case.bag:
        yield Constraint(QUANTITIES[SWEATING], coldest_film(case), of_target=True)


def limits_of(case: Case) -> Iterator[Constraint]:
    """What the machine of a case must keep, typed or not."""
    yield from _typed(case.limits, "limits", is_dryer(case))
    for q, at_most in _maxima("limits", is_dryer(case)):
        if at_most.assumed is not None and getattr(case.limits, q.key) is None:
            yield Constraint(q, at_most.assumed, assumed=True)
    if not is_dryer(case):
        yield from _of_fan(case)


def _typed(table: Any, name: str, dryer: bool) -> Iterator[Constraint]:
    """The maxima of a table that were given."""
    for q, at_most in _maxima(name, dryer):
        most = getattr(table, q.key)
        if most is not None:
            yield Constraint(q, min(most, at_most.most), of_target=name == "target")


def _maxima(table: str, dryer: bool) -> Iterator[tuple[Quantity, Maximum]]:
    """What a table of a machine may bound from above: what another kind has alone is no constraint of it."""
    for q, at_most in LIMITED:
        if at_most.table == table and q.only_of in ("", "dryers" if dryer else "coolers"):
            yield q, at_most


def _of_fan(case: Case) -> Iterator[Constraint]:
    """Of a cooler's fan: its speeds, and the falling side of its curve."""
    known, speed, ends = fan.fan_of(case.fan) is not None, QUANTITIES["fan_speed"], speeds(case)
    if ends:
        yield Constraint(speed, ends[0], -1.0)
        yield Constraint(speed, ends[1])
    elif known:
        yield Constraint(speed, 1.0, assumed=True)
    if known:
        yield Constraint(QUANTITIES["fan_curve"], 0.0, assumed=True)


def speeds(case: Case) -> tuple[float, ...]:
    """Lowest and highest speed of the fan, if they are given: equal where its speed stands for an airflow."""
    if case.limits.fan_speed is not None:
        return tuple(case.limits.fan_speed)
    cooler = case.cooler
    stated = cooler.airflow is not None or cooler.air_ratio is not None or case.limits.airflow is not None
    return () if stated or case.fan.speed is None else (case.fan.speed,) * 2


# ---- How it stands --------------------------------------------------------------------------------------


def predicted_state(result: Result, outside: Number, case: Case, cases: Sequence[Case] = ()) -> MachineState:
    """What limits read of a result of a case, or of cases like it; outside and cases as of `values_of`."""
    out, exhaust, fan_run = result.pellets_out, result.air_out, result.fan
    off = np.nan if fan_run is None else np.where(fan_run.status == 0, -1.0, 1.0)
    return MachineState(
        moisture=out.moisture_wb,
        temperature=out.temperature,
        even_temperature=result.after_equalising.temperature,
        water_activity=result.in_store.water_activity,
        outside_temperature=outside,
        exhaust_temperature=exhaust.temperature,
        exhaust_relative_humidity=exhaust.relative_humidity,
        lift_off=result.bed.lift_off,
        pressure_drop=result.bed.pressure_drop,
        dew_point_in_bag=partial(headspace_dew_points, cases)
        if cases
        else partial(headspace_dew_point, case),
        hottest=None if result.spread is None else result.spread.hottest,
        deviation=None if result.spread is None else result.spread.deviation_wb,
        fan_speed=np.nan if fan_run is None else fan_run.speed,
        off_curve=off,
    )


def values_of(
    constraints: Sequence[Constraint],
    result: Result,
    outside: Number,
    case: Case,
    cases: Sequence[Case] = (),
) -> dict[str, Any]:
    """What a result of a case has of the quantities that constraints bound, by their keys.

    outside: the temperature of the air outside [°C], one or one per case of the result. Of a fan off its curve, and
    of one that the case does not know, there is nothing (nan). cases: those of the result, where it is of several.
    In another weather or of another material coats and bags may bear more or less than in `case`, whose constraints
    these are: values are then told as far from their bounds as they are from those of their own case.
    """
    results = {c.place: result.stages[int(c.place) - 1].result if c.place else result for c in constraints}
    states = {place: predicted_state(one, outside, case, cases) for place, one in results.items()}
    found = {c.key: c.quantity.of(states[c.place]) for c in constraints}
    return found | dict(_off_their_bounds(constraints, found, case, cases))


# Wishes whose bounds hang on the weather or the material, where pellets are coated or bagged.
_OF_WEATHER = (SWEATING, "above_ambient", "water_activity")


def in_weather_of(constraints: Sequence[Constraint], case: Case) -> list[Constraint]:
    """Constraints with the bounds that they have in the weather of a case (arrays for many) and of its material."""
    if not (case.coating or case.bag):
        return list(constraints)
    there = {c.key: c.bound for c in wishes_of(case)}
    return [
        dataclasses.replace(c, bound=there[c.key]) if c.quantity.name in _OF_WEATHER and c.key in there else c
        for c in constraints
    ]


def _off_their_bounds(
    constraints: Sequence[Constraint], values: Mapping[str, Any], case: Case, cases: Sequence[Case]
) -> Iterator[tuple[str, Any]]:
    hanging = [c for c in constraints if c.quantity.name in _OF_WEATHER and not c.place]
    if not hanging or not (case.coating or case.bag):
        return
    same = [one.air is case.air and one.material is case.material for one in cases]
    if all(same):
        return
    here = {c.key: c.bound for c in wishes_of(case)}
    each = [here if alike else {c.key: c.bound for c in wishes_of(one)} for one, alike in zip(cases, same)]
    for c in hanging:
        yield c.key, values[c.key] - np.array([bounds[c.key] - here[c.key] for bounds in each], float)
