"""What to set now: the cheapest settings that meet the target in this weather, or what would make it possible.

Everything returned was predicted on the full mesh at the settings it names. The window (driest and wettest
exit) is searched within the machine's limits, without the target's wishes. One weather or many take the same
way; for one, the answer also says what a step of each thing does.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, overload

import numpy as np
from numpy.typing import NDArray

from coolsim.answer import first, interleave, pick
from coolsim.case import Air, Case, Line
from coolsim.costs import Cost
from coolsim.doors import asked_with_a_case
from coolsim.fields import Array, documented
from coolsim.quantities import QUANTITIES
from coolsim.requirements import Constraint, constraints_of, only
from coolsim.result import Result
from coolsim.studies import search as searching
from coolsim.studies.asked import HIGHEST_FEED_MOISTURE, check, check_air, is_dryer
from coolsim.studies.fitted import Box, Fit
from coolsim.machines.plant import Plant, Weighed, excesses, knob_range, measured
from coolsim.studies.search import FULL, SURVEY, Best, Found, Goal, Search
from coolsim.studies.settings.changes import Change, Step, one_step, smallest_changes

if TYPE_CHECKING:
    from coolsim.studies.line.answer import LineSettings
    from coolsim.studies.settings.surely import Surely
    from coolsim.studies.uncertainty import Uncertainty

__all__ = [
    "AtLimit",
    "Change",
    "Reached",
    "SettingsAnswer",
    "SettingsByWeather",
    "Step",
    "find_settings",
    "one_step",
    "reachable",
    "smallest_changes",
]

INDIFFERENT = 0.002  # share of the cost per hour that a smaller dwell may cost and still be preferred
AT_LIMIT = 0.01  # of a limit's scale, or of a knob's range: closer counts as at the limit
FEED_AHEAD = 0.03  # kg/kg wet above feed and target that the first search for the wettest feed looks at
AT_ONCE = 64  # weathers searched side by side: some 15 000 predictions on the coarse mesh


@dataclass(frozen=True)
class AtLimit:
    """A limit, wish or end of a range that the settings stand at."""

    limit: str = documented("-", "its name")
    value: float = documented("as the limit", "where it stands")


@dataclass(frozen=True)
class Reached:
    """One end of the window of exit moistures; numbers, or arrays with one entry per weather."""

    moisture_wb: Any = documented("kg/kg wet", "exit moisture")
    settings: Any = documented("-", "the settings that give it")


@dataclass(frozen=True)
class SettingsAnswer:
    """The answer of `find_settings`; where `met` is false, the state nearest to the target."""

    met: bool = documented("-", "whether the target is met within the limits")
    settings: Any = documented("-", "what to dial in: Settings, or DryerSettings of a dryer")
    result: Result = documented("-", "the full prediction at these settings")
    cost: Cost = documented("-", "what they cost")
    binding: tuple[AtLimit, ...] = documented("-", "limits at which they stand")
    broken: tuple[AtLimit, ...] = documented("-", "limits or wishes they break (none where met)")
    hardly_matters: tuple[str, ...] = documented("-", "settings that could change at next to no cost")
    driest: Reached = documented("-", "driest exit within the machine's limits")
    wettest: Reached = documented("-", "wettest exit within the machine's limits")
    required_feed_moisture: float | None = documented(
        "kg/kg wet", "wettest feed that can meet the target", json="required_feed_moisture_wb"
    )
    one_step: tuple[Step, ...] = documented("-", "what one step of each thing does")
    smallest_changes: tuple[Change, ...] = documented("-", "where not met: what alone would help")
    uncertainty: Uncertainty | None = documented("-", "how sure the exit is, if asked", default=None)
    surely: Surely | None = documented("-", "settings that meet it with a chance, if asked", default=None)


@dataclass(frozen=True)
class SettingsByWeather:
    """The answer of `find_settings` for arrays of weather: arrays with one entry per weather.

    Where `met` is false, the state is the one nearest to the target.
    """

    air: Air = documented("-", "the weathers")
    met: NDArray[np.bool_] = documented("-", "whether the target is met within the limits")
    settings: Any = documented("-", "what to dial in: Settings, or DryerSettings of a dryer")
    result: Result = documented("-", "the full predictions at these settings")
    cost: Cost = documented("-", "what they cost")
    binding: NDArray[np.str_] = documented("-", "first limit at which they stand, in words (or none: empty)")
    broken: NDArray[np.str_] = documented("-", "limit or wish broken most, in words (empty where met)")
    dwell_matters: NDArray[np.bool_] = documented("-", "false where a longer dwell costs next to nothing")
    driest: Reached = documented("-", "driest exit within the machine's limits")
    wettest: Reached = documented("-", "wettest exit within the machine's limits")
    required_feed_moisture: Array = documented(
        "kg/kg wet", "wettest feed that can meet the target (nan where none can)"
    )


@dataclass(frozen=True)
class _Answers:
    """What the search found in each weather."""

    best: Best
    driest: Best
    wettest: Best
    needed: Array  # feed moisture; nan where no feed serves
    hardly: NDArray[np.bool_]  # whether dwell hardly matters


@overload
def find_settings(
    case: Case, *, chance: float | None = None, uncertainty: bool = False
) -> SettingsAnswer: ...


@overload
def find_settings(case: Case, *, air: Air) -> SettingsAnswer | SettingsByWeather: ...


@asked_with_a_case
def find_settings(
    case: Case, *, air: Air | None = None, chance: float | None = None, uncertainty: bool = False
) -> SettingsAnswer | SettingsByWeather | LineSettings:
    """Cheapest airflow, bed depth and inlet-air temperature that meet [target] within [limits].

    Of a line: what the limits of its stages open, all together; the answer is a LineSettings, in one weather.
    Of a dryer: what `studies.drying.knobs` lists for its arrangement. In many weathers neither the wettest feed
    nor whether dwell matters is searched for a dryer (nan, and true).

    air: replaces the outside air; where it holds arrays (they broadcast), the answer is a SettingsByWeather
    with one entry per weather, from one search.

    uncertainty: also how sure the exit is with these settings (`.uncertainty`), and settings that meet the target
    and keep the machine's limits with a probability (`.surely`); chance: that probability, such as 0.9, which alone
    gives `.surely` only; 0.95 if left out. Both take one weather, and something that carries a ±.

    Needs [target] moisture, [limits] with at least one range, and [costs]; raises InputError naming what is
    missing or contradicts. Cost is electricity, heat, and the weight lost below the target moisture.
    Where the target is out of reach, `smallest_changes` gives for each thing alone the value that would do,
    the others staying at the settings found; only for the feed moisture may the settings change with it.
    """
    if air is not None:
        case = dataclasses.replace(case, air=check_air(air))
    if isinstance(case.cooler, Line) and chance is None and not uncertainty:
        from coolsim.studies.line.find import find as of_line

        return of_line(case)
    if chance is not None or uncertainty:
        from coolsim.studies.settings import surely

        return surely.told_how_sure(case, chance, uncertainty)
    if is_dryer(case):
        from coolsim.studies.drying import find as dryers
        from coolsim.studies.drying import weathers

        many = np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure)
        return weathers.find_by_weather(case) if many else dryers.find(case)
    check(case)
    limits = constraints_of(case)
    if np.ndim(case.air.temperature):
        return _by_weather(case, limits)
    answers = _answers(case, Plant(case), limits)
    found, met = answers.best.one(), bool(answers.best.kept[0])
    needed = None if np.isnan(answers.needed[0]) else float(answers.needed[0])
    return SettingsAnswer(
        met=met,
        settings=first(found.tried.settings),
        result=first(found.tried.result),
        cost=first(found.tried.cost),
        binding=_binding(case, knob_range(case), limits, found),
        broken=_broken(case, limits, found),
        hardly_matters=("residence time",) if answers.hardly[0] else (),
        driest=_reached(answers.driest.one()),
        wettest=_reached(answers.wettest.one()),
        required_feed_moisture=needed,
        one_step=one_step(case, found),
        smallest_changes=() if met else smallest_changes(case, limits, found, needed),
    )


def surveyed(case: Case) -> Search:
    """Where the best states of a case are looked for, whatever the room of its wishes and limits."""
    check(case)
    return _search(case, Plant(case))


def best_of(case: Case, search: Search) -> Found:
    """The cheapest state of a case in one weather, or the one nearest to its target."""
    limits = constraints_of(case)
    best, driest = search.best([_cheapest(case, limits), _ends(case, limits)[0]])
    best, _ = _smallest_bed(case, search, limits, best)
    return _nearest(case, search, limits, best, driest).one()


@asked_with_a_case
def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit within the machine's limits, with the settings of each; of a line, of each stage."""
    if isinstance(case.cooler, Line):
        from coolsim.studies.line.find import reachable as of_line

        return of_line(case)
    if is_dryer(case):
        from coolsim.studies.drying import find as dryers

        return dryers.reachable(case)
    check(case)
    found = _search(case, Plant(case), (case.feed.moisture,) * 2).find(_ends(case, constraints_of(case)))
    driest, wettest = map(_reached, found)
    return driest, wettest


def _by_weather(case: Case, limits: list[Constraint]) -> SettingsByWeather:
    plant = Plant(case)
    count = plant.weathers
    chunks = np.array_split(np.arange(count), -(-count // AT_ONCE))
    parts = [_answers(case, plant.of(chunk) if len(chunk) < count else plant, limits) for chunk in chunks]
    best, driest, wettest = (_together([getattr(p, n) for p in parts]) for n in ("best", "driest", "wettest"))
    needed, hardly = (np.concatenate([getattr(part, n) for part in parts]) for n in ("needed", "hardly"))
    each, ranges = range(count), knob_range(plant.case)
    alone = [dataclasses.replace(case, air=pick(plant.case.air, k)) for k in each]
    at = [_binding(alone[k], Box(ranges).of(np.array([k])).ranges, limits, best.one(k)) for k in each]
    worst = [limits[int(k)].called for k in best.excess.argmax(axis=0)]
    return SettingsByWeather(
        air=plant.case.air,
        met=best.kept,
        settings=best.tried.settings,
        result=best.tried.result,
        cost=best.tried.cost,
        binding=np.array([limits_[0].limit if limits_ else "" for limits_ in at]),
        broken=np.where(best.kept, "", worst),
        dwell_matters=~hardly,
        driest=Reached(driest.tried.result.pellets_out.moisture_wb, driest.tried.settings),
        wettest=Reached(wettest.tried.result.pellets_out.moisture_wb, wettest.tried.settings),
        required_feed_moisture=needed,
    )


# ---- The search, in one weather or many ----------------------------------------------------------------


def _answers(case: Case, plant: Plant, limits: list[Constraint]) -> _Answers:
    search = _search(case, plant)
    best, driest, wettest, wettest_feed = search.best(
        [_cheapest(case, limits), *_ends(case, limits), Goal(_least_feed, limits, None)]
    )
    best, hardly = _smallest_bed(case, search, limits, best)
    best = _nearest(case, search, limits, best, driest)
    return _Answers(best, driest, wettest, _required_feed(case, plant, limits, wettest_feed), hardly)


def _search(case: Case, plant: Plant, feed: tuple[float, float] | None = None) -> Search:
    ceiling, now = case.target.moisture, case.feed.moisture
    feed = feed or (min(ceiling, now), max(ceiling, now) + FEED_AHEAD)
    quick = dataclasses.replace(FULL, refinements=0)  # what is found is predicted with all refinements
    return Search(Fit(plant, Box(knob_range(plant.case) | {"feed_moisture": feed}), SURVEY, quick))


def _cheapest(case: Case, limits: list[Constraint]) -> Goal:
    """Weight lost below the target moisture is dear, and costs nothing above: cost has a kink at the target."""
    target = Constraint(QUANTITIES["moisture"], case.target.moisture, of_target=True)
    return Goal(_total, limits, case.feed.moisture, target, _running, _signed)


def _total(state: Weighed, knobs: dict[str, Array]) -> Array:
    return state.cost.total


def _signed(state: Weighed, knobs: dict[str, Array]) -> Array:
    return np.asarray(state.signed_cost)


def _running(state: Weighed, knobs: dict[str, Array]) -> Array:
    return state.cost.electricity + state.cost.heat


def _ends(case: Case, limits: list[Constraint]) -> list[Goal]:
    """Driest and wettest exit: what the machine can do, whatever is wished."""
    machine, feed = only(limits, of_target=False), case.feed.moisture
    return [
        Goal(lambda state, knobs: state.outcome.moisture, machine, feed),
        Goal(lambda state, knobs: -state.outcome.moisture, machine, feed),
    ]


def _least_feed(state: Weighed, knobs: dict[str, Array]) -> Array:
    return -knobs["feed_moisture"]


def _depth(state: Weighed, knobs: dict[str, Array]) -> Array:
    return knobs["bed_depth"]


def _smallest_bed(
    case: Case, search: Search, limits: list[Constraint], best: Best
) -> tuple[Best, NDArray[np.bool_]]:
    """Where cost hardly depends on the bed's depth: the smallest one that keeps all limits."""
    hardly = np.zeros(len(best.kept), bool)
    if "bed_depth" not in search.fit.varied:
        return best, hardly
    low, high = search.box.ranges["bed_depth"]
    worth = AT_LIMIT * (high - low)  # a difference of depth
    rows = np.flatnonzero(best.kept & (best.knobs["bed_depth"] > low + worth))
    if not len(rows):
        return best, hardly
    cost = best.of(rows).tried.cost.total
    dear = [
        Constraint(
            QUANTITIES[name], cost * (1 + INDIFFERENT), of_target=True, scale=np.maximum(cost, 1e-9)
        )
        for name in ("cost", "running_cost")  # so that cost has no kink at the target
    ]
    shallow = Goal(_depth, [*limits, *dear], case.feed.moisture, _cheapest(case, limits).ridge, _depth)
    (smaller,) = search.of(rows).best([shallow])
    saved = best.knobs["bed_depth"][rows] - smaller.knobs["bed_depth"]
    better = smaller.kept & (saved >= worth)
    hardly[rows[better]] = True
    smaller = dataclasses.replace(smaller, excess=smaller.excess[: len(limits)])
    return _replaced(best, rows[better], smaller.of(np.flatnonzero(better))), hardly


def _nearest(case: Case, search: Search, limits: list[Constraint], best: Best, driest: Best) -> Best:
    """Where not all can be met: the driest exit, or if dry enough, what misses the other wishes least."""
    missed = np.flatnonzero(~best.kept)
    if not len(missed):
        return best
    excess = excesses(search.plant.case, driest.tried, limits)
    named = dict(zip((limit.name for limit in limits), excess))
    best = _replaced(best, missed, dataclasses.replace(driest, excess=excess).of(missed))
    rows = np.flatnonzero(~best.kept & driest.kept & (named["moisture"] <= searching.KEPT))
    if not len(rows):
        return best
    wishes = [limit for limit in limits if limit.of_target and limit.name != "moisture"]
    hard = [limit for limit in limits if limit not in wishes]
    part = search.of(rows)
    (found,) = part.best([Goal(_nothing, hard, case.feed.moisture, missed=wishes)])
    excess = excesses(part.plant.case, found.tried, limits)
    return _replaced(best, rows, dataclasses.replace(found, excess=excess))


def _nothing(state: Weighed, knobs: dict[str, Array]) -> Array:
    return np.zeros(len(state.power))


def _required_feed(case: Case, plant: Plant, limits: list[Constraint], found: Best) -> Array:
    """Wettest feed with which the target can be met; nan where not even dry feed can."""
    feed, kept = found.knobs["feed_moisture"].copy(), found.kept
    top = max(case.target.moisture, case.feed.moisture) + FEED_AHEAD
    beyond = feed > top - 1e-6
    rows = np.flatnonzero(kept & beyond)  # wetter than looked at
    if len(rows):
        further = _search(case, plant.of(rows), (top - FEED_AHEAD, HIGHEST_FEED_MOISTURE))
        (found,) = further.best([Goal(_least_feed, limits, None)])
        feed[rows] = np.where(found.kept, np.maximum(feed[rows], found.knobs["feed_moisture"]), feed[rows])
    return np.where(kept | beyond, feed, np.nan)


def _replaced(best: Best, rows: NDArray[np.intp], part: Best) -> Best:
    """Best states with those of some weathers exchanged."""
    others = np.setdiff1d(np.arange(len(best.kept)), rows)
    return _together([best.of(others), part], [others, rows])


def _together(parts: list[Best], index: list[NDArray[np.intp]] | None = None) -> Best:
    """Best states of several groups of weathers, one after the other or at the places `index`."""
    if index is None:
        ends = np.cumsum([len(part.kept) for part in parts])
        index = np.split(np.arange(ends[-1]), ends[:-1])
    knobs = {n: interleave([part.knobs[n] for part in parts], index) for n in parts[0].knobs}
    tried = interleave([part.tried for part in parts], index)
    return Best(knobs, tried, interleave([part.excess.T for part in parts], index).T)


# ---- The answer's parts --------------------------------------------------------------------------------


def _binding(
    case: Case, ranges: dict[str, tuple[Any, Any]], limits: list[Constraint], found: Found
) -> tuple[AtLimit, ...]:
    at = [
        AtLimit(limit.called, float(measured(case, found.tried, limit.quantity.name)[0]))
        for limit, excess in zip(limits, found.excess)
        if abs(excess) <= AT_LIMIT
    ]
    for name, (low, high) in ranges.items():
        for end, value in (("lowest", low), ("highest", high)):
            if low < high and abs(found.knobs[name] - value) <= AT_LIMIT * (high - low):
                at.append(AtLimit(f"{QUANTITIES[name].called}, {end}", found.knobs[name]))
    return tuple(at)


def _broken(case: Case, limits: list[Constraint], found: Found) -> tuple[AtLimit, ...]:
    return tuple(
        AtLimit(limit.called, float(measured(case, found.tried, limit.quantity.name)[0]))
        for limit, excess in zip(limits, found.excess)
        if excess > searching.KEPT
    )


def _reached(found: Found) -> Reached:
    return Reached(float(found.tried.result.pellets_out.moisture_wb[0]), first(found.tried.settings))
