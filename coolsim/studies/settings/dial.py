"""The cheapest combination of dial steps that keeps everything, near the exact optimum.

An optimum that is rounded afterwards breaks a wish, or costs up to three times as much: what is given up in one
setting has to be made good in another. So all steps in a box around it are weighed on a forecast; the cheapest are
looked at with even beds, the forecast is shifted by what that adds, and the steps are weighed again, until the
cheapest of all is predicted as it is. The forecast are low polynomials through a few dozen states around the
optimum, predicted on a rough mesh.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines import Machine, Setting, appraised
from coolsim.machines.base import Appraisal, bill, of_one, predicted_each
from coolsim.simulate.feed_following import in_air
from coolsim.simulate.inputs import with_even_bed
from coolsim.simulate.requirements import FEASIBLE, Constraint
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

REACH = 8  # steps to either side of the optimum, where few things are set
MOST = 40_000  # combinations weighed
FREE = 2e-4  # of a bound's scale, kept free: what is typed back is rounded to what was printed
KEPT_OFF = min(FREE, FEASIBLE)  # of a bound's scale, that what is returned keeps free
SLACK = 2e-3  # of a bound's scale, kept free of polynomials at first
TRIES, ROUNDS = 4, 5  # combinations looked at at once, and how often
WORTH = 1e-3  # of the cost: less is not looked for
WIDER = 2.0  # how much wider a box is looked at where the first holds nothing
DEGREE = 2
ASTRAY = (
    5e-3  # of a bound's scale that polynomials are off: then combinations are looked at on the rough mesh
)
FAR = 0.1  # … or this share of how far from the bound it stands, where that is more
LOOKED = 64  # how many of them


@dataclass(frozen=True)
class Combination:
    """One combination of dial steps, as predicted."""

    case: Case
    result: Result  # its prediction


def on_dial(
    machine: Machine,
    best: Case,
    result: Result,
    constraints: Sequence[Constraint],
) -> Combination | None:
    """The combination near the best state that is cheapest per tonne and predicted to keep all constraints.

    None where none does. Settings that nobody opens, and those that are pinned, stay.
    """
    settings = [s for s in machine.settings if s.varies]
    if not settings:
        return None
    start = of_one(machine, best, result, constraints)
    at = machine.read(best, result)
    for width in (1.0, WIDER):
        box = _Box(machine, settings, at, width)
        found = _searched(machine, box, constraints, start)
        if found is not None:
            return found
    return None


class _Box:
    """The steps around a state, and coordinates from −1 to 1 of what is varied to reach them."""

    def __init__(
        self, machine: Machine, settings: Sequence[Setting], at: dict[str, float], wide: float
    ) -> None:
        self.settings, self.at = list(settings), at
        self.pinned = {s.key: s.low for s in machine.settings if s.opened and not s.varies}
        reach = wide * min(REACH, max(1.0, 0.5 * (MOST ** (1 / len(settings)) - 1)))
        self.steps = [s.on_dial(at[s.key] - reach * s.step, at[s.key] + reach * s.step) for s in settings]
        ends = [self._ends(s, steps) for s, steps in zip(settings, self.steps)]
        self.middle = np.array([0.5 * (low + high) for low, high in ends])
        self.half = np.array([max(0.5 * (high - low), 1e-12) for low, high in ends])

    def _ends(self, s: Setting, steps: Array) -> tuple[float, float]:
        """Ends of what is varied; of what follows from another, as much of that to either side."""
        if s.sought == s.key:
            return min(steps[0], self.at[s.key]), max(steps[-1], self.at[s.key])
        now, share = self.at[s.sought], 1.2 * max(np.ptp(steps), s.step) / max(self.at[s.key], s.step)
        return now * (1 - share), now * (1 + share)

    def placed(self, values: Array) -> Array:
        """Coordinates of values (…, settings)."""
        return np.asarray((values - self.middle) / self.half)

    def nodes(self) -> Array:
        """States of a survey, (n, settings): corners, faces, centre."""
        d = len(self.settings)
        corners = np.array(list(product((-1.0, 1.0), repeat=d)))
        x = np.concatenate([corners, np.eye(d), -np.eye(d), np.zeros((1, d))]) if d > 1 else _LINE
        return np.asarray(self.middle + self.half * x)

    def sought(self, values: Array) -> dict[str, float]:
        return self.pinned | {s.sought: float(x) for s, x in zip(self.settings, values)}


_LINE = np.linspace(-1, 1, 5)[:, None]

# What is expected at values (n, settings) of what is varied to reach settings, as rows: violations of constraints,
# electricity, heat, feed and moisture, then what is dialled in but follows from something else.
Forecast: TypeAlias = Callable[[Array], Array]


def _through_survey(machine: Machine, box: _Box, constraints: Sequence[Constraint]) -> Forecast:
    """Polynomials of low degree through what is predicted around a state; raises NotConverged."""
    nodes = box.nodes()
    states = [with_even_bed(machine.at(box.sought(x))) for x in nodes]
    rows = _rows(appraised(machine, states, quick=True, constraints=constraints), box)
    powers, good = _powers(nodes.shape[1], DEGREE), np.isfinite(rows).all(axis=0)
    coefficients, *_ = np.linalg.lstsq(_terms(box.placed(nodes[good]), powers), rows[:, good].T)
    return lambda values: np.asarray((_terms(box.placed(values), powers) @ coefficients).T)


def _powers(d: int, degree: int) -> NDArray[np.intp]:
    every = np.array(list(product(range(degree + 1), repeat=d)))
    return every[every.sum(axis=1) <= degree]


def _terms(x: Array, powers: NDArray[np.intp]) -> Array:
    return np.asarray(np.prod(x[:, None, :] ** powers[None], axis=2))


def _searched(
    machine: Machine,
    box: _Box,
    constraints: Sequence[Constraint],
    start: Appraisal,
) -> Combination | None:
    """The cheapest combination of a box that is predicted to keep everything.

    A forecast says which combinations are worth a look: the full mesh with even beds, and what unevenness adds at
    the optimum. The cheapest of those is then predicted as it is; where that breaks something, the next.
    Where the forecast turns out to be off, as that of a batch is whose air changes sides, the most promising are
    looked at one by one on the rough mesh first.
    """
    try:
        foretold = _through_survey(machine, box, constraints)
        weighing = _Weighing(machine, box, constraints, start, foretold)
        for _ in range(ROUNDS):
            k = weighing.next_candidate()
            if k is None:
                return None
            place = weighing.confirmed(k)
            if place is not None:
                return place
    except NotConverged:
        pass
    return None


class _Weighing:
    """The combinations of a box, and what is expected of each: the more exactly, the more were looked at."""

    def __init__(
        self,
        machine: Machine,
        box: _Box,
        constraints: Sequence[Constraint],
        start: Appraisal,
        foretold: Forecast,
    ) -> None:
        self.machine, self.box, self.constraints = machine, box, constraints
        # by its dials, as the steps are: of a fan, an even bed at the same speed takes other air
        self.best = machine.at(_named(box, np.array([box.at[s.key] for s in box.settings])))
        self.exact = _rows(start, box)
        here = np.array([[box.at[s.sought] for s in box.settings]])
        shift = self.exact - foretold(here)

        def expected(values: Array) -> Array:
            return foretold(values) + shift

        points, self.values = _combinations(box, expected, len(constraints))
        self.outcomes = expected(points)
        self.looked: set[int] = set()
        self.tried: set[int] = set()
        self.slack, self.closely = SLACK, False
        self.added: Array | None = None  # what unevenness, and an estimate of errors, add at the optimum

    def next_candidate(self) -> int | None:
        """The cheapest of the combinations that were looked at, after as many looks as are worth it."""
        for _ in range(ROUNDS):
            chosen = self._promising(self.slack)[:TRIES]
            if chosen:
                self._look(chosen)
            elif self.slack == 0.0:
                break
            else:
                self.slack = 0.0  # nothing cheaper keeps off its bounds as far as that: look right up to them
        cost = self._cost()
        return min(self._kept(), key=lambda k: float(cost[k]), default=None)

    def confirmed(self, k: int) -> Combination | None:
        """A combination as it is predicted, where it keeps everything, and as far off as typing takes."""
        case = in_air(self.machine.at(_named(self.box, self.values[k])))
        (result,) = predicted_each([case])
        there = of_one(self.machine, case, result, self.constraints)
        self.tried.add(k)
        if there.worst[0] > -KEPT_OFF:
            self.outcomes = self.outcomes + _rows(there, self.box) - self.outcomes[:, [k]]
            return None
        return Combination(case, result)

    def _cost(self) -> Array:
        """What each costs per tonne."""
        electricity, heat, feed, moisture = self.outcomes[len(self.constraints) :][:4]
        case = self.machine.case
        solid = feed * (1 - case.feed.moisture)
        return np.asarray(bill(case, electricity, heat, feed, solid, np.minimum(moisture, 0.95)).per_tonne)

    def _kept(self) -> list[int]:
        """Combinations that were looked at and keep everything."""
        worst = self.outcomes[: len(self.constraints)].max(axis=0, initial=-np.inf)
        return [k for k in self.looked - self.tried if worst[k] <= -KEPT_OFF]

    def _promising(self, slack: float) -> list[int]:
        """Combinations that may keep everything and are cheaper than those looked at, the cheapest first."""
        cost = self._cost()
        kept = (self.outcomes[: len(self.constraints)] <= -slack).all(axis=0)
        most = min((cost[k] for k in self._kept()), default=np.inf)
        if np.isfinite(most):
            kept &= cost < most - WORTH * abs(most)
        order = np.flatnonzero(kept)[np.argsort(cost[kept], kind="stable")]
        return [int(k) for k in order if int(k) not in self.looked]

    def _look(self, chosen: list[int]) -> None:
        """Put what is predicted with even beds in place of what was expected, and shift the others by the mean."""
        count = len(self.constraints)
        cases = [self.machine.at(_named(self.box, self.values[k])) for k in chosen]
        if self.added is None:
            cases.append(self.best)
        even = [with_even_bed(case) for case in cases]
        rows = _rows(appraised(self.machine, even, checked=False, constraints=self.constraints), self.box)
        if self.added is None:
            self.added = self.exact - rows[:, -1:]
        off = rows[:, : len(chosen)] + self.added - self.outcomes[:, chosen]
        well = off[:, np.isfinite(off).all(axis=0)]
        mean = well.mean(axis=1)[:, None] if well.size else np.zeros((len(rows), 1))
        seen = self.outcomes[:, chosen] + off
        self.outcomes[:, self._expected_only()] += mean
        if well.size and not self.closely and self._astray(off[:count], chosen):
            self.closely = True
            near = 2 * np.abs(well[:count] - mean[:count]).max() + ASTRAY
            self._look_closely([k for k in self._promising(-near) if k not in chosen])
        self.outcomes[:, chosen] = np.where(np.isnan(seen), np.inf, seen)
        self.looked.update(chosen)
        self.slack = -ASTRAY if self.closely else FREE  # a rough mesh is off by as much

    def _astray(self, off: Array, chosen: list[int]) -> bool:
        """Whether what was expected of combinations was too far off, for how near its bound each thing stands."""
        allowed = np.maximum(ASTRAY, FAR * np.abs(self.outcomes[: len(off), chosen]))
        return bool((np.abs(off) > allowed).any())

    def _expected_only(self) -> NDArray[np.intp]:
        """Combinations that nobody has looked at."""
        return np.setdiff1d(np.arange(self.outcomes.shape[1]), np.array(list(self.looked), int))

    def _look_closely(self, worth: list[int]) -> None:
        """Of those expected only, take some that are worth it as the rough mesh has them; the others are left out.

        Beds are even. What the full mesh adds at the optimum is added everywhere.
        """
        at: Any = np.unique(np.linspace(0, len(worth) - 1, LOOKED).astype(int)) if worth else []
        some = [worth[k] for k in at]
        self.outcomes[: len(self.constraints), self._expected_only()] = np.inf
        if some:
            cases = (*(self.machine.at(_named(self.box, self.values[k])) for k in some), self.best)
            even = [with_even_bed(case) for case in cases]
            rough = _rows(appraised(self.machine, even, quick=True, constraints=self.constraints), self.box)
            found = rough[:, :-1] + self.exact - rough[:, -1:]
            self.outcomes[:, some] = np.where(np.isnan(found), np.inf, found)


def _named(box: _Box, values: Array) -> dict[str, float]:
    return box.pinned | {s.key: float(x) for s, x in zip(box.settings, values)}


def _rows(a: Appraisal, box: _Box) -> Array:
    """Violations, then power, heat and moisture, then what is dialled in but follows from something else."""
    follows = [a.values[s.key] for s in box.settings if s.sought != s.key]
    return np.array([*a.violations, a.electricity, a.heat, a.feed, a.moisture, *follows])


def _combinations(box: _Box, fit: Callable[[Array], Array], first: int) -> tuple[Array, Array]:
    """All combinations of dial steps: what is varied (n, settings), and what is dialled in (n, settings)."""
    direct = [k for k, s in enumerate(box.settings) if s.sought == s.key]
    others = [k for k in range(len(box.settings)) if k not in direct]
    axes = [box.steps[k] if k in direct else np.zeros(1) for k in range(len(box.settings))]
    values = np.array(list(product(*axes)))
    points = values.copy()
    for row, k in enumerate(others, first + 4):
        points, values = _through(box, fit, row, k, points, values)
    return points, values


FINE = 49  # values of what is varied, between which a dial that follows from it is read


def _through(
    box: _Box, fit: Callable[[Array], Array], row: int, k: int, points: Array, values: Array
) -> tuple[Array, Array]:
    """Combinations in which a dial stands on its steps, by the values of what it follows from."""
    along = np.linspace(box.middle[k] - box.half[k], box.middle[k] + box.half[k], FINE)
    lines = np.repeat(points[:, None], FINE, axis=1)
    lines[:, :, k] = along
    reads = fit(lines.reshape(-1, points.shape[1]))[row].reshape(len(points), FINE)
    reads = np.maximum.accumulate(reads, axis=1)
    steps = box.steps[k]
    after = (reads[:, None] < steps[:, None]).sum(axis=2)  # (points, steps)
    which, step = np.nonzero((after > 0) & (after < FINE))
    j = after[which, step]
    low, high = reads[which, j - 1], reads[which, j]
    share = (steps[step] - low) / np.maximum(high - low, 1e-300)
    found, dialled = points[which], values[which]
    found[:, k] = along[j - 1] + share * (along[j] - along[j - 1])
    dialled[:, k] = steps[step]
    return found, dialled
