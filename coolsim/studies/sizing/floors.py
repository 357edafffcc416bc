"""The best state of each duty on floors of given sizes: many small searches side by side.

On one floor the feed flux is known, and air ratio, depth and inlet-air temperature are free. A grid on the survey,
with the places between neighbours where a limit is crossed, finds the best region; ever smaller grids close in on
its bottom, all floors and duties at once. Nothing is assumed about direction or convexity. What is found is
predicted on the full mesh, first with even beds, the survey is shifted by the difference, and the search goes on
from there.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.machines.base import FULL
from coolsim.machines.plant import Outcome, Weighed
from coolsim.model.bed import take
from coolsim.simulate.requirements import FEASIBLE, Constraint
from coolsim.studies.outcome_rows import pack
from coolsim.studies.sizing.duties import Points
from coolsim.studies.sizing.survey import Survey
from coolsim.support.fields import Array

GRID, THIN = (49, 21, 1), (33, 13, 5)  # air ratio, depth, inlet temperature; the second where that is free
CLOSE, REACH = (9, 9, 7), 1.5  # points of a smaller grid; it reaches this many steps of the last to each side
LEVELS = 9
LOOKS = 2  # corrections of the survey by even beds, before beds are predicted as they are
AROUND = 0.05  # of each range: how far a corrected survey is looked at to each side of the last state
CLOSER = 0.2  # of the excess that counts as none (NEARLY, at first), from one grid to the next
# Share of the score that a corrected survey must promise to be followed: where weight lost has a price, 0.3 % of
# the cost is a thousandth of a point of moisture.
WORTHWHILE = 3e-3
CORRECTIONS = 5  # predictions of a state, each after a shift by how far the one before was off
NEARLY = 3e-3  # excess of a crossing found by a straight line between neighbours
MARGIN = 5e-6  # of a bound's scale, that a corrected survey keeps free: it is off by a little once more
SERVED = 3e-7  # largest excess on the survey that counts as none in the end

Score = Callable[[Weighed], Array]


@dataclass(frozen=True)
class Best:
    """The best state of each of N floors of duties, on the full mesh."""

    points: Points  # (N,)
    outcome: Outcome  # (N,)
    excess: Array  # (limits, N)
    score: Array  # (N,)

    @property
    def feasible(self) -> Any:
        """Whether each keeps its limits."""
        return (self.excess <= FEASIBLE).all(axis=0)


@dataclass(frozen=True)
class Goal:
    """The lowest score that keeps limits."""

    score: Score
    limits: list[Constraint]
    ridge: Constraint | None = None  # of moisture, each duty's, at which the score has a kink


@dataclass(frozen=True)
class _Seen:
    """The best on the survey of each of N floors."""

    place: Array  # (3, N): logarithms of air ratio and depth, and inlet temperature
    worst: Array  # (N,) largest excess
    score: Array


class Floors:
    """Searches over one survey."""

    def __init__(self, survey: Survey) -> None:
        self.survey, self.duties = survey, survey.duties

    def areas(self, count: int) -> Array:
        """Floor areas [m²], from the smallest to the largest on which every duty can be looked at."""
        low, high = np.exp(self.survey.low), np.exp(self.survey.high)
        dense, fed = (self.duties.known[name] for name in ("bulk_density", "throughput"))
        shallow, deep = self.duties.depths()
        most = np.minimum(high[0] / low[1], deep * dense / low[2])  # wet feed, kg/(m² s)
        least = np.maximum(low[0] / high[1], shallow * dense / high[2])
        return np.geomspace((fed / most).max(), (fed / least).min(), count)

    def surveyed(self, goal: Goal, duty: Any, area: Array) -> _Seen:
        """The best on the survey of each of N floors; duty, area: (N,)."""
        flux = self._flux(duty, area)
        low, high = self._ranges(duty, flux)
        counts = THIN if self.survey.varied[3] else GRID
        return self._closed_in(goal, duty, flux, (low + high) / 2, (high - low) / 2, counts, 0.0)

    def lay_on_unevenness(self, goal: Goal, small: float, large: float) -> None:
        """Learn what unevenness adds from where even beds are at their best, on a small and on a large floor."""
        duty = np.tile(np.arange(len(self.duties)), 2)
        area = np.repeat([small, large], len(self.duties))
        place = self.surveyed(goal, duty, area).place
        self.survey.lay_on_unevenness(_points(duty, self._flux(duty, area), place))

    def looked(self, goal: Goal, duty: Any, area: Array) -> _Seen:
        """The same with the survey corrected where that finds the best: by even beds on the full mesh, a ninth of
        the work of uneven ones, and what the survey says that unevenness adds."""
        flux, place = self._flux(duty, area), self.surveyed(goal, duty, area).place
        added = self.survey.added_by_unevenness(_points(duty, flux, place))
        return self._corrected(goal, duty, flux, place, added)

    def find(self, goal: Goal, duty: Any, area: Array) -> Best:
        """The best of each of N floors, predicted on the full mesh; where none keeps the limits, the least
        broken one."""
        flux, best = self._flux(duty, area), None
        place = self.surveyed(goal, duty, area).place
        if self.duties.even() is not self.duties:
            added = self.survey.measured_unevenness(_points(duty, flux, place))
            for _ in range(LOOKS):
                place = self._corrected(goal, duty, flux, place, added).place
        open_: Any = np.arange(len(duty))
        for _ in range(CORRECTIONS):
            now = self._predicted(goal, duty[open_], flux[open_], place[:, open_])
            shift = pack(now.outcome) - self.survey(now.points)
            best = now if best is None else _better(best, now, open_)
            seen = self._about(goal, duty[open_], flux[open_], place[:, open_], shift)
            place[:, open_] = seen.place
            open_ = open_[~best.feasible[open_] | (seen.score < (1 - WORTHWHILE) * best.score[open_])]
            if not len(open_):
                break
        assert best is not None
        return best

    def _corrected(self, goal: Goal, duty: Any, flux: Array, place: Array, added: Array) -> _Seen:
        """The best near a place by the survey and what even beds there add to it; added: by unevenness."""
        points = _points(duty, flux, place)
        even = pack(self.duties.even().predicted(points, FULL))
        return self._about(goal, duty, flux, place, even + added - self.survey(points))

    def _flux(self, duty: Any, area: Array) -> Array:
        return np.asarray(self.duties.known["throughput"][duty] / area)

    def _about(self, goal: Goal, duty: Any, flux: Array, place: Array, shift: Array) -> _Seen:
        """The best near a place on the survey, corrected there."""
        low, high = self._ranges(duty, flux)
        return self._closed_in(goal, duty, flux, place, AROUND * (high - low), CLOSE, shift)

    def _predicted(self, goal: Goal, duty: Any, flux: Array, place: Array) -> Best:
        points = _points(duty, flux, place)
        outcome = self.duties.predicted(points, FULL)
        state = self.duties.weighed(points, outcome)
        return Best(points, outcome, self.duties.excesses(points, state, goal.limits), goal.score(state))

    def _ranges(self, duty: Any, flux: Array) -> tuple[Array, Array]:
        """Lowest and highest place (3, N) on each floor: what is allowed, of what was surveyed.

        Where nothing is left, the end that was allowed: the survey, continued, finds it to break limits.
        """
        low, high = self.survey.low[:, duty], self.survey.high[:, duty]
        dense = np.log(self.duties.known["bulk_density"][duty] / flux)
        shallow, deep = np.log(self.duties.depths())
        least = np.stack(
            [np.maximum(low[1], low[0] - np.log(flux)), np.maximum(shallow, low[2] - dense), low[3]]
        )
        most = np.stack(
            [np.minimum(high[1], high[0] - np.log(flux)), np.minimum(deep, high[2] - dense), high[3]]
        )
        return np.minimum(least, most), most

    def _closed_in(
        self,
        goal: Goal,
        duty: Any,
        flux: Array,
        middle: Array,
        wide: Array,
        counts: tuple[int, ...],
        shift: Array | float,
    ) -> _Seen:
        """The best within `wide` of `middle` on a grid, then on ever smaller ones about it."""
        low, high = self._ranges(duty, flux)
        free: Any = (high > low).any(axis=1)
        for level in range(LEVELS):
            at = [np.linspace(-1, 1, n) if f else np.zeros(1) for n, f in zip(counts, free)]
            axes = [
                np.clip(m[:, None] + w[:, None] * t, a[:, None], b[:, None])
                for m, w, t, a, b in zip(middle, wide, at, low, high)
            ]
            steps = np.array([2.0 / max(len(t) - 1, 1) for t in at])[:, None] * wide
            seen = self._best(goal, duty, flux, axes, shift, NEARLY * CLOSER**level)
            middle, wide, counts = seen.place, REACH * steps, CLOSE
        return seen

    def _best(
        self, goal: Goal, duty: Any, flux: Array, axes: list[Array], shift: Array | float, slack: float
    ) -> _Seen:
        """The best of a grid for each floor, and of where limits are crossed between neighbours on it."""
        rows = self.survey.on_grids(duty, flux, np.exp(axes[0]), np.exp(axes[1]), axes[2])
        rows = rows + (np.asarray(shift)[:, :, None, None, None] if np.ndim(shift) else shift)
        floor = np.arange(len(duty))[:, None, None, None]
        x = (axes[0][:, :, None, None], axes[1][:, None, :, None], axes[2][:, None, None, :])
        places = np.stack([np.broadcast_to(a, rows.shape[1:]) for a in x])
        margin = MARGIN if np.ndim(shift) else 0.0
        excess, score = self._look(goal, duty[floor], flux[floor], places, rows)
        excess += margin
        edges, ridge = excess, None
        if goal.ridge:
            ridge = goal.ridge.bound[duty]
            at = dataclasses.replace(goal.ridge, bound=ridge[:, None, None, None])
            edges = np.concatenate([excess, at.violation(rows[:1])])
        found = [_best_of_each(places, excess.max(axis=0), score, slack)]
        for axis in range(3):
            n, y, between = _crossings(places, rows, edges, axis + 1, ridge)
            if len(n):
                e, f = self._look(goal, duty[n], flux[n], y, between)
                found.append((n, y, e.max(axis=0) + margin, f))
        n, y, worst, score = (np.concatenate(parts, axis=-1) for parts in zip(*found))
        order = np.lexsort((score, np.where(worst <= slack, 0.0, worst), n))
        first = order[np.searchsorted(n[order], np.arange(len(duty)))]
        return _Seen(y[:, first], worst[first], score[first])

    def _look(self, goal: Goal, duty: Any, flux: Array, places: Array, rows: Array) -> tuple[Array, Array]:
        points = _points(duty, flux, places)
        state = self.survey.state(points, rows)
        return self.duties.excesses(points, state, goal.limits), goal.score(state)


def _points(duty: Any, flux: Array, place: Array) -> Points:
    """States at places: logarithms of air ratio and depth, and inlet temperature."""
    return Points(duty, flux, np.exp(place[0]), np.exp(place[1]), place[2])


def _best_of_each(places: Array, worst: Array, score: Array, slack: float) -> tuple[Any, Array, Array, Array]:
    """Of the grid of each floor the best: floors, places, excesses and scores (sorting whole grids is slow)."""
    n = np.arange(len(worst))
    places, worst, score = (a.reshape(*a.shape[: a.ndim - 3], -1) for a in (places, worst, score))
    counted = np.where(worst <= slack, 0.0, worst)
    first = np.where(counted == counted.min(axis=1, keepdims=True), score, np.inf).argmin(axis=1)
    return n, places[:, n, first], worst[n, first], score[n, first]


def _crossings(
    places: Array, rows: Array, edges: Array, axis: int, ridge: Array | None
) -> tuple[Any, Array, Array]:
    """Floors, places and rows between neighbours along an axis where an edge is crossed, by straight lines."""
    (a, b), (y0, y1), (rows0, rows1) = (_neighbours(array, axis + 1) for array in (edges, places, rows))
    cut = np.nonzero(a * b < 0)
    share = a[cut] / (a[cut] - b[cut])
    at: Any = (slice(None), *cut[1:])
    between = rows0[at] + share * (rows1[at] - rows0[at])
    if ridge is not None:  # a straight line misses the kink by a little that its price makes much of
        between[0] = np.where(cut[0] == len(edges) - 1, ridge[cut[1]], between[0])
    return cut[1], y0[at] + share * (y1[at] - y0[at]), between


def _neighbours(array: Array, axis: int) -> tuple[Array, Array]:
    """Each entry but the last along an axis, and the one after it; that axis goes last."""
    last = np.moveaxis(array, axis, -1)
    return last[..., :-1], last[..., 1:]


def _better(best: Best, now: Best, at: Any) -> Best:
    """The better of two states of each floor; `now` holds those of the floors `at` only."""
    (worst, score), (worst_now, score_now) = _rank(take(best, at)), _rank(now)
    won = (worst_now < worst) | ((worst_now == worst) & (score_now < score))
    return _put(best, at[won], take(now, won))


def _rank(best: Best) -> tuple[Array, Array]:
    worst = best.excess.max(axis=0)
    return np.where(worst <= FEASIBLE, 0.0, worst), best.score


def _put(data: Any, at: Any, new: Any) -> Any:
    """A (nested) data class of arrays with the cases `at` replaced."""
    if isinstance(data, np.ndarray):
        changed = data.copy()
        changed[..., at] = new
        return changed
    parts = {f.name: _put(getattr(data, f.name), at, getattr(new, f.name)) for f in dataclasses.fields(data)}
    return dataclasses.replace(data, **parts)
