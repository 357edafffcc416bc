"""Settings of a dryer to buy on the steps of its dials.

What was found leaves a survey about it, shifted by how far that was off. It tells of every combination of steps
nearby, of a batch at some depths, too; the most promising are tried, those of all duties side by side, and the
cheapest is predicted. `settings.dial` makes such a survey for each case, and tries case after case: of two batches
in two weathers that took twice as long, and knew of one depth.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.machines import Setting, machine_of
from coolsim.machines.base import DIALS
from coolsim.machines.dryers import mass_of, settings_of
from coolsim.studies.optimise.march_outcomes import QUICK
from coolsim.studies.optimise.survey import forth, smoothed, unsmoothed
from coolsim.studies.settings.dial import KEPT_OFF, SLACK
from coolsim.studies.sizing.candidates import OUT_OF_REACH, Candidate
from coolsim.studies.sizing.dryer_duties import Duty, depths, times, tried
from coolsim.studies.sizing.dryer_parts import Predicted, predicted
from coolsim.support.fields import Array

REACH = 6  # steps to either side of what was found, that are weighed on its survey
DEPTHS = 3  # steps of a batch's depth, likewise
TRIES, ROUNDS = 3, 4  # combinations of each duty that are tried at once, and how often


def on_their_dials(found: Sequence[tuple[Candidate, Predicted]], load: float) -> list[Predicted]:
    """The cheapest combinations of dial steps near states that were found; as found, where none keeps everything.

    load: throughput as a share of what the dryer is for.
    """
    steps = [_Steps(candidate, _opened(candidate.duty, p.case, load)) for candidate, p in found]
    for _ in range(ROUNDS):
        asked = {k: some for k, s in enumerate(steps) if len(some := s.promising())}
        places = [steps[k].u[some] for k, some in asked.items()]
        rows = tried([steps[k].duty for k in asked], places, resolution=QUICK) if asked else []
        for (k, some), outcomes in zip(asked.items(), rows):
            steps[k].learn(some, outcomes[:, -1])
    dialled = [p for _, p in found]
    waiting = list(range(len(found)))
    for _ in range(ROUNDS):
        chosen = {k: best for k in waiting if (best := steps[k].cheapest()) is not None}
        cases = [
            dataclasses.replace(steps[k].case(best), limits=found[k][1].case.limits)
            for k, best in chosen.items()
        ]
        for (k, best), p in zip(chosen.items(), predicted(cases)):
            if steps[k].keeps(best, p.outcomes):
                dialled[k] = p
                waiting.remove(k)
    return dialled


def _opened(duty: Duty, case: Case, load: float) -> list[Case]:
    """A dryer with its dials opened; a batch at each of the depths nearby, which hang on no other dial."""
    if not duty.batch:
        return [_belt(duty, case)]
    low, high = depths(duty.case)
    depth = float(case.cooler.bed_depth)
    if low == high:
        return [_batch(duty, case, depth, load)]
    step = DIALS[case.units]["dryer_bed_depth"]
    steps = step * (np.round(depth / step) + np.arange(-DEPTHS, DEPTHS + 1))
    each = [_batch(duty, case, float(d), load) for d in dict.fromkeys(np.clip(steps, low, high))]
    return [one for one in each if one.limits.duration[0] <= one.limits.duration[1]] or each


def _batch(duty: Duty, case: Case, depth: float, load: float) -> Case:
    """A batch of a depth, with its other dials opened.

    Its time may be rounded up beyond what the reserve leaves: else one that takes all of it has no step.
    """
    cooler = dataclasses.replace(case.cooler, bed_depth=depth)
    case = dataclasses.replace(case, cooler=cooler)
    turn = mass_of(case) * case.schedule.dryers / case.feed.throughput
    low, high = times(duty.case)
    step = DIALS[case.units]["duration"]
    longest = step * np.ceil((load * turn - duty.overhead) / step)
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


class _Steps:
    """Combinations of dial steps near a state: what its survey, and then what was tried, says of each."""

    def __init__(self, candidate: Candidate, opened: Sequence[Case]) -> None:
        """opened: dryers with their dials opened."""
        self.duty, self.each = candidate.duty, []
        for case in opened:
            machine, now = machine_of(case), settings_of(case)
            settings = [s for s in machine.settings if s.varies]
            at = [float(getattr(now, s.key)) for s in settings]
            steps = [s.on_dial(x - REACH * s.step, x + REACH * s.step) for s, x in zip(settings, at)]
            values = np.array(list(product(*steps)))
            self.each.append((machine, settings, values, _placed(self.duty, case, settings, values)))
        self.u = np.concatenate([u for *_, u in self.each])
        self.smooth = _fitted(candidate, self.u)
        self.looked = np.zeros(len(self.u), bool)

    def _ranks(self) -> Array:
        rank = self.duty.goal.rank(unsmoothed(self.smooth), KEPT_OFF if self.looked.any() else SLACK)
        rank[self.looked] = self.duty.goal.rank(unsmoothed(self.smooth[:, self.looked]), KEPT_OFF)
        return rank

    def promising(self) -> NDArray[np.intp]:
        """The cheapest that nobody has looked at, where cheaper than the best that was."""
        rank = self._ranks()
        most = rank[self.looked].min(initial=np.inf)
        order = np.argsort(np.where(self.looked, np.inf, rank), kind="stable")[:TRIES]
        return order[rank[order] < most]

    def learn(self, some: NDArray[np.intp], outcomes: Array) -> None:
        """Put what was found of some (outcomes, some) in place of what was expected, and shift the others by it."""
        well = np.isfinite(outcomes).all(axis=0)
        off = smoothed(outcomes[:, well]) - self.smooth[:, some[well]]
        if well.any():
            self.smooth[:, ~self.looked] += off.mean(axis=1)[:, None]
        self.looked[some] = True
        self.smooth[:, some[well]] = smoothed(outcomes[:, well])

    def cheapest(self) -> int | None:
        """The cheapest that was looked at and serves."""
        rank = np.where(self.looked, self._ranks(), np.inf)
        return int(rank.argmin()) if rank.min() < OUT_OF_REACH else None

    def keeps(self, k: int, outcomes: Array) -> bool:
        """Whether one keeps everything, and as far off as typing takes, now that it was predicted."""
        self.smooth[:, k] = smoothed(outcomes)
        return bool((self.duty.goal.limits.excesses(outcomes) <= -KEPT_OFF).all())

    def case(self, k: int) -> Case:
        """A dryer set so."""
        for machine, settings, values, _ in self.each:
            if k < len(values):
                return machine.at({s.key: float(x) for s, x in zip(settings, values[k])})
            k -= len(values)
        raise AssertionError("not reached")


def _placed(duty: Duty, case: Case, settings: Sequence[Setting], values: Array) -> Array:
    """Coordinates (n, axes) of a dryer set so, values (n, settings)."""
    now, per_depth = settings_of(case), case.feed.bulk_density * area_of(case) / case.feed.throughput
    names = (*duty.names[:-1], "bed_depth", "duration")
    known = {name: np.full(len(values), float(getattr(now, name))) for name in names}
    known |= {s.key: column for s, column in zip(settings, values.T)}
    if "belt_speed" in known:
        known["bed_depth"] = now.bed_depth * now.belt_speed / known.pop("belt_speed")
    known["time"] = known["duration"] if duty.batch else per_depth * known["bed_depth"]
    if "airflow" in known:  # of the dryer as given
        known["airflow"] = known["airflow"] * area_of(duty.case) / area_of(case)
    return np.array([[forth(name, float(x)) for x in known[name]] for name in duty.names]).T


def _fitted(candidate: Candidate, u: Array) -> Array:
    """Smoothed outcomes (outcomes, n) at coordinates (n, axes), as the survey of a state nearby has them."""
    return np.asarray(candidate.survey.at(u[:, None])[..., 0] + candidate.shift[:, None])


def _air(duty: Duty, case: Case) -> tuple[float, float] | None:
    """The range of the airflow, which is of the dryer as given, on the floor of this one."""
    given = duty.case.limits.airflow
    share = area_of(case) / area_of(duty.case)
    return None if given is None else (share * given[0], share * given[1])


def area_of(case: Case) -> float:
    """Floor [m²] of one dryer."""
    c = case.cooler
    return float(c.floor_area if c.arrangement == "batch" else c.belt_width * sum(z.length for z in c.zones))
