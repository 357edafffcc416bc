"""What to set on a line: the cheapest settings of all machines together that meet the target.

Limits are kept by every stage; the target is of what leaves the last. Everything returned was predicted on the full
mesh. The search is that of dryers (studies.drying.search); a batch's time is a knob like any other here.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

from coolsim.case import Belt, Case
from coolsim.fields import Array
from coolsim.predict import predict
from coolsim.result import Result
from coolsim.machines import plant
from coolsim.studies.asked import is_dryer
from coolsim.studies.drying import find as of_dryers
from coolsim.machines import dryers as dials
from coolsim.studies.drying.find import AT_LIMIT, best_and_ends_of, cost_of, parts_of
from coolsim.studies.drying.search import KEPT, Found, Goal, Limit, searched
from coolsim.studies.drying.subject import Subject
from coolsim.studies.drying.together import Asking, answered
from coolsim.studies.line.answer import LineSettings, StageSettings
from coolsim.studies.line.asked import check
from coolsim.machines.lines import dialled, machines, ranges
from coolsim.studies.line.outcomes import of_whole_line, row, solver
from coolsim.machines.plant import Settings
from coolsim.studies.settings.find import AtLimit, Reached

PLAIN = ("temperature", "pellet temperature", "fan speed", "fan curve")  # fitted as they are
OF_FANS = ("fan speed", "fan curve")


def find(case: Case) -> LineSettings:
    """Cheapest settings of a line; raises InputError naming what is missing or foreign."""
    check(case)
    found, driest, wettest = answered(_best_and_ends(case), solver(case))
    result = predict(found.case)
    return LineSettings(
        met=found.met,
        stages=tuple(_stages(case, found, result)),
        result=result,
        cost=cost_of(case, of_whole_line(found.outcomes)),
        binding=_wishes(case, found, np.abs(found.excess) <= AT_LIMIT),
        broken=_wishes(case, found, found.excess > KEPT),
        driest=_reached(case, driest),
        wettest=_reached(case, wettest),
    )


def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit of a line within the limits of its machines, with the settings of each stage."""
    answer = find(case)
    return answer.driest, answer.wettest


def _best_and_ends(case: Case) -> Asking[list[Found]]:
    subject, limits = _subject(case), limits_of(case)
    goal = Goal(lambda outcomes: parts_of(case, of_whole_line(outcomes)).sum(axis=0), limits, subject.costly)
    search = yield from searched(case, limits, subject)
    return (yield from best_and_ends_of(search, goal))


def _subject(case: Case) -> Subject:
    stages = range(len(case.cooler.stages))
    energies = (row(k, name) for k in stages for name in ("heat", "fan"))
    plain = (row(k, name) for k in stages for name in PLAIN)
    return Subject(ranges, dialled, (row(stages[-1], "moisture"), *energies), tuple(plain))


# ---- Limits ---------------------------------------------------------------------------------------------


def limits_of(case: Case) -> tuple[Limit, ...]:
    """Wishes of [target] on what leaves the last stage, then the limits of each, told apart by their rows."""
    alone = machines(case)
    last = dataclasses.replace(alone[-1], air=case.air)  # outside, whatever air the stage draws
    found = [_moved(x, len(alone) - 1) for x in of_dryers.limits_of(last) if x.wish]
    for k, one in enumerate(alone):
        found += [_moved(x, k) for x in of_dryers.limits_of(one) if not x.wish]
        if not is_dryer(one):
            found += _of_fan(k, one)
    return tuple(found)


def _moved(limit: Limit, stage: int) -> Limit:
    """A limit of one machine, whose row is that of the stage."""
    return dataclasses.replace(limit, outcome=row(stage, "moisture") + limit.outcome)


def _of_fan(k: int, one: Case) -> list[Limit]:
    """A fan's speed and the falling side of its curve."""
    own = (x for x in plant.limits_of(one) if x.name.partition(",")[0] in OF_FANS)
    return [
        Limit(x.name, row(k, x.name.partition(",")[0]), float(x.bound), x.sign, float(x.scale), False)
        for x in own
    ]


# ---- The answer's parts ---------------------------------------------------------------------------------


def _stages(case: Case, found: Found, result: Result) -> Iterator[StageSettings]:
    solid = case.feed.throughput * (1 - case.feed.moisture)
    for k, (one, run) in enumerate(zip(machines(found.case), result.stages)):
        wet = run.result.feed_in.moisture_wb
        heat, fan = (found.outcomes[row(k, name)] for name in ("heat", "fan"))
        hourly = 3600.0 * case.feed.throughput
        yield StageSettings(
            name=run.name,
            settings=_settings(one, run.result, found.outcomes, k),
            water=float(solid * (wet / (1 - wet) - run.result.pellets_out.moisture_db)),
            electricity=float(hourly * fan * case.costs.electricity),
            heat=float(hourly * heat * (case.costs.heat or 0.0)),
            binding=(*_limits(case, found, np.abs(found.excess) <= AT_LIMIT, k), *_ends(case, found, k)),
            broken=tuple(_limits(case, found, found.excess > KEPT, k)),
        )


def _settings(one: Case, result: Result, outcomes: Array, k: int) -> Any:
    """Settings of a machine, whose dwell follows from what it was fed."""
    dwell = float(result.bed.residence_time)
    if is_dryer(one):
        settings = dials.settings_of(one)
        if isinstance(one.cooler, Belt):
            speed = sum(zone.length for zone in one.cooler.zones) / dwell
            settings = dataclasses.replace(settings, duration=dwell, belt_speed=speed)
        return settings
    rise = 0.0 if result.fan is None else float(result.fan.temperature_rise)
    heater, outside = one.cooler.inlet_air_temperature, float(one.air.temperature)
    return Settings(
        airflow=float(result.bed.face_velocity) * one.cooler.floor_area,
        fan_speed=float(outcomes[row(k, "fan speed")]) or np.nan,
        bed_depth=one.cooler.bed_depth,
        residence_time=dwell,
        inlet_air_temperature=max(outside + rise, outside if heater is None else heater),
    )


def _reached(case: Case, found: Found) -> Reached:
    """An end of the window; nan where no settings keep the machines' limits."""
    alone = zip(machines(found.case), found.result.stages)
    settings = tuple(_settings(one, run.result, found.outcomes, k) for k, (one, run) in enumerate(alone))
    M = float(found.result.pellets_out.moisture_wb) if found.met else np.nan
    return Reached(M, settings)


def _wishes(case: Case, found: Found, which: Any) -> tuple[AtLimit, ...]:
    said = zip(limits_of(case), which)
    return tuple(AtLimit(x.name, float(found.outcomes[x.outcome])) for x, true in said if true and x.wish)


def _limits(case: Case, found: Found, which: Any, stage: int) -> Iterator[AtLimit]:
    """Limits of a stage, those of `which` that are its own."""
    own = range(row(stage, "moisture"), row(stage + 1, "moisture"))
    for limit, true in zip(limits_of(case), which):
        if true and not limit.wish and limit.outcome in own:
            yield AtLimit(limit.name, float(found.outcomes[limit.outcome]))


def _ends(case: Case, found: Found, stage: int) -> Iterator[AtLimit]:
    """Ends of a stage's ranges at which it stands."""
    for name, (low, high) in ranges(case).items():
        number, _, knob = name.partition(".")
        for end, value in (("lowest", low), ("highest", high)):
            near = abs(found.knobs[name] - value) <= AT_LIMIT * (high - low)
            if int(number) == stage + 1 and low < high and near:
                yield AtLimit(f"{dials.words(knob)}, {end}", found.knobs[name])
