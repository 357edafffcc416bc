"""Where the best settings of coolers are: cheapest, driest, wettest, and with the wettest feed, in many weathers.

Everything returned was predicted on the full mesh. The driest and the wettest exit keep the machine's limits,
whatever the target.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.machines import conditioner
from coolsim.machines.base import Forecast, Setting
from coolsim.machines.plant import (
    Plant,
    Settings,
    Weighed,
    excesses,
    knob_range,
    seconds_per_metre,
    try_settings,
)
from coolsim.simulate.finishing import target_moisture
from coolsim.simulate.requirements import KEPT, Constraint, constraints_of, only, without_least_bed
from coolsim.simulate.result_building import interleave
from coolsim.studies.outcome_polynomials import Box, Fit
from coolsim.studies.prerequisites import HIGHEST_FEED_MOISTURE
from coolsim.studies.search import FULL, SURVEY, Best, Found, Goal, Search
from coolsim.support.fields import Array, documented

INDIFFERENT = 0.002  # share of the cost per hour that a smaller bed may cost and still be preferred
WORTH = 0.01  # of the range of depths: a smaller bed that saves less is no other
FEED_AHEAD = 0.03  # kg/kg wet above feed and target that the first search for the wettest feed looks at


@dataclass(frozen=True)
class Answers:
    """What the search found in each weather."""

    best: Best
    driest: Best
    wettest: Best
    needed: Array | None  # feed moisture; nan where no feed serves; None: the conditioner is set in its place
    hardly: NDArray[np.bool_]  # whether dwell hardly matters
    search: Search
    free: Best | None = None  # the best without the least bed, where that is no end of what was searched


def answers(case: Case, plant: Plant, limits: list[Constraint], least: Sequence[Constraint] = ()) -> Answers:
    """The best states of a plant in each weather.

    least: the least bed as a limit, where the plant could do without it: what is best then is searched beside.
    """
    search, kept = _search(case, plant), [*limits, *least]
    goals = [_cheapest(case, kept), *_ends(case, kept)]
    feeds = [] if conditioner.ranges(case) else [Goal(_least_feed, kept, None)]
    freely = [_cheapest(case, limits)] if least else []
    best, driest, wettest, *others = search.best([*goals, *feeds, *freely])
    best, hardly = _smallest_bed(case, search, kept, best)
    best = _nearest(case, search, kept, best, driest)
    needed = _required_feed(case, plant, kept, others[0]) if feeds else None
    return Answers(best, driest, wettest, needed, hardly, search, others[-1] if freely else None)


def least_bed(case: Case) -> list[Constraint]:
    """The least depth or time as a limit on the depth, where it shortens the range of depths; else nothing."""
    ranges, wide = (knob_range(one).get("bed_depth") for one in (case, without_least_bed(case)))
    if ranges is None or wide is None or not wide[0] < ranges[0] < ranges[1]:
        return []
    return [Constraint(QUANTITIES["bed_depth"], ranges[0], -1.0, scale=wide[1] - wide[0])]


def _search(case: Case, plant: Plant, feed: tuple[float, float] | None = None) -> Search:
    ceiling, now = target_moisture(case), case.feed.moisture
    before: dict[str, tuple[float, float]] = conditioner.ranges(case)
    feed = feed or ((now, now) if before else (min(ceiling, now), max(ceiling, now) + FEED_AHEAD))
    quick = dataclasses.replace(FULL, refinements=0)  # what is found is predicted with all refinements
    ranges = knob_range(plant.case) | before | {"feed_moisture": feed}
    return Search(Fit(plant, Box(ranges), SURVEY, quick))


def _cheapest(case: Case, limits: list[Constraint]) -> Goal:
    """Weight lost below the target moisture is dear, and costs nothing above: cost has a kink at the target."""
    target = Constraint(QUANTITIES["moisture"], target_moisture(case), of_target=True)
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
    low, high = knob_range(case)["bed_depth"]
    worth = WORTH * (high - low)  # a difference of depth
    rows = np.flatnonzero(best.kept & (best.knobs["bed_depth"] > low + worth))
    if not len(rows):
        return best, hardly
    cost = best.of(rows).tried.cost.total
    dear = [
        Constraint(QUANTITIES[name], cost * (1 + INDIFFERENT), of_target=True, scale=np.maximum(cost, 1e-9))
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
    rows = np.flatnonzero(~best.kept & driest.kept & (named["moisture"] <= KEPT))
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
    top = max(target_moisture(case), case.feed.moisture) + FEED_AHEAD
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
    return joined([best.of(others), part], [others, rows])


def joined(parts: list[Best], index: list[NDArray[np.intp]] | None = None) -> Best:
    """Best states of several groups of weathers, one after the other or at the places `index`."""
    if index is None:
        ends = np.cumsum([len(part.kept) for part in parts])
        index = np.split(np.arange(ends[-1]), ends[:-1])
    knobs = {n: interleave([part.knobs[n] for part in parts], index) for n in parts[0].knobs}
    tried = interleave([part.tried for part in parts], index)
    return Best(knobs, tried, interleave([part.excess.T for part in parts], index).T)


def forecast(case: Case, search: Search, limits: Sequence[Constraint]) -> Forecast:
    """What the polynomials of a search say of its settings in the only weather."""

    def rows(settings: Sequence[Setting], values: Array) -> Array:
        knobs = {s.sought: column for s, column in zip(settings, values.T)}
        if "residence_time" in knobs:
            knobs["bed_depth"] = knobs.pop("residence_time") / seconds_per_metre(case)
        ranges = search.box.ranges
        knobs = (
            {name: low for name, (low, _) in ranges.items()} | knobs | {"feed_moisture": case.feed.moisture}
        )
        x = [np.broadcast_to(search.box.place(name, knobs[name]), len(values)) for name in ranges]
        state = search.state(np.clip(np.stack(x, axis=1), -1.0, 1.0))
        feed = np.full(len(values), case.feed.throughput)
        follows = (getattr(state.settings, s.key) for s in settings if s.sought != s.key)
        told = state.power, state.heat, feed, state.outcome.moisture
        return np.array([*excesses(case, state, limits), *told, *follows])

    return rows


def surveyed(case: Case) -> Search:
    """Where the best states of a case are looked for, whatever its safety margins."""
    return _search(case, Plant(case))


def best_of(case: Case, search: Search) -> Found:
    """The cheapest state of a case in one weather, or the one nearest to its target."""
    limits = constraints_of(case)
    best, driest = search.best([_cheapest(case, limits), _ends(case, limits)[0]])
    best, _ = _smallest_bed(case, search, limits, best)
    return _nearest(case, search, limits, best, driest).one()


def window(case: Case) -> list[Found]:
    """Driest and wettest exit within the machine's limits, with the feed as it is."""
    return _search(case, Plant(case), (case.feed.moisture,) * 2).find(_ends(case, constraints_of(case)))


# ---- Where moisture is out of reach -----------------------------------------------------------------------

HOTTEST_INLET = 110.0  # °C, as far as `smallest_changes` looks; dryers of feed rarely blow hotter air
INLET_STEPS, FLOW_STEPS = 17, 5


@dataclass(frozen=True)
class Heated:
    """The coolest inlet air that brings the moisture alone to its target; the hottest tried, where none does."""

    inlet_air_temperature: float = documented("°C", "that inlet air")
    airflow: float = documented("m³/s", "airflow with it, as volume of outside air")
    temperature: float = documented("°C", "exit temperature with it")
    dry_enough: bool = documented("-", "whether the moisture alone is then met")
    too_warm: bool = documented("-", "whether the pellets then leave warmer than the target allows")


def heated_inlet(case: Case, settings: Settings) -> Heated:
    """Try hotter inlet air, at the depth nearest to the target, where the moisture there is above it."""
    limits, flows = constraints_of(case), knob_range(case).get("airflow")
    airflow = np.append(np.linspace(*flows, FLOW_STEPS) if flows else [], settings.airflow)
    states = np.meshgrid(np.linspace(settings.inlet_air_temperature, HOTTEST_INLET, INLET_STEPS), airflow)
    inlet, airflow = (state.ravel() for state in states)
    depth = np.full(len(inlet), settings.bed_depth)
    tried = try_settings(
        case, {"inlet_air_temperature": inlet, "airflow": airflow, "bed_depth": depth}, SURVEY
    )
    broken = dict(zip((limit.name for limit in limits), excesses(case, tried, limits) > KEPT))
    runs = ~np.any([broken[limit.name] for limit in only(limits, of_target=False)] or [inlet < 0], axis=0)
    dry, out = runs & ~broken["moisture"], tried.result.pellets_out
    k = int(np.where(dry, inlet, np.inf).argmin() if dry.any() else np.where(runs, inlet, -np.inf).argmax())
    too_warm = "above_ambient" in broken and bool(broken["above_ambient"][k])
    return Heated(float(inlet[k]), float(airflow[k]), float(out.temperature[k]), bool(dry.any()), too_warm)
