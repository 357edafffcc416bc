"""Between which ends a cooler may be set."""

from __future__ import annotations

from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.equipment import fan
from coolsim.simulate.feed_following import throughput_about
from coolsim.simulate.least_bed import depths_to_choose
from coolsim.simulate.requirements import speeds
from coolsim.support.errors import Fault, InputError


def seconds_per_metre(case: Case) -> float:
    """Time that a pellet takes through a metre of bed."""
    return float(case.feed.bulk_density * case.cooler.floor_area / throughput_about(case))


def knob_range(case: Case) -> dict[str, tuple[Any, Any]]:
    """Ranges of the knobs that [limits] opens: airflow, bed depth, inlet-air temperature; equal ends pin.

    No inlet air is colder than outside: where the air holds arrays, so do the ends of that range.
    """
    limits = case.limits
    per_second = 1 / seconds_per_metre(case)
    ranges: dict[str, tuple[Any, Any]] = {}
    if limits.airflow is not None:
        ranges["airflow"] = tuple(limits.airflow)
    elif speeds(case):
        machine = fan.fan_of(case.fan)
        if machine is None:
            raise InputError(
                [Fault("", "limits.fan_speed", "no [fan] table", "give the fan's curve or rated point")]
            )
        top = max(machine.flow) * speeds(case)[1]
        ranges["airflow"] = (0.02 * top, top)
    if limits.bed_depth is not None:
        ranges["bed_depth"] = tuple(limits.bed_depth)
    elif limits.residence_time is not None:
        ranges["bed_depth"] = tuple(per_second * t for t in limits.residence_time)
    if "bed_depth" in ranges:
        ranges["bed_depth"] = depths_to_choose(case, ranges["bed_depth"], per_second)
    if limits.inlet_air_temperature is not None:
        low, high = limits.inlet_air_temperature
        outside = case.air.temperature
        ranges["inlet_air_temperature"] = np.maximum(low, outside)[()], np.maximum(high, outside)[()]
    return ranges
