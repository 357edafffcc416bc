"""The best state of a dryer: surveyed on a rough mesh, closed in on, then corrected by full predictions.

1. A few dozen settings over the whole box are marched side by side. Time needs no settings of its own: one march to
   the longest tells of every shorter one.
2. Polynomials through the outcomes (logarithms of what is positive) are looked at on a grid, with the crossings of
   limits along its last axis, then on ever smaller grids about the best.
3. A smaller box about the best is surveyed anew, until the best lies inside or little is won towards its edge, and
   until shifting the fit brings it closer: a kink, as a heater at its limit makes, needs ever smaller boxes.
4. The best is tried on the full mesh, the fit shifted by the difference and looked at again; the last is predicted.

Searches ask for their dryers as `together` has it: those of several goals and weathers are solved side by side.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case import Case
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.result import Result
from coolsim.studies.drying import knobs as dials
from coolsim.studies.drying.course import OUTCOMES
from coolsim.studies.drying.together import Asked, Asking

DEGREE = {1: 4, 2: 3, 3: 3}  # of the polynomials through a survey, by the number of knobs besides time
LOCAL, SHRINK, MOST_BOXES = 0.35, 0.35, 4  # half width of the small boxes, its shrinking, and how many
SAME = 2e-3  # of the cost, that was won by going to the edge of a box: less needs no other box there
BETWEEN = 0.55  # of the way from the centre of the whole box to its corners
# How far about a prediction the search goes on, in half widths of the box: a shift holds nearby only.
NEARBY = (0.5, 0.15, 0.05, 0.05, 0.05)
TIMES, LOCAL_TIMES = 40, 24  # nodes of time
GRID = {0: 1, 1: 101, 2: 25, 3: 15}  # nodes per knob
LINE = 61  # nodes of the last axis
ZOOMS = 3
AGREED, NEARLY = 3e-5, 2e-4  # kg/kg wet between fit and prediction, and where the next one will agree
WON = 0.5  # of how far a fit was off, that its shift must leave at most: else a kink runs through its box
SQUEEZES, SLACK = (
    4,
    0.002,
)  # predictions between a state that keeps all limits and one that does not; of a scale
MARGIN = 1e-3  # of a limit's scale, kept free of the fit: what is predicted shall keep it
KEPT = 1e-6
FAILED = "a dryer tried on the way did not converge: a step in time became too short"
_PLAIN = [OUTCOMES.index(n) for n in ("temperature", "pellet temperature")]  # not as logarithms
_COSTLY = tuple(OUTCOMES.index(n) for n in ("moisture", "heat", "fan"))  # what costs are made of
_TINY = 1e-9


@dataclass(frozen=True)
class Limit:
    """A wish or limit on one outcome."""

    name: str
    outcome: int
    bound: float
    sign: float  # +1: must not exceed; −1: must not fall below
    scale: float
    wish: bool


@dataclass(frozen=True)
class Box:
    """Where settings are looked for, in coordinates in which outcomes are near to smooth."""

    names: tuple[str, ...]  # of knobs besides time
    low: Array
    high: Array
    times: tuple[float, float] | None  # None: not to be set

    def knobs(self, u: Array) -> dict[str, Array]:
        """Knobs at coordinates (n, knobs)."""
        return {n: _BACK.get(n, _same)(x) for n, x in zip(self.names, u.T)}

    def about(self, u: Array, time: float, width: float, whole: Box) -> Box:
        """A smaller box inside the whole one, `width` of its half width to either side."""
        half = 0.5 * width * (whole.high - whole.low)
        centre = np.clip(u, whole.low + half, whole.high - half)
        times = whole.times
        if times is not None:
            share = 1.0 + width
            times = max(times[0], time / share), min(times[1], time * share)
        return Box(self.names, centre - half, centre + half, times)


def _same(x: Array) -> Array:
    return x


def _circulated(r: Array) -> Array:
    return -np.log(1 - r)


def _recirculation(x: Array) -> Array:
    return 1 - np.exp(-x)


_FORTH: dict[str, Callable[[Array], Array]] = {
    "airflow": np.log,
    "bed_depth": np.log,
    "recirculation": _circulated,
}
_BACK: dict[str, Callable[[Array], Array]] = {
    "airflow": np.exp,
    "bed_depth": np.exp,
    "recirculation": _recirculation,
}


@dataclass(frozen=True)
class Found:
    """A state that was predicted on the full mesh."""

    knobs: dict[str, float]
    case: Case
    result: Result
    outcomes: Array
    excess: Array  # of each limit
    cost: float

    @property
    def met(self) -> bool:
        return bool((self.excess <= KEPT).all())


@dataclass(frozen=True)
class Goal:
    """What is sought: the least of `cost` (of knobs' outcomes) that keeps the limits."""

    cost: Callable[[Array], Array]  # outcomes (outcomes, …) → (…); asks for no others than _COSTLY
    limits: tuple[Limit, ...]

    @property
    def rows(self) -> list[int]:
        """Outcomes that the goal asks for."""
        return sorted({*_COSTLY, *(limit.outcome for limit in self.limits)})

    def rank(self, outcomes: Array, margin: float = 0.0) -> Array:
        """What is least at the best state: its cost, or if it breaks a limit, more than any cost."""
        over = np.maximum(excesses(self.limits, outcomes, margin), 0.0)
        weight = np.array([1.0 if limit.wish else 1e3 for limit in self.limits])
        broken = np.tensordot(weight, over, 1)
        return np.where(broken > KEPT, 1e12 * (1 + broken), self.cost(outcomes))


def excesses(limits: tuple[Limit, ...], outcomes: Array, margin: float = 0.0) -> Array:
    """How far each limit is broken, in its scale, (limits, …); ≤ 0 where kept."""
    rows = [x.sign * (outcomes[x.outcome] - x.bound) / x.scale + margin for x in limits]
    return np.array(rows).reshape(len(limits), *outcomes.shape[1:])


class Survey:
    """Outcomes over a box as polynomials of the knobs at each node of time."""

    def __init__(self, box: Box, nodes: Array, times: Array, found: Array) -> None:
        """Of what was `found` (outcomes, times, nodes) at nodes (n, knobs) in [−1, 1]."""
        self.box, self.times = box, times
        rows = _smooth(found)
        self.degree = DEGREE.get(len(box.names), 0)
        V, weight = _terms(nodes, self.degree)
        coefficients, *_ = np.linalg.lstsq(V * weight, rows.reshape(-1, len(nodes)).T)
        self.coefficients = (weight[:, None] * coefficients).reshape(-1, *rows.shape[:2])
        self.shift = np.zeros(len(OUTCOMES))

    def at(self, u: Array, rows: list[int]) -> Array:
        """Smoothed outcomes on lines of time, (outcomes, n, times); zero where not among `rows`."""
        half = np.maximum(0.5 * (self.box.high - self.box.low), _TINY)
        V, _ = _terms((u - 0.5 * (self.box.low + self.box.high)) / half, self.degree)
        values = np.zeros((len(OUTCOMES), len(u), len(self.times)))
        for row in rows:
            values[row] = V @ self.coefficients[:, row] + self.shift[row]
        return values

    def one(self, u: Array, time: float) -> Array:
        """Smoothed outcomes of one state, (outcomes,)."""
        line = self.at(u[None], _ALL)[:, 0]
        if len(self.times) == 1:
            return line[:, 0]
        return np.array([np.interp(time, self.times, row) for row in line])


def surveyed(case: Case, box: Box, nodes: Array) -> Asking[Survey]:
    """A box, surveyed at nodes (n, knobs) in [−1, 1]; raises NotConverged if one of them fails."""
    u = 0.5 * (box.low + box.high) + 0.5 * (box.high - box.low) * nodes
    times, settings = _times(case, box), box.knobs(u)
    states = [dials.dialled(case, {n: float(x[k]) for n, x in settings.items()}) for k in range(len(u))]
    if box.times:
        asked = [Asked(dials.dialled(state, {"duration": float(times[-1])}), times) for state in states]
    else:  # each at its own end: a belt's dwell goes with its depth
        asked = [Asked(state) for state in states]
    found = yield asked
    failed = np.flatnonzero([one is None for one in found])
    if len(failed):
        raise NotConverged(FAILED, failed)
    return Survey(box, nodes, times, np.stack(found, axis=-1))


def _times(case: Case, box: Box) -> Array:
    if box.times is None:
        return np.array([dials.now(case).get("duration", 0.0)])
    low, high = box.times
    return np.linspace(low, high, TIMES if high > 2 * low else LOCAL_TIMES)


_ALL = list(range(len(OUTCOMES)))
_LOGARITHMS = [row for row in _ALL if row not in _PLAIN]


def _smooth(outcomes: Array) -> Array:
    """Outcomes in the form in which they are fitted: logarithms of what is positive."""
    smooth = outcomes.copy()
    smooth[_LOGARITHMS] = np.log(np.maximum(outcomes[_LOGARITHMS], _TINY))
    return smooth


def _rough(smooth: Array, rows: list[int] = _ALL) -> Array:
    """Outcomes as they are, of `rows`; the others are left as they came."""
    outcomes = smooth.copy()
    for row in rows:
        if row not in _PLAIN:
            outcomes[row] = np.exp(np.clip(smooth[row], -50.0, 50.0))
    return outcomes


def _terms(nodes: Array, degree: int) -> tuple[Array, Array]:
    """Chebyshev terms up to a total degree, and their weights: of all fits the one of least high terms is taken."""
    V, total = np.ones((len(nodes), 1)), np.zeros(1, int)
    for t in nodes.T:
        V = (V[:, :, None] * chebyshev.chebvander(t, degree)[:, None]).reshape(len(nodes), -1)
        total = (total[:, None] + np.arange(degree + 1)).ravel()
    kept = total <= degree + 1
    return V[:, kept], 3.0 ** -total[kept].astype(float)


def _nodes(d: int, whole: bool) -> Array:
    """Points of a survey in [−1, 1]^d: corners, faces and centre, and of the whole box others between them."""
    if d < 2:
        return np.cos(np.pi * np.linspace(0, 1, 5))[:, None] if d else np.zeros((1, 0))
    corners = np.array(list(product((-1.0, 1.0), repeat=d)))
    parts = [corners, np.eye(d), -np.eye(d), np.zeros((1, d))]
    return np.concatenate([*parts, BETWEEN * corners] if whole else parts)


class Search:
    """A dryer in its box, with the survey of the whole of it (which `searched` adds)."""

    whole: Survey

    def __init__(self, case: Case, limits: tuple[Limit, ...]) -> None:
        self.limits = limits
        ranges = dials.ranges(case)
        self.pinned = {n: low for n, (low, high) in ranges.items() if low == high}
        self.case = dials.dialled(case, self.pinned)  # what stays
        open_ = {n: r for n, r in ranges.items() if n not in self.pinned}
        if (
            "inlet_air_temperature" in open_
        ):  # of all knobs but time, moisture answers best to it: the last axis
            open_["inlet_air_temperature"] = open_.pop("inlet_air_temperature")
        times = open_.pop("duration", None)
        bounds = np.array([[_FORTH.get(n, _same)(np.array(x)) for x in r] for n, r in open_.items()])
        low, high = bounds.reshape(-1, 2).T
        self.box = Box(tuple(open_), low, high, times)

    def best(self, goal: Goal) -> Asking[Found]:
        """The best state of a goal, closed in on."""
        survey, width = self.whole, LOCAL
        _, u, time = looked(survey, goal)
        if not self.box.names:
            u, time, _ = yield from self.tried(survey, goal, u, time)
        for _ in range(MOST_BOXES if self.box.names else 0):
            box, before = self.box.about(u, time, width, self.box), u
            survey = yield from surveyed(self.case, box, _nodes(len(box.names), False))
            rank, u, time = looked(survey, goal)
            stayed, *_ = looked(survey, goal, before, 0.0)
            if self._at_inner_edge(box, u) and stayed - rank >= SAME * abs(rank):
                continue
            u, time, settled = yield from self.tried(survey, goal, u, time)
            if settled:
                break
            width *= SHRINK
        return (yield from self.corrected(survey, goal, u, time))

    def quick(self, goal: Goal) -> Asking[Found]:
        """The best state of a goal on the whole survey, predicted; again, corrected, where it breaks a limit."""
        _, u, time = looked(self.whole, goal)
        return (yield from self.corrected(copy.copy(self.whole), goal, u, time, content=True))

    def tried(self, survey: Survey, goal: Goal, u: Array, time: float) -> Asking[tuple[Array, float, bool]]:
        """Where the best of a goal is once the survey is shifted by how far it is off the full mesh there.

        The shift holds nearby only, so the search goes on ever closer. Last: whether it settled.
        """
        before = np.inf
        for near in NEARBY:
            (there,) = yield [Asked(self.dialled(u, time)[1], mesh="quick")]
            if there is None:
                raise NotConverged(FAILED, np.zeros(1, int))
            at = u, time
            u, time, off = _shifted(survey, goal, u, time, there[:, 0], near)
            if off < NEARLY or _same_place(at, (u, time)):
                return u, time, True
            if off > WON * before:
                break
            before = off
        return u, time, False

    def corrected(
        self, survey: Survey, goal: Goal, u: Array, time: float, content: bool = False
    ) -> Asking[Found]:
        """The best of a few predictions, each after a shift of the survey by how far the one before was off it.

        `content`: a first one that keeps all limits will do.
        """
        tries: list[Found] = []
        for near in NEARBY if content else NEARBY[1:]:
            knobs, _ = self.dialled(u, time)
            last = yield from predicted(self.case, goal, knobs)
            tries.append(last)
            if content and tries[0].met:
                break
            at = u, time
            u, time, off = _shifted(survey, goal, u, time, last.outcomes, near)
            expected = goal.rank(_rough(survey.one(u, time)))
            settled = off < AGREED and goal.rank(last.outcomes) <= expected + 2e-3 * abs(expected)
            if settled or _same_place(at, (u, time)):
                break
        best = min(tries, key=lambda found: float(goal.rank(found.outcomes)))
        broken = [found for found in tries if not found.met]
        if not best.met or not broken:
            return best
        return (yield from squeezed(self.case, goal, best, min(broken, key=lambda f: f.excess.max())))

    def dialled(self, u: Array, time: float) -> tuple[dict[str, float], Case]:
        """Knobs at a place of the box, and the case with them."""
        knobs = {n: float(x[0]) for n, x in self.box.knobs(u[None]).items()}
        if self.box.times is not None:
            knobs["duration"] = time
        knobs = self.pinned | knobs
        return knobs, dials.dialled(self.case, knobs)

    def _at_inner_edge(self, box: Box, u: Array) -> bool:
        close = 0.02 * (box.high - box.low)
        low = (u - box.low < close) & (box.low > self.box.low + close)
        high = (box.high - u < close) & (box.high < self.box.high - close)
        return bool((low | high).any())


def _same_place(a: tuple[Array, float], b: tuple[Array, float]) -> bool:
    return a[1] == b[1] and np.array_equal(a[0], b[0])


def _shifted(
    survey: Survey, goal: Goal, u: Array, time: float, outcomes: Array, near: float
) -> tuple[Array, float, float]:
    """Shift a survey so that it gives `outcomes` at a place: the best then, nearby, and how far it was off.

    Off in moisture, kg/kg wet.
    """
    claimed = survey.one(u, time)
    survey.shift = survey.shift + _smooth(outcomes) - claimed
    _, u, time = looked(survey, goal, u, near)
    return u, time, abs(float(_rough(claimed)[0] - outcomes[0]))


def searched(case: Case, limits: tuple[Limit, ...]) -> Asking[Search]:
    """A search with the survey of its whole box."""
    search = Search(case, limits)
    search.whole = yield from surveyed(search.case, search.box, _nodes(len(search.box.names), True))
    return search


def predicted(case: Case, goal: Goal, knobs: dict[str, float]) -> Asking[Found]:
    """A state on the full mesh; raises NotConverged if it fails."""
    set_so = dials.dialled(case, knobs)
    (there,) = yield [Asked(set_so, mesh="full")]
    if there is None:
        raise NotConverged(FAILED, np.zeros(1, int))
    outcomes = there.outcomes
    cost = float(goal.cost(outcomes))
    return Found(knobs, set_so, there.result, outcomes, excesses(goal.limits, outcomes), cost)


def squeezed(case: Case, goal: Goal, good: Found, bad: Found) -> Asking[Found]:
    """The cheapest of some states between one that keeps all limits and one that does not, closing in on it."""
    best = good
    for turn in range(SQUEEZES):
        over, under = float(bad.excess.max()), float(good.excess.max())
        if under > -SLACK:
            break
        share = 0.5 if turn == SQUEEZES - 1 else (over + 0.5 * SLACK) / (over - under)
        between = {n: (1 - share) * bad.knobs[n] + share * good.knobs[n] for n in good.knobs}
        there = yield from predicted(case, goal, between)
        if there.met:
            good = there
            best = min(best, there, key=lambda found: found.cost)
        else:
            bad = there
    return best


def looked(
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
    for _ in range(ZOOMS):
        counts = [GRID[d]] * d if timed else [GRID[d]] * (d - 1) + [LINE] * (d > 0)
        axes = [np.linspace(a, b, n) for a, b, n in zip(low, high, counts)]
        states = np.array(list(product(*axes))).reshape(-1, d) if d else np.zeros((1, 0))
        values = survey.at(states, goal.rows)
        if timed:
            place = np.broadcast_to(survey.times, values.shape[1:])
        else:
            lines = len(axes[-1]) if d else 1
            values = values.reshape(len(OUTCOMES), -1, lines)
            place = np.broadcast_to(axes[-1] if d else survey.times, values.shape[1:])
        rank, line, at = _least(values, place, goal)
        if rank < best:
            best = rank
            u, time = (states[line], at) if timed else (_with_last(states, line, at, counts), time)
        span = 2.0 * (high - low) / np.maximum(np.array(counts or [2]) - 1, 1)[:d]
        low, high = np.maximum(u - span, box.low), np.minimum(u + span, box.high)
    return float(best), u, float(time)


def _with_last(states: Array, line: int, at: float, counts: list[int]) -> Array:
    if not counts:
        return states[0]
    u = states[line * counts[-1]].copy()
    u[-1] = at
    return u


def _least(values: Array, place: Array, goal: Goal) -> tuple[float, int, float]:
    """The least rank on lines of smoothed outcomes (outcomes, lines, n), with crossings of limits between nodes."""
    outcomes = _rough(values, goal.rows)
    rank = goal.rank(outcomes, MARGIN)
    k = int(np.argmin(rank))
    line, j = np.unravel_index(k, rank.shape)
    best = float(rank[line, j]), int(line), float(place[line, j])
    excess = excesses(goal.limits, outcomes, MARGIN)
    for e in excess:
        lines, before = np.nonzero((e[:, :-1] > 0) != (e[:, 1:] > 0))
        if not len(lines):
            continue
        share = e[lines, before] / (e[lines, before] - e[lines, before + 1])
        share = np.clip(
            share + np.where(e[lines, before] > 0, 1e-4, -1e-4), 0.0, 1.0
        )  # on the side that keeps it
        there = (1 - share) * values[:, lines, before] + share * values[:, lines, before + 1]
        crossing = goal.rank(_rough(there, goal.rows), 0.9 * MARGIN)
        m = int(np.argmin(crossing))
        if crossing[m] < best[0]:
            a, b = place[lines[m], before[m]], place[lines[m], before[m] + 1]
            best = float(crossing[m]), int(lines[m]), float((1 - share[m]) * a + share[m] * b)
    return best
