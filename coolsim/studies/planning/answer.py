"""The answer to a plan."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.costs import ShiftCost
from coolsim.case.line_parts import FeedState
from coolsim.case.result import Result, Warning
from coolsim.studies.planning.shift import Passed
from coolsim.support.display import Displayed
from coolsim.support.fields import documented


@dataclass(frozen=True, repr=False)
class EquipmentPlan(Displayed):
    """A step of the line in a shift."""

    name: str = documented("-", "how the scenario calls it")
    capacity: float | None = documented(
        "kg/s", "what it can take of what enters it; None where it takes what comes"
    )
    load: float | None = documented("-", "what comes as a share of it")
    waits: float = documented("s", "longest that anything waits before it", json="waits_h", factor=1 / 3600.0)
    heap: float = documented("kg", "most that waits before it")
    enters: float = documented("kg", "what it took in the shift")
    batches: int | None = documented("-", "batches that it finished; None where it runs all the time")


@dataclass(frozen=True, repr=False)
class ShiftPlan(Displayed):
    """What a shift gives."""

    hours: float = documented("s", "of the shift, by the clock", json="hours", factor=1 / 3600.0)
    work: float = documented("s", "without its breaks", json="work_h", factor=1 / 3600.0)
    batches: int = documented("-", "finished by the dryer, or the first step that works in batches")
    input: float = documented("kg", "mash (feed, where no recipe is given) that went in")
    water_lost: float = documented("kg", "water that the cooler or dryer took")
    bagged: float = documented("kg", "pellets at the end of the line")
    bags: int | None = documented("-", "whole bags; None where [bag] does not say how heavy")
    left_in_line: float = documented("kg", "of mash, in the line at the end")
    steam: float = documented("kg", "steam for the conditioner")
    per_year: float = documented("kg", "bagged in a year of such shifts", json="bagged_per_year_kg")
    assumed: bool = documented("-", "whether hours or days are assumed")
    cost: ShiftCost | None = documented("-", "what it costs; None where nothing has a price", default=None)


@dataclass(frozen=True, repr=False)
class Plan(Displayed):
    """What comes out of the line, and which machine holds it back."""

    case: Case = documented("-", "the case, at the throughput that is planned")
    result: Result = documented("-", "its prediction")
    before: tuple[FeedState, ...] = documented("-", "the feed from place to place before the cooler")
    throughput: float = documented("kg/s", "feed of the first machine")
    equipment: tuple[EquipmentPlan, ...] = documented("-", "the steps in order")
    bottleneck: str | None = documented(
        "-", "the step that holds the line back; None where none has a capacity"
    )
    shift: ShiftPlan = documented("-", "what a shift gives")
    warnings: tuple[Warning, ...] = documented("-", "what to look at")
    passed: tuple[Passed, ...] = documented("-", "mass over time at each step, for pictures", default=())
