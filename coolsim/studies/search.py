"""The cheapest state that respects every limit: a grid over the knobs, then ever finer grids around the best.

Nothing is assumed about direction or convexity (more air often dries less): the first grid finds the valley,
the finer ones its floor. Grids are tried on a coarse mesh, corrected by what the full mesh gives at the best
state (the difference hardly moves between neighbours); the state returned is tried on the full mesh itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.fields import Array
from coolsim.model.solve import Resolution
from coolsim.studies.plant import Limit, Tried, excesses, measured, try_settings

SURVEY = Resolution(8, 6, refinements=0)  # right to a few hundredths of a point
FULL = Resolution()
FIRST_GRID = {0: 1, 1: 33, 2: 15, 3: 9}  # points per knob, by the number of knobs
FINER_GRID = {0: 1, 1: 9, 2: 7, 3: 5}
ROUNDS = 5  # of finer grids, each a third as wide
SHRINK = 3.0
KEPT = 1e-6  # excess that counts as none, in a limit's scale: 1e-8 of moisture

Score = Callable[[Tried], Array]


@dataclass(frozen=True)
class Found:
    """The best state: its knobs, the state on the full mesh, and the limits it keeps or breaks."""

    knobs: dict[str, float]
    tried: Tried  # arrays of one
    excess: Array  # (limits,)

    @property
    def kept(self) -> bool:
        return bool((self.excess <= KEPT).all())


def search(
    case: Case,
    ranges: dict[str, tuple[float, float]],
    limits: list[Limit],
    score: Score,
    feed: dict[str, float] | None = None,
    start: dict[str, float] | None = None,
) -> Found:
    """State of the lowest score within `ranges` that keeps `limits`; where none does, the nearest to it.

    `feed` sets feed moisture or temperature to other values than the case's; `start` skips the first grid.
    """
    names = list(ranges)
    low, high = (np.array([ranges[n][i] for n in names]) for i in (0, 1))
    fixed = feed or {}
    bias = np.zeros((len(limits), 1))
    margin = np.zeros((len(limits), 1))

    def look(points: Array) -> tuple[Array, Array]:
        """Ranking numbers of points (N, knobs): excess summed over broken limits, and score."""
        tried = _try(case, names, points, fixed, SURVEY)
        excess = excesses(case, tried, limits) + bias + margin
        return np.where(excess > KEPT, excess, 0.0).sum(axis=0), score(tried)

    if start is None:
        step = (high - low) / max(FIRST_GRID[len(names)] - 1, 1)
        points = _grid(low, high, FIRST_GRID[len(names)])
        best = points[_best(*look(points))]
    else:
        best = np.clip(np.array([start[n] for n in names]), low, high)
        step = (high - low) / 8
    for round_ in range(ROUNDS):
        width = step / SHRINK**round_
        points = np.clip(_grid(best - width, best + width, FINER_GRID[len(names)]), low, high)
        broken, scores = look(points)
        best = points[_best(broken, scores)]
        if round_ >= 1:
            bias = _bias(case, names, best, fixed, limits)
    return _settled(case, names, best, fixed, limits, look, (low, high), step / SHRINK**ROUNDS, margin)


def _settled(
    case: Case,
    names: list[str],
    best: Array,
    fixed: dict[str, float],
    limits: list[Limit],
    look: Any,
    ends: tuple[Array, Array],
    width: Array,
    margin: Array,
) -> Found:
    """The best state on the full mesh; if it breaks a limit by the grids' roughness, step back inside."""
    found = _found(case, names, best, fixed, limits)
    for _ in range(3):
        broken = found.excess > KEPT
        if not broken.any() or (found.excess > 0.05).any():
            break
        margin[broken, 0] += 1.5 * found.excess[broken]
        points = np.clip(_grid(best - 3 * width, best + 3 * width, FINER_GRID[len(names)]), *ends)
        best = points[_best(*look(points))]
        found = _found(case, names, best, fixed, limits)
    return found


def _found(case: Case, names: list[str], point: Array, fixed: dict[str, float], limits: list[Limit]) -> Found:
    tried = _try(case, names, point[None], fixed, FULL)
    return Found(dict(zip(names, point.tolist())) | fixed, tried, excesses(case, tried, limits)[:, 0])


def _bias(case: Case, names: list[str], point: Array, fixed: dict[str, float], limits: list[Limit]) -> Array:
    """What the full mesh adds to the survey's excesses at a point, (limits, 1)."""
    full, survey = (_try(case, names, point[None], fixed, r) for r in (FULL, SURVEY))
    return excesses(case, full, limits) - excesses(case, survey, limits)


def _try(
    case: Case, names: list[str], points: Array, fixed: dict[str, float], resolution: Resolution
) -> Tried:
    knobs = {name: points[:, i] for i, name in enumerate(names)}
    knobs |= {name: np.full(len(points), value) for name, value in fixed.items()}
    if not knobs:
        knobs = {"bed_depth": np.full(len(points), case.cooler.bed_depth)}
    return try_settings(case, knobs, resolution)


def _grid(low: Array, high: Array, count: int) -> Array:
    """All combinations of `count` even steps per knob: (count^knobs, knobs)."""
    axes = np.meshgrid(*(np.linspace(a, b, count) for a, b in zip(low, high)), indexing="ij")
    return np.stack([a.ravel() for a in axes], axis=1) if len(low) else np.zeros((1, 0))


def _best(broken: Array, scores: Array) -> int:
    """The lowest score among points that break nothing; else the least broken."""
    kept = broken <= 0
    return int(np.where(kept, scores, np.inf).argmin() if kept.any() else broken.argmin())


def values(case: Case, found: Found, limits: list[Limit]) -> dict[str, float]:
    """The numbers that the limits bound, by the limits' names."""
    return {limit.name: float(measured(case, found.tried, limit)[0]) for limit in limits}


def with_limits(limits: list[Limit], wish: bool) -> list[Limit]:
    """Only the wishes of the target, or only the limits of the machine."""
    return [limit for limit in limits if limit.wish == wish]
