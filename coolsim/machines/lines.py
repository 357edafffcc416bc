"""What can be set on a line: the knobs of each of its machines, within the limits of that stage.

A knob is called by the number of its stage and its name there: "1.inlet_air_temperature", "2.airflow".
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.result import Result, StageRun
from coolsim.machines import conditioner, dryers, plant
from coolsim.machines.base import Choice, Machine, Setting, Spent, bare, of_conditioner
from coolsim.machines.counterflow import CounterFlow
from coolsim.machines.dryers import Dryer, per_solid
from coolsim.machines.plant_ranges import knob_range
from coolsim.simulate import line
from coolsim.simulate.requirements import is_dryer
from coolsim.simulate.result_building import many


def machines(case: Case) -> list[Case]:
    """Each stage as a case of its own, with the line's feed, target and costs."""
    return [line.by_itself(case, case, k) for k in range(len(case.cooler.stages))]


def ranges(case: Case) -> dict[str, tuple[float, float]]:
    """Ranges of the knobs that the limits of all stages open, the last stage's first.

    Of several weathers they are the widest.
    The search goes finest along the last of its inlet air temperatures: it shall be a dryer's.
    """
    found: dict[str, tuple[float, float]] = conditioner.ranges(case)
    for k, one in reversed([*enumerate(machines(case), 1)]):
        opened = (dryers.ranges if is_dryer(one) else knob_range)(one)
        found |= {
            f"{k}.{name}": (float(np.min(low)), float(np.max(high))) for name, (low, high) in opened.items()
        }
    return found


def with_settings(case: Case, knobs: Mapping[str, float]) -> Case:
    """The line with its machines set so."""
    return LineOfMachines(case).at(knobs)


@dataclass(frozen=True)
class LineOfMachines:
    """A line in its case: a machine of machines."""

    case: Case

    @cached_property
    def machines(self) -> tuple[Machine, ...]:
        """Its machines, each by itself with the feed of the line."""
        return tuple(Dryer(one) if is_dryer(one) else CounterFlow(one) for one in machines(self.case))

    @cached_property
    def settings(self) -> tuple[Setting, ...]:
        """What may be set on any machine."""
        stages = self.case.cooler.stages
        return (
            *of_conditioner(self.case),
            *(
                dataclasses.replace(s, place=str(k), stage=stage.name)
                for k, (stage, machine) in enumerate(zip(stages, self.machines), 1)
                for s in machine.settings
            ),
        )

    @property
    def unopened(self) -> tuple[Setting, ...]:
        """What makes the bed of any machine more even."""
        return tuple(
            dataclasses.replace(s, place=str(k), stage=stage.name)
            for k, (stage, machine) in enumerate(zip(self.case.cooler.stages, self.machines), 1)
            for s in machine.unopened
        )

    @property
    def choices(self) -> tuple[Choice, ...]:
        """The choices of each machine."""
        return tuple(self._choices())

    def _choices(self) -> Iterator[Choice]:
        stages = self.case.cooler.stages
        for k, (stage, machine) in enumerate(zip(stages, self.machines)):
            for one in machine.choices:
                changed = dataclasses.replace(stage, cooler=one.case.cooler)
                there = Line((*stages[:k], changed, *stages[k + 1 :]))
                case = dataclasses.replace(self.case, cooler=there)
                yield dataclasses.replace(one, case=case, place=str(k + 1), stage=stage.name)

    def at(self, values: Mapping[str, float]) -> Case:
        """The line with its conditioner and its machines set so, and its feed."""
        case, values = conditioner.set_so(self.case, values)
        of_feed = {n.removeprefix("feed_"): v for n, v in values.items() if n.startswith("feed_")}
        stages = []
        for k, (stage, machine) in enumerate(zip(self.case.cooler.stages, self.machines), 1):
            own = {n.partition(".")[2]: v for n, v in values.items() if n.startswith(f"{k}.")}
            there = machine.at(own)
            stages.append(dataclasses.replace(stage, cooler=there.cooler, fan=there.fan))
        feed = dataclasses.replace(case.feed, **of_feed)
        return dataclasses.replace(case, feed=feed, cooler=Line(tuple(stages)))

    def read(self, case: Case, result: Result) -> dict[str, float]:
        """How a line is set; a belt of it, whose dwell follows from what it is fed, as its depth says."""
        found = conditioner.read(case)
        for k, (machine, one, run) in enumerate(zip(self.machines, machines(case), result.stages), 1):
            found |= {f"{k}.{name}": x for name, x in machine.read(one, run.result).items()}
        return found

    def named_settings(self, case: Case, result: Result) -> tuple[Any, ...]:
        """The settings of each machine by their names."""
        each = zip(self.machines, machines(case), result.stages)
        each_settings = [
            _as_fed(machine.named_settings(one, run.result), one, run) for machine, one, run in each
        ]
        return tuple(self._with_speed(k, case, settings, result) for k, settings in enumerate(each_settings))

    def _with_speed(self, k: int, case: Case, settings: Any, result: Result) -> Any:
        """The settings of a machine with its fan's speed by the curve, which many predictions do not tell."""
        run = result.stages[k].result
        if not isinstance(settings, plant.Settings) or run.fan is not None:
            return settings
        speed = self.spent_on(k, [case], many(bare(run))).fan["fan_speed"]
        return dataclasses.replace(settings, fan_speed=float(np.ravel(speed)[0]))

    def spent(self, cases: Sequence[Case], result: Result) -> Spent:
        """What all machines of lines take together, of the wet feed of the line."""
        parts = [self.spent_on(k, cases, run.result) for k, run in enumerate(result.stages)]
        electricity, heat = (np.sum([getattr(p, n) for p in parts], axis=0) for n in ("electricity", "heat"))
        of_fans = {f"{k}.{name}": x for k, part in enumerate(parts, 1) for name, x in part.fan.items()}
        return Spent(electricity, heat, np.array([c.feed.throughput for c in cases]), of_fans)

    def spent_on(self, k: int, cases: Sequence[Case], result: Result) -> Spent:
        """What one machine of each line takes, given what it is predicted to do."""
        solid = np.array([c.feed.throughput * (1 - c.feed.moisture) for c in cases])
        if isinstance(self.machines[k], Dryer):
            heat, electricity = per_solid(result)
            return Spent(electricity * solid, heat * solid, solid)
        fed = np.broadcast_to(result.feed_in.moisture_wb + result.feed_in.flash_loss_wb, solid.shape)
        alone = [line.by_itself(c, c, k) for c in cases]
        alone = [
            dataclasses.replace(
                one, feed=dataclasses.replace(one.feed, throughput=s / (1 - M), moisture=float(M))
            )
            for one, s, M in zip(alone, solid, fed)
        ]
        return self.machines[k].spent(alone, result)


def _as_fed(settings: Any, one: Case, run: StageRun) -> Any:
    """The settings of a machine of a line; the time on a belt follows from what it is fed."""
    if one.cooler.arrangement != "belt":
        return settings
    dwell = float(run.result.bed.residence_time)
    speed = sum(zone.length for zone in one.cooler.zones) / dwell
    return dataclasses.replace(settings, duration=dwell, belt_speed=speed)
