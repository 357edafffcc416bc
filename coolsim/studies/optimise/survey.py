"""Outcomes over all settings of a machine as polynomials through some of them, and the best of these.

Limits and goals are here, too: what is looked for on a survey, and in what is predicted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case.case import Case
from coolsim.simulate.requirements import FEASIBLE, Bounds, Constraint
from coolsim.studies.optimise.batching import Request, Requests
from coolsim.studies.optimise.problem import DRYERS, SearchProblem
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

HIGH_TERMS = 3.0  # each degree more weighs this much less in a fit
TIMES, LOCAL_TIMES = 40, 24  # nodes of time
# Nodes per knob, and of the last axis: of a first look at a whole box, and of closer ones, which are small.
GRIDS = {0: 1, 1: 101, 2: 25, 3: 15, 4: 9, 5: 7}, {0: 1, 1: 41, 2: 13, 3: 9, 4: 7, 5: 5}
LINES = 61, 31
ZOOMS = 4
BROKEN = 1e12  # rank of a state that breaks a limit, at least: more than any cost
AT_BOUND = 2e-3  # of a limit's scale: as near as a crossing between nodes is found
CENTRED = 0.15  # of a box, that a place may be off its middle, for polynomials to be most right there
EDGE = 0.02  # of a box, that is at its edge
LEAST_SOLVED = 0.5  # share of the states of a survey without which it means nothing
FAILED = "a dryer tried on the way did not converge: a step in time became too short"
_TINY = 1e-9


@dataclass(frozen=True)
class Box:
    """Where settings are looked for, in coordinates in which outcomes are near to smooth."""

    names: tuple[str, ...]  # of knobs besides time
    low: Array
    high: Array
    times: tuple[float, float] | None  # None: not to be set

    def knobs(self, u: Array) -> dict[str, Array]:
        """Knobs at coordinates (n, knobs)."""
        return {n: back(n, x) for n, x in zip(self.names, u.T)}

    def about(self, u: Array, time: float, width: float, whole: Box) -> Box:
        """A smaller box inside the whole one, `width` of its half width to either side."""
        half = 0.5 * width * (whole.high - whole.low)
        centre = np.clip(u, whole.low + half, whole.high - half)
        times = whole.times
        if times is not None:
            share = 1.0 + width
            times = max(times[0], time / share), min(times[1], time * share)
        return Box(self.names, centre - half, centre + half, times)

    def centred(self, u: Array, whole: Box) -> bool:
        """Whether a place is near to the middle, or towards an end of the whole box, where no box can be nearer."""
        off = (u - 0.5 * (self.low + self.high)) / np.maximum(self.high - self.low, _TINY)
        close = EDGE * (self.high - self.low)
        low = (off < -CENTRED) & (self.low > whole.low + close)
        high = (off > CENTRED) & (self.high < whole.high - close)
        return not (low | high).any()

    def holds(self, u: Array, time: float | None, whole: Box) -> bool:
        """Whether a place, and a time if one is given, lies inside, away from edges inside the whole one."""
        close = EDGE * (self.high - self.low)
        low = (u - self.low < close) & (self.low > whole.low + close)
        high = (self.high - u < close) & (self.high < whole.high - close)
        if (low | high).any():
            return False
        if time is None or self.times is None or whole.times is None:
            return True
        (first, last), reach = self.times, EDGE * (self.times[1] - self.times[0])
        early, late = (
            time - first < reach < first - whole.times[0],
            last - time < reach < whole.times[1] - last,
        )
        return not (early or late)


def _same(x: Array) -> Array:
    return x


def _circulated(r: Array) -> Array:
    return -np.log(1 - r)


def _recirculation(x: Array) -> Array:
    return 1 - np.exp(-x)


_FORTH: dict[str, Callable[[Array], Array]] = {
    "airflow": np.log,
    "air_ratio": np.log,
    "bed_depth": np.log,
    "duration": np.log,
    "recirculation": _circulated,
    "time": np.log,
}
_BACK: dict[str, Callable[[Array], Array]] = {
    "airflow": np.exp,
    "air_ratio": np.exp,
    "bed_depth": np.exp,
    "duration": np.exp,
    "recirculation": _recirculation,
    "time": np.exp,
}


def forth(name: str, value: float) -> float:
    """A knob in the coordinate in which outcomes are near to smooth."""
    return float(_FORTH.get(_kind(name), _same)(np.asarray(value)))


def back(name: str, x: Any) -> Any:
    """A knob from its coordinate."""
    return _BACK.get(_kind(name), _same)(x)


def _kind(name: str) -> str:
    """A knob's name without the number of its stage in a line."""
    return name.rpartition(".")[2]


@dataclass(frozen=True)
class Goal:
    """What is sought: the least of `cost` (of knobs' outcomes) that keeps the limits."""

    cost: Callable[[Array], Array]  # outcomes (outcomes, …) → (…); asks for `costly` alone
    limits: Bounds
    costly: tuple[int, ...] = DRYERS.costly
    # Of states that break something: whether the driest comes first, then what misses the rest least, as people
    # want it. Where only a fit's margin is broken, as on the smallest floor, the sum leads to cheaper ones.
    driest_first: bool = False

    @cached_property
    def rows(self) -> list[int]:
        """Outcomes that the goal asks for."""
        return sorted({*self.costly, *self.limits.rows})

    def rank(self, outcomes: Array, margin: float | Array = 0.0, at: Any = None) -> Array:
        """What is least at the best state: its cost, or if it breaks a limit, more than any cost."""
        return self.ranked(outcomes, self.limits.excesses(outcomes, margin), at)

    def ranked(self, outcomes: Array, excess: Array, at: Any = None) -> Array:
        """The same by how far each limit is broken.

        at: number of a limit at which states stand, or one for each of them; one that is held from both sides is
        broken by neither.
        """
        over = np.maximum(excess, 0.0)
        if at is not None:
            rows = np.array(self.limits.rows)
            stands = rows.reshape(-1, *[1] * (over.ndim - 1)) == rows[at]
            over = np.where(stands & (over < AT_BOUND), 0.0, over)
        broken = np.tensordot(self._weights, over, 1)
        return np.where(over.max(axis=0, initial=0.0) > FEASIBLE, BROKEN * (1 + broken), self.cost(outcomes))

    @cached_property
    def _weights(self) -> Array:
        return np.array([self._weight(c) for c in self.limits.constraints])

    def _weight(self, c: Constraint) -> float:
        """How much a breach counts: a limit of the machine before wishes, and of these maybe the moisture first."""
        if self.driest_first:
            return 1e6 if not c.of_target else 1e3 if c.name == "moisture" else 1.0
        return 1.0 if c.of_target else 1e3


class Survey:
    """Outcomes over a box as polynomials of the knobs at each node of time."""

    def __init__(
        self, box: Box, nodes: Array, times: Array, found: Array, problem: SearchProblem, degree: int
    ) -> None:
        """Of what was `found` (outcomes, times, nodes) at nodes (n, knobs) in [−1, 1]."""
        self.box, self.times, self.degree = box, times, degree
        self.plain, self.margin = problem.plain, problem.margin
        rows = smoothed(found, problem.plain)
        V, weight = terms(nodes, self.degree, self.degree + 1)
        coefficients, *_ = np.linalg.lstsq(V * weight, rows.reshape(-1, len(nodes)).T)
        self.coefficients = (weight[:, None] * coefficients).reshape(-1, *rows.shape[:2])
        self.shift = np.zeros(len(found))

    def at(self, u: Array, rows: list[int]) -> Array:
        """Smoothed outcomes on lines of time, (outcomes, n, times); zero where not among `rows`."""
        half = np.maximum(0.5 * (self.box.high - self.box.low), _TINY)
        V, _ = terms((u - 0.5 * (self.box.low + self.box.high)) / half, self.degree, self.degree + 1)
        values = np.zeros((len(self.shift), len(u), len(self.times)))
        for row in rows:
            values[row] = V @ self.coefficients[:, row] + self.shift[row]
        return values

    def on(self, axes: list[Array], rows: list[int]) -> Array:
        """As `at`, on the grid of some axes, the last one fastest: axis by axis, which spares most of the work."""
        half, middle = 0.5 * (self.box.high - self.box.low), 0.5 * (self.box.low + self.box.high)
        d = len(axes)
        every = np.zeros((len(rows), (self.degree + 1) ** d, len(self.times)))
        every[:, terms_within(d, self.degree, self.degree + 1)] = np.moveaxis(
            self.coefficients[:, rows], 0, 1
        )
        grid = every.reshape(len(rows), *[self.degree + 1] * d, len(self.times))
        for k, x in enumerate(axes):
            V = chebyshev.chebvander((x - middle[k]) / max(half[k], _TINY), self.degree)
            grid = np.moveaxis(np.tensordot(V, grid, (1, k + 1)), 0, k + 1)
        values = np.zeros((len(self.shift), *[len(x) for x in axes], len(self.times)))
        values[rows] = grid + self.shift[rows].reshape(-1, *[1] * (d + 1))
        return values.reshape(len(values), -1, len(self.times))

    def one(self, u: Array, time: float) -> Array:
        """Smoothed outcomes of one state, (outcomes,)."""
        line = self.at(u[None], list(range(len(self.shift))))[:, 0]
        if len(self.times) == 1:
            return line[:, 0]
        return np.array([np.interp(time, self.times, row) for row in line])


def surveyed(case: Case, box: Box, whole: bool, problem: SearchProblem = DRYERS) -> Requests[Survey]:
    """A box, surveyed at some nodes: more of the whole box. Raises NotConverged where most of them fail.

    Polynomials bridge those that do: of all that pass through the others, those of least high terms.
    """
    nodes, degree = problem.nodes(box.names, whole)
    u = 0.5 * (box.low + box.high) + 0.5 * (box.high - box.low) * nodes
    times, settings = _times(box), box.knobs(u)
    states = [
        problem.with_settings(case, {n: float(x[k]) for n, x in settings.items()}) for k in range(len(u))
    ]
    if box.times:
        asked = [
            Request(problem.with_settings(state, {"duration": float(times[-1])}), times) for state in states
        ]
    else:  # each at its own end: a belt's dwell goes with its depth
        asked = [Request(state) for state in states]
    found = yield asked
    solved = np.array([one is not None for one in found])
    if solved.mean() < LEAST_SOLVED:
        lost = np.flatnonzero(~solved)
        raise NotConverged(f"{len(lost)} of {len(solved)} states of the survey did not converge", lost)
    rows = np.stack([one for one in found if one is not None], axis=-1)
    return Survey(box, nodes[solved], times, rows, problem, degree)


def _times(box: Box) -> Array:
    if box.times is None:
        return np.zeros(1)
    low, high = box.times
    return np.linspace(low, high, TIMES if high > 2 * low else LOCAL_TIMES)


def smoothed(outcomes: Array, plain: tuple[int, ...] = DRYERS.plain) -> Array:
    """Outcomes in the form in which they are fitted: logarithms of what is positive."""
    smooth = outcomes.copy()
    logarithms = [row for row in range(len(outcomes)) if row not in plain]
    smooth[logarithms] = np.log(np.maximum(outcomes[logarithms], _TINY))
    return smooth


def unsmoothed(smooth: Array, rows: list[int] | None = None, plain: tuple[int, ...] = DRYERS.plain) -> Array:
    """Outcomes as they are, of `rows` or of all; the others are left as they came."""
    outcomes = smooth.copy()
    logarithms = [row for row in (range(len(smooth)) if rows is None else rows) if row not in plain]
    outcomes[logarithms] = np.exp(np.clip(smooth[logarithms], -50.0, 50.0))
    return outcomes


def terms(nodes: Array, degree: int, total_degree: int) -> tuple[Array, Array]:
    """Chebyshev terms up to a degree in each and in all, and weights that prefer fits of least high terms."""
    V, total = np.ones((len(nodes), 1)), np.zeros(1, int)
    for t in nodes.T:
        V = (V[:, :, None] * chebyshev.chebvander(t, degree)[:, None]).reshape(len(nodes), -1)
        total = (total[:, None] + np.arange(degree + 1)).ravel()
        V, total = V[:, total <= total_degree], total[total <= total_degree]
    return V, HIGH_TERMS ** -total.astype(float)


def terms_within(d: int, degree: int, total_degree: int) -> Array:
    """Which of the products of d polynomials, the last one's degree fastest, are `terms`."""
    every = np.array(list(product(range(degree + 1), repeat=d)), int).reshape((degree + 1) ** d, d)
    return np.asarray(every.sum(axis=1) <= total_degree)


def best_on_survey(
    survey: Survey, goal: Goal, about: Array | None = None, near: float = 1.0
) -> tuple[float, Array, float]:
    """Rank, place and time of the best state on a survey: on a grid and its crossings, then on ever smaller ones.

    With `about`, no further from it than `near` half widths of the box.
    """
    box, d = survey.box, len(survey.box.names)
    low, high = box.low, box.high
    timed = box.times is not None
    if about is not None:
        reach = 0.5 * near * (high - low)
        low, high = np.maximum(about - reach, low), np.minimum(about + reach, high)
    u, time = 0.5 * (low + high), float(survey.times[-1])
    best = np.inf
    for zoom in range(ZOOMS if near else 1):
        closer = zoom > 0 or about is not None
        nodes, line = GRIDS[closer][d], LINES[closer]
        counts = [nodes] * d if timed else [nodes] * (d - 1) + [line] * (d > 0)
        axes = [np.linspace(a, b, n) for a, b, n in zip(low, high, counts)]
        # states stand on lines: of time, or of the last knob
        across, along = (axes, survey.times) if timed or not d else (axes[:-1], axes[-1])
        values = survey.on(axes, goal.rows)
        rank, line, at = _least(values.reshape(len(values), -1, len(along)), along, goal, survey)
        if rank < max(best, BROKEN):  # what a closer look sees is more exact, be it dearer
            best = rank
            place = np.unravel_index(line, [len(axis) for axis in across]) if across else ()
            u = np.array([axis[k] for axis, k in zip(across, place)])
            u, time = (u, at) if timed or not d else (np.append(u, at), time)
        span = 2.0 * (high - low) / np.maximum(np.array(counts or [2]) - 1, 1)[:d]
        low, high = np.maximum(u - span, box.low), np.minimum(u + span, box.high)
    return float(best), u, float(time)


def _least(values: Array, along: Array, goal: Goal, survey: Survey) -> tuple[float, int, float]:
    """The least rank on lines of smoothed outcomes (outcomes, lines, n), with crossings of limits between nodes.

    Also on which line, and where along it.
    """
    plain, margin = survey.plain, survey.margin
    outcomes = unsmoothed(values, goal.rows, plain)
    excess = goal.limits.excesses(outcomes, margin)
    rank = goal.ranked(outcomes, excess)
    line, j = np.unravel_index(int(np.argmin(rank)), rank.shape)
    best = float(rank[line, j]), int(line), float(along[j])
    beyond = excess > 0
    crossed = beyond[..., :-1] != beyond[..., 1:]
    for at in np.flatnonzero(crossed.any(axis=(1, 2))):
        e, (lines, before) = excess[at], np.nonzero(crossed[at])
        share = e[lines, before] / (e[lines, before] - e[lines, before + 1])
        on_the_side_that_keeps_it = np.where(e[lines, before] > 0, 1e-4, -1e-4)
        share = np.clip(share + on_the_side_that_keeps_it, 0.0, 1.0)
        there = (1 - share) * values[:, lines, before] + share * values[:, lines, before + 1]
        there = unsmoothed(there, goal.rows, plain)
        crossing = goal.ranked(there, goal.limits.excesses(there, 0.9 * margin), int(at))
        m = int(np.argmin(crossing))
        if crossing[m] < best[0]:
            a, b = along[before[m]], along[before[m] + 1]
            best = float(crossing[m]), int(lines[m]), float((1 - share[m]) * a + share[m] * b)
    return best
