"""Settings of a dryer to buy on the steps of its dials.

What was found leaves a survey about it, shifted by how far that was off. It tells of every combination of steps
nearby, and of a batch of some depths, which combination to begin with; `settings.dial` closes in on the cheapest.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from itertools import product

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import Setting, machine_of
from coolsim.machines.base import DIAL, DRYER_DEPTH, Forecast, predicted_each
from coolsim.machines.dryers import mass_of, settings_of
from coolsim.simulate.requirements import constraints_of
from coolsim.studies.drying.course import OUTCOMES
from coolsim.studies.drying.sizes.candidates import Candidate
from coolsim.studies.drying.sizes.duties import Duty, depths, times
from coolsim.studies.drying.survey import forth, unsmoothed
from coolsim.studies.settings.dial import SLACK, on_dial
from coolsim.support.fields import Array

REACH = 6  # steps to either side of what was found, that are weighed on its survey
DEPTHS = 3  # steps of a batch's depth, likewise


def on_their_dials(found: Sequence[tuple[Candidate, Case]], load: float) -> list[Case]:
    """The cheapest combinations of dial steps near states that were found; as found, where none keeps everything.

    load: throughput as a share of what the dryer is for.
    """
    starts = [_cheapest(candidate, _opened(candidate.duty, case, load)) for candidate, case in found]
    cases = []
    for (candidate, case), start, result in zip(found, starts, predicted_each(starts)):
        foretold = _forecast(candidate, start)
        place = on_dial(machine_of(start), start, result, constraints_of(start), foretold)
        cases.append(case if place is None else dataclasses.replace(place.case, limits=case.limits))
    return cases


def _opened(duty: Duty, case: Case, load: float) -> list[Case]:
    """A dryer with its dials opened; a batch at each of the depths nearby, which hang on no other dial."""
    if not duty.batch:
        return [_belt(duty, case)]
    low, high = depths(duty.case)
    depth = float(case.cooler.bed_depth)
    if low == high:
        return [_batch(duty, case, depth, load)]
    steps = DRYER_DEPTH * (np.round(depth / DRYER_DEPTH) + np.arange(-DEPTHS, DEPTHS + 1))
    each = [_batch(duty, case, float(d), load) for d in dict.fromkeys(np.clip(steps, low, high))]
    return [one for one in each if one.limits.duration[0] <= one.limits.duration[1]] or each


def _batch(duty: Duty, case: Case, depth: float, load: float) -> Case:
    """A batch of a depth, with its other dials opened.

    It may take a step of the time longer than the reserve leaves: else a batch that takes all of it has no step.
    """
    cooler = dataclasses.replace(case.cooler, bed_depth=depth)
    case = dataclasses.replace(case, cooler=cooler)
    turn = mass_of(case) * case.schedule.dryers / case.feed.throughput
    low, high = times(duty.case)
    step = DIAL["duration"]
    longest = step * (np.ceil((load * turn - duty.overhead) / step) + 1)
    high = min(high, float(longest), turn - duty.overhead)
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


def _cheapest(candidate: Candidate, opened: Sequence[Case]) -> Case:
    """Of dryers with their dials opened the one, set so, that the survey says to be the cheapest on its dials."""
    found = []
    for case in opened:
        machine = machine_of(case)
        settings, now = [s for s in machine.settings if s.varies], settings_of(case)
        at = [float(getattr(now, s.key)) for s in settings]
        steps = [s.on_dial(x - REACH * s.step, x + REACH * s.step) for s, x in zip(settings, at)]
        values = np.array(list(product(*steps)))
        outcomes = _outcomes(candidate, case, settings, values)
        rank = candidate.duty.goal.rank(outcomes, SLACK)
        k = int(rank.argmin())
        found.append((float(rank[k]), machine.at({s.key: float(x) for s, x in zip(settings, values[k])})))
    return min(found, key=lambda one: one[0])[1]


def _forecast(candidate: Candidate, case: Case) -> Forecast:
    """What the survey of a state says of a dryer near to it, for the throughput that it has."""
    limits, fed = candidate.duty.goal.limits, case.feed.throughput

    def rows(settings: Sequence[Setting], values: Array) -> Array:
        known = dict(zip(OUTCOMES, outcomes := _outcomes(candidate, case, settings, values)))
        feed = np.full(len(values), fed)
        return np.array(
            [*limits.excesses(outcomes), fed * known["fan"], fed * known["heat"], feed, known["moisture"]]
        )

    return rows


def _outcomes(candidate: Candidate, case: Case, settings: Sequence[Setting], values: Array) -> Array:
    """Outcomes (outcomes, n) of a dryer set so, values (n, settings), as the survey of a state nearby has them."""
    duty, now = candidate.duty, settings_of(case)
    known = {
        name: np.full(len(values), float(getattr(now, name)))
        for name in (*duty.names[:-1], "bed_depth", "duration")
    }
    known |= {s.key: column for s, column in zip(settings, values.T)}
    if "belt_speed" in known:
        known["bed_depth"] = now.bed_depth * now.belt_speed / known.pop("belt_speed")
    per_depth = case.feed.bulk_density * area_of(case) / case.feed.throughput  # s/m of a belt
    known["time"] = known["duration"] if duty.batch else per_depth * known["bed_depth"]
    if "airflow" in known:  # of the dryer as given
        known["airflow"] = known["airflow"] * area_of(duty.case) / area_of(case)
    u = np.array([[forth(name, float(x)) for x in known[name]] for name in duty.names]).T
    fitted = candidate.survey.at(u[:, None])[..., 0] + candidate.shift[:, None]
    return unsmoothed(fitted)


def _air(duty: Duty, case: Case) -> tuple[float, float] | None:
    """The range of the airflow, which is of the dryer as given, on the floor of this one."""
    given = duty.case.limits.airflow
    share = area_of(case) / area_of(duty.case)
    return None if given is None else (share * given[0], share * given[1])


def area_of(case: Case) -> float:
    """Floor [m²] of one dryer."""
    c = case.cooler
    return float(c.floor_area if c.arrangement == "batch" else c.belt_width * sum(z.length for z in c.zones))
