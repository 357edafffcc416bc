"""Settings in many weathers: exact, one entry per weather. Each is searched as alone, and all ask side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import Cost
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines import conditioner, machine_of
from coolsim.machines.base import bare
from coolsim.machines.dryers import DryerSettings
from coolsim.simulate.requirements import AT_LIMIT, FEASIBLE, Constraint, constraints_of
from coolsim.simulate.result_building import interleave, many
from coolsim.studies.optimise.batching import Requests, answered, side_by_side
from coolsim.studies.optimise.best_states import BestStates, best_states
from coolsim.studies.optimise.machines import problem_of
from coolsim.studies.optimise.search import Found
from coolsim.studies.settings.answer import Reached, SettingsByWeather
from coolsim.support.errors import NotConverged


def by_weather(case: Case) -> SettingsByWeather:
    """Cheapest settings of a case whose outside air is arrays, laid in a row."""
    problem = problem_of(case)
    air = Air(*np.broadcast_arrays(*(getattr(case.air, f.name) for f in dataclasses.fields(Air))))
    alone = [dataclasses.replace(case, air=one) for one in _each(air)]

    def best_of(one: Case, weather: int) -> Requests[BestStates]:
        try:
            return (yield from best_states(one, problem, beside_least_bed=False))
        except NotConverged as error:
            raise NotConverged(f"in weather {weather}: {error.reason}", np.array([weather])) from None

    searches = [best_of(one, k) for k, one in enumerate(alone)]
    found = answered(side_by_side(searches), problem.solve)
    best, driest, wettest = zip(*((each.best, each.driest, each.wettest) for each in found))
    met = np.array([state.met for state in best])
    limits = constraints_of(alone[0])
    costs = [problem.bill(one, state.outcomes) for one, state in zip(alone, best)]
    return SettingsByWeather(
        air=air,
        met=met,
        settings=_stacked([_named_settings(state) for state in best]),
        result=_side_by_side([state.result for state in best]),
        cost=Cost(*(np.array([getattr(c, f.name) for c in costs]) for f in dataclasses.fields(Cost))),
        binding=np.array([_bound(state, limits, problem.ranges(one)) for one, state in zip(alone, best)]),
        broken=np.where(met, "", [limits[int(state.excess.argmax())].called for state in best]),
        dwell_matters=np.array([not each.hardly_matters for each in found]),
        driest=_reached(driest),
        wettest=_reached(wettest),
        required_feed_moisture=np.array([each.required_feed for each in found], float),
        **{name: np.array([state.knobs[name] for state in best]) for name in conditioner.ranges(case)},
    )


def _each(air: Air) -> list[Air]:
    """The states of air, one by one."""
    rows = zip(*(getattr(air, f.name) for f in dataclasses.fields(Air)))
    return [Air(*map(float, row)) for row in rows]


def _named_settings(state: Found) -> Any:
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
        float(end.result.pellets_out.moisture_wb) if (end.excess <= FEASIBLE).all() else np.nan
        for end in ends
    ]
    return Reached(np.array(moisture), _stacked([_named_settings(end) for end in ends]))


def _stacked(settings: Sequence[Any]) -> Any:
    """Settings of many weathers: arrays, of each zone one (or None, where it is not heated), of a line a tuple."""
    if isinstance(settings[0], tuple):
        return tuple(_stacked(one) for one in zip(*settings))
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
