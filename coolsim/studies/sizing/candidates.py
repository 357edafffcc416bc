"""Looking on surveys: the cheapest state of a duty on a floor, the smallest floor that serves it, its driest exit.

A survey errs by tenths of a point. So what is found is tried, the survey shifted by how far it was off there, and
looked at again nearby: `Candidate` keeps a duty, a state and that shift together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.optimise.survey import Goal, smoothed, unsmoothed
from coolsim.studies.sizing.dryer_duties import Duty, Survey, surveyed, tried
from coolsim.support.fields import Array

GRID = {1: 33, 2: 13, 3: 9, 4: 7, 5: 5}  # nodes per axis, by the number of axes
ZOOMS = 12  # at most; each looks one and a half cells about the best of the last, of coarse grids one
FINE = 3e-4  # of the box: closer is not looked
MARGIN = 3e-3  # of a limit's scale, kept free of the fit: what is predicted shall keep it
OUT_OF_REACH = 1e12  # ranks from here on break a limit
# Of the whole box about a state that was tried, round after round: a shift holds nearby only.
NEARBY = (0.15, 0.08, 0.04, 0.02, 0.02)
AFTER_TRIAL = 1e-2  # of a limit's scale, kept free once a state was tried: the next shall keep the limit
ASTRAY = 0.2  # of how far a survey was off the limits at a state that was tried, that it may be off nearby
BOX = 0.25  # half width of surveys near a state, in those of the whole box
MOST_BOXES = 2
_MOISTURE = OUTCOMES.index("moisture")


@dataclass(frozen=True)
class Candidate:
    """A state of a duty that was looked for on a floor (None: on any)."""

    survey: Survey
    floor: float | None
    shift: Array  # of the fitted outcomes, (outcomes,)
    u: Array  # coordinates, (axes,)
    rank: float
    off: float = 0.0  # of limits' scales: how far the survey was off where this was solved

    @property
    def duty(self) -> Duty:
        return self.survey.duty

    @property
    def serves(self) -> bool:
        return self.rank < OUT_OF_REACH

    @property
    def floor_here(self) -> float:
        """The floor, or the smallest on which the state can be."""
        return float(self.duty.floor_for(self.u)) if self.floor is None else self.floor

    @property
    def outcomes(self) -> Array:
        """As the shifted survey has them, (outcomes,)."""
        return unsmoothed(self.survey.one(self.u) + self.shift)


Weigh = Callable[[Duty, Array, Array], Array]  # duty, coordinates (…, axes), outcomes (outcomes, …) → (…)


def by_cost(duty: Duty, u: Array, outcomes: Array) -> Array:
    return duty.goal.cost(outcomes)


def by_floor(duty: Duty, u: Array, outcomes: Array) -> Array:
    return np.asarray(duty.floor_for(u))


def by_moisture(duty: Duty, u: Array, outcomes: Array) -> Array:
    return np.asarray(outcomes[_MOISTURE])


def first_candidate(
    survey: Survey, floor: float | None, weigh: Weigh, shift: Array | None = None
) -> Candidate:
    """The state that weighs least on a floor and keeps the limits; of those that break some, the nearest."""
    shift = np.zeros(len(OUTCOMES)) if shift is None else shift
    return _best(survey, floor, weigh, shift, survey.low, survey.high)


def again(candidate: Candidate, found: Array, weigh: Weigh, turn: int, astray: float = ASTRAY) -> Candidate:
    """Look again, nearby, after outcomes (outcomes,) were found at a candidate; ever closer, turn by turn."""
    survey, limits = candidate.survey, candidate.duty.goal.limits
    shift = smoothed(found) - survey.one(candidate.u)
    off = np.abs(limits.excesses(found) - limits.excesses(candidate.outcomes))
    margin = max(AFTER_TRIAL, astray * float(off.max()))
    near = candidate_near(replace(candidate, shift=shift), candidate.floor, weigh, NEARBY[turn], margin)
    if near.serves:
        return near
    return _best(survey, candidate.floor, weigh, shift, survey.low, survey.high, margin)


def candidate_near(
    candidate: Candidate, floor: float | None, weigh: Weigh, reach: float, margin: float
) -> Candidate:
    """The best on a floor no further from one than `reach` of the whole box, by its survey, shifted as it is."""
    survey, around = candidate.survey, reach * (candidate.duty.high - candidate.duty.low)
    low, high = np.maximum(candidate.u - around, survey.low), np.minimum(candidate.u + around, survey.high)
    low, high = (
        np.minimum(low, survey.high),
        np.maximum(high, survey.low),
    )  # of a candidate outside its survey
    return _best(survey, floor, weigh, candidate.shift, low, high, margin)


def closer(candidates: Sequence[Candidate], weigh: Weigh, boxes: int = MOST_BOXES) -> list[Candidate]:
    """Candidates on surveys of their neighbourhoods, moved on where they stand at an inner edge."""
    candidates = list(candidates)
    moving = list(range(len(candidates)))
    for _ in range(boxes if candidates else 0):
        surveys = surveyed([candidates[k].duty for k in moving], [candidates[k].u for k in moving], BOX)
        for k, survey in zip(moving, surveys):
            candidates[k] = first_candidate(survey, candidates[k].floor, weigh)
        moving = [k for k in moving if at_inner_edge(candidates[k])]
        if not moving:
            break
    return candidates


def at_inner_edge(candidate: Candidate, within: float = 0.02) -> bool:
    """Whether a candidate stands where its survey ends, `within` of its width, and the whole box does not."""
    s, d = candidate.survey, candidate.duty
    close = within * (s.high - s.low)
    low = (candidate.u - s.low < close) & (s.low > d.low + close)
    high = (s.high - candidate.u < close) & (s.high < d.high - close)
    return bool((low | high).any())


def corrected(candidates: Sequence[Candidate], weigh: Weigh, rounds: int) -> list[Candidate]:
    """Candidates after rounds of tries on a rough mesh, all side by side."""
    candidates = list(candidates)
    for turn in range(rounds):
        found = tried([s.duty for s in candidates], [s.u[None] for s in candidates])
        candidates = [
            again(s, rows[:, -1, 0], weigh, turn, 0.0) if np.isfinite(rows).all() else s
            for s, rows in zip(candidates, found)
        ]
    return candidates


def driest(candidate: Candidate) -> Candidate:
    """The driest state of a duty that keeps what the machine must, whatever is wished."""
    goal, duty = candidate.duty.goal, candidate.duty
    machine = Goal(goal.cost, goal.limits.of_machine())
    survey = replace(candidate.survey, duty=replace(duty, goal=machine))
    return first_candidate(survey, candidate.floor, by_moisture, candidate.shift)


def _best(
    survey: Survey,
    floor: float | None,
    weigh: Weigh,
    shift: Array,
    low: Array,
    high: Array,
    margin: float = MARGIN,
) -> Candidate:
    duty = survey.duty
    first_low, first_high = low, high
    follows = floor is not None and not duty.batch  # on a belt of a length time is no choice
    best, u, rows = np.inf, 0.5 * (low + high), duty.goal.rows
    for _ in range(ZOOMS):
        n = GRID.get(len(u) - follows, 4)
        counts = [n if b > a else 1 for a, b in zip(low, high)]
        if follows:
            counts[-1] = 1
        axes = [
            np.linspace(a, b, m) if m > 1 else np.array([0.5 * (a + b)]) for a, b, m in zip(low, high, counts)
        ]
        states = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, counts[-1], len(u))
        over = _timed(survey, states, floor)
        if (over > 0).all():
            break
        outcomes = unsmoothed(survey.at(states, rows) + shift[:, None, None], rows)
        ranks = _rank(duty, weigh, states, outcomes, margin)
        ranks = np.where(over > 0, OUT_OF_REACH * (1e3 + 1e3 * over), ranks)
        k = np.unravel_index(np.argmin(ranks), ranks.shape)
        rank = float(ranks[k])
        if rank <= best:
            best, u = rank, states[k]
        reach = (1.5 if n > 5 else 1.0) * (high - low) / np.maximum(np.array(counts) - 1, 2)
        low, high = np.maximum(u - reach, first_low), np.minimum(u + reach, first_high)
        if (reach <= FINE * (first_high - first_low))[: len(u) - follows].all():
            break
    return Candidate(survey, floor, shift, u, best)


def _rank(duty: Duty, weigh: Weigh, states: Array, outcomes: Array, margin: float) -> Array:
    goal = replace(duty.goal, cost=lambda rows: weigh(duty, states, rows))
    return goal.rank(outcomes, margin)


def _timed(survey: Survey, states: Array, floor: float | None) -> Any:
    """Set the time of states (…, axes) to what a floor leaves; returns how far that is out of what was surveyed."""
    duty = survey.duty
    if floor is None:
        return np.zeros(states.shape[:-1])
    left = np.log(np.maximum(duty.time_on(floor, states), 1e-6))
    shortest, longest = survey.low[-1], survey.high[-1]
    if duty.batch:
        states[..., -1] = np.minimum(states[..., -1], left)
        return np.maximum(shortest - left, 0.0) - 1e-9
    states[..., -1] = left  # where out of range, it ranks last
    return np.maximum(shortest - left, left - longest) - 1e-9
