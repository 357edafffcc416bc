"""Settings that meet the target not just as predicted but with a stated chance."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from coolsim.case import Case
from coolsim.errors import Fault, InputError
from coolsim.scenario import units
from coolsim.studies.asked import is_dryer, only_coolers, where
from coolsim.studies.settings.advice import at_settings
from coolsim.studies.settings.find import find_settings
from coolsim.studies.uncertainty import Sampled, Uncertainty, sampled, summed_up, wishes_kept

SAMPLES = 128  # polynomials through them tell a chance to half a percent
ROUNDS = 6
LEAST, HIGHEST = 0.5, 0.99
MOST = 0.998  # share of the samples that one wish is asked to keep at most
NEAR = 0.01  # above the chance that is asked for, where a search stops
ATTAINED = 0.999  # of the room that settings were seen to have: the search solves its states anew
DAMPED = 0.5  # share of a change of room that is made: spreads change with the settings, which change with the room


def read_chance(text: str) -> float:
    """Return a chance that was typed, such as "90 %"; raises InputError."""
    try:
        chance = units.read(text, units.FRACTION)
    except units.Misread as error:
        raise InputError([Fault("", "--chance", f'"{text[:40]}"', str(error))]) from None
    if not LEAST <= chance <= HIGHEST:
        allowed = f"{LEAST:.0%} to {HIGHEST:.0%}: samples are too few for more, and less is no aim"
        raise InputError([Fault("", "--chance", f'"{text[:40]}"', allowed)])
    return chance


def with_chance(case: Case, chance: float, samples: int = SAMPLES) -> tuple[Case, Uncertainty]:
    """The case with as much room below its wishes as meets them with a chance, and how sure its settings are.

    The room of each wish is what its spread takes at the settings found, which the room moves in turn; and as all
    wishes are to hold together, each alone is asked for a little more. Of the rounds that have the chance, the
    cheapest is taken; where none has, the one that comes nearest to it.
    """
    if is_dryer(case):
        found = f"a {case.cooler.arrangement} dryer"
        allowed = (
            "settings with a chance are found for counter-flow coolers only so far: ask without --chance for a "
            "target some tenths of a point drier, set what is found, and `coolsim predict --uncertainty` says its "
            "chance"
        )
        raise InputError([Fault(where(case, "cooler.arrangement"), "--chance", found, allowed)])
    only_coolers(case, "settings with a chance are found")
    tried, each = [_tried(case, {}, samples)], chance
    while len(tried) <= ROUNDS and not _good_enough(tried[-1], chance):
        last = tried[-1]
        if len(tried) > 1 and last.reached:
            each = float(np.clip(each + DAMPED * (chance + NEAR / 2 - last.met), chance / 2, MOST))
        tried.append(_tried(case, _next_room(case, tried, each, chance), samples))
    good = [t for t in tried if t.reached and t.met >= chance]
    best = min(good, key=lambda t: t.cost) if good else max(tried, key=lambda t: (t.met, t.reached))
    return best.case, summed_up(best.there, best.sampled)


@dataclass(frozen=True)
class _Tried:
    room: dict[str, float]
    case: Case  # with the room
    there: Case  # with the settings found
    reached: bool  # whether settings within the limits have the room
    cost: float
    met: float  # chance of the target itself
    sampled: Sampled


def _tried(case: Case, room: dict[str, float], samples: int) -> _Tried:
    roomy = dataclasses.replace(case, tables=MappingProxyType(dict(case.tables) | {"room": room}))
    found = find_settings(roomy)
    there = at_settings(case, found.settings)
    s = sampled(there, samples)
    met = float(np.all(list(wishes_kept(there, s).values()), axis=0).mean())
    return _Tried(room, roomy, there, found.met, float(found.cost.total), met, s)


def _good_enough(t: _Tried, chance: float) -> bool:
    """Whether settings have the chance, and no more room than it takes."""
    return t.reached and chance <= t.met and (t.met <= chance + NEAR or not t.room)


def _next_room(case: Case, tried: list[_Tried], each: float, chance: float) -> dict[str, float]:
    """The room to try next; `each` is the share of samples that each wish alone is to keep.

    Room that no settings have leads to the state nearest to it. Where that has the chance all the same, it is asked
    for the room that it does have; where not, less room is asked for: with too much, states near to it go wrong.
    """
    last = tried[-1]
    reached = [t for t in tried if t.reached]
    if not last.reached:
        slack = _slack(case, last.sampled)
        if last.met >= chance and min(slack.values()) >= 0.0:
            return {name: ATTAINED * size for name, size in slack.items()}
        return _between(reached[-1].room if reached else {}, last.room)
    wanted = _room(case, last.sampled, each)
    room = _between(last.room, wanted)
    beyond = [t.room for t in tried if not t.reached]
    if beyond:
        most = _between(last.room, beyond[-1])
        room = {name: min(size, most.get(name, size)) for name, size in room.items()}
    return room


def _between(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    return {name: a.get(name, 0.0) + DAMPED * (size - a.get(name, 0.0)) for name, size in b.items()}


def _slack(case: Case, s: Sampled) -> dict[str, float]:
    """How far each wish of the target is from its bound with all as typed; below 0 where it is broken."""
    target = case.tables["target"]
    tolerance, M = target.get("tolerance"), s.middle["moisture"]
    slack = {"moisture": target["moisture"] + (tolerance or 0.0) - M}
    if tolerance:
        slack["moisture, lowest"] = M - (target["moisture"] - tolerance)
    if "maximum_above_ambient" in target:
        above = s.middle["temperature"] - case.air.temperature
        slack["above ambient"] = target["maximum_above_ambient"] - above
    if "maximum_water_activity" in target:
        slack["water activity"] = target["maximum_water_activity"] - s.middle["water activity"]
    return slack


def _room(case: Case, s: Sampled, share: float) -> dict[str, float]:
    """How far each wish is to be kept from its bound, so that a share of the samples keep it."""
    target = case.tables["target"]
    above = {"moisture": "moisture", "above ambient": "temperature", "water activity": "water activity"}
    room = {name: float(np.quantile(s.exits[e], share)) - s.middle[e] for name, e in above.items()}
    if "tolerance" in target:  # moisture is held from both sides: each takes its part of the risk
        y, middle = s.exits["moisture"], s.middle["moisture"]
        upper, lower = (float(np.quantile(y, q)) for q in ((1 + share) / 2, (1 - share) / 2))
        room["moisture"], room["moisture, lowest"] = upper - middle, middle - lower
    return {name: max(size, 0.0) for name, size in room.items()}
