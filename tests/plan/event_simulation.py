"""A line played through event by event, parcel by parcel: a second opinion on a plan, which has none.

Machines hold queues; a heap of events says what happens next; in a break every process stands still, but for the
batch in a dryer that goes on.
"""

from __future__ import annotations

import heapq
import itertools


class Play:
    """The clock, the heap of events and the breaks."""

    def __init__(self, hours, breaks):
        self.hours, self.breaks = hours, breaks
        self.events, self.count, self.now = [], itertools.count(), 0.0

    def later(self, work):
        """When `work` seconds of work from now have passed."""
        t, left = self.now, work
        for begin, length in self.breaks:
            if begin + length <= t:
                continue
            if t >= begin:  # within it
                t = begin + length
            elif t + left > begin + 1e-9:
                left -= begin - t
                t = begin + length
            else:
                break
        return t + left

    def after(self, work, action):
        heapq.heappush(self.events, (self.later(work), next(self.count), action))

    def after_by_clock(self, seconds, action):
        """When that much time has passed, be it work or a break."""
        heapq.heappush(self.events, (self.now + seconds, next(self.count), action))

    def run(self):
        while self.events and self.events[0][0] <= self.hours:
            self.now, _, action = heapq.heappop(self.events)
            action()


class Running:
    """A machine that runs all the time: one parcel after the other."""

    def __init__(self, play, rate, delay, scale):
        self.play, self.rate, self.delay, self.scale = play, rate, delay, scale
        self.queue, self.busy, self.next, self.most = [], False, None, 0.0

    def take(self, mass):
        self.queue.append(mass)
        self.most = max(self.most, sum(self.queue))
        self.work()

    def work(self):
        if self.busy or not self.queue:
            return
        self.busy = True
        mass = self.queue.pop(0)
        self.play.after(mass / self.rate, lambda: self.done(mass))

    def done(self, mass):
        self.busy = False
        self.play.after(self.delay, lambda: self.next(mass * self.scale))
        self.work()


class InBatches:
    """A machine in batches: begins when a unit is free and a whole batch is there."""

    def __init__(self, play, batch, cycle, count, emptying, scale, parcels=8, filling=0.0, goes_on=False):
        self.play, self.batch, self.cycle, self.free = play, batch, cycle, count
        self.filling, self.goes_on = filling, goes_on
        self.emptying, self.scale, self.parcels = emptying, scale, parcels
        self.stock, self.next, self.finished, self.most = 0.0, None, 0, 0.0

    def take(self, mass):
        self.stock += mass
        self.most = max(self.most, self.stock)
        self.work()

    def work(self):
        while self.free and self.stock >= self.batch * (1 - 1e-9):
            self.free -= 1
            self.stock -= self.batch
            if not self.goes_on:
                self.unload(self.cycle - self.emptying)
                continue
            self.play.after(self.filling, self.dry)  # people fill it

    def dry(self):
        """By the clock, whether or not people are there; they empty it, once they are."""
        self.play.after_by_clock(self.cycle - self.filling - self.emptying, lambda: self.unload(0.0))

    def unload(self, after):
        """Empty it, parcel by parcel, once so much work has passed."""
        for k in range(self.parcels):
            begin = after + self.emptying * (k + 1) / self.parcels
            self.play.after(begin, lambda: self.next(self.batch / self.parcels * self.scale))
        self.play.after(after + self.emptying, self.end)

    def end(self):
        self.free += 1
        self.finished += 1
        self.work()


def played(steps, pace, hours, breaks, parcels=60):
    """Kilograms at the end of the line, and its machines. The source is a stock, drawn on at the line's pace."""
    play = Play(hours, breaks)
    machines = []
    for k, s in enumerate(steps):
        after = steps[k + 1].enters if k + 1 < len(steps) else s.leaves
        scale = after / s.enters
        if s.batch is None:
            machines.append(Running(play, s.rate or 1e9, s.delay, scale))
        else:
            more = {"filling": s.filling, "goes_on": s.goes_on}
            machines.append(InBatches(play, s.batch, s.cycle, round(s.count), s.emptying, scale, **more))
    bagged = []
    for one, other in itertools.pairwise(machines):
        one.next = other.take
    machines[-1].next = bagged.append
    first, rate = steps[0], pace * steps[0].enters
    parcel = first.batch or rate * hours / 2000
    smallest = min((s.batch / s.enters * first.enters for s in steps if s.batch), default=parcel * parcels)
    parcel = first.batch or min(parcel, smallest / parcels)

    def fed():
        if first.batch is not None:
            machines[0].take(parcel)
            play.after(parcel / rate, fed)
        else:
            play.after(parcel / rate, lambda: (machines[0].take(parcel), fed()))

    fed()
    play.run()
    return sum(bagged), machines
