"""Batch dryers beside a line that never stops: do they keep up, how many would, what gathers on either side?

Throughput q reaches n dryers that take m kg each, in turn, every t = filling + duration + cooling time + emptying:

    capacity n m/t,    load q t/(n m),    needed ⌈q t/m⌉ dryers,    a filling begins every P = m/q

While none is filling, pellets gather at q; a filling takes them away at m/t_f. With t_f = k P + r, k dryers are
filling for P − r of each interval and k + 1 for r, so the heap is largest at the end of the first:
(P − r)(q − k m/t_f), which is m − q t_f where one filling ends before the next begins. Behind the dryers the same
holds with what a batch weighs once dried and the time that it takes to empty. Arithmetic; nothing is simulated.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Batch
from coolsim.case.result import Result, Schedule
from coolsim.case.tables import ScheduleData
from coolsim.support.fields import Number

ROUNDING = 1e-9  # of a load: 1 + 1e-12 of a dryer is one dryer


def schedule_of(cases: Sequence[Case], result: Result) -> Schedule | None:
    """The schedule of batch dryers, one for each case or number of the result; None where one states none."""
    if not all(isinstance(c.cooler, Batch) and c.schedule for c in cases):
        return None
    rows = [_numbers(c) for c in cases]
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    out = result.pellets_out
    if np.ndim(out.moisture_wb) == 0:
        columns = {name: column[0] for name, column in columns.items()}
    return _schedule(columns, out.moisture_wb)


def within_capacity(result: Result) -> Result:
    """The result with the flows of what its dryers can take, where that is less than the whole line."""
    if result.schedule is None:
        return result
    share = 1 / np.maximum(result.schedule.load, 1.0)
    out, bed = result.pellets_out, result.bed
    return dataclasses.replace(
        result,
        pellets_out=dataclasses.replace(out, mass_flow=out.mass_flow * share),
        bed=dataclasses.replace(bed, evaporation=bed.evaporation * share),
    )


def cycle(dryer: Batch, times: ScheduleData) -> dict[str, float]:
    """What a batch dryer's cycle is made of [s]; what its [schedule] does not say takes no time."""
    return {
        "filling": times.filling or 0.0,
        "drying": dryer.duration,
        "cooling": dryer.cooling_time,
        "emptying": times.emptying or 0.0,
    }


def _numbers(case: Case) -> dict[str, float]:
    feed, dryer, times = case.feed, case.cooler, case.schedule
    return {
        "batch_mass": feed.bulk_density * dryer.floor_area * dryer.bed_depth,
        "throughput": feed.throughput,
        "moisture": feed.moisture,
        "density": feed.bulk_density,
        "shrinkage": dryer.shrinkage,
        "filling": times.filling,
        "emptying": times.emptying,
        "cycle": sum(cycle(dryer, times).values()),
        "dryers": times.dryers,
    }


def _schedule(c: Mapping[str, Any], out_wb: Number) -> Schedule:
    m, q, t, n = c["batch_mass"], c["throughput"], c["cycle"], c["dryers"]
    load = q * t / (n * m)
    keeps_up = load <= 1 + ROUNDING
    interval = np.maximum(m / q, t / n)  # dryers that do not keep up are filled as they come free
    dried = (1 - c["moisture"]) / (1 - out_wb)  # of the wet mass
    before = np.where(keeps_up, heap(m, interval, c["filling"]), np.nan)
    after = heap(m * dried, interval, c["emptying"])
    columns = (
        m,
        t,
        n,
        n * m / t,
        load,
        np.ceil(q * t / m - ROUNDING * n),
        interval,
        before,
        before / c["density"],
        np.maximum(q - n * m / t, 0.0) * ~keeps_up,
        after,
        after / (c["density"] * dried),
    )
    shape = np.ndim(out_wb)
    return Schedule(*(np.asarray(x, float) if shape else float(x) for x in columns))


def heap(mass: Number, interval: Number, taking: Number) -> Number:
    """Largest heap [kg] beside an even stream of which `mass` [kg] is taken every `interval` [s], in `taking` [s].

    >>> float(heap(300.0, 600.0, 120.0))  # by hand: 0.5 kg/s for the 480 s in which nothing is taken
    240.0
    """
    taking = np.maximum(taking, ROUNDING)
    at_once = np.floor(taking / interval)
    left = interval - (taking - at_once * interval)
    return left * (mass / interval - at_once * mass / taking)
