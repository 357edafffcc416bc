"""Best states within limits: on a fit of the plant's outcomes, then corrected by predictions on the full mesh.

Nothing is assumed about direction or convexity (more air often dries less). A dense grid on the fit finds the
valleys. The cheapest states lie on curved edges, such as moisture at its target, that a grid steps over: where
a limit is crossed between neighbours on the grid, the crossing is looked at, too. The best are slid to the
bottom, predicted, and slid again on the fit shifted by what the prediction added.

All goals in all weathers are slid at once, each from its few best starts: a run belongs to one goal and weather.

The search for settings
-----------------------
`plant.Plant` predicts and weighs arrays of knobs, in one weather or several. Exits are smooth in the knobs
although costs and limits are not: `outcome_polynomials.Fit` lays polynomials through a few hundred predictions
per weather on a coarse mesh (log airflow, log depth, inlet temperature, feed moisture), and lower ones through
what the full mesh adds. States come weather by weather, equally many of each; `of(weathers)` picks.
`search.Search` finds valleys on a dense grid of the fit, with the crossings of limits along its longest axis.
Every goal in every weather then starts a few runs, which `numerics.descent` slides down together; their bottoms
are predicted on the full mesh in one batch, the fit is shifted by the difference, and they slide again. Cost
has a kink at the target
moisture: runs first go along it (running cost, moisture held), then to either side, where cost is smooth
(`Goal.along`, `below`; `search.SIDES`). What is returned was solved on the full mesh. One fit serves least cost,
driest and wettest exit, wettest feed and the smallest dwell of nearly the same cost. What must be kept is a list
of `requirements.Constraint`, the same for every machine and question.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.machines.plant import Tried, Weighed, excesses
from coolsim.model.solve import Resolution
from coolsim.numerics.descent import descend
from coolsim.simulate.requirements import KEPT, Constraint
from coolsim.simulate.result_building import interleave, pick
from coolsim.studies.outcome_polynomials import Fit, combined, pack, unpack
from coolsim.support.fields import Array

SURVEY = Resolution(8, 6, refinements=0, estimate=False)  # right to a few hundredths of a point
FULL = Resolution()


def _before(count: int) -> dict[str, int]:
    """Of the conditioner's knobs."""
    return {"conditioning_water": count, "conditioning_temperature": count}


# Values along each knob, by how many of them vary: valleys are found by eye, their bottoms by sliding.
GRIDS: tuple[dict[str, int], ...] = (
    {},
    *2 * ({"airflow": 81, "bed_depth": 33, "inlet_air_temperature": 13, "feed_moisture": 7, **_before(13)},),
    {"airflow": 41, "bed_depth": 17, "inlet_air_temperature": 9, "feed_moisture": 7, **_before(9)},
    {"airflow": 31, "bed_depth": 13, "inlet_air_temperature": 6, "feed_moisture": 7, **_before(6)},
    {"airflow": 21, "bed_depth": 9, "inlet_air_temperature": 5, "feed_moisture": 5, **_before(5)},
)
AT_ONCE = 300_000  # states of grids weighed side by side: some 100 MB
AIM = 1e-7  # how far inside the limits slides aim, so that what they end on counts as kept
NEARLY = 3e-3  # excess of a crossing found by a straight line between neighbours
STARTS, APART = 3, 0.3  # states slid to the bottom, and how far they are apart at least, of −1 to 1
CORRECTIONS = 5
SETTLED = 1e-5  # step, of −1 to 1, that is not worth another prediction where limits are kept
STILL = 1e-7  # the same where they are not
ANYWHERE, ALONG, BELOW, BEYOND = SIDES = range(4)  # of a goal's ridge
NO_LIMIT = -1.0  # excess of a limit that is not a goal's

Score = Callable[[Weighed, dict[str, Array]], Array]  # of states and their knobs
Index = NDArray[np.intp]


@dataclass(frozen=True)
class Goal:
    """What to find: the lowest score that keeps limits."""

    score: Score
    limits: list[Constraint]
    feed: float | None  # feed moisture; None lets it vary
    ridge: Constraint | None = (
        None  # a bound at which the score has a kink: a ridge, or a valley's sharp floor
    )
    along: Score | None = None  # the same score at that bound and beyond it, smooth
    below: Score | None = None  # the same score where that bound is kept, smooth across it
    missed: Sequence[
        Constraint
    ] = ()  # limits that may be broken: the squares of their excesses count as score


@dataclass(frozen=True)
class Found:
    """The best state: its knobs, the state on the full mesh, and the limits it keeps or breaks."""

    knobs: dict[str, float]
    tried: Tried  # arrays of one
    excess: Array  # (limits,)

    @property
    def kept(self) -> bool:
        return bool((self.excess <= KEPT).all())


@dataclass(frozen=True)
class Best:
    """The best state in each of several weathers: arrays with one entry per weather."""

    knobs: dict[str, Array]
    tried: Tried
    excess: Array  # (limits, weathers)

    @property
    def kept(self) -> NDArray[np.bool_]:
        return np.asarray((self.excess <= KEPT).all(axis=0))

    def of(self, weathers: Index) -> Best:
        knobs = {name: value[weathers] for name, value in self.knobs.items()}
        return Best(knobs, pick(self.tried, weathers), self.excess[:, weathers])

    def one(self, weather: int = 0) -> Found:
        at = self.of(np.array([weather]))
        return Found({name: float(v[0]) for name, v in at.knobs.items()}, at.tried, at.excess[:, 0])


@dataclass(frozen=True)
class Runs:
    """Points, each of one goal in one weather, and what a prediction there added to the fit."""

    goal: Index
    weather: Index
    side: Index  # of the goal's ridge that it keeps to: see SIDES
    x: Array  # (runs, knobs)
    outcomes: Array  # added to the fit's rows, (outcomes, runs)
    excess: Array  # added to excesses, (limits of all goals, runs)

    def of(self, index: Index, x: Array | None = None) -> Runs:
        x = self.x[index] if x is None else x
        named = self.goal[index], self.weather[index], self.side[index]
        return Runs(*named, x, self.outcomes[:, index], self.excess[:, index])

    def on(self, side: int) -> Runs:
        return dataclasses.replace(self, side=np.full(len(self.x), side))


class Search:
    """Searches that share one fit."""

    def __init__(self, fit: Fit) -> None:
        self.fit, self.plant, self.box = fit, fit.plant, fit.box

    def of(self, weathers: Index) -> Search:
        """In some of the weathers, each as often as it is named."""
        return Search(self.fit.of(weathers))

    def find(self, goals: list[Goal]) -> list[Found]:
        """As `best`, in the only weather."""
        return [best.one() for best in self.best(goals)]

    def best(self, goals: list[Goal]) -> list[Best]:
        """The state of the lowest score for each goal; where none keeps its limits, the least broken one."""
        terms, weathers = Terms(goals), self.plant.weathers
        runs = self._slid(terms, self._surveyed(terms))
        x, open_ = runs.x.copy(), np.arange(len(runs.x))
        rank = np.full((2, len(x)), np.inf)
        tried: Tried | None = None
        for _ in range(CORRECTIONS):
            here = self.of(runs.weather)
            knobs = here.box.knobs(runs.x)
            now = here.plant.tried(knobs, FULL)
            score, excess = terms.of(here, runs, now, knobs)
            worst = _broken(excess)
            better = (worst < rank[0, open_]) | ((worst == rank[0, open_]) & (score < rank[1, open_]))
            better |= tried is None
            tried = now if tried is None else _put(tried, open_[better], pick(now, better))
            rank[:, open_[better]], x[open_[better]] = (worst[better], score[better]), runs.x[better]
            added = pack(now.outcome) - here.fit(runs.x)
            _, read = terms.of(here, runs, here.state(runs.x, added), knobs)
            corrected = dataclasses.replace(runs, outcomes=added, excess=(excess - read)[: len(terms.limits)])
            onward = self._slid(terms, corrected)
            step = np.abs(onward.x - runs.x).max(axis=1)
            again = np.flatnonzero(step > np.where(worst <= 0, SETTLED, STILL))
            open_, runs = open_[again], onward.of(again)
            if not len(open_):
                break
        assert tried is not None
        found = []
        for g, goal in enumerate(goals):
            at = g * weathers + np.arange(weathers)
            state, knobs = pick(tried, at), self.box.knobs(x[at])
            found.append(Best(knobs, state, excesses(self.plant.case, state, goal.limits)))
        return found

    def state(self, x: Array, added: Array | float = 0.0) -> Weighed:
        """States read from the fit at points (N, knobs)."""
        return self.plant.weighed(self.box.knobs(x), unpack(self.fit(x) + added))

    # ---- Where to start ----------------------------------------------------------------------------

    def _surveyed(self, terms: Terms) -> Runs:
        """The few best points of a grid on the fit, for each goal in each weather."""
        parts = []
        for feed in {goal.feed: None for goal in terms.goals}:
            goals = [g for g, goal in enumerate(terms.goals) if goal.feed == feed]
            axes, line = self._axes(feed)
            size = int(np.prod([len(axis) for axis in axes]))
            chunks = np.array_split(np.arange(self.plant.weathers), -(-self.plant.weathers * size // AT_ONCE))
            for chunk in chunks:
                if len(chunk):
                    parts += self.of(chunk)._starts(terms, goals, axes, line, chunk)
        goal, weather, x = (np.concatenate(column) for column in zip(*parts))
        rows = len(self.fit(np.zeros((self.plant.weathers, x.shape[1]))))
        none = np.zeros((rows, len(x))), np.zeros((len(terms.limits), len(x)))
        return Runs(goal, weather, np.zeros(len(x), np.intp), x, *none)

    def _axes(self, feed: float | None) -> tuple[list[Array], int]:
        """Values along each knob, and the knob along which crossings of limits are looked for."""
        names = self.box.names
        varied = [n for n in self.fit.varied if feed is None or n != "feed_moisture"]
        counts = GRIDS[len(varied)]
        axes = [np.linspace(-1, 1, counts[n]) if n in varied else np.zeros(1) for n in names]
        if feed is None:
            return axes, len(axes) - 1
        axes[-1] = np.array([self.box.place("feed_moisture", feed)])
        return axes, int(np.argmax([len(a) for a in axes]))

    def _starts(
        self, terms: Terms, goals: list[int], axes: list[Array], line: int, names: Index
    ) -> list[tuple[Index, Index, Array]]:
        """Starts of some goals in all weathers: goals, weathers (by their `names`), points."""
        weathers = self.plant.weathers
        x, rows = np.tile(combined(axes), (weathers, 1)), self.fit.on_grid(axes)
        weather = np.repeat(np.arange(weathers), len(x) // weathers)
        limits = terms.at(names)
        excess = excesses(self.plant.case, self.plant.weighed(self.box.knobs(x), unpack(rows)), limits)
        shape = [weathers, *(len(axis) for axis in axes)]
        x_cut, rows_cut, left = _crossings(x, rows, excess, shape, line + 1)
        x, rows = np.concatenate([x, x_cut]), np.concatenate([rows, rows_cut], axis=1)
        weather = np.concatenate([weather, weather[left]])
        plant, knobs = self.plant.of(weather), self.box.of(weather).knobs(x)
        state = plant.weighed(knobs, unpack(rows))
        excess = excesses(plant.case, state, terms.at(names[weather]))
        starts = []
        for g in goals:
            broken = excess[terms.rows[g]].max(axis=0, initial=0.0)
            broken = np.where(broken <= NEARLY, 0.0, broken)
            at = _apart(weather, x, broken, terms.score(g, ANYWHERE, plant.case, state, knobs))
            starts.append((np.full(len(at), g), names[weather[at]], x[at]))
        return starts

    # ---- Downhill ----------------------------------------------------------------------------------

    def _slid(self, terms: Terms, runs: Runs) -> Runs:
        """The best of the bottoms reached, one run for each goal and weather, in this order.

        Where a goal has a ridge, first along it, then from the best point so far to either side.
        """
        ridged = np.array([goal.ridge is not None for goal in terms.goals])[runs.goal]
        free, split = runs.of(np.flatnonzero(~ridged)), runs.of(np.flatnonzero(ridged))
        bottoms = self._bottoms(terms, _joined([free, split.on(ALONG)])).on(ANYWHERE)
        best = self._first(terms, _joined([runs, bottoms]))
        split = best.of(np.flatnonzero(np.isin(best.goal, split.goal)))
        if not len(split.x):
            return best
        sides = _joined([split.on(BELOW), split.of(np.flatnonzero(terms.open[split.goal])).on(BEYOND)])
        return self._first(terms, _joined([best, self._bottoms(terms, sides).on(ANYWHERE)]))

    def _bottoms(self, terms: Terms, runs: Runs) -> Runs:
        names = self.box.names
        varied = np.array([name in self.fit.varied for name in names])
        feed = np.array([name == "feed_moisture" for name in names])
        fixed = np.array([goal.feed is not None for goal in terms.goals])[runs.goal]
        movable = varied & ~(feed & fixed[:, None])
        if not movable.any():
            return runs

        def look(points: Array, index: Index) -> tuple[Array, Array]:
            each = runs.of(np.repeat(index, points.shape[1]), points.reshape(-1, points.shape[2]))
            here = self.of(runs.weather[index])
            state = here.state(each.x, each.outcomes)
            score, excess = terms.of(here, each, state, here.box.knobs(each.x), AIM)
            return score.reshape(points.shape[:2]), excess.T.reshape(*points.shape[:2], -1)

        return dataclasses.replace(runs, x=descend(look, runs.x, movable))

    def _first(self, terms: Terms, runs: Runs) -> Runs:
        """The best run of each goal in each weather."""
        here = self.of(runs.weather)
        state = here.state(runs.x, runs.outcomes)
        score, excess = terms.of(here, runs, state, here.box.knobs(runs.x))
        pair = runs.goal * self.plant.weathers + runs.weather
        order = np.lexsort((score, _broken(excess), pair))
        return runs.of(order[np.unique(pair[order], return_index=True)[1]])


class Terms:
    """Goals side by side, with the limits of all of them."""

    def __init__(self, goals: list[Goal]) -> None:
        self.goals = goals
        every = [limit for goal in goals for limit in goal.limits]
        self.limits = list({id(limit): limit for limit in every}.values())
        place = {id(limit): k for k, limit in enumerate(self.limits)}
        self.rows = [[place[id(limit)] for limit in goal.limits] for goal in goals]
        self.mine = np.zeros((len(self.limits), len(goals)), bool)
        for g, rows in enumerate(self.rows):
            self.mine[rows, g] = True
        ridges = [goal.ridge for goal in goals if goal.ridge]
        self.ridge = ridges[0] if ridges else None
        self.open = np.array([not any(map(self._is_ridge, goal.limits)) for goal in goals])  # beyond it

    def _is_ridge(self, limit: Constraint) -> bool:
        r = self.ridge
        return r is not None and (limit.name, limit.bound, limit.sense) == (r.name, r.bound, r.sense)

    def at(self, weathers: Index) -> list[Constraint]:
        """All limits, those that differ between weathers in some of these."""

        def here(value: Any) -> Any:
            return value[weathers] if np.ndim(value) else value

        return [
            dataclasses.replace(limit, bound=here(limit.bound), scale=here(limit.scale))
            for limit in self.limits
        ]

    def score(self, g: int, side: int, case: Case, state: Weighed, knobs: dict[str, Array]) -> Array:
        """The score of one goal, as it is smooth on a side of its ridge."""
        goal = self.goals[g]
        smooth = {ALONG: goal.along, BELOW: goal.below, BEYOND: goal.along}.get(side) or goal.score
        score = smooth(state, knobs)
        if goal.missed:
            score = score + (np.maximum(excesses(case, state, list(goal.missed)), 0.0) ** 2).sum(axis=0)
        return score

    def of(
        self, here: Search, runs: Runs, state: Weighed, knobs: dict[str, Array], aim: float = 0.0
    ) -> tuple[Array, Array]:
        """Score (runs,) of each run's goal, and excesses (limits, runs): the last two of its ridge.

        `aim` tightens the limits, so that what ends on them counts as kept.
        """
        score, case = np.empty(len(runs.x)), here.plant.case
        for g, side in {*zip(runs.goal.tolist(), runs.side.tolist())}:
            at = (runs.goal == g) & (runs.side == side)
            score[at] = self.score(g, side, case, state, knobs)[at]
        excess = excesses(case, state, self.at(runs.weather)) + runs.excess + aim
        excess = np.where(self.mine[:, runs.goal], excess, NO_LIMIT)
        if self.ridge is None:
            return score, excess
        (above,) = excesses(case, state, [self.ridge]) + aim
        ridge = [
            np.where(np.isin(runs.side, (ALONG, BELOW)), above, NO_LIMIT),
            np.where(np.isin(runs.side, (ALONG, BEYOND)), -above, NO_LIMIT),
        ]
        return score, np.concatenate([excess, ridge])


def _broken(excess: Array) -> Array:
    """How far the worst limit is broken."""
    worst = excess.max(axis=0, initial=0.0)
    return np.where(worst <= KEPT, 0.0, worst)


def _put(tried: Tried, index: Index, part: Tried) -> Tried:
    others = np.setdiff1d(np.arange(len(tried.power)), index)
    return interleave([pick(tried, others), part], [others, index])


def _joined(several: list[Runs]) -> Runs:
    columns = zip(*((r.goal, r.weather, r.side, r.x.T, r.outcomes, r.excess) for r in several))
    goal, weather, side, x, outcomes, excess = (np.concatenate(column, axis=-1) for column in columns)
    return Runs(goal, weather, side, x.T, outcomes, excess)


def _apart(group: Index, x: Array, broken: Array, score: Array) -> Index:
    """The best points of each group that are apart from each other: no broken ones where one is not."""
    order = np.lexsort((score, broken, group))
    names, first = np.unique(group[order], return_index=True)
    whole = broken[order[first]] <= 0
    of_group = np.searchsorted(names, group[order])
    alive = (broken[order] <= 0) | ~whole[of_group]
    chosen = []
    for _ in range(STARTS):
        left = np.flatnonzero(alive)
        if not len(left):
            break
        present, first = np.unique(of_group[left], return_index=True)
        best = np.zeros(len(names), np.intp)
        best[present] = order[left[first]]
        chosen.append(best[present])
        alive[left] &= np.abs(x[order[left]] - x[best[of_group[left]]]).max(axis=1) > APART
    return np.concatenate(chosen)


def _crossings(
    x: Array, rows: Array, excess: Array, shape: list[int], axis: int
) -> tuple[Array, Array, Index]:
    """Points between neighbours along an axis where a limit is crossed, by straight lines; outcomes, neighbours."""
    e = np.moveaxis(excess.reshape(len(excess), *shape), axis + 1, -1)
    flat = np.moveaxis(np.arange(len(x)).reshape(shape), axis, -1)
    a, b = e[..., :-1], e[..., 1:]
    cut = a * b < 0
    share = (a / np.where(cut, a - b, 1.0))[cut]
    places = np.nonzero(cut)[1:]
    left, right = flat[..., :-1][places], flat[..., 1:][places]
    between = x[left] + share[:, None] * (x[right] - x[left])
    return between, rows[:, left] + share * (rows[:, right] - rows[:, left]), left
