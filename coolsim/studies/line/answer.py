"""What is answered to what to set on a line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coolsim.fields import documented
from coolsim.result import Result
from coolsim.machines.plant import Cost
from coolsim.studies.settings.find import AtLimit, Reached


@dataclass(frozen=True)
class StageSettings:
    """What to set on one machine of a line, and its part in the whole."""

    name: str = documented("-", "name of the stage")
    settings: Any = documented("-", "what to dial in: Settings, or DryerSettings of a dryer")
    water: float = documented("kg/s", "water that it takes out", json="water_kg_h", factor=3600.0)
    electricity: float = documented("1/h", "cost of its fans")
    heat: float = documented("1/h", "cost of the heat of its air")
    binding: tuple[AtLimit, ...] = documented("-", "its limits, and ends of ranges, at which it stands")
    broken: tuple[AtLimit, ...] = documented("-", "its limits that are broken (none where met)")


@dataclass(frozen=True)
class LineSettings:
    """The answer of `find_settings` for a line; where `met` is false, the state nearest to the target."""

    met: bool = documented("-", "whether the target is met within the limits of all stages")
    stages: tuple[StageSettings, ...] = documented("-", "machines in the order in which pellets meet them")
    result: Result = documented("-", "the full prediction at these settings")
    cost: Cost = documented("-", "what all machines cost together")
    binding: tuple[AtLimit, ...] = documented("-", "wishes of the target at which the line stands")
    broken: tuple[AtLimit, ...] = documented("-", "wishes of the target that are missed (none where met)")
    driest: Reached = documented(
        "-", "driest exit within the machines' limits, with the settings of each stage"
    )
    wettest: Reached = documented("-", "wettest exit, likewise")
