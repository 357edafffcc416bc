"""Settings in many weathers from one search: exact, one entry per weather.

Coolers share one fit over all weathers. Dryers and lines are searched as each is alone, and all of them ask side by
side.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Air, Case
from coolsim.case.costs import Cost
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Result
from coolsim.machines import conditioner, machine_of
from coolsim.machines.base import bare
from coolsim.machines.dryers import DryerSettings
from coolsim.machines.plant import Plant, excesses, knob_range
from coolsim.simulate.requirements import AT_LIMIT, KEPT, Constraint, constraints_of
from coolsim.simulate.result_building import interleave, many
from coolsim.studies.drying.batching import Requests, answered, side_by_side
from coolsim.studies.drying.find import best_and_ends
from coolsim.studies.drying.search import Found
from coolsim.studies.settings import coolers
from coolsim.studies.settings.answer import Reached, SettingsByWeather
from coolsim.studies.settings.optimum import problem_for
from coolsim.support.errors import NotConverged

AT_ONCE = 64  # weathers of coolers searched side by side: some 15 000 predictions on the coarse mesh


def by_weather(case: Case) -> SettingsByWeather:
    """Cheapest settings of a case whose outside air is arrays, laid in a row."""
    return _of_coolers(case) if case.cooler.arrangement == "counter-flow" else _of_marches(case)


# ---- Coolers --------------------------------------------------------------------------------------------


def _of_coolers(case: Case) -> SettingsByWeather:
    limits, plant = constraints_of(case), Plant(conditioner.held(case))
    count = plant.weathers
    if conditioner.ranges(case):  # what it brings is found in one weather
        alone = [Plant(dataclasses.replace(case, air=one)) for one in _each(plant.case.air)]
        parts = [coolers.answers(one.case, one, limits) for one in alone]
    else:
        chunks = np.array_split(np.arange(count), -(-count // AT_ONCE))
        parts = [coolers.answers(case, plant.of(k) if len(k) < count else plant, limits) for k in chunks]
    best, driest, wettest = (
        coolers.joined([getattr(part, name) for part in parts]) for name in ("best", "driest", "wettest")
    )
    hardly = np.concatenate([part.hardly for part in parts])
    needed = np.concatenate([np.full(len(p.hardly), np.nan) if p.needed is None else p.needed for p in parts])
    return SettingsByWeather(
        air=plant.case.air,
        met=best.kept,
        settings=best.tried.settings,
        result=best.tried.result,
        cost=best.tried.cost,
        binding=_first_bound(case, plant, limits, best),
        broken=np.where(best.kept, "", [limits[int(k)].called for k in best.excess.argmax(axis=0)]),
        dwell_matters=~hardly,
        driest=Reached(driest.tried.result.pellets_out.moisture_wb, driest.tried.settings),
        wettest=Reached(wettest.tried.result.pellets_out.moisture_wb, wettest.tried.settings),
        required_feed_moisture=needed,
        **{name: best.knobs[name] for name in conditioner.ranges(case)},
    )


def _each(air: Air) -> list[Air]:
    """The states of air, one by one."""
    rows = zip(*(getattr(air, f.name) for f in dataclasses.fields(Air)))
    return [Air(*map(float, row)) for row in rows]


def _first_bound(case: Case, plant: Plant, limits: Sequence[Constraint], best: Any) -> Any:
    """The first limit, or else the first end of a range, at which each weather stands, in words."""
    excess = excesses(plant.case, best.tried, limits)
    words = np.full(excess.shape[1], "", dtype=object)
    names = [(c.called, np.abs(row) <= AT_LIMIT) for c, row in zip(limits, excess)]
    for name, ends in (knob_range(plant.case) | conditioner.ranges(case)).items():
        low, high = (np.broadcast_to(end, words.shape) for end in ends)
        for end, value in (("lowest", low), ("highest", high)):
            close = np.abs(best.knobs[name] - value) <= AT_LIMIT * (high - low)
            names.append((f"{QUANTITIES[name].called}, {end}", close & (high > low)))
    for name, at in reversed(names):
        words[at] = name
    return words.astype(str)


# ---- Dryers and lines -----------------------------------------------------------------------------------


def _of_marches(case: Case) -> SettingsByWeather:
    problem = problem_for(case)
    air = Air(*np.broadcast_arrays(*(getattr(case.air, f.name) for f in dataclasses.fields(Air))))
    alone = [dataclasses.replace(case, air=one) for one in _each(air)]

    def best_of(one: Case, weather: int) -> Requests[list[Found]]:
        try:
            return (yield from best_and_ends(one, problem))
        except NotConverged as error:
            raise NotConverged(f"in weather {weather}: {error.reason}", np.array([weather])) from None

    searches = [best_of(one, k) for k, one in enumerate(alone)]
    best, driest, wettest = zip(*answered(side_by_side(searches), problem.solve))
    met = np.array([state.met for state in best])
    limits = constraints_of(alone[0])
    costs = [problem.bill(one, state.outcomes) for one, state in zip(alone, best)]
    return SettingsByWeather(
        air=air,
        met=met,
        settings=_together([_told(state) for state in best]),
        result=_side_by_side([state.result for state in best]),
        cost=Cost(*(np.array([getattr(c, f.name) for c in costs]) for f in dataclasses.fields(Cost))),
        binding=np.array([_bound(state, limits, problem.ranges(one)) for one, state in zip(alone, best)]),
        broken=np.where(met, "", [limits[int(state.excess.argmax())].called for state in best]),
        dwell_matters=np.ones(len(best), bool),
        driest=_reached(driest),
        wettest=_reached(wettest),
        required_feed_moisture=np.full(len(best), np.nan),
        **{name: np.array([state.knobs[name] for state in best]) for name in conditioner.ranges(case)},
    )


def _told(state: Found) -> Any:
    return machine_of(state.case).named_settings(state.case, state.result)


def _bound(state: Found, limits: Sequence[Constraint], ranges: Any) -> str:
    """The first limit, or else the first end of a range, at which a state stands, in words."""
    for c, excess in zip(limits, state.excess):
        if abs(excess) <= AT_LIMIT:
            return c.called
    for name, (low, high) in ranges.items():
        for end, value in (("lowest", low), ("highest", high)):
            if low < high and abs(state.knobs[name] - value) <= AT_LIMIT * (high - low):
                return f"{QUANTITIES[name.rpartition('.')[2]].called}, {end}"
    return ""


def _reached(ends: Sequence[Found]) -> Reached:
    moisture = [
        float(end.result.pellets_out.moisture_wb) if (end.excess <= KEPT).all() else np.nan for end in ends
    ]
    return Reached(np.array(moisture), _together([_told(end) for end in ends]))


def _together(settings: Sequence[Any]) -> Any:
    """Settings of many weathers: arrays, of each zone one (or None, where it is not heated), of a line a tuple."""
    if isinstance(settings[0], tuple):
        return tuple(_together(one) for one in zip(*settings))
    columns: dict[str, Any] = {}
    for f in dataclasses.fields(settings[0]):
        each = [getattr(s, f.name) for s in settings]
        zones = isinstance(settings[0], DryerSettings) and isinstance(each[0], tuple)
        columns[f.name] = tuple(map(_column, zip(*each))) if zones else _column(each)
    return type(settings[0])(**columns)


def _column(values: Sequence[float | None]) -> Any:
    return None if values[0] is None else np.array(values, float)


def _side_by_side(results: Sequence[Result]) -> Result:
    """One result of arrays from those of single weathers; courses, of unlike lengths, are left out."""
    index = [np.array([k]) for k in range(len(results))]
    whole = interleave([many(bare(result)) for result in results], index)
    stages = tuple(
        dataclasses.replace(runs[0], result=_side_by_side([run.result for run in runs]))
        for runs in zip(*(result.stages for result in results))
    )
    return dataclasses.replace(whole, stages=stages)
