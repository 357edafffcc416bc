"""Around the settings of any machine: what one step of each thing does, and what alone would meet everything."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.case.result import Result
from coolsim.machines import Machine, Setting, appraised, machine_of
from coolsim.machines.base import LONGEST_COOLING
from coolsim.physics import air
from coolsim.simulate.dryer_cautions import uneven
from coolsim.simulate.inputs import with_even_bed
from coolsim.simulate.prediction import at_its_fan
from coolsim.simulate.requirements import FEASIBLE, Constraint
from coolsim.simulate.upstream import mash_temperature
from coolsim.studies.ranges import in_air_of
from coolsim.studies.settings.answer import Change, Step
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

HOTTEST_INLET = {"counter-flow": 110.0, "batch": 150.0, "belt": 150.0}  # °C, as far as changes are looked for
HOT = "inlet_air_temperature"
LEAST_SHARE, LARGEST_SHARE = 0.2, 5.0  # of the present airflow, time, depth
LOOKS, CLOSER = 17, 5  # values of each thing tried on a rough mesh, and rounds that close in on what serves
WORTH_A_LOOK = 0.01  # of a change, that a smaller one must spare to be looked at
FINE = 41  # values read between two that were tried
FREE = 2e-4  # of a bound's scale, that a change shall keep it by

# One step of a setting: the words, and what is added to it or by what it is multiplied.
_STEPS: Mapping[str, tuple[str, float, float]] = {
    "airflow": ("airflow +5 %", 0.0, 1.05),
    "fan_speed": ("fan speed +5 %", 0.0, 1.05),
    "bed_depth": ("depth of the bed +5 %", 0.0, 1.05),
    "residence_time": ("time in the bed +1 min", 60.0, 1.0),
    "inlet_air_temperature": ("inlet air", 0.0, 1.0),
    "duration": ("drying time +1 min", 60.0, 1.0),
    "cooling_time": ("cooling time +1 min", 60.0, 1.0),
    "recirculation": ("recirculation +5 points", 0.05, 1.0),
    "belt_speed": ("belt 5 % faster", 0.0, 1.05),
    "conditioning_water": ("water in the conditioner +1 %", 0.01, 1.0),
    "conditioning_temperature": ("temperature in the conditioner", 0.0, 1.0),
}
_WARMER: Mapping[str, tuple[str, float]] = {
    "si": ("+1 °C", 1.0),
    "us": ("+2 °F", 2 / 1.8),
}  # one step of what is warm
MOST_RECIRCULATION = 0.95
WETTER = 0.1  # of the mash, more water than now, as far as changes are looked for


# ---- One step -------------------------------------------------------------------------------------------


def one_step(machine: Machine, case: Case, result: Result) -> tuple[Step, ...]:
    """Exit after one step of weather, feed and settings from those of a case, the rest left alone.

    What it adds is that of an even bed on the full mesh: of shipped scenarios the same to 0.001 point and 0.01 K.
    """
    case = at_its_fan(case, result=result)
    there = machine_of(case)
    steps, out = list(_steps(there, case, result)), result.pellets_out
    even = [with_even_bed(state) for state in (case, *(state for _, state in steps))]
    found = appraised(there, even, checked=False, constraints=())
    added = zip(found.moisture - found.moisture[0], found.temperature - found.temperature[0])
    return tuple(
        Step(name, float(out.moisture_wb + M), float(out.temperature + T))
        for (name, _), (M, T) in zip(steps, list(added)[1:])
        if np.isfinite(M)
    )


def _steps(machine: Machine, case: Case, result: Result) -> Iterator[tuple[str, Case]]:
    T, RH = float(case.air.temperature), float(case.air.relative_humidity)
    warmer, degrees = _WARMER[case.units]
    yield f"air outside {warmer}", in_air_of(case, temperature=T + degrees)
    yield "air outside +5 % RH", in_air_of(case, relative_humidity=min(RH + 0.05, 1.0))
    yield "feed moisture +1 point", machine.at({"feed_moisture": case.feed.moisture + 0.01})
    at = machine.read(case, result)
    for s in (*machine.settings, *machine.unopened):
        name = "residence_time" if _in_cooler(case, s) else s.by or s.quantity.name
        value = _dwell(case, result, s) if _in_cooler(case, s) else at[s.sought]
        if name not in _STEPS or not np.isfinite(value):
            continue
        words, more, times = _STEPS[name]
        if s.quantity.dimension == "temperature":
            words, more = f"{words} {warmer}", degrees
        to = times * value + more
        to = min(to, MOST_RECIRCULATION) if name == "recirculation" else to
        key = s.key.removesuffix(s.quantity.name) + name
        yield f"{s.stage}: {words}" if s.stage else words, machine.at({key: to})


def _in_cooler(case: Case, s: Setting) -> bool:
    """Whether a setting is the depth of a cooler's bed, which people know by the time in it."""
    cooler = case.cooler.stages[int(s.place) - 1].cooler if s.place else case.cooler
    return s.quantity.name == "bed_depth" and cooler.arrangement == "counter-flow"


def _dwell(case: Case, result: Result, s: Setting) -> float:
    of = result.stages[int(s.place) - 1].result if s.place else result
    return float(of.bed.residence_time)


# ---- What alone would do --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Lever:
    """A thing to change alone: how it stands, and how far to look to either side."""

    key: str
    quantity: Quantity
    label: str
    now: float  # nan where it is not done at all: as if at its upper end
    ends: tuple[float, float]
    shares: bool = False  # looked at evenly in its logarithm

    @property
    def start(self) -> float:
        """Where the look begins."""
        return self.ends[1] if np.isnan(self.now) else self.now


def smallest_changes(
    machine: Machine, case: Case, result: Result, constraints: Sequence[Constraint], feed: float | None
) -> tuple[Change, ...]:
    """For each thing alone, the value nearest to the present one that meets everything, all else as in the case.

    feed: the wettest feed that some settings bring to the target, where that is known (nan: none), in place of the
    one with the settings as they are.
    """
    case = at_its_fan(case, result=result)
    there = machine_of(case)
    levers = [x for x in levers_of(there, case, result) if feed is None or x.key != "feed_moisture"]
    nearest = _nearest(there, case, levers, constraints)
    found = [_change(lever, to) for lever, to in zip(levers, nearest)]
    found += _other_choices(there, case, result, constraints)
    if feed is None:
        return tuple(found)
    moisture = Lever(
        "feed_moisture", QUANTITIES["feed_moisture"], "feed moisture", case.feed.moisture, (0, 1)
    )
    return (_change(moisture, None if np.isnan(feed) else feed), *found)


def _other_choices(
    machine: Machine, case: Case, result: Result, constraints: Sequence[Constraint]
) -> list[Change]:
    """What choosing otherwise would do alone, where a bed is uneven."""
    others = machine.choices if uneven(case, result) else ()
    if not others:
        return []
    broken = _violations(machine, [one.case for one in others], constraints)
    return [
        Change(one.label, one.to if (row <= FEASIBLE).all() else None, "", one.quantity.name, one.now)
        for one, row in zip(others, broken.T)
    ]


def _change(lever: Lever, to: float | None) -> Change:
    unit, factor = _SHOWN[lever.quantity.name]
    shown = None if to is None else to * factor
    return Change(lever.label, shown, unit, lever.quantity.name, lever.now)


# Units in which changes are told: those of JSON and of people alike.
_SHOWN: Mapping[str, tuple[str, float]] = {
    "feed_moisture": ("%", 100.0),
    "feed_temperature": ("degC", 1.0),
    "airflow": ("m3/h", 3600.0),
    "fan_speed": ("%", 100.0),
    "bed_depth": ("cm", 100.0),
    "residence_time": ("min", 1 / 60),
    "inlet_air_temperature": ("degC", 1.0),
    "duration": ("min", 1 / 60),
    "cooling_time": ("min", 1 / 60),
    "reverse_every": ("min", 1 / 60),
    "recirculation": ("%", 100.0),
    "belt_speed": ("m/min", 60.0),
    "batch_mass": ("kg", 1.0),
    "conditioning_water": ("%", 100.0),
    "conditioning_temperature": ("degC", 1.0),
}


def levers_of(machine: Machine, case: Case, result: Result) -> Iterator[Lever]:
    """What is tried to be changed alone, around a case and its prediction."""
    outside, feed = float(case.air.temperature), case.feed
    boiling = float(air.saturation_temperature(case.air.pressure)) - 1.0
    yield Lever(
        "feed_moisture",
        QUANTITIES["feed_moisture"],
        "feed moisture",
        feed.moisture,
        (0.02, min(feed.moisture + 0.1, 0.6)),
    )
    hot = max(boiling, feed.temperature)
    yield Lever(
        "feed_temperature",
        QUANTITIES["feed_temperature"],
        "feed temperature",
        feed.temperature,
        (outside, hot),
    )
    at = machine.read(case, result)
    more = [s for s in machine.unopened if s.quantity.name == "cooling_time" or uneven(case, result)]
    for s in (*machine.settings, *more):
        name, now = s.by or s.quantity.name, at[s.sought]
        if _in_cooler(case, s):
            name, now = "residence_time", _dwell(case, result, s)
        if not np.isfinite(now) and s not in more:
            continue
        label = QUANTITIES[name].called
        key = s.key.removesuffix(s.quantity.name) + name
        ends, shares = ((s.low, s.high), s.low > 0) if s in more else _ends(case, s, name, now, outside)
        yield Lever(key, QUANTITIES[name], f"{s.stage}: {label}" if s.stage else label, now, ends, shares)
    if case.cooler.arrangement == "counter-flow" and HOT not in at:
        ends = (outside, HOTTEST_INLET[case.cooler.arrangement])
        yield Lever(HOT, QUANTITIES[HOT], QUANTITIES[HOT].called, outside, ends)


def _ends(case: Case, s: Setting, name: str, now: float, outside: float) -> tuple[tuple[float, float], bool]:
    if name == HOT:
        cooler = case.cooler.stages[int(s.place) - 1].cooler if s.place else case.cooler
        return (outside, max(HOTTEST_INLET[cooler.arrangement], now)), False
    if name == "recirculation":
        return (0.0, MOST_RECIRCULATION), False
    if name == "cooling_time":
        return (0.0, max(LONGEST_COOLING, 2 * now)), False
    if name == "conditioning_water":
        return (0.0, max(now + WETTER, 2 * now)), False
    if name == "conditioning_temperature":
        mash = float(mash_temperature(case.recipe, case.air))
        return (
            min(mash + 1.0, now),
            max(float(air.saturation_temperature(case.air.pressure)) - 1.0, now),
        ), False
    return (LEAST_SHARE * now, LARGEST_SHARE * now), True


def _nearest(
    machine: Machine, case: Case, levers: Sequence[Lever], constraints: Sequence[Constraint]
) -> list[float | None]:
    """For each lever the nearest value that is predicted to meet everything.

    Between values that were tried each breach is read off straight lines, so that a narrow band of values that
    serve, between one that is too wet and one that is too dry, is not stepped over. What is read so is predicted,
    and read again with the prediction in its place.
    """
    looks = [_looks(lever) for lever in levers]
    states = [machine.at({x.key: float(v)}) for x, values in zip(levers, looks) for v in values]
    even = [with_even_bed(one) for one in (*states, case)]
    found = appraised(machine, even, quick=True, constraints=constraints).violations
    exact = appraised(machine, [case], constraints=constraints).violations[:, 0]
    found = found + (exact - found[:, -1])[:, None]
    tables = np.split(found[:, :-1], np.cumsum([len(v) for v in looks])[:-1], axis=1)
    known = [(values, table, np.zeros(len(values), bool)) for values, table in zip(looks, tables)]
    nearest: list[float | None] = [None] * len(levers)
    open_ = list(range(len(levers)))
    for _ in range(CLOSER):
        served = ((k, _serves(*known[k][:2], levers[k].start)) for k in open_)
        asked = {k: v for k, v in served if v is not None and _is_news(v, nearest[k], levers[k].start)}
        if not asked:
            break
        there = _violations(machine, [machine.at({levers[k].key: v}) for k, v in asked.items()], constraints)
        for (k, value), row in zip(asked.items(), there.T):
            if (row <= FEASIBLE).all():
                nearest[k] = _closer(nearest[k], value, levers[k].start)
            known[k] = _with(known[k], value, row)
        open_ = list(asked)
    return nearest


def _is_news(value: float, known: float | None, now: float) -> bool:
    """Whether a value is worth a prediction: none is known to serve, or only one that is farther off."""
    return known is None or abs(value - now) < (1 - WORTH_A_LOOK) * abs(known - now)


def _closer(a: float | None, b: float, now: float) -> float:
    return b if a is None or abs(b - now) < abs(a - now) else a


def _violations(machine: Machine, cases: Sequence[Case], constraints: Sequence[Constraint]) -> Array:
    """Violations (constraints, cases) as predicted; what does not solve serves nothing."""
    try:
        return appraised(machine, cases, constraints=constraints).violations
    except NotConverged:
        return np.full((len(constraints), len(cases)), np.inf)


def _with(known: tuple[Array, Array, Array], value: float, row: Array) -> tuple[Array, Array, Array]:
    """What is known of a lever with one prediction more; what a rough mesh says beside it is shifted alike."""
    values, table, exact = known
    read = np.array([np.interp(value, values, breach) for breach in table])
    step = row - read
    near = np.logical_not(exact) & np.isfinite(step).all()
    table = np.where(near, table + np.where(np.isfinite(step), step, 0.0)[:, None], table)
    at = int(np.searchsorted(values, value))
    return (
        np.insert(values, at, value),
        np.insert(table, at, row, axis=1),
        np.insert(exact, at, True),
    )


def _looks(lever: Lever) -> Array:
    """Values to look at, equally many to either side of the present one."""
    low, high = lever.ends
    spaced = np.geomspace if lever.shares and low > 0 else np.linspace
    half = LOOKS // 2
    start = lever.start
    below = spaced(min(low, start), start, half + 1)[:-1] if low < start else np.zeros(0)
    above = spaced(start, max(high, start), half + 1)[1:] if high > start else np.zeros(0)
    return np.concatenate([below, [start], above])


def _serves(values: Array, table: Array, now: float) -> float | None:
    """The value nearest to the present one at which straight lines between those tried keep everything."""
    share = np.linspace(0.0, 1.0, FINE)
    between = values[:-1, None] + share * np.diff(values)[:, None]
    left, right = table[:, :-1, None], table[:, 1:, None]
    with np.errstate(invalid="ignore"):
        worst = (left + share * (right - left)).max(axis=0)
    for free in (FREE, 0.0):
        good = between[worst <= -free]
        if len(good):
            return float(good[np.abs(good - now).argmin()])
    return None
