"""What can be set on a line: the knobs of each of its machines, within the limits of that stage.

A knob is called by the number of its stage and its name there: "1.inlet_air_temperature", "2.airflow".
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from coolsim import line
from coolsim.case import Case, Line
from coolsim.machines import plant
from coolsim.studies.asked import is_dryer
from coolsim.machines import dryers as of_dryers


def machines(case: Case) -> list[Case]:
    """Each stage as a case of its own, with the line's feed, target and costs."""
    return [line.by_itself(case, case, k) for k in range(len(case.cooler.stages))]


def ranges(case: Case) -> dict[str, tuple[float, float]]:
    """Ranges of the knobs that the limits of all stages open, the last stage's first.

    The search goes finest along the last of its inlet air temperatures: it shall be a dryer's.
    """
    found: dict[str, tuple[float, float]] = {}
    for k, one in reversed([*enumerate(machines(case), 1)]):
        opened = (of_dryers.ranges if is_dryer(one) else plant.knob_range)(one)
        found |= {f"{k}.{name}": (float(low), float(high)) for name, (low, high) in opened.items()}
    return found


def dialled(case: Case, knobs: Mapping[str, float]) -> Case:
    """The line with its machines set so."""
    stages = []
    for k, (stage, one) in enumerate(zip(case.cooler.stages, machines(case)), 1):
        own = {n.partition(".")[2]: v for n, v in knobs.items() if n.startswith(f"{k}.")}
        cooler: Any = of_dryers.dialled(one, own).cooler if is_dryer(one) else _cooler(one, own)
        stages.append(dataclasses.replace(stage, cooler=cooler))
    return dataclasses.replace(case, cooler=Line(tuple(stages)))


def _cooler(one: Case, knobs: Mapping[str, float]) -> Any:
    changed: dict[str, Any] = dict(knobs)
    if "airflow" in changed:
        changed["air_ratio"] = None
    if "inlet_air_temperature" in changed:
        changed["inlet_air_temperature"] = max(changed["inlet_air_temperature"], float(one.air.temperature))
    return dataclasses.replace(one.cooler, **changed)
