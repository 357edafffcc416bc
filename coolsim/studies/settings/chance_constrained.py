"""Settings that meet the target and keep the machine's limits not just as predicted but with a stated chance.

The chance is that of all together: a target that is met while the bed lifts is of no use. Each wish and each limit
whose number follows from what is not known gets room below its bound; ends of ranges are set, and stay exact.

Settings with a chance
----------------------
`studies/settings/chance_constrained.py` is the one door of `--chance` and `--uncertainty`: `with_chance` gives
each wish of the target and each limit of the machine some room until 128 samples at the settings found have the
chance of all together (`Uncertainty.chance`): a target that is met while the bed lifts is of no use.
`propagation.samples.varying` says what counts: numbers that follow from what is not known. Ends of ranges have
none, since the operator sets them; nor has a fan whose speed is given, nor the lowest speed of one (there it
gives more air than is asked for). Room by room: first what each spread takes, all at the risk of each alone,
which is scaled to the risk that came out; once one room has the chance and one lacks it, the next lies between
them where a normal answer would cross, four or five searches in all. (Rooms that follow the spread at the last
settings swing between two states, since spreads change with settings; half steps took six searches, and ended
dearer.) `optimum.looking` looks again and again after one survey of any machine. Settings that were chosen for
what samples say of them look better than they are, so other samples (`FRESH`) measure what is printed; where
they say less than was asked, more is aimed at, three times at most. `output/chance_constrained.py` prints the
two settings side by side.

A batch's flows (`pellets_out.mass_flow`, `bed.evaporation`) are those of the line that it takes turns for, or of
what the schedule's dryers can take of it; `energy.feed` and `energy.product` are the masses that its energy is
of.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines.base import UNCHECKED, as_many, predicted
from coolsim.scenario import units
from coolsim.studies import prerequisites
from coolsim.studies.propagation.chances import all_kept
from coolsim.studies.propagation.run import summed_up
from coolsim.studies.propagation.samples import Sampled, sampled
from coolsim.studies.propagation.unknowns import needed_unknowns
from coolsim.studies.settings.answer import SettingsAnswer, SettingsWithChance
from coolsim.studies.settings.chances import counted, with_chances
from coolsim.studies.settings.cheapest import answer_at, cheapest_settings, decided, set_on_dials
from coolsim.studies.settings.optimum import Optima, Sketch, looking
from coolsim.support.errors import Fault, InputError
from coolsim.support.progress import in_steps

Look: TypeAlias = Callable[[Case], Sketch]  # nearly the best settings of a case with its safety margins
USUAL = 0.95  # chance of the settings that are told where none is asked for
FRESH, CHECKS = 1871, 3  # seed of the samples that decide, and how often they are asked
SAMPLES = 128  # polynomials through them tell a chance to half a percent
ROUNDS = 6
LEAST, HIGHEST = 0.5, 0.99
MOST = 0.998  # share of the samples that one bound is asked to keep at most
NEAR = 0.01  # above the chance that is asked for, where a search stops
ATTAINED = 0.999  # of the room that settings were seen to have: the search solves its states anew
RISK = 0.25, 2.0  # by what the risk of each bound is multiplied at most from round to round
CERTAIN = 1e-4, 1 - 1e-4  # chances that are taken for less or more than this
INSIDE = 0.1, 0.9  # where between two rooms the next one lies
DAMPED = 0.5  # share of the way to a room that no settings have


def read_chance(text: str) -> float:
    """Return a chance that was typed, such as "90 %"; raises InputError."""
    try:
        chance = units.read(text, units.FRACTION)
    except units.Misread as error:
        raise InputError([Fault("", "--chance", f'"{text[:40]}"', str(error))]) from None
    return checked(chance, "--chance", f'"{text[:40]}"')


def checked(chance: float, key: str = "chance", found: str | None = None) -> float:
    """The chance, where it is one that can be asked for; raises InputError."""
    if not LEAST <= chance <= HIGHEST:
        allowed = (
            f"{100 * LEAST:.0f} % to {100 * HIGHEST:.0f} %: samples are too few for more, and less is no aim"
        )
        raise InputError([Fault("", key, f"{chance:g}" if found is None else found, allowed)])
    return chance


def answer_with_uncertainty(
    case: Case, chance: float | None, uncertainty: bool, on_dial: bool = True
) -> SettingsAnswer:
    """The answer of `find_settings` with settings that have a chance, and with how sure it is.

    Of the settings that have it, what lies around them is not looked at.
    """
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        raise InputError(
            [Fault("", "air", "arrays", "a chance is found in one weather at a time: give numbers")]
        )
    wanted = USUAL if chance is None else chance
    with in_steps(2 + uncertainty) as step:
        step("settings that have the chance")
        sure, fresh = _with_chance(case, wanted, SAMPLES, on_dial, look_around=not uncertainty)
        step("cheapest settings")
        answer = cheapest_settings(case, on_dial)
        if not uncertainty:
            return dataclasses.replace(answer, surely=sure)
        step("how sure they are")
        there = _fresh(case, answer.case, fresh, as_many(answer.result))
        answer = with_chances(case, answer, there, FRESH)
    return dataclasses.replace(answer, uncertainty=summed_up(there), surely=sure)


def _fresh(case: Case, there: Case, near: Sampled | None = None, known: Result | None = None) -> Sampled:
    """Samples that no search saw, at the settings of an answer: the case set so."""
    there = dataclasses.replace(there, safety_margins=case.safety_margins)
    return sampled(there, SAMPLES, FRESH, counted(case, there), near, known)


def with_chance(
    case: Case, chance: float = USUAL, samples: int = SAMPLES, on_dial: bool = True
) -> SettingsWithChance:
    """The cheapest settings that keep target and limits with a chance; where none has it, the surest found.

    The room of each bound is what its spread takes at the settings found, which the room moves in turn; and as all
    are to hold together, each alone is asked for a little more. Of the rounds that have the chance, the
    cheapest is taken; where none has, the one that comes nearest to it. Settings that were chosen for what some
    samples say of them look better than they are: others decide, and where these say less, more is aimed at.
    on_dial: put on the steps of dials in the end, which keep the room and a little more.

    Raises InputError where nothing carries a ±, or settings cannot be asked for.
    """
    return _with_chance(case, chance, samples, on_dial, look_around=True)[0]


def _with_chance(
    case: Case, chance: float, samples: int, on_dial: bool, look_around: bool
) -> tuple[SettingsWithChance, Sampled]:
    """As `with_chance`, and the samples that decided; look_around: see `answer_at`."""
    checked(chance)
    _check(case)
    today, case = case, decided(case)
    look = looking(case)
    tried, aim = [_tried(case, {}, look.sketch, samples)], chance
    for _ in range(CHECKS):
        _rounds(case, tried, look.sketch, aim, samples)
        best = _best(tried, aim)
        exact = look.best(best.case)
        there = set_on_dials(best.case, exact) if on_dial else exact.case
        fresh = _fresh(case, there)
        sure = summed_up(fresh)
        if (best.reached and sure.chance >= chance) or not any(t.reached and t.met >= aim for t in tried):
            break
        aim = min(aim + chance - sure.chance + NEAR / 4, MOST)
    answer = answer_at(
        best.case, today, Optima(exact, *look.ends(), None, False), there, look_around=look_around
    )
    return SettingsWithChance(chance, answer.met and sure.chance >= chance, answer, sure, best.case), fresh


def _check(case: Case) -> None:
    """Raise InputError, with every fault, where settings cannot be asked for or nothing carries a ±."""
    faults: list[Fault] = []
    for check in (prerequisites.check, needed_unknowns):
        try:
            check(case)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)


def _best(tried: list[_Tried], aim: float) -> _Tried:
    good = [t for t in tried if t.reached and t.met >= aim]
    return min(good, key=lambda t: t.cost) if good else max(tried, key=lambda t: (t.met, t.reached))


def _rounds(case: Case, tried: list[_Tried], look: Look, aim: float, samples: int) -> None:
    """Add rooms to those that were tried, until one has what is aimed at and hardly more."""
    risk = 1 - aim
    for n in range(ROUNDS):
        last = tried[-1]
        if _good_enough(last, aim):
            return
        if n and last.reached:
            risk *= float(np.clip((1 - aim - NEAR / 2) / max(1 - last.met, 1e-4), *RISK))
            risk = float(np.clip(risk, 1 - MOST, 1 - aim / 2))
        room = _next_room(tried, 1 - risk, aim)
        if room == last.room:  # not even without any room
            return
        tried.append(_tried(case, room, look, samples, tried[0].sampled))
        if _hardly_surer(tried, aim):
            return


def _hardly_surer(tried: list[_Tried], aim: float) -> bool:
    """Whether more room hardly makes it surer any more, where there is not room enough for the chance."""
    *before, last = (t.met for t in tried if t.reached)
    short = any(not t.reached for t in tried) and last < aim
    return short and tried[-1].reached and len(before) > 1 and last - max(before) < NEAR


@dataclass(frozen=True)
class _Tried:
    room: dict[str, float]
    case: Case  # with the room
    found: Sketch
    met: float  # chance of target and limits themselves
    sampled: Sampled

    @property
    def reached(self) -> bool:
        """Whether settings within the limits have the room."""
        return self.found.met

    @property
    def cost(self) -> float:
        return self.found.cost


def _tried(
    case: Case, room: dict[str, float], look: Look, samples: int, near: Sampled | None = None
) -> _Tried:
    roomy = dataclasses.replace(case, safety_margins=room)
    found = look(roomy)
    there = dataclasses.replace(found.case, safety_margins=case.safety_margins)
    middle, _ = predicted([there], UNCHECKED)
    s = sampled(there, samples, constraints=counted(case, there), near=near, known=middle)
    return _Tried(room, roomy, found, float(all_kept(s).mean()), s)


def _good_enough(t: _Tried, chance: float) -> bool:
    """Whether settings have the chance, and no more room than it takes."""
    return t.reached and chance <= t.met and (t.met <= chance + NEAR or not t.room)


def _next_room(tried: list[_Tried], each: float, chance: float) -> dict[str, float]:
    """The room to try next; `each` is the share of samples that each wish alone is to keep.

    Room that no settings have leads to the state nearest to it. Where that has the chance all the same, it is asked
    for the room that it does have; where not, less room is asked for: with too much, states near to it go wrong.
    """
    last = tried[-1]
    reached = [t for t in tried if t.reached]
    if not last.reached:
        slack = _slack(last.sampled)
        if last.met >= chance and min(slack.values()) >= 0.0:
            return {name: ATTAINED * min(size, last.room.get(name, 0.0)) for name, size in slack.items()}
        return _between(reached[-1].room if reached else {}, last.room)
    ends = _around(reached, chance)
    if ends is not None:
        return _crossing(*ends, chance + NEAR / 2)
    room = _room(last.sampled, each)
    beyond = [t.room for t in tried if not t.reached]
    if beyond:
        most = _between(last.room, beyond[-1])
        room = {name: min(size, most.get(name, size)) for name, size in room.items()}
    return room


def _around(reached: list[_Tried], chance: float) -> tuple[_Tried, _Tried] | None:
    """The surest of those that lack the chance, and the least sure of those that have it."""
    low, high = ([t for t in reached if (t.met >= chance) == has] for has in (False, True))
    if not low or not high:
        return None
    return max(low, key=lambda t: t.met), min(high, key=lambda t: t.met)


def _crossing(low: _Tried, high: _Tried, chance: float) -> dict[str, float]:
    """The room between two where the chance is expected: a normal answer's quantile is linear in its room."""
    from scipy.special import ndtri

    below, wanted, above = ndtri(np.clip([low.met, chance, high.met], *CERTAIN))
    share = float(np.clip((wanted - below) / max(above - below, 1e-9), *INSIDE))
    return {n: low.room.get(n, 0.0) + share * (x - low.room.get(n, 0.0)) for n, x in high.room.items()}


def _between(a: dict[str, float], b: dict[str, float]) -> dict[str, float]:
    return {name: a.get(name, 0.0) + DAMPED * (size - a.get(name, 0.0)) for name, size in b.items()}


def _slack(s: Sampled) -> dict[str, float]:
    """How far each wish and limit is from its bound with all as typed; below 0 where it is broken."""
    return {c.full_name: float(c.margin(s.middle[c.key])) for c in s.constraints}


def _room(s: Sampled, share: float) -> dict[str, float]:
    """How far each is to be kept from its bound, so that a share of the samples keep it."""
    room = {}
    for c in s.constraints:
        both = sum(x.key == c.key for x in s.constraints) > 1
        alone = (1 + share) / 2 if both else share  # held from both sides: each takes its part of the risk
        spread = c.sense * (s.exits[c.key] - s.middle[c.key])
        room[c.full_name] = float(np.quantile(spread, alone))
    return {name: max(size, 0.0) for name, size in room.items()}
