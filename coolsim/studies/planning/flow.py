"""Mass that has come by, as curves over time: what a step that runs all the time, or in batches, makes of it.

A curve is broken straight: `mass` [kg] that has arrived by `time` [s], neither ever falling; a jump is two points
of one time. A step that takes no more than r hands on D(t) = min over s ≤ t of A(s) + r (t − s), which is
r t + running least of A(s) − r s (Le Boudec & Thiran, Network Calculus, 2001; memory, high). A batch begins once a
unit is free and nothing that it takes while it is filled is still to come.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.line_parts import working
from coolsim.support.fields import Array

MOST_BATCHES = 100_000  # of a step in a shift


@dataclass(frozen=True)
class Curve:
    """Mass that has come by."""

    time: Array  # s
    mass: Array  # kg

    def at(self, time: Array | float) -> Array:
        """Mass [kg] that has come by some time; of a jump all of it."""
        return self._read(time, "right")

    def before(self, time: Array | float) -> Array:
        """The same, of a jump none of it."""
        return self._read(time, "left")

    def _read(self, time: Array | float, side: Any) -> Array:
        t = np.asarray(time, float)
        after = np.searchsorted(self.time, t, side)
        low = np.clip(after - 1, 0, len(self.time) - 1)
        high = np.clip(after, 0, len(self.time) - 1)
        span = self.time[high] - self.time[low]
        share = np.where(span > 0, (t - self.time[low]) / np.where(span > 0, span, 1.0), 0.0)
        mass = self.mass[low] + np.clip(share, 0.0, 1.0) * (self.mass[high] - self.mass[low])
        return np.asarray(np.where(t < self.time[0], 0.0, mass))

    def when(self, mass: Array | float) -> Array:
        """First time [s] at which so much has come by; infinite where it never has."""
        x = np.asarray(mass, float)
        at = np.searchsorted(self.mass, x * (1 - 1e-12), "left")
        high = np.clip(at, 0, len(self.mass) - 1)
        low = np.clip(at - 1, 0, len(self.mass) - 1)
        rise = self.mass[high] - self.mass[low]
        share = np.where(rise > 0, (x - self.mass[low]) / np.where(rise > 0, rise, 1.0), 1.0)
        time = self.time[low] + np.clip(share, 0.0, 1.0) * (self.time[high] - self.time[low])
        return np.asarray(np.where(at >= len(self.mass), np.inf, time))

    def scaled(self, share: float) -> Curve:
        """The same with all masses times a share."""
        return Curve(self.time, self.mass * share)

    def later(self, seconds: float) -> Curve:
        """The same some seconds later."""
        return Curve(np.append(0.0, self.time + seconds), np.append(0.0, self.mass)) if seconds else self


def steady(rate: float, until: float) -> Curve:
    """A stream [kg/s] that begins at once and ends `until` [s]."""
    return Curve(np.array([0.0, until]), np.array([0.0, rate * until]))


def stocked(rate: float, until: float, batch: float) -> Curve:
    """Batches drawn from a stock, one whenever the stream would have carried the one before away."""
    count = min(int(np.ceil(rate * until / batch - 1e-9)), MOST_BATCHES)
    begin = np.arange(count) * (batch / rate)
    time = np.append(np.repeat(begin, 2), until)
    mass = np.append(np.repeat(np.arange(count + 1) * batch, 2)[1:-1], count * batch)
    return Curve(time, mass)


def limited(arrives: Curve, rate: float) -> Curve:
    """What a step that takes no more than `rate` [kg/s] has taken."""
    t, ahead = arrives.time, arrives.mass - rate * arrives.time
    least = np.minimum.accumulate(ahead)
    # the running least bends between points, where it begins to fall again
    before, now = least[:-1], ahead[1:]
    bends = (now < before) & (ahead[:-1] > before)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (ahead[:-1] - before) / (ahead[:-1] - now)
    at = np.flatnonzero(bends)
    time = np.insert(t, at + 1, t[at] + share[at] * (t[at + 1] - t[at]))
    low = np.insert(least, at + 1, before[at])
    end = arrives.mass[-1]
    over = max((end - (low[-1] + rate * time[-1])) / rate, 0.0)  # what is left is worked off
    time, low = np.append(time, time[-1] + over), np.append(low, low[-1])
    return Curve(time, np.minimum(low + rate * time, end))


@dataclass(frozen=True)
class Batches:
    """What a step in batches does: when each begins, what it has taken and handed on."""

    begin: Array  # s
    end: Array  # s, emptied
    taken: Curve
    left: Curve


def in_batches(
    arrives: Curve,
    batch: float,
    cycle: float,
    count: float,
    filling: float,
    emptying: float,
    until: float,
    goes_on: Clock | None = None,
) -> Batches:
    """Batches [kg] of a cycle [s] in `count` units, filled in turn in `filling` [s], emptied at the end [s].

    Those that begin `until` [s]; what is filled evenly may still come in while it is. goes_on: a shift in whose
    breaks what is in a unit goes on; it is filled and emptied in the time of work.
    """
    units = round(count)

    def ends(begin: float) -> float:
        if goes_on is None:
            return begin + cycle
        dried = float(goes_on.by_clock(begin + filling)) + (cycle - filling - emptying)
        return float(goes_on.at_work(dried)) + emptying

    starts: list[float] = []
    whole = int(arrives.mass[-1] / batch + 1e-9)
    for k in range(min(whole, MOST_BATCHES)):
        low, high = k * batch, (k + 1) * batch
        first = np.searchsorted(arrives.mass, low * (1 - 1e-12), "left")
        last = np.searchsorted(arrives.mass, high * (1 - 1e-12), "left")
        part = slice(int(first), int(last))
        ready = arrives.time[part] - (arrives.mass[part] - low) / batch * filling
        full = float(arrives.when(high)) - filling
        free = ends(starts[k - units]) if k >= units else 0.0
        begin = max(0.0, full, free, *([float(ready.max())] if ready.size else []))
        if begin >= until:
            break
        starts.append(begin)
    begin_, end_ = np.array(starts), np.array([ends(begin) for begin in starts])
    taken = _ramps(begin_, filling, batch, until)
    return Batches(begin_, end_, taken, _ramps(end_ - emptying, emptying, batch, until))


def _ramps(begin: Array, lasts: float, batch: float, until: float) -> Curve:
    """Batches that each come by within `lasts` [s] of their beginning, whichever overlap."""
    if not len(begin):
        return Curve(np.array([0.0, until]), np.zeros(2))
    if lasts <= 0:
        steps = np.repeat(np.arange(len(begin) + 1) * batch, 2)[:-1]
        return _closed(np.append(0.0, np.repeat(begin, 2)), steps, until)
    times = np.unique(np.concatenate([[0.0], begin, begin + lasts]))
    share = np.clip((times[:, None] - begin[None, :]) / lasts, 0.0, 1.0) if len(begin) < 3000 else None
    if share is None:
        mass = sum(np.clip((times - b) / lasts, 0.0, 1.0) for b in begin) * batch
    else:
        mass = share.sum(axis=1) * batch
    return _closed(times, mass, until)


def _closed(time: Array, mass: Array, until: float) -> Curve:
    """A curve that lasts at least `until` [s]."""
    if time[-1] < until:
        time, mass = np.append(time, until), np.append(mass, mass[-1])
    return Curve(time, mass)


@dataclass(frozen=True)
class Wait:
    """How long and how much waits between two curves."""

    longest: float  # s
    most: float  # kg


def waits(arrives: Curve, taken: Curve, until: float, calendar: Clock) -> Wait:
    """Longest time by the clock that anything waits, and the largest heap, up to `until` [s] of work."""
    times = np.unique(np.clip(np.concatenate([arrives.time, taken.time]), 0.0, until))
    heap = arrives.at(times) - taken.before(times)  # as it stands when a batch is about to be taken
    ends = [arrives.at(until), taken.at(until)]
    levels = np.unique(np.concatenate([arrives.mass, taken.mass, ends]))
    levels = levels[(levels > 0) & (levels <= arrives.at(until))]
    if not len(levels):
        return Wait(0.0, float(max(heap.max(initial=0.0), 0.0)))
    # just above a level as well as at it: what comes first after a pause has waited longest
    levels = np.concatenate([levels, levels[:-1] + 1e-6 * np.diff(levels), [1e-9 * levels[0]]])
    begin = np.minimum(arrives.when(levels), until)
    end = np.minimum(taken.when(levels), until)
    longest = float((calendar.by_clock(end) - calendar.by_clock(begin)).max())
    return Wait(max(longest, 0.0), float(max(heap.max(initial=0.0), 0.0)))


@dataclass(frozen=True)
class Clock:
    """A shift with breaks in which nobody is there: time of work ↔ time by the clock."""

    hours: float  # s, of the shift by the clock
    breaks: tuple[tuple[float, float], ...] = ()  # begin and length, s by the clock

    @property
    def work(self) -> float:
        """Time [s] in which it runs."""
        return working(self.hours, self.breaks)

    def by_clock(self, work: Array | float) -> Array:
        """Time [s] by the clock since the shift began, of a time of work [s]."""
        w = np.asarray(work, float)
        found, passed = w.copy(), 0.0
        for begin, length in self.breaks:
            found = np.where(w > begin - passed + 1e-9, found + length, found)
            passed += length
        return np.asarray(found)

    def at_work(self, clock: Array | float) -> Array:
        """Time of work [s] that has passed at a time by the clock [s]; in a break that at its beginning."""
        t = np.asarray(clock, float)
        return np.asarray(t - sum(np.clip(t - begin, 0.0, length) for begin, length in self.breaks))
