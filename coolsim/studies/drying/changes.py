"""Around the settings found of a dryer: what one step of each thing does, and what alone would bring the target."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coolsim.case import Batch, Case
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.machines import dryers as dials
from coolsim.physics import air
from coolsim.requirements import KEPT
from coolsim.studies.drying.search import Found, Goal
from coolsim.studies.drying.together import Asked, Asking, side_by_side
from coolsim.studies.settings.changes import Change, Step

LONGEST_COOLING = 1800.0  # s, looked at; judgement
HOTTEST_INLET = 150.0  # °C, the hottest air that dryers are predicted for
LEAST_SHARE, LARGEST_SHARE = 0.2, 5.0  # of the present airflow, time and depth
LOOKS = 17  # values of each thing tried on the rough mesh
CLOSER = 6  # predictions that close in on the smallest change that serves
CLOSE_ENOUGH = 0.01  # of a limit's scale, that a change may keep it by


@dataclass(frozen=True)
class Lever:
    """A thing to change alone: how far to look to either side, and how its values are shown."""

    name: str
    knob: str
    now: float
    ends: tuple[float, float]
    unit: str
    factor: float = 1.0  # shown = factor · value + offset
    offset: float = 0.0


def _ambient(case: Case, **changes: float) -> Case:
    return dataclasses.replace(case, air=dataclasses.replace(case.air, **changes))


def one_step(found: Found) -> Asking[tuple[Step, ...]]:
    """Exit after one step of weather, feed and settings: the prediction, and what the step adds on a rough mesh."""
    case = found.case
    at = dials.now(case)
    drier_air = min(case.air.relative_humidity + 0.05, 1.0)
    steps: list[tuple[str, Case]] = [
        ("ambient +1 °C", _ambient(case, temperature=case.air.temperature + 1.0)),
        ("ambient +5 % RH", _ambient(case, relative_humidity=drier_air)),
        ("feed moisture +1 point", dials.dialled(case, {"feed_moisture": case.feed.moisture + 0.01})),
    ]

    def turned(name: str, knob: str, value: float) -> None:
        if knob in at:
            steps.append((name, dials.dialled(case, {knob: value})))

    turned("inlet air +1 °C", "inlet_air_temperature", at.get("inlet_air_temperature", 0.0) + 1.0)
    turned("airflow +5 %", "airflow", 1.05 * at["airflow"])
    turned("drying time +1 min", "duration", at.get("duration", 0.0) + 60.0)
    if isinstance(case.cooler, Batch):
        longer = case.cooler.cooling_time + 60.0
        steps.append(("cooling time +1 min", dials.dialled(case, {"cooling_time": longer})))
    turned("recirculation +5 points", "recirculation", min(at.get("recirculation", 0.0) + 0.05, 0.95))
    turned("belt 5 % faster", "bed_depth", at.get("bed_depth", 0.0) / 1.05 if "duration" not in at else 0.0)
    states = [case, *(state for _, state in steps)]
    answers = yield [Asked(state) for state in states]
    if any(answer is None for answer in answers):
        raise NotConverged("one step from the settings found did not converge", ())
    rough = np.stack(answers, axis=-1)[:2, 0]
    added = rough[:, 1:] - rough[:, :1]
    return tuple(
        Step(name, max(float(found.outcomes[0] + M), 0.0), float(found.outcomes[1] + T))
        for (name, _), M, T in zip(steps, *added)
    )


def smallest_changes(goal: Goal, found: Found) -> Asking[tuple[Change, ...]]:
    """For each thing alone, the value nearest to the present one that meets everything, all else as found."""
    levers = _levers(found.case)
    looks = [_looks(lever) for lever in levers]
    rough = yield from _tried(found, levers, looks)
    shift = found.outcomes - rough[-1][:, 0]
    worst = [goal.limits.excesses(outcomes + shift[:, None]).max(axis=0) for outcomes in rough[:-1]]
    searches = [_nearest(goal, found.case, *of_lever) for of_lever in zip(levers, looks, worst)]
    nearest = yield from side_by_side(searches)
    return tuple(
        Change(lever.name, None if to is None else lever.factor * to + lever.offset, lever.unit)
        for lever, to in zip(levers, nearest)
    )


def _levers(case: Case) -> list[Lever]:
    at, outside = dials.now(case), float(case.air.temperature)
    boiling = float(air.saturation_temperature(case.air.pressure)) - 1.0
    feed = case.feed
    fed = feed.temperature
    levers = [
        Lever(
            "feed moisture", "feed_moisture", feed.moisture, (0.02, min(feed.moisture + 0.1, 0.6)), "%", 100.0
        ),
        Lever("feed temperature", "feed_temperature", fed, (outside, max(boiling, fed)), "degC"),
    ]
    spans: Mapping[str, tuple[str, tuple[float, float], str, float]] = {
        "inlet_air_temperature": ("inlet air temperature", (outside, HOTTEST_INLET), "degC", 1.0),
        "airflow": ("airflow", _shares(at["airflow"]), "m3/h", 3600.0),
        "duration": ("drying time", _shares(at.get("duration", 0.0)), "min", 1 / 60),
        "recirculation": ("recirculation", (0.0, 0.95), "%", 100.0),
        "bed_depth": ("bed depth", _shares(at.get("bed_depth", 0.0)), "cm", 100.0),
    }
    for knob, now in at.items():
        name, ends, unit, factor = spans[knob]
        levers.append(Lever(name, knob, now, ends, unit, factor))
    if isinstance(case.cooler, Batch):
        now = case.cooler.cooling_time
        levers.append(
            Lever("cooling time", "cooling_time", now, (0.0, max(LONGEST_COOLING, 2 * now)), "min", 1 / 60)
        )
    return levers


def _shares(now: float) -> tuple[float, float]:
    return LEAST_SHARE * now, LARGEST_SHARE * now


def _looks(lever: Lever) -> Array:
    """Values to look at, equally many to either side of the present one; of shares, evenly in their logarithms."""
    low, high = lever.ends
    spaced = np.geomspace if lever.knob in ("airflow", "duration", "bed_depth") else np.linspace
    half = LOOKS // 2
    below = spaced(min(low, lever.now), lever.now, half + 1)[:-1] if low < lever.now else np.zeros(0)
    above = spaced(lever.now, max(high, lever.now), half + 1)[1:] if high > lever.now else np.zeros(0)
    return np.concatenate([below, [lever.now], above])


def _tried(found: Found, levers: list[Lever], looks: list[Array]) -> Asking[list[Array]]:
    """Outcomes at each value of each lever alone, and last those of the state found, each (outcomes, values).

    A value that does not solve is taken for one that serves nothing (nan).
    """
    states = [
        dials.dialled(found.case, {x.knob: float(v)}) for x, values in zip(levers, looks) for v in values
    ]
    answers = yield [Asked(state) for state in [*states, found.case]]
    unknown = np.full(len(found.outcomes), np.nan)
    outcomes = np.stack([unknown if a is None else a[:, 0] for a in answers], axis=-1)
    return np.split(outcomes, np.cumsum([len(v) for v in looks]), axis=1)


def _nearest(goal: Goal, case: Case, lever: Lever, values: Array, worst: Array) -> Asking[float | None]:
    """The value nearest to the present one that is predicted to meet everything."""
    served = np.flatnonzero(worst <= 0)  # nan serves nothing
    if not len(served):
        return None
    good = values[served[np.abs(values[served] - lever.now).argmin()]]
    at = int(np.flatnonzero(values == good)[0])
    beside = at - 1 if good > lever.now else at + 1
    if good == lever.now or not 0 <= beside < len(values):
        beside = at
    bad, over, under = values[beside], worst[beside], worst[at]
    serves = None
    for turn in range(CLOSER):
        value = _between(bad, good, over, under, turn)
        there = yield from _worst(goal, case, lever, value)
        if there <= KEPT:
            serves, good, under = value, value, there
            if there > -CLOSE_ENOUGH:
                break
        else:
            bad, over = value, there
    return None if serves is None else float(serves)


def _between(bad: float, good: float, over: float, under: float, turn: int) -> float:
    """Where the excess crosses zero on a straight line, and a little further; every third time, halfway."""
    if turn % 3 == 2 or not np.isfinite(over) or over <= under:
        return 0.5 * (bad + good) if turn else good
    share = (over + 0.5 * CLOSE_ENOUGH) / (over - under)
    return float(bad + min(share, 1.0) * (good - bad))


def _worst(goal: Goal, case: Case, lever: Lever, value: float) -> Asking[float]:
    (there,) = yield [Asked(dials.dialled(case, {lever.knob: float(value)}), mesh="full")]
    return np.inf if there is None else float(goal.limits.excesses(there.outcomes).max())
