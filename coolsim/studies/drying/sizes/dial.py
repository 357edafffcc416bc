"""Settings of a dryer to buy on the steps of its dials."""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import machine_of
from coolsim.machines.base import DIAL, DRYER_DEPTH
from coolsim.machines.dryers import mass_of
from coolsim.simulate.prediction import predict
from coolsim.simulate.requirements import constraints_of
from coolsim.studies.drying.sizes.duties import Duty, depths, times
from coolsim.studies.settings.dial import on_dial


def on_its_dials(duty: Duty, found: Case, load: float) -> Case:
    """The cheapest combination of dial steps near a state that was found; as found, where none keeps everything.

    load: throughput as a share of what the dryer is for.
    """
    start = _batch(duty, found, load) if duty.batch else _belt(duty, found)
    place = on_dial(machine_of(start), start, predict(start), constraints_of(start))
    return found if place is None else dataclasses.replace(place.case, limits=found.limits)


def _batch(duty: Duty, case: Case, load: float) -> Case:
    """A batch whose depth is on its dial, with its other dials opened.

    It may take a step of the time longer than the reserve leaves: else a batch that takes all of it has no step.
    """
    low, high = depths(duty.case)
    depth = float(case.cooler.bed_depth)
    if low < high:
        depth = float(np.clip(np.round(depth / DRYER_DEPTH) * DRYER_DEPTH, low, high))
    cooler = dataclasses.replace(case.cooler, bed_depth=depth)
    case = dataclasses.replace(case, cooler=cooler)
    turn = mass_of(case) * case.schedule.dryers / case.feed.throughput
    low, high = times(duty.case)
    step = DIAL["duration"]
    longest = step * (np.ceil((load * turn - duty.overhead) / step) + 1)
    high = max(low, min(high, float(longest), turn - duty.overhead))
    limits = dataclasses.replace(case.limits, bed_depth=None, duration=(low, high), airflow=_air(duty, case))
    cooler = dataclasses.replace(cooler, duration=min(cooler.duration, high))
    return dataclasses.replace(case, cooler=cooler, limits=limits)


def _belt(duty: Duty, case: Case) -> Case:
    """A belt with its dials opened: its speed by the depth."""
    dense = case.feed.bulk_density * area_of(case) / case.feed.throughput
    (low, high), (short, long) = depths(duty.case), (t / dense for t in times(duty.case))
    if low < high:
        low, high = max(low, short), min(high, long)
    limits = dataclasses.replace(
        case.limits,
        bed_depth=(low, high),
        residence_time=None,
        minimum_residence_time=0.0,
        airflow=_air(duty, case),
    )
    return dataclasses.replace(case, limits=limits)


def _air(duty: Duty, case: Case) -> tuple[float, float] | None:
    """The range of the airflow, which is of the dryer as given, on the floor of this one."""
    given = duty.case.limits.airflow
    share = area_of(case) / area_of(duty.case)
    return None if given is None else (share * given[0], share * given[1])


def area_of(case: Case) -> float:
    """Floor [m²] of one dryer."""
    c = case.cooler
    return float(c.floor_area if c.arrangement == "batch" else c.belt_width * sum(z.length for z in c.zones))
