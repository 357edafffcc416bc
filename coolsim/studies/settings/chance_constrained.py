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
dearer.) All go on from the cheapest settings: their survey, from which settings with a room are sketched,
their samples, which the others are compared with (`samples.moved`), their window. Where limits leave less room than
is asked for, the survey tells how much there is; if that is no surer, nothing is. Settings that were chosen
for what samples say of them look better than they are, so other samples (`FRESH`) measure what is printed; where
they say less than was asked, more is aimed at, three times at most. `output/chance_constrained.py` prints the two
settings side by side.

A batch's flows (`pellets_out.mass_flow`, `bed.evaporation`) are those of the line that it takes turns for, or of
what the schedule's dryers can take of it; `energy.feed` and `energy.product` are the masses that its energy is
of.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.machines.base import as_many
from coolsim.scenario import units
from coolsim.simulate.prediction import at_its_fan
from coolsim.studies import prerequisites
from coolsim.studies.propagation.chances import all_kept
from coolsim.studies.propagation.run import summed_up
from coolsim.studies.propagation.samples import Sampled, moved, sampled
from coolsim.studies.propagation.unknowns import needed_unknowns
from coolsim.studies.settings.answer import SettingsAnswer, SettingsWithChance
from coolsim.studies.settings.chances import SAMPLES, SEED, counted, with_chances
from coolsim.studies.settings.dial import Combination
from coolsim.studies.settings.one_weather import Way, answer_at, cheapest_way, set_on_dials
from coolsim.studies.settings.optimum import Optimum, RepeatedSearch, Sketch, between
from coolsim.support.errors import Fault, InputError
from coolsim.support.progress import in_steps

USUAL = 0.95  # chance of the settings that are told where none is asked for
FRESH, CHECKS = 1871, 3  # seed of the samples that decide, and how often they are asked
ROUNDS = 6
LEAST, HIGHEST = 0.5, 0.99
MOST = 0.998  # share of the samples that one bound is asked to keep at most
NEAR = 0.01  # above the chance that is asked for, where a search stops
ATTAINED = 0.999  # of the room that settings were seen to have: the search solves its states anew
RISK = 0.25, 2.0  # by what the risk of each bound is multiplied at most from round to round
CERTAIN = 1e-4, 1 - 1e-4  # chances that are taken for less or more than this
INSIDE = 0.1, 0.9  # where between two rooms the next one lies
NEARLY = 0.97  # of the room of settings that lack the chance, which they keep on the dial
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

    Then what lies around the settings that have it is not looked at.
    """
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        raise InputError(
            [Fault("", "air", "arrays", "a chance is found in one weather at a time: give numbers")]
        )
    wanted = checked(USUAL if chance is None else chance)
    _check(case)
    with in_steps(2 + uncertainty) as step:
        step("cheapest settings")
        way = cheapest_way(case, on_dial)
        step("settings that have the chance")
        first = _first(way, SAMPLES)
        sure = _with_chance(case, way, first, wanted, SAMPLES, on_dial, look_around=not uncertainty)
        if not uncertainty:
            return dataclasses.replace(way.answer, surely=sure)
        step("how sure they are")
        answer = with_chances(case, way.answer, first.sampled)
    return dataclasses.replace(answer, uncertainty=summed_up(first.sampled), surely=sure)


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
    checked(chance)
    _check(case)
    way = cheapest_way(case, on_dial=False, look_around=False)
    return _with_chance(case, way, _first(way, samples), chance, samples, on_dial, look_around=True)


def _with_chance(
    today: Case,
    way: Way,
    first: _Tried,
    chance: float,
    samples: int,
    on_dial: bool,
    look_around: bool,
) -> SettingsWithChance:
    """As `with_chance`, given the cheapest settings and what samples say of them; look_around: see `answer_at`."""
    case, search, tried, aim = way.case, way.found.again, [first], chance
    for _ in range(CHECKS):
        _rounds(case, tried, search, aim, samples)
        best = _best(tried, aim)
        exact, dialled = _placed(way, best, on_dial, aim)
        there = exact.case if dialled is None else dialled.case
        there = dataclasses.replace(there, safety_margins=case.safety_margins)
        known = None if dialled is None else as_many(dialled.result)
        sure = summed_up(sampled(there, SAMPLES, FRESH, counted(case, there), known=known))
        if (best.reached and sure.chance >= chance) or not any(_has(t, aim) for t in tried):
            break
        aim = min(max(aim, best.met) + chance - sure.chance + NEAR / 4, MOST)
    found = dataclasses.replace(way.found, best=exact, required_feed=None, hardly_matters=False)
    now = today, way.answer.now.result
    answer = answer_at(best.case, now, found, dialled, look_around=look_around)
    return SettingsWithChance(chance, answer.met and sure.chance >= chance, answer, sure, best.case)


def _placed(way: Way, best: _Tried, on_dial: bool, aim: float) -> tuple[Optimum, Combination | None]:
    """The settings of a round as they are predicted, and on the steps of dials.

    These keep the room that the chance takes; the surest of those that lack the chance, which may stand in a corner
    with no step beside it, nearly.
    """
    search, sketch, has = way.found.again, best.sketch, _has(best, aim)
    if sketch is not None and on_dial:
        room = best.room if has else between({}, best.room, NEARLY)
        near = search.predict(best.case, sketch)
        near = dataclasses.replace(near, met=near.met or has)
        dialled = set_on_dials(dataclasses.replace(best.case, safety_margins=room), near)
        if dialled is not None:
            return near, dialled
    exact = way.found.best if sketch is None else search.best(best.case)
    return exact, set_on_dials(best.case, exact) if on_dial else None


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


def _has(t: _Tried, aim: float) -> bool:
    """Whether settings within the limits have the room, and with it the chance."""
    return t.reached and t.met >= aim


def _best(tried: list[_Tried], aim: float) -> _Tried:
    good = [t for t in tried if _has(t, aim)]
    return min(good, key=lambda t: t.cost) if good else max(tried, key=lambda t: (t.met, t.reached))


def _rounds(case: Case, tried: list[_Tried], search: RepeatedSearch, aim: float, samples: int) -> None:
    """Add rooms to those that were tried, until one has what is aimed at and hardly more."""
    risk, short = 1 - aim, False
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
        surest, more = max(t.met for t in tried), _tried(case, room, tried, search, samples)
        if more is None:
            return
        tried.append(more)
        short |= tried[0].reached and not (tried[-1].reached and tried[-1].room == room)
        if short and tried[-1].met < min(surest + NEAR, aim):  # there is no room for more
            return


@dataclass(frozen=True)
class _Tried:
    """Settings that were tried, and what samples say of them."""

    room: dict[str, float]
    case: Case  # with the room
    sketch: Sketch | None  # None: the cheapest settings
    reached: bool  # whether they have the room within the limits
    cost: float
    met: float  # chance of target and limits themselves
    sampled: Sampled


def _first(way: Way, samples: int) -> _Tried:
    """The cheapest settings, which have no room."""
    case, answer = way.case, way.answer
    s = sampled(answer.case, samples, SEED, counted(case, answer.case), known=as_many(answer.result))
    return _Tried({}, case, None, answer.met, answer.cost.total, float(all_kept(s).mean()), s)


def _tried(
    case: Case, room: dict[str, float], tried: list[_Tried], search: RepeatedSearch, samples: int
) -> _Tried | None:
    """Settings that have a room, or as much of it as there is beyond what was reached before; None: nothing is."""

    def sketched() -> tuple[Case, Sketch]:
        roomy = dataclasses.replace(case, safety_margins=room)
        return roomy, search.sketch(roomy)

    roomy, found = sketched()
    reached = [t.room for t in tried if t.reached]
    if reached and not found.met:
        room = search.within(case, reached[-1], room)
        if room == reached[-1]:
            return None
        roomy, found = sketched()
    there = at_its_fan(dataclasses.replace(found.case, safety_margins=case.safety_margins))
    constraints = counted(case, there)
    s = moved(tried[0].sampled, there, constraints, search.values(found, constraints))
    s = sampled(there, samples, SEED, constraints) if s is None else s
    return _Tried(room, roomy, found, found.met, found.cost, float(all_kept(s).mean()), s)


def _good_enough(t: _Tried, chance: float) -> bool:
    """Whether settings have the chance, and no more room than it takes."""
    return _has(t, chance) and (t.met <= chance + NEAR or not t.room)


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
        return between(reached[-1].room if reached else {}, last.room, DAMPED)
    ends = _around(reached, chance)
    if ends is not None:
        return _crossing(*ends, chance + NEAR / 2)
    room = _room(last.sampled, each)
    beyond = [t.room for t in tried if not t.reached]
    if beyond:
        most = between(last.room, beyond[-1], DAMPED)
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
    return between(low.room, high.room, share)


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
