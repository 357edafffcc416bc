"""What to set now: the cheapest settings that meet the target in this weather, or what would make it possible.

Everything returned was predicted on the full mesh at the settings it names. The window (driest and wettest
exit) is searched within the machine's limits, without the target's wishes.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.errors import NotConverged
from coolsim.fields import Array, documented
from coolsim.inputs import gather
from coolsim.physics import air
from coolsim.predict import predict_inputs
from coolsim.result import Result
from coolsim.studies import search as searching
from coolsim.studies.asked import HIGHEST_FEED_MOISTURE, check
from coolsim.studies.fitted import Box, Fit
from coolsim.studies.plant import (
    Cost,
    Limit,
    Plant,
    Settings,
    Tried,
    Weighed,
    dialled,
    excesses,
    knob_range,
    limits_of,
    measured,
    try_settings,
)
from coolsim.studies.search import FULL, SURVEY, Found, Goal, Search, with_limits

INDIFFERENT = 0.002  # share of the cost per hour that a smaller dwell may cost and still be preferred
AT_LIMIT = 0.01  # of a limit's scale, or of a knob's range: closer counts as at the limit
FEED_AHEAD = 0.03  # kg/kg wet above feed and target that the first search for the wettest feed looks at


@dataclass(frozen=True)
class AtLimit:
    """A limit, wish or end of a range that the settings stand at."""

    limit: str = documented("-", "its name")
    value: float = documented("as the limit", "where it stands")


@dataclass(frozen=True)
class Step:
    """What one change of the weather, feed or settings does to the exit, the rest left alone."""

    change: str = documented("-", "the change")
    moisture_wb: float = documented("kg/kg wet", "exit moisture after it")
    temperature: float = documented("°C", "exit temperature after it", json="temperature_C")


@dataclass(frozen=True)
class Reached:
    """One end of the window of exit moistures."""

    moisture_wb: float = documented("kg/kg wet", "exit moisture")
    settings: Settings = documented("-", "the settings that give it")


@dataclass(frozen=True)
class Change:
    """The smallest change of one thing alone that makes the target reachable; `to` is None where none does."""

    change: str = documented("-", "what is changed")
    to: float | None = documented("as `unit`", "its new value")
    unit: str = documented("-", "unit of `to`")


@dataclass(frozen=True)
class SettingsAnswer:
    """The answer of `find_settings`; where `met` is false, the state nearest to the target."""

    met: bool = documented("-", "whether the target is met within the limits")
    settings: Settings = documented("-", "what to dial in")
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


def find_settings(case: Case) -> SettingsAnswer:
    """Cheapest airflow, bed depth and inlet-air temperature that meet [target] within [limits].

    Needs [target] moisture, [limits] with at least one range, and [costs]; raises InputError naming what is
    missing or contradicts. Cost is electricity, heat, and the weight lost below the target moisture.
    """
    check(case)
    limits, ranges = limits_of(case), knob_range(case)
    search = _search(case, ranges)
    found, driest, wettest, needed = search.find(
        [_cheapest(case, limits), *_ends(case, limits), Goal(_least_feed, limits, None)]
    )
    matters: tuple[str, ...] = ()
    if found.kept:
        found, matters = _smallest_bed(case, search, limits, found)
    else:
        found = _nearest(case, search, limits, driest)
    wettest_feed = _required_feed(case, ranges, limits, needed)
    result = _first(found.tried.result)
    return SettingsAnswer(
        met=found.kept,
        settings=_settings(found.tried),
        result=result,
        cost=_cost(found.tried),
        binding=_binding(case, ranges, limits, found),
        broken=_broken(case, limits, found),
        hardly_matters=matters,
        driest=Reached(*_reached(driest)),
        wettest=Reached(*_reached(wettest)),
        required_feed_moisture=wettest_feed,
        one_step=one_step(case, found),
        smallest_changes=() if found.kept else smallest_changes(case, limits, found, wettest_feed),
    )


def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit within the machine's limits, with the settings of each."""
    check(case)
    found = _search(case, knob_range(case), (case.feed.moisture,) * 2).find(_ends(case, limits_of(case)))
    driest, wettest = (Reached(*_reached(f)) for f in found)
    return driest, wettest


# ---- The answer's parts --------------------------------------------------------------------------------


def _search(
    case: Case, ranges: dict[str, tuple[float, float]], feed: tuple[float, float] | None = None
) -> Search:
    ceiling, now = case.tables["target"]["moisture"], case.feed.moisture
    feed = feed or (min(ceiling, now), max(ceiling, now) + FEED_AHEAD)
    return Search(Fit(Plant(case), Box(ranges | {"feed_moisture": feed}), SURVEY, FULL))


def _cheapest(case: Case, limits: list[Limit]) -> Goal:
    """Weight lost below the target moisture is dear, and costs nothing at it: there, least running cost."""
    target = Limit("moisture", case.tables["target"]["moisture"], 1.0, 0.01, wish=True)
    return Goal(lambda state, knobs: state.cost.total, limits, case.feed.moisture, target, _running)


def _running(state: Weighed, knobs: dict[str, Array]) -> Array:
    return state.cost.electricity + state.cost.heat


def _ends(case: Case, limits: list[Limit]) -> list[Goal]:
    """Driest and wettest exit: what the machine can do, whatever is wished."""
    machine, feed = with_limits(limits, wish=False), case.feed.moisture
    return [
        Goal(lambda state, knobs: state.outcome.moisture, machine, feed),
        Goal(lambda state, knobs: -state.outcome.moisture, machine, feed),
    ]


def _least_feed(state: Weighed, knobs: dict[str, Array]) -> Array:
    return -knobs["feed_moisture"]


def _smallest_bed(
    case: Case, search: Search, limits: list[Limit], found: Found
) -> tuple[Found, tuple[str, ...]]:
    """Where cost hardly depends on the bed's depth: the smallest one that keeps all limits."""
    if "bed_depth" not in search.fit.varied:
        return found, ()
    cost = float(found.tried.cost.total[0])
    dear = Limit("cost", cost * (1 + INDIFFERENT), 1.0, max(cost, 1e-9), wish=True)
    shallow = Goal(_depth, [*limits, dear], case.feed.moisture, _cheapest(case, limits).ridge, _depth)
    (smaller,) = search.find([shallow])
    low, high = search.box.ranges["bed_depth"]
    if not smaller.kept or found.knobs["bed_depth"] - smaller.knobs["bed_depth"] < AT_LIMIT * (high - low):
        return found, ()
    return Found(smaller.knobs, smaller.tried, smaller.excess[:-1]), ("residence time",)


def _depth(state: Weighed, knobs: dict[str, Array]) -> Array:
    return knobs["bed_depth"]


def _nearest(case: Case, search: Search, limits: list[Limit], driest: Found) -> Found:
    """Where not all can be met: the driest exit, or if dry enough, what misses the other wishes least."""
    excess = excesses(case, driest.tried, limits)[:, 0]
    named = dict(zip((limit.name for limit in limits), excess))
    if not driest.kept or named["moisture"] > searching.KEPT:
        return Found(driest.knobs, driest.tried, excess)
    others = [limit for limit in limits if limit.wish and limit.name != "moisture"]
    hard = [limit for limit in limits if limit not in others]

    def missed(state: Weighed, knobs: dict[str, Array]) -> Array:
        return (np.maximum(excesses(case, state, others), 0.0) ** 2).sum(axis=0)

    (found,) = search.find([Goal(missed, hard, case.feed.moisture)])
    return Found(found.knobs, found.tried, excesses(case, found.tried, limits)[:, 0])


def _required_feed(
    case: Case, ranges: dict[str, tuple[float, float]], limits: list[Limit], found: Found
) -> float | None:
    """Wettest feed with which the target can be met; None where not even dry feed can."""
    feed = found.knobs["feed_moisture"]
    top = max(case.tables["target"]["moisture"], case.feed.moisture) + FEED_AHEAD
    if found.kept and feed > top - 1e-6:  # wetter than looked at
        further = _search(case, ranges, (top - FEED_AHEAD, HIGHEST_FEED_MOISTURE))
        (found,) = further.find([Goal(_least_feed, limits, None)])
        feed = max(feed, found.knobs["feed_moisture"]) if found.kept else feed
    return feed if found.kept or feed >= top - 1e-6 else None


def one_step(case: Case, found: Found) -> tuple[Step, ...]:
    """Exit after one step of weather, feed, fan and dwell, from the settings found."""
    base = {n: float(v) for n, v in found.knobs.items()}
    settings = found.tried.settings
    now = {
        "airflow": float(settings.airflow[0]),
        "bed_depth": float(settings.bed_depth[0]),
        "inlet_air_temperature": float(settings.inlet_air_temperature[0]),
    } | base
    per_minute = now["bed_depth"] * 60.0 / float(settings.residence_time[0])
    now["feed_moisture"] = case.feed.moisture
    more: tuple[tuple[str, dict[str, float], dict[str, float]], ...] = (
        ("ambient +1 °C", {"temperature": case.air.temperature + 1.0}, {}),
        ("ambient +5 % RH", {"relative_humidity": min(case.air.relative_humidity + 0.05, 1.0)}, {}),
        ("feed moisture +1 point", {}, {"feed_moisture": now["feed_moisture"] + 0.01}),
        ("airflow +5 %", {}, {"airflow": 1.05 * now["airflow"]}),
        ("dwell +1 min", {}, {"bed_depth": now["bed_depth"] + per_minute}),
    )
    there = [dataclasses.replace(case, air=dataclasses.replace(case.air, **air_)) for _, air_, _ in more]
    states = [now | knobs for _, _, knobs in more]
    knobs = {name: np.array([state[name] for state in states]) for name in now}
    if "inlet_air_temperature" not in base:
        del knobs["inlet_air_temperature"]
    out = predict_inputs(dialled(gather(there), knobs), FULL).pellets_out
    return tuple(Step(m[0], float(M), float(T)) for m, M, T in zip(more, out.moisture_wb, out.temperature))


# ---- Out of reach --------------------------------------------------------------------------------------


def smallest_changes(case: Case, limits: list[Limit], found: Found, feed: float | None) -> tuple[Change, ...]:
    """For each thing alone, the value nearest to the present one at which the state found meets everything."""
    boiling = air.saturation_temperature(case.air.pressure)
    ambient = float(case.air.temperature)
    depth = float(found.tried.settings.bed_depth[0])
    minute = float(found.tried.settings.residence_time[0]) / 60.0
    settings = found.tried.settings
    spans: tuple[tuple[str, str, float, float, float, str, Any], ...] = (
        (
            "feed temperature",
            "feed_temperature",
            case.feed.temperature,
            ambient,
            float(boiling) - 1.0,
            "degC",
            lambda v: v,
        ),
        (
            "inlet air temperature",
            "inlet_air_temperature",
            float(settings.inlet_air_temperature[0]),
            ambient,
            110.0,
            "degC",
            lambda v: v,
        ),
        ("airflow", "airflow", float(settings.airflow[0]), 0.2, 5.0, "m3/h", lambda v: 3600.0 * v),
        ("dwell", "bed_depth", depth, 0.2, 5.0, "min", lambda v: v / depth * minute),
    )
    changes = [Change("feed moisture", None if feed is None else 100.0 * feed, "%")]
    for name, knob, now, low, high, unit, shown in spans:
        ends = (low * now, high * now) if unit in ("m3/h", "min") else (low, high)
        value = _nearest_that_meets(case, limits, found, knob, now, ends)
        changes.append(Change(name, None if value is None else shown(value), unit))
    return tuple(changes)


def _nearest_that_meets(
    case: Case, limits: list[Limit], found: Found, knob: str, now: float, ends: tuple[float, float]
) -> float | None:
    def meets(values: Array, resolution: Any) -> Any:
        knobs = {n: np.full(len(values), v) for n, v in found.knobs.items()} | {knob: values}
        try:
            tried = try_settings(case, knobs, resolution)
        except NotConverged as error:  # far-off values may not solve: they do not count as meeting anything
            met = np.zeros(len(values), bool)
            solved = np.setdiff1d(np.arange(len(values)), error.failed)
            if len(solved):
                met[solved] = meets(values[solved], resolution)
            return met
        return (excesses(case, tried, limits) <= searching.KEPT).all(axis=0)

    values = np.linspace(*ends, 41)
    good = values[meets(values, SURVEY)]
    if not len(good):
        return None
    near = float(good[np.abs(good - now).argmin()])
    step = (ends[1] - ends[0]) / 40
    values = near - np.sign(near - now) * np.linspace(-1.0, 1.0, 41) * step
    good = values[meets(values, FULL)]
    return float(good[np.abs(good - now).argmin()]) if len(good) else None


# ---- Small change --------------------------------------------------------------------------------------


def _binding(
    case: Case, ranges: dict[str, tuple[float, float]], limits: list[Limit], found: Found
) -> tuple[AtLimit, ...]:
    at = [
        AtLimit(limit.name, float(measured(case, found.tried, limit)[0]))
        for limit, excess in zip(limits, found.excess)
        if abs(excess) <= AT_LIMIT
    ]
    for name, (low, high) in ranges.items():
        for end, value in (("lowest", low), ("highest", high)):
            if low < high and abs(found.knobs[name] - value) <= AT_LIMIT * (high - low):
                at.append(AtLimit(f"{name.replace('_', ' ')}, {end}", found.knobs[name]))
    return tuple(at)


def _broken(case: Case, limits: list[Limit], found: Found) -> tuple[AtLimit, ...]:
    return tuple(
        AtLimit(limit.name, float(measured(case, found.tried, limit)[0]))
        for limit, excess in zip(limits, found.excess)
        if excess > searching.KEPT
    )


def _first(data: Any) -> Any:
    from coolsim.answer import first

    return first(data)


def _settings(tried: Tried) -> Settings:
    return _first(tried.settings)


def _cost(tried: Tried) -> Cost:
    return _first(tried.cost)


def _reached(found: Found) -> tuple[float, Settings]:
    return float(found.tried.result.pellets_out.moisture_wb[0]), _settings(found.tried)
