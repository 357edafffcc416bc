"""Settings of a machine to buy on the steps of its dials.

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
from coolsim.machines import machine_of
from coolsim.studies.optimise.survey import smoothed, unsmoothed
from coolsim.studies.settings.dial import KEPT_OFF, SLACK
from coolsim.studies.sizing.candidates import OUT_OF_REACH, Candidate
from coolsim.studies.sizing.parts import predicted
from coolsim.studies.sizing.predicted import Predicted
from coolsim.studies.sizing.survey import tried
from coolsim.support.fields import Array

REACH = 6  # steps to either side of what was found, that are weighed on its survey
TRIES, ROUNDS = 3, 4  # combinations of each duty that are tried at once, and how often


def on_their_dials(found: Sequence[tuple[Candidate, Predicted]], load: float, most: float) -> list[Predicted]:
    """The cheapest combinations of dial steps near states that were found; as found, where none keeps everything.

    load: throughput as a share of what the machine is for. most: end of a cooler's dial of airflow [m³/s].
    """
    steps = [_Steps(candidate, p, candidate.duty.opened(p.case, load, most)) for candidate, p in found]
    for _ in range(ROUNDS):
        asked = {k: some for k, s in enumerate(steps) if len(some := s.promising())}
        places = [steps[k].u[some] for k, some in asked.items()]
        rows = tried([steps[k].duty for k in asked], places, mesh="quick") if asked else []
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


class _Steps:
    """Combinations of dial steps near a state: what its survey, and then what was tried, says of each."""

    def __init__(self, candidate: Candidate, p: Predicted, opened: Sequence[Case]) -> None:
        """p: the state, predicted. opened: machines with their dials opened."""
        self.duty, self.each = candidate.duty, []
        for case in opened:
            machine = machine_of(case)
            now = machine.named_settings(case, p.result)
            settings = [s for s in machine.settings if s.varies]
            at = [float(getattr(now, s.key)) for s in settings]
            steps = [s.on_dial(x - REACH * s.step, x + REACH * s.step) for s, x in zip(settings, at)]
            values = np.array(list(product(*steps)))
            placed = self.duty.dialled(case, {s.key: row for s, row in zip(settings, values.T)})
            self.each.append((machine, settings, values, placed))
        self.u = np.concatenate([u for *_, u in self.each])
        self.smooth = np.asarray(candidate.survey.at(self.u[:, None])[..., 0] + candidate.shift[:, None])
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
        """A machine set so."""
        for machine, settings, values, _ in self.each:
            if k < len(values):
                return machine.at({s.key: float(x) for s, x in zip(settings, values[k])})
            k -= len(values)
        raise AssertionError("not reached")
