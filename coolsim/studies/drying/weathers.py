"""Settings of a dryer in many weathers: each is searched as it is alone, and all of them ask side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.answer import interleave, many
from coolsim.case import Air, Case
from coolsim.errors import NotConverged
from coolsim.studies.asked import check_air
from coolsim.machines import dryers as dials
from coolsim.studies.drying.find import best_and_ends, binding, cost_of, limits_of, reached
from coolsim.machines.dryers import DryerSettings
from coolsim.studies.drying.search import Found
from coolsim.studies.drying.together import Asking, answered, side_by_side
from coolsim.studies.settings.find import Reached, SettingsByWeather


def find_by_weather(case: Case) -> SettingsByWeather:
    """Cheapest settings of a dryer whose outside air is arrays, one entry per weather.

    Raises InputError as `find.find` does, and NotConverged with the weather in which a dryer failed.
    """
    dials.check(case)
    weathers = check_air(case.air)
    air = Air(*np.broadcast_arrays(weathers.temperature, weathers.relative_humidity, weathers.pressure))
    alone = [dataclasses.replace(case, air=Air(*map(float, row))) for row in zip(*_fields(air))]
    found = answered(side_by_side([_best(one, k) for k, one in enumerate(alone)]))
    best, driest, wettest = zip(*found)
    limits = [limit.name for limit in limits_of(alone[0])]
    at = [binding(one, state) for one, state in zip(alone, best)]
    met = np.array([state.met for state in best])
    return SettingsByWeather(
        air=air,
        met=met,
        settings=_together([dials.settings_of(state.case) for state in best]),
        result=_side_by_side([state.result for state in best]),
        cost=_side_by_side([cost_of(one, state.outcomes) for one, state in zip(alone, best)]),
        binding=np.array([names[0].limit if names else "" for names in at]),
        broken=np.where(met, "", [limits[int(state.excess.argmax())] for state in best]),
        dwell_matters=np.ones(len(best), bool),
        driest=_reached(driest),
        wettest=_reached(wettest),
        required_feed_moisture=np.full(len(best), np.nan),
    )


def _fields(data: Any) -> list[Any]:
    return [getattr(data, f.name) for f in dataclasses.fields(data)]


def _best(case: Case, weather: int) -> Asking[list[Found]]:
    try:
        return (yield from best_and_ends(case))
    except NotConverged as error:
        raise NotConverged(f"in weather {weather}: {error.reason}", np.array([weather])) from None


def _reached(ends: Sequence[Found]) -> Reached:
    each = [reached(end) for end in ends]
    return Reached(np.array([end.moisture_wb for end in each]), _together([end.settings for end in each]))


def _together(settings: Sequence[DryerSettings]) -> DryerSettings:
    """Settings of many weathers: arrays, and of each zone one (or None, where it is not heated)."""
    columns: dict[str, Any] = {}
    for f in dataclasses.fields(DryerSettings):
        each = [getattr(s, f.name) for s in settings]
        zones = isinstance(each[0], tuple)
        columns[f.name] = tuple(map(_column, zip(*each))) if zones else _column(each)
    return DryerSettings(**columns)


def _column(values: Sequence[float | None]) -> Any:
    return None if values[0] is None else np.array(values, float)


def _side_by_side(answers: Sequence[Any]) -> Any:
    """One data class of arrays from those of single weathers; courses, of unlike lengths, are left out."""
    bare = [
        dataclasses.replace(a, history=None, layers=None, warnings=()) if hasattr(a, "history") else a
        for a in answers
    ]
    return interleave([many(a) for a in bare], [np.array([k]) for k in range(len(bare))])
