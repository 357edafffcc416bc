"""What is answered to what to set, whatever the machine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.costs import Cost
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines.base import Setting
from coolsim.simulate.requirements import AtLimit
from coolsim.simulate.verdicts import Verdict
from coolsim.support.display import Displayed
from coolsim.support.fields import Array, documented

if TYPE_CHECKING:
    from coolsim.studies.propagation.answer import Uncertainty


@dataclass(frozen=True, repr=False)
class Chosen(Displayed):
    """One thing that may be set: as it is today, and as it is to be set."""

    setting: Setting = documented("-", "what is set, and in which steps")
    now: float = documented("as the quantity", "today; nan where the scenario does not say")
    to: float = documented("as the quantity", "to be set")


@dataclass(frozen=True, repr=False)
class Alternative(Displayed):
    """Something that is one thing or another: as it is today, and as it is to be."""

    label: str = documented("-", "what is chosen")
    now: str = documented("-", "today")
    to: str = documented("-", "to be chosen")


@dataclass(frozen=True, repr=False)
class Reached(Displayed):
    """One end of the window of exit moistures; numbers, or arrays with one entry per weather."""

    moisture_wb: Any = documented("kg/kg wet", "exit moisture; nan where nothing keeps the machine's limits")
    settings: Any = documented("-", "the settings that give it")
    chosen: tuple[Chosen, ...] = documented("-", "the same, one by one", default=())


@dataclass(frozen=True, repr=False)
class Step(Displayed):
    """What one change of the weather, feed or settings does to the exit, the rest left alone."""

    change: str = documented("-", "the change")
    moisture_wb: float = documented("kg/kg wet", "exit moisture after it")
    temperature: float = documented("°C", "exit temperature after it")


@dataclass(frozen=True, repr=False)
class Change(Displayed):
    """The smallest change of one thing alone that meets everything; `to` is None where none does."""

    change: str = documented("-", "what is changed")
    to: float | str | None = documented("as `unit`", "its new value, or what is to be chosen")
    unit: str = documented("-", "unit of `to`")
    quantity: str = documented("-", "name of the quantity", default="")
    now: float | str = documented(
        "as the quantity", "at the nearest settings; nan where it is not done", default=np.nan
    )


@dataclass(frozen=True, repr=False)
class AppraisedSettings(Displayed):
    """Settings of a case, what they give and cost, and whether everything is kept."""

    case: Case = documented("-", "the case set so")
    result: Result = documented("-", "its prediction")
    cost: Cost = documented("-", "what it costs")
    verdicts: tuple[Verdict, ...] = documented("-", "on every wish and limit")
    chance: float | None = documented("-", "that all of them are kept, if asked", default=None)

    @property
    def met(self) -> bool:
        """Whether all is kept, as predicted."""
        return all(verdict.met for verdict in self.verdicts)


@dataclass(frozen=True, repr=False)
class Gain(Displayed):
    """What the settings of an answer change against today's."""

    moisture_wb: float = documented("kg/kg wet", "of the exit")
    temperature: float = documented("K", "of the exit")
    cost_per_hour: float = documented("1/h", "saved")
    cost_per_year: float = documented("1/a", "saved, in the hours of [shift]")
    hours_per_year: float = documented("h/a", "in which the machine runs")
    hours_assumed: bool = documented("-", "whether [shift] left them open")
    chance: float | None = documented("-", "more chance that all is kept, if asked", default=None)


@dataclass(frozen=True, repr=False)
class LeastBed(Displayed):
    """What it costs that settings stand at the least time in the bed, or its least depth, that is chosen."""

    cost_per_hour: float = documented("1/h", "more than the cheapest without them")
    kept_without: bool = documented("-", "whether settings without them keep everything")
    chosen: tuple[Chosen, ...] = documented(
        "-", "what stands there: `now` at the least, `to` without, before the dial"
    )


@dataclass(frozen=True, repr=False)
class StageSettings(Displayed):
    """What to set on one machine of a line, and its part in the whole."""

    name: str = documented("-", "name of the stage")
    settings: Any = documented("-", "what to dial in: Settings, or DryerSettings of a dryer")
    water: float = documented("kg/s", "water that it takes out")
    electricity: float = documented("1/h", "cost of its fans")
    heat: float = documented("1/h", "cost of the heat of its air")
    binding: tuple[AtLimit, ...] = documented("-", "its limits, and ends of ranges, at which it stands")
    broken: tuple[AtLimit, ...] = documented("-", "its limits that are broken (none where met)")


@dataclass(frozen=True, repr=False)
class SettingsAnswer(Displayed):
    """The answer of `find_settings`; where `met` is false, the state nearest to the target."""

    met: bool = documented("-", "whether everything is kept, as predicted")
    chosen: tuple[Chosen, ...] = documented("-", "what to dial in, one by one, and what stays as given")
    settings: Any = documented(
        "-", "the same by names: Settings, DryerSettings, or a tuple of them for a line"
    )
    case: Case = documented("-", "the case set so")
    result: Result = documented("-", "the full prediction at these settings")
    cost: Cost = documented("-", "what they cost")
    verdicts: tuple[Verdict, ...] = documented("-", "on every wish and limit")
    exact_cost: float = documented("1/h", "cost of the best settings before they were put on the dial")
    binding: tuple[AtLimit, ...] = documented("-", "limits at which they stand; of a line its wishes")
    broken: tuple[AtLimit, ...] = documented("-", "limits or wishes they break (none where met)")
    hardly_matters: tuple[str, ...] = documented("-", "settings that could change at next to no cost")
    driest: Reached = documented("-", "driest exit within the machine's limits")
    wettest: Reached = documented("-", "wettest exit within the machine's limits")
    required_feed_moisture: float | None = documented(
        "kg/kg wet",
        "wettest feed that can meet the target; nan where none can, None where it was not looked for",
        json="required_feed_moisture_wb",
    )
    one_step: tuple[Step, ...] = documented("-", "what one step of each thing does")
    smallest_changes: tuple[Change, ...] = documented("-", "where not met: what alone would help")
    now: AppraisedSettings = documented("-", "the settings of the scenario")
    now_settings: Any = documented("-", "the same by names, as `settings`")
    gain: Gain = documented("-", "what the settings change against those")
    choices: tuple[Alternative, ...] = documented(
        "-", "what is one thing or another, where opened", default=()
    )
    least_bed: LeastBed | None = documented(
        "-", "what the least bed costs, where settings stand at it", default=None
    )
    stages: tuple[StageSettings, ...] = documented("-", "of a line: its machines", default=())
    chance: float | None = documented("-", "that all is kept, if asked", default=None)
    uncertainty: Uncertainty | None = documented("-", "how sure the exit is, if asked", default=None)
    surely: SettingsWithChance | None = documented(
        "-", "settings that meet it with a chance, if asked", default=None
    )


@dataclass(frozen=True, repr=False)
class SettingsWithChance(Displayed):
    """Settings that keep off target and limits, so that all of them are kept with a chance."""

    chance: float = documented("-", "probability that was asked for")
    kept: bool = documented("-", "whether these settings have it; else they are the surest that were found")
    answer: SettingsAnswer = documented("-", "the settings, what they give and cost")
    uncertainty: Uncertainty = documented("-", "how sure they are, by samples that the search did not see")
    case: Case = documented(
        "-", "the scenario, with as much room below wishes and limits as the chance takes"
    )


@dataclass(frozen=True, repr=False)
class SettingsByWeather(Displayed):
    """The answer of `find_settings` for arrays of weather: arrays with one entry per weather.

    Settings are exact, not on the steps of a dial. Where `met` is false, the state is the nearest to the target.
    """

    air: Air = documented("-", "the weathers")
    met: NDArray[np.bool_] = documented("-", "whether the target is met within the limits")
    settings: Any = documented("-", "what to dial in: Settings, DryerSettings, or a tuple of them for a line")
    result: Result = documented("-", "the full predictions at these settings")
    cost: Cost = documented("-", "what they cost")
    binding: NDArray[np.str_] = documented("-", "first limit at which they stand, in words (or none: empty)")
    broken: NDArray[np.str_] = documented("-", "limit or wish broken most, in words (empty where met)")
    dwell_matters: NDArray[np.bool_] = documented(
        "-", "false where a longer time in the bed costs next to nothing"
    )
    driest: Reached = documented("-", "driest exit within the machine's limits")
    wettest: Reached = documented("-", "wettest exit within the machine's limits")
    required_feed_moisture: Array = documented(
        "kg/kg wet", "wettest feed that can meet the target (nan where none can, or it was not looked for)"
    )
    conditioning_water: Array | None = documented(
        "kg/kg", "water into the conditioner, per mash; None where it is not opened", default=None
    )
    conditioning_temperature: Array | None = documented(
        "°C", "to which steam takes the mash; None where it is not opened", default=None
    )
