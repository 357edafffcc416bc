"""A card for a season that was typed as a few weathers: what to set in each, on any machine."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.case.tables import DesignWeather
from coolsim.machines import Setting, appraised, machine_of
from coolsim.simulate.requirements import FEASIBLE
from coolsim.studies.fewest_settings import as_cheap, fewest
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.studies.settings.find import find_settings
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array, documented
from coolsim.support.progress import each


@dataclass(frozen=True)
class Row:
    """A weather of the season, and what to set in it."""

    weather: DesignWeather = documented("-", "the weather, by its name")
    values: Mapping[str, float] = documented("as the quantity", "what to set, by the keys of the settings")
    moisture_wb: float = documented("kg/kg wet", "exit moisture with these settings")
    temperature: float = documented("°C", "exit temperature")
    met: bool = documented("-", "whether everything is kept")
    required_feed_moisture: float | None = documented(
        "kg/kg wet", "wettest feed that can meet the target; nan: none, None: not looked for"
    )


@dataclass(frozen=True)
class Season:
    """What to set in the weathers of a season."""

    settings: tuple[Setting, ...] = documented("-", "what may be set, in the order in which it is told")
    rows: tuple[Row, ...] = documented("-", "a row for each weather")


def season(case: Case) -> Season:
    """What to set in each weather of [[card.weather]]; two differ only where that saves more than 1 % of the cost.

    Raises InputError and NotConverged as `find_settings` does.
    """
    cases = [dataclasses.replace(case, air=w.air) for w in case.card.weather if w.air is not None]
    answers = [find_settings(one) for one in each(cases, "settings of the weathers")]
    chosen = [_values(answer) for answer in answers]
    distinct = [dict(pairs) for pairs in dict.fromkeys(tuple(values.items()) for values in chosen)]
    served = np.array(
        [_served(one, answer, values, distinct) for one, answer, values in zip(cases, answers, chosen)]
    )
    taken = fewest(np.isfinite(served[:, :, 0]).T, np.ones(len(cases)))
    rows = [
        Row(weather, distinct[k], float(M[k, 0]), float(M[k, 1]), answer.met, answer.required_feed_moisture)
        for weather, answer, k, M in zip(case.card.weather, answers, taken, served)
    ]
    settings = tuple(one.setting for one in answers[0].chosen if one.setting.key in chosen[0])
    return Season(settings, tuple(rows))


def _values(answer: SettingsAnswer) -> dict[str, float]:
    """What is set, of all that is opened."""
    return {one.setting.key: one.to for one in answer.chosen if one.setting.opened and np.isfinite(one.to)}


def _served(
    case: Case, answer: SettingsAnswer, own: Mapping[str, float], distinct: list[dict[str, float]]
) -> Array:
    """Exit moisture and temperature in a weather by each of some settings, (settings, 2); nan where not as good."""
    machine, k = machine_of(answer.case), distinct.index(dict(own))
    out = answer.result.pellets_out
    found = np.full((len(distinct), 2), np.nan)
    found[k] = float(out.moisture_wb), float(out.temperature)
    others = [j for j in range(len(distinct)) if j != k]
    if not others or not answer.met:
        return found
    try:
        tried = appraised(machine, [machine.at(distinct[j]) for j in others])
    except NotConverged:
        return found
    cheap = as_cheap(np.asarray(tried.cost.total), answer.cost.total)
    for j, good, M, T in zip(others, (tried.worst <= FEASIBLE) & cheap, tried.moisture, tried.temperature):
        if good:
            found[j] = M, T
    return found
