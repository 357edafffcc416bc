"""What to set now, on any machine: the cheapest settings that keep every wish and limit, today's beside them.

Where nothing keeps them, the nearest state, and what alone would help. Everything returned was predicted on the
full mesh at the settings it names. The window (driest and wettest exit) is searched within the machine's limits,
without the target's wishes.
"""

from __future__ import annotations

import dataclasses
from typing import overload

import numpy as np

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.machines import machine_of
from coolsim.simulate.requirements import AtLimit
from coolsim.studies.prerequisites import check, check_air
from coolsim.studies.settings.answer import (
    AppraisedSettings,
    Change,
    Chosen,
    Gain,
    Reached,
    SettingsAnswer,
    SettingsByWeather,
    Step,
)
from coolsim.studies.settings.chance_constrained import answer_with_uncertainty
from coolsim.studies.settings.one_weather import cheapest_way, reached
from coolsim.studies.settings.optimum import window
from coolsim.studies.settings.weathers import by_weather
from coolsim.support.progress import Progress, tells

__all__ = [
    "AppraisedSettings",
    "AtLimit",
    "Change",
    "Chosen",
    "Gain",
    "Reached",
    "SettingsAnswer",
    "SettingsByWeather",
    "Step",
    "find_settings",
    "reachable",
]


@overload
def find_settings(
    case: Case,
    *,
    chance: float | None = None,
    uncertainty: bool = False,
    on_dial: bool = True,
    progress: Progress = None,
) -> SettingsAnswer: ...


@overload
def find_settings(
    case: Case, *, air: Air, progress: Progress = None
) -> SettingsAnswer | SettingsByWeather: ...


@takes_a_case
@tells
def find_settings(
    case: Case,
    *,
    air: Air | None = None,
    chance: float | None = None,
    uncertainty: bool = False,
    on_dial: bool = True,
    progress: Progress = None,
) -> SettingsAnswer | SettingsByWeather:
    """Cheapest settings of a cooler, dryer or line that keep [target] within [limits], of all that these open.

    air: replaces the outside air; where it holds arrays (they broadcast), the answer is a SettingsByWeather
    with one entry per weather, from one search, exact and not on the dial.

    uncertainty: also how sure the exit is with these settings (`.uncertainty`), and settings that meet the target
    and keep the machine's limits with a probability (`.surely`); chance: that probability, such as 0.9, which alone
    gives `.surely` only; 0.95 if left out. Both take one weather, and something that carries a ±.
    on_dial: settings are the cheapest combination of dial steps; else the exact optimum.
    progress: who hears how far it is, as `coolsim.support.progress` says.

    Needs [target] moisture, [limits] with at least one range, and [costs]; raises InputError naming what is
    missing or contradicts, and NotConverged. Cost is electricity, heat, and the weight given away below the target
    moisture. Where the target is out of reach, `smallest_changes` gives for each thing alone the value that would
    do, the others staying at the settings found; only for the feed moisture of a cooler may the settings change.
    """
    if air is not None:
        case = dataclasses.replace(case, air=check_air(air))
    if chance is not None or uncertainty:
        return answer_with_uncertainty(case, chance, uncertainty, on_dial)
    check(case)
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        return by_weather(dataclasses.replace(case, air=check_air(case.air)))
    return cheapest_way(case, on_dial).answer


@takes_a_case
def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit within the machine's limits, with the settings of each; of a line, of each stage."""
    check(case)
    machine = machine_of(case)
    driest, wettest = (reached(machine, state) for state in window(case))
    return driest, wettest
