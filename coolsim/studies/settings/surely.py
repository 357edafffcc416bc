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
from coolsim.studies.uncertainty import SAMPLES, Sampled, Uncertainty, sampled, summed_up, wishes_kept

ROUNDS = 6
LEAST, HIGHEST = 0.5, 0.99
MOST = 0.998  # share of the samples that one wish is asked to keep at most
NEAR = 0.01  # above the chance that is asked for, where a search stops
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
    cheapest is taken; where none has, the last tells how far it gets.
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
    tried = [_tried(case, {}, samples)]
    each, room = chance, {name: DAMPED * r for name, r in _room(case, tried[0].sampled, chance).items()}
    while len(tried) <= ROUNDS and not chance <= tried[-1].met <= chance + NEAR:
        if len(tried) == 1 and tried[0].met > chance:
            break
        now = _tried(case, room, samples)
        tried.append(now)
        each = float(np.clip(each + DAMPED * (chance + NEAR / 2 - now.met), chance / 2, MOST))
        wanted = _room(case, now.sampled, each)
        room = {name: r + DAMPED * (wanted[name] - r) for name, r in room.items()}
    good = [t for t in tried if t.reached and t.met >= chance]
    best = min(good, key=lambda t: t.cost) if good else tried[-1]
    return best.case, summed_up(best.there, best.sampled)


@dataclass(frozen=True)
class _Tried:
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
    return _Tried(roomy, there, found.met, float(found.cost.total), met, s)


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
