"""A shift of a line: the steps of `capacities` as curves of mass over the time of work, one after the other.

The first step draws on a stock, at the pace of the line (its slowest step, or the throughput that was typed): in
batches, one whenever the last is used up. Nothing waits that the pace does not make wait. In a break nobody is
there: all machines stand still, nothing is filled or emptied. The batch in a dryer goes on to its end by its timer,
and waits there (`Step.goes_on`), unless [shift] dryers_stop. What is in the line at the end is not bagged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.simulate.capacities import Step
from coolsim.studies.planning import flow
from coolsim.studies.planning.flow import Clock, Curve
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Passed:
    """What a step did in a shift; masses in kg of what enters it."""

    step: Step
    arrives: Curve
    taken: Curve
    left: Curve
    begin: Array  # s of work: when each batch began; empty where it runs all the time
    end: Array  # s of work: when it was emptied
    waits: float  # s by the clock, longest
    heap: float  # kg waiting, most

    def taken_by(self, end: float) -> float:
        """Mass that entered it [kg]."""
        return float(self.taken.at(end))

    def left_by(self, end: float) -> float:
        """Mass that was done with, as it entered [kg]."""
        return float(self.left.at(end))

    def done(self, end: float) -> int:
        """Batches that were finished."""
        return int((self.end <= end * (1 + 1e-9)).sum())

    def runs(self, end: float) -> float:
        """Time [s] in which it ran; batches of several units each for themselves."""
        if self.step.batch is not None:
            cycle, so_far = self.step.cycle, np.minimum(self.step.cycle, end - self.begin)
            return float(np.where(self.end <= end, cycle, so_far).sum())
        first = np.flatnonzero(self.arrives.mass > 0)
        began = self.arrives.time[max(int(first[0]) - 1, 0)] if len(first) else end
        return float(max(end - began, 0.0))


def passed(steps: Sequence[Step], pace: float, clock: Clock) -> list[Passed]:
    """What each step does in a shift, at a pace [kg/s] of mash into the line."""
    end, found = clock.work, []
    first = steps[0]
    rate = pace * first.enters
    beyond = end + 2 * max(s.cycle for s in steps)  # what is being filled at the end goes on being filled
    arrives = flow.steady(rate, beyond)
    if first.batch is not None:
        arrives = flow.stocked(rate, beyond, first.batch)
    for k, step in enumerate(steps):
        waiting = arrives
        arrives = arrives.later(step.stands)
        begin = finish = np.zeros(0)
        if step.batch is not None:
            times = (step.cycle, step.count, step.filling if k else 0.0, step.emptying)
            on = clock if step.goes_on and clock.breaks else None
            batches = flow.in_batches(arrives, step.batch, *times, end, on)
            begin, finish, taken, left = batches.begin, batches.end, batches.taken, batches.left
        else:
            taken = arrives if step.rate is None else flow.limited(arrives, step.rate)
            left = taken.later(step.delay)
        wait = flow.waits(waiting, taken, end, clock) if k else flow.Wait(0.0, 0.0)
        found.append(Passed(step, waiting, taken, left, begin, finish, wait.longest, wait.most))
        if k + 1 < len(steps):
            arrives = left.scaled(steps[k + 1].enters / step.enters)
    return found
