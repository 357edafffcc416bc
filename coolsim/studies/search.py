"""Best states within limits: on a fit of the plant's outcomes, then corrected by predictions on the full mesh.

Nothing is assumed about direction or convexity (more air often dries less). A dense grid on the fit finds the
valleys. The cheapest states lie on curved edges, such as moisture at its target, that a grid steps over: where
a limit is crossed between neighbours on the grid, the crossing is looked at, too. The best are slid to the
bottom, predicted, and slid again on the fit shifted by what the prediction added.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.fields import Array
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.studies.fitted import Fit, combined, pack, unpack
from coolsim.studies.plant import Limit, Tried, Weighed, excesses

SURVEY = Resolution(8, 6, refinements=0)  # right to a few hundredths of a point
FULL = Resolution()
GRID = {"airflow": 81, "bed_depth": 33, "inlet_air_temperature": 13, "feed_moisture": 13}
KEPT = 1e-6  # excess that counts as none, in a limit's scale: 1e-8 of moisture
AIM = 1e-6  # how far inside the limits slides aim, so that what they end on counts as kept
NEARLY = 3e-3  # excess of a crossing found by a straight line between neighbours
STARTS, APART = 3, 0.3  # states slid to the bottom, and how far they are apart at least, of −1 to 1
CORRECTIONS = 5
SETTLED = 1e-5  # step, of −1 to 1, that is not worth another prediction where limits are kept

Score = Callable[[Weighed, dict[str, Array]], Array]  # of states and their knobs


@dataclass(frozen=True)
class Goal:
    """What to find: the lowest score that keeps limits."""

    score: Score
    limits: list[Limit]
    feed: float | None  # feed moisture; None lets it vary
    ridge: Limit | None = (
        None  # a bound at which the score is steep or has a kink, so that it hides its floor
    )
    along: Score | None = None  # the same score at that bound, without what is steep


@dataclass(frozen=True)
class Found:
    """The best state: its knobs, the state on the full mesh, and the limits it keeps or breaks."""

    knobs: dict[str, float]
    tried: Tried  # arrays of one
    excess: Array  # (limits,)

    @property
    def kept(self) -> bool:
        return bool((self.excess <= KEPT).all())


class Search:
    """Searches that share one fit."""

    def __init__(self, fit: Fit) -> None:
        self.fit, self.plant, self.box = fit, fit.plant, fit.box

    def find(self, goals: list[Goal]) -> list[Found]:
        """The state of the lowest score for each goal; where none keeps its limits, the least broken one."""
        points = [self._surveyed(goal) for goal in goals]
        best: dict[int, tuple[Any, Found]] = {}
        open_ = list(range(len(goals)))
        for _ in range(CORRECTIONS):
            tried = self.plant.tried(self.box.knobs(np.array([points[g] for g in open_])), FULL)
            rows, again = pack(tried.outcome), []
            for k, g in enumerate(open_):
                goal, here, one = goals[g], points[g][None], take(tried, np.array([k]))
                knobs = self.box.knobs(here)
                excess = excesses(self.plant.case, one, goal.limits)[:, 0]
                rank = _rank(excess, float(goal.score(one, knobs)[0]))
                if g not in best or rank < best[g][0]:
                    best[g] = rank, Found({n: float(v[0]) for n, v in knobs.items()}, one, excess)
                shift = rows[:, k : k + 1] - self.fit(here)
                read = excesses(self.plant.case, self._state(here, self.fit(here) + shift), goal.limits)
                points[g] = self._slid(goal, [points[g]], shift, excess[:, None] - read)
                step = np.abs(points[g] - here).max()
                if step > (SETTLED if rank[0] <= 0 else 0):
                    again.append(g)
            open_ = again
            if not open_:
                break
        return [best[g][1] for g in range(len(goals))]

    def _state(self, x: Array, rows: Array) -> Weighed:
        return self.plant.weighed(self.box.knobs(x), unpack(rows))

    def _surveyed(self, goal: Goal) -> Array:
        """Best point on the fit."""
        names = self.box.names
        thin = 1 if len(names) < 4 else 2
        axes = [np.linspace(-1, 1, GRID[n] // thin) if n in self.fit.varied else np.zeros(1) for n in names]
        if goal.feed is not None:
            axes[-1] = np.array([self.box.place("feed_moisture", goal.feed)])
        x, rows = combined(axes), self.fit.on_grid(axes)
        line = int(np.argmax([len(a) for a in axes])) if goal.feed is not None else len(axes) - 1
        excess = excesses(self.plant.case, self._state(x, rows), goal.limits)
        crossing = _crossings(x, rows, excess, [len(a) for a in axes], line)
        x, rows = np.concatenate([x, crossing[0]]), np.concatenate([rows, crossing[1]], axis=1)
        state = self._state(x, rows)
        broken = excesses(self.plant.case, state, goal.limits).max(axis=0, initial=0.0)
        broken = np.where(broken <= NEARLY, 0.0, broken)
        order = np.lexsort((goal.score(state, self.box.knobs(x)), broken))
        starts: list[Array] = []
        while len(order) and len(starts) < STARTS:
            starts.append(x[order[0]])
            order = order[np.abs(x[order] - starts[-1]).max(axis=1) > APART]
            order = order[broken[order] <= 0] if broken.min() <= 0 else order
        return self._slid(goal, starts, np.zeros((len(rows), 1)), np.zeros((len(excess), 1)))

    def _slid(self, goal: Goal, starts: list[Array], shift: Array, more: Array) -> Array:
        """The best of the bottoms reached from some points: outcomes shifted, and `more` excess (of speed)."""
        free = [
            i
            for i, n in enumerate(self.box.names)
            if n in self.fit.varied and (n != "feed_moisture" or goal.feed is None)
        ]

        def look(x: Array, score: Score = goal.score) -> tuple[Array, Array]:
            state = self._state(x, self.fit(x) + shift)
            return score(state, self.box.knobs(x)), excesses(self.plant.case, state, goal.limits) + more + AIM

        def on_ridge(x: Array) -> tuple[Array, Array]:
            assert goal.ridge is not None and goal.along is not None
            state, case = self._state(x, self.fit(x) + shift), self.plant.case
            excess = excesses(case, state, [goal.ridge]), excesses(case, state, goal.limits) + more
            e = np.concatenate(excess) + AIM
            return goal.along(state, self.box.knobs(x)), e

        ends = list(starts)
        if free and goal.ridge:
            ends += [_bottom(on_ridge, start, free, 1) for start in starts]
            ends.append(ends[_first([_rank(e, f, AIM + KEPT) for f, e in _each(look(np.array(ends)))])])
            starts = ends[-1:]
        if free:
            ends += [_bottom(look, start, free, 0) for start in starts]
        return ends[_first([_rank(e, f, AIM + KEPT) for f, e in _each(look(np.array(ends)))])]


def _each(looked: tuple[Array, Array]) -> Any:
    return zip(looked[0], looked[1].T)


def _first(ranks: list[tuple[float, float]]) -> int:
    return min(range(len(ranks)), key=ranks.__getitem__)


def _rank(excess: Array, score: float, kept: float = KEPT) -> tuple[float, float]:
    """Order of states: first how far the worst limit is broken, then the score."""
    worst = float(excess.max(initial=0.0))
    return (0.0 if worst <= kept else worst), score


def _crossings(x: Array, rows: Array, excess: Array, shape: list[int], axis: int) -> tuple[Array, Array]:
    """Points between neighbours along an axis where a limit is crossed, by straight lines; their outcomes."""
    e = np.moveaxis(excess.reshape(len(excess), *shape), axis + 1, -1)
    flat = np.moveaxis(np.arange(len(x)).reshape(shape), axis, -1)
    a, b = e[..., :-1], e[..., 1:]
    cut = a * b < 0
    share = (a / np.where(cut, a - b, 1.0))[cut]
    places = np.nonzero(cut)[1:]
    left, right = flat[..., :-1][places], flat[..., 1:][places]
    between = x[left] + share[:, None] * (x[right] - x[left])
    return between, rows[:, left] + share * (rows[:, right] - rows[:, left])


def _bottom(look: Callable[[Array], tuple[Array, Array]], start: Array, free: list[int], equal: int) -> Array:
    """Slide downhill within the limits and from −1 to 1; where limits are broken, to where least so.

    The first `equal` limits must be met exactly.
    """
    from scipy import optimize  # late: half a second that only a search should pay

    minimize: Any = optimize.minimize  # its stubs know no dictionaries of constraints

    step = 1e-6
    toward = np.where(start[free] > 0, -step, step)
    known: dict[bytes, Any] = {}
    score0 = float(look(start[None])[0][0])
    scale = max(abs(score0), 1e-6)

    def there(y: Array) -> Any:
        """Score, excesses and their slopes, of one batch."""
        key = y.tobytes()
        if key not in known:
            x = np.repeat(start[None], len(free) + 1, axis=0)
            x[:, free] = np.clip(y, -1, 1)
            x[range(1, len(free) + 1), free] += toward
            score, excess = look(x)
            known[key] = (
                score[0] / scale,
                (score[1:] - score[0]) / toward / scale,
                excess[:, 0],
                (excess[:, 1:] - excess[:, :1]) / toward,
            )
        return known[key]

    def slide(y: Array) -> Array:
        found = minimize(
            lambda y: there(y)[0],
            y,
            jac=lambda y: there(y)[1],
            bounds=[(-1.0, 1.0)] * len(y),
            constraints=[
                {"type": "eq", "fun": lambda y: there(y)[2][:equal], "jac": lambda y: there(y)[3][:equal]},
                {
                    "type": "ineq",
                    "fun": lambda y: -there(y)[2][equal:],
                    "jac": lambda y: -there(y)[3][equal:],
                },
            ][not equal :],
            method="SLSQP",
            options={"ftol": 1e-9, "maxiter": 25},
        )
        return np.clip(found.x, -1, 1)

    def repair(y: Array) -> Array:
        """Least of the worst excess: one more unknown that no excess may exceed."""
        found = minimize(
            lambda z: z[-1],
            np.append(y, max(there(y)[2].max(), 0.0)),
            jac=lambda z: np.eye(len(z))[-1],
            bounds=[*[(-1.0, 1.0)] * len(y), (0.0, None)],
            constraints={
                "type": "ineq",
                "fun": lambda z: z[-1] - there(z[:-1])[2],
                "jac": lambda z: np.column_stack([-there(z[:-1])[3], np.ones(len(there(z[:-1])[2]))]),
            },
            method="SLSQP",
            options={"ftol": 1e-9, "maxiter": 25},
        )
        return np.clip(found.x[:-1], -1, 1)

    y = slide(start[free])
    if there(y)[2].max(initial=0.0) > 10 * KEPT:
        y = repair(start[free])
        if there(y)[2].max(initial=0.0) <= 10 * KEPT:
            y = slide(y)
    end = start.copy()
    end[free] = y
    return end


def with_limits(limits: list[Limit], wish: bool) -> list[Limit]:
    """Only the wishes of the target, or only the limits of the machine."""
    return [limit for limit in limits if limit.wish == wish]
