"""What to set on a dryer: the cheapest settings that meet the target, or the nearest and what would help.

Cost is of the scenario's throughput: heat, electricity of the fans, and saleable weight lost below the target
moisture. Everything returned was predicted on the full mesh.
"""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np

from coolsim import both_units, schedule
from coolsim.case import Case
from coolsim.cautions import LEVELS
from coolsim.fields import Array
from coolsim.predict import input_band
from coolsim.result import Warning
from coolsim.machines import dryers as dials
from coolsim.studies.drying.changes import one_step, smallest_changes
from coolsim.studies.drying.course import OUTCOMES
from coolsim.studies.drying.search import KEPT, Found, Goal, Limit, Search, excesses, searched, squeezed
from coolsim.studies.drying.together import Asking, answered, side_by_side
from coolsim.machines.plant import Cost
from coolsim.studies.settings.find import AtLimit, Reached, SettingsAnswer

AT_LIMIT = 0.01  # of a limit's scale, or of a knob's range: closer counts as at the limit
_MOISTURE = OUTCOMES.index("moisture")
ROOM = {"temperature": "above ambient"}  # what the room of a limit is called, where not as the limit


def find(case: Case) -> SettingsAnswer:
    """Cheapest settings of a batch or belt dryer; raises InputError naming what is missing or foreign."""
    dials.check(case)
    return answered(_found(case))


def _found(case: Case) -> Asking[SettingsAnswer]:
    limits, goal = limits_of(case), _cheapest(case)
    found, driest, wettest = yield from best_and_ends(case)
    around = [one_step(found)] if found.met else [one_step(found), smallest_changes(goal, found)]
    steps, *changes = yield from side_by_side(around)
    return SettingsAnswer(
        met=found.met,
        settings=dials.settings_of(found.case),
        result=found.result,
        cost=cost_of(case, found.outcomes),
        binding=binding(case, found),
        broken=_stated(found, found.excess > KEPT, limits),
        hardly_matters=(),
        driest=reached(driest),
        wettest=reached(wettest),
        required_feed_moisture=None,
        one_step=steps,
        smallest_changes=changes[0] if changes else (),
    )


def _cheapest(case: Case) -> Goal:
    return Goal(lambda outcomes: parts_of(case, outcomes).sum(axis=0), limits_of(case))


def best_and_ends(case: Case) -> Asking[list[Found]]:
    """The cheapest state, and the driest and wettest one."""
    goal = _cheapest(case)
    search = yield from searched(case, goal.limits)
    return (yield from best_and_ends_of(search, goal))


def best_and_ends_of(search: Search, goal: Goal) -> Asking[list[Found]]:
    """The best state of a goal, and the driest and wettest one."""
    best, driest, wettest = yield from side_by_side([search.best(goal), *_ends(search)])
    dry = dataclasses.replace(driest, excess=excesses(goal.limits, driest.outcomes))
    if not best.met and dry.met:  # the search lost its way, and there is a state that serves
        dry = dataclasses.replace(dry, cost=float(goal.cost(dry.outcomes)))
        best = yield from squeezed(search.case, goal, dry, best, search.subject)
    return [best, driest, wettest]


def looking_again(case: Case) -> Callable[[Case], tuple[Case, bool, float]]:
    """The best state of a dryer, whatever the room of its wishes: its whole box is surveyed once.

    What is returned takes a case with its room, and returns it with its settings, whether the target is met with
    that room, and what that costs per hour.
    """
    dials.check(case)
    search = answered(searched(case, limits_of(case)))

    def look(roomy: Case) -> tuple[Case, bool, float]:
        anew = copy.copy(search)
        anew.whole = copy.copy(search.whole)  # a search shifts its survey
        found, *_ = answered(best_and_ends_of(anew, _cheapest(roomy)))
        return found.case, found.met, cost_of(roomy, found.outcomes).total

    return look


def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit of a dryer within the machine's limits, with the settings of each."""
    dials.check(case)

    def both() -> Asking[list[Found]]:
        search = yield from searched(case, limits_of(case))
        return (yield from side_by_side(_ends(search)))

    driest, wettest = answered(both())
    return reached(driest), reached(wettest)


def _ends(search: Search) -> list[Asking[Found]]:
    """Driest and wettest exit: what the machine can do, whatever is wished."""
    machine, costly = tuple(limit for limit in search.limits if not limit.wish), search.subject.costly
    driest = Goal(lambda outcomes: outcomes[costly[0]], machine, costly)
    wettest = Goal(lambda outcomes: -outcomes[costly[0]], machine, costly)
    return [search.quick(driest), search.quick(wettest)]


def limits_of(case: Case) -> tuple[Limit, ...]:
    """Everything that a state of a dryer must respect, from [target] and [limits].

    All are kept with the `safety_margins` of the case, which settings.surely gives them.
    """
    room = case.safety_margins
    target, limits = case.target, case.limits
    slack, above = target.tolerance, target.maximum_above_ambient
    outside = float(case.air.temperature)
    rows: tuple[tuple[str, str, float | None, float, float, bool], ...] = (
        ("moisture", "moisture", target.moisture + (slack or 0.0), 1.0, 0.01, True),
        ("moisture, lowest", "moisture", target.moisture - slack if slack else None, -1.0, 0.01, True),
        ("temperature", "temperature", None if above is None else outside + above, 1.0, 5.0, True),
        ("water activity", "water activity", target.maximum_water_activity, 1.0, 0.05, True),
        ("deviation", "deviation", target.maximum_deviation, 1.0, 0.01, True),
        (
            "pellet temperature",
            "pellet temperature",
            limits.maximum_pellet_temperature,
            1.0,
            5.0,
            False,
        ),
        *(
            (
                name,
                name,
                getattr(limits, f"maximum_{name.replace('-', '_').replace(' ', '_')}"),
                1.0,
                scale,
                False,
            )
            for name, scale in (
                ("exhaust relative humidity", 0.1),
                ("lift-off", 0.2),
                ("bed pressure drop", 500.0),
            )
        ),
    )
    return tuple(
        Limit(
            name,
            OUTCOMES.index(outcome),
            bound - sign * room.get(ROOM.get(name, name), 0.0),
            sign,
            scale,
            wish,
        )
        for name, outcome, bound, sign, scale, wish in rows
        if bound is not None
    )


def parts_of(case: Case, outcomes: Array) -> Array:
    """Electricity, heat and weight lost, per kg of wet feed, (3, …), of outcomes (OUTCOMES, …)."""
    prices, target = case.costs, case.target.moisture
    named = dict(zip(OUTCOMES, outcomes))
    M = np.minimum(named["moisture"], target)
    solid = 1 - case.feed.moisture
    return np.stack(
        [
            prices.electricity * named["fan"],
            (prices.heat or 0.0) * named["heat"],
            (prices.feed or 0.0) * solid * (1 / (1 - target) - 1 / (1 - M)),
        ]
    )


def cost_of(case: Case, outcomes: Array) -> Cost:
    hourly = 3600.0 * case.feed.throughput * parts_of(case, outcomes)
    total = float(hourly.sum())
    electricity, heat, lost = map(float, hourly)
    return Cost(electricity, heat, lost, total, total / (3.6 * case.feed.throughput))


# ---- The answer's parts --------------------------------------------------------------------------------


def _stated(found: Found, which: Any, limits: tuple[Limit, ...]) -> tuple[AtLimit, ...]:
    return tuple(AtLimit(x.name, float(found.outcomes[x.outcome])) for x, said in zip(limits, which) if said)


def binding(case: Case, found: Found) -> tuple[AtLimit, ...]:
    """Limits and ends of ranges at which a state stands."""
    at = list(_stated(found, np.abs(found.excess) <= AT_LIMIT, limits_of(case)))
    for name, (low, high) in dials.ranges(case).items():
        for end, value in (("lowest", low), ("highest", high)):
            if low < high and abs(found.knobs[name] - value) <= AT_LIMIT * (high - low):
                at.append(AtLimit(f"{dials.words(name)}, {end}", found.knobs[name]))
    return tuple(at)


def reached(found: Found) -> Reached:
    """An end of the window; nan where no settings keep the machine's limits."""
    M = float(found.outcomes[_MOISTURE]) if found.met else np.nan
    return Reached(M, dials.settings_of(found.case))


# ---- For a person to read ------------------------------------------------------------------------------


def explained(case: Case, answer: SettingsAnswer) -> SettingsAnswer:
    """The answer with the band that its inputs leave open, and words for what prices and time leave out."""
    there = at_settings(case, answer)
    warnings = sorted(
        (*answer.result.warnings, *unpriced(case), *keeping_up(there)), key=lambda w: LEVELS.index(w.level)
    )
    result = dataclasses.replace(
        answer.result, input_band=input_band(there, answer.result), warnings=tuple(warnings)
    )
    return dataclasses.replace(answer, result=result)


def at_settings(case: Case, answer: SettingsAnswer) -> Case:
    """The case with its dryer set as an answer says."""
    there = {n: getattr(answer.settings, n) for n in dials.now(case)}
    return dials.dialled(case, there)


def unpriced(case: Case) -> list[Warning]:
    """What has no price although the settings decide on it, and what is assumed of the fans."""
    prices, said = case.costs, []
    if prices.heat is None:
        said.append(Warning("check", "heat has no price (costs.heat): drying with it counts as free."))
    if prices.feed is None:
        text = "feed has no price (costs.feed): weight lost to overdrying counts as nothing."
        said.append(Warning("note", text))
    if case.fan.efficiency is None:
        said.append(
            Warning(
                "note", "no fan.efficiency is given: electricity is priced with an assumed 55 %, bed only."
            )
        )
    return said


def keeping_up(case: Case) -> list[Warning]:
    """Whether a batch is done before the line has made the next one."""
    c = case.cooler
    if c.arrangement != "batch":
        return []
    mass = case.feed.bulk_density * c.floor_area * c.bed_depth
    every = mass / case.feed.throughput
    made = f"the line makes a batch of {both_units.mass(mass)} in {every / 60:.0f} min"
    if case.schedule:
        return [_in_turn(made, every * case.schedule.dryers, case)]
    taken = (c.duration + c.cooling_time) / 60
    left, drying = every / 60 - taken, "drying and cooling" if c.cooling_time else "drying"
    if left <= 0:
        return [
            Warning(
                "check",
                f"{made}, this {drying} takes {taken:.0f}: one dryer does not keep up. Shorten "
                "limits.duration, or add a dryer.",
            )
        ]
    rest = "fill and empty" if c.cooling_time else "fill, cool and empty"
    return [Warning("note", f"{made}: {left:.0f} min are left to {rest} the dryer.")]


def _in_turn(made: str, time: float, case: Case) -> Warning:
    """Whether a dryer of [schedule] has done its whole cycle in the `time` [s] until its turn comes again."""
    parts, count = schedule.cycle(case), case.schedule.dryers
    taken = sum(parts.values())
    dryers = "with 1 dryer" if count == 1 else f"with {count:.0f} dryers"
    told = ", ".join(f"{name} {part / 60:.0f}" for name, part in parts.items() if part)
    cycle = f"{made}; the cycle of a dryer takes {taken / 60:.0f} min ({told})"
    if taken <= time * (1 + schedule.ROUNDING):
        return Warning(
            "note", f"{cycle}: {dryers}, {(time - taken) / 60:.0f} min of {time / 60:.0f} are left."
        )
    most = (time - taken + parts["drying"]) / 60
    if most < 1:
        return Warning("check", f"{cycle}, too long even without drying {dryers}: add a dryer.")
    return Warning(
        "check",
        f"{cycle}: {dryers}, drying may take {math.floor(most)} min at most. Shorten limits.duration, or add "
        "a dryer.",
    )
