"""Looking on surveys: the cheapest state of a duty on a floor, the smallest floor that serves it, its driest exit.

A survey errs by tenths of a point. So what is found is tried, the survey shifted by how far it was off there, and
looked at again nearby: `Candidate` keeps a duty, a state and that shift together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.optimise.survey import Goal, smoothed, unsmoothed
from coolsim.studies.sizing.duties import Duty, Weigh
from coolsim.studies.sizing.survey import Survey, surveyed, tried
from coolsim.support.fields import Array

GRID = {1: 33, 2: 13, 3: 9, 4: 7, 5: 5}  # nodes per axis, by the number of axes
ZOOMS = 12  # at most; each looks one and a half cells about the best of the last, of coarse grids one
FINE = 2e-3  # of the box: closer is not looked, since where a limit is crossed lies between
# Of limits' scales, where states repeat as exactly as marches of dryers do (`Duty.exact`).
MARGIN = 3e-3  # kept free of the fit: what is predicted shall keep it
OUT_OF_REACH = 1e12  # ranks from here on break a limit
# Of the whole box about a state that was tried, round after round: a shift holds nearby only.
NEARBY = (0.15, 0.08, 0.04, 0.02, 0.02)
AFTER_TRIAL = 1e-2  # kept free once a state was tried: the next shall keep the limit
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
    off: float | Array = 0.0  # of limits' scales, (limits,): how far the survey was off where this was solved

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

    @cached_property
    def outcomes(self) -> Array:
        """As the shifted survey has them, (outcomes,)."""
        return unsmoothed(self.survey.one(self.u) + self.shift)


def by_cost(duty: Duty, u: Array, outcomes: Array) -> Array:
    return duty.goal.cost(outcomes)


def by_floor(duty: Duty, u: Array, outcomes: Array) -> Array:
    return np.asarray(duty.floor_for(u))


def by_moisture(duty: Duty, u: Array, outcomes: Array) -> Array:
    return np.asarray(outcomes[_MOISTURE])


def first_candidate(
    survey: Survey,
    floor: float | None,
    weigh: Weigh,
    shift: Array | None = None,
    elsewhere: Sequence[Candidate] = (),
) -> Candidate:
    """The state that weighs least on a floor and keeps the limits; of those that break some, the nearest.

    elsewhere: candidates that it shall not stand next to.
    """
    shift = np.zeros(len(OUTCOMES)) if shift is None else shift
    return best_of([whole_of(survey, floor, shift, elsewhere)], weigh)[0]


def whole_of(survey: Survey, floor: float | None, shift: Array, elsewhere: Sequence[Candidate] = ()) -> Look:
    """A look at all of a survey."""
    return Look(survey, floor, shift, survey.low, survey.high, elsewhere=elsewhere)


def alike(one: Candidate, other: Candidate, apart: float) -> bool:
    """Whether two candidates stand as close as a share of the whole box."""
    wide = np.maximum(one.duty.high - one.duty.low, 1e-9)
    return bool((np.abs(one.u - other.u) <= apart * wide).all())


def again(candidate: Candidate, found: Array, weigh: Weigh, turn: int, astray: float = ASTRAY) -> Candidate:
    """Look again, nearby, after outcomes (outcomes,) were found at a candidate; ever closer, turn by turn."""
    survey, limits = candidate.survey, candidate.duty.goal.limits
    shift = smoothed(found) - survey.one(candidate.u)
    off = np.abs(limits.excesses(found) - limits.excesses(candidate.outcomes))
    margin = np.maximum(candidate.duty.exact * AFTER_TRIAL, astray * off)
    here = replace(candidate, shift=shift)
    (near,) = best_of([near_to(here, candidate.floor, NEARBY[turn], margin)], weigh)
    if near.serves:
        return near
    return best_of([Look(survey, candidate.floor, shift, survey.low, survey.high, margin)], weigh)[0]


def near_to(candidate: Candidate, floor: float | None, reach: float, margin: float | Array) -> Look:
    """A look on a floor no further from a candidate than `reach` of the whole box, by its shifted survey."""
    survey, around = candidate.survey, reach * (candidate.duty.high - candidate.duty.low)
    low, high = np.maximum(candidate.u - around, survey.low), np.minimum(candidate.u + around, survey.high)
    # of a candidate outside its survey
    low, high = np.minimum(low, survey.high), np.maximum(high, survey.low)
    return Look(survey, floor, candidate.shift, low, high, margin)


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


def cheapest_apart(whole: Candidate, end: Candidate, floors: Sequence[float]) -> list[Candidate]:
    """Cheapest states of a duty on floors and where nothing is gained, to survey about: none next to another.

    Where two stand together, the cheapest elsewhere takes the place of one: limits make several valleys.
    """
    found = [end]
    for floor in floors:
        one = first_candidate(whole.survey, floor, by_cost, whole.shift)
        if any(alike(one, other, BOX / 2) for other in found):
            one = first_candidate(whole.survey, floor, by_cost, whole.shift, found)
        found += [one] if one.serves else []
    return found


# ---- Many looks at once ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Look:
    """Where the best is looked for on a survey."""

    survey: Survey
    floor: float | None
    shift: Array
    low: Array
    high: Array
    margin: float | Array | None = None  # of all limits, or (limits,); none: a fit's own
    elsewhere: Sequence[Candidate] = ()  # that it shall not stand next to


def best_of(looks: Sequence[Look], weigh: Weigh) -> list[Candidate]:
    """The states that weigh least; those of one survey are looked for side by side."""
    groups: dict[tuple[int, bool], list[int]] = {}
    for k, look in enumerate(looks):
        groups.setdefault((id(look.survey), look.floor is None), []).append(k)
    found: dict[int, Candidate] = {}
    for some in groups.values():
        found |= zip(some, _on_one_survey([looks[k] for k in some], weigh))
    return [found[k] for k in range(len(looks))]


def _on_one_survey(looks: Sequence[Look], weigh: Weigh) -> list[Candidate]:
    """On a grid with the crossings of limits along an axis, then on ever smaller ones about the best."""
    survey, duty = looks[0].survey, looks[0].survey.duty
    rows, count = duty.goal.rows, len(looks)
    floor = None if looks[0].floor is None else np.array([look.floor for look in looks])[:, None, None]
    follows = floor is not None and not duty.shortens  # the last axis is no choice then
    shift = np.stack([look.shift for look in looks], axis=1)[:, :, None, None]
    margin = np.stack([_margin(look) for look in looks], axis=1)  # (limits, looks)
    low, high = (np.stack([getattr(look, end) for look in looks]) for end in ("low", "high"))
    first_low, first_high = low, high
    best, u = np.full(count, np.inf), 0.5 * (low + high)
    axes = u.shape[1]
    n = GRID.get(axes - follows, 4)
    counts = np.where((high > low).any(axis=0), n, 1)
    if follows:
        counts[-1] = 1
    across = 0 if follows else axes - 1
    steps = np.stack(
        np.meshgrid(*(np.linspace(0, 1, m) if m > 1 else [0.5] for m in counts), indexing="ij"), -1
    )
    steps = steps.reshape(-1, counts[-1], axes)
    every = np.arange(count)
    for _ in range(ZOOMS):
        states = low[:, None, None] + steps * (high - low)[:, None, None]
        over = np.broadcast_to(duty.put_on(floor, states, survey.low, survey.high), states.shape[:-1])
        for k, look in enumerate(looks):
            for one in look.elsewhere:
                close = np.abs(states[k] - one.u) <= 0.5 * BOX * (duty.high - duty.low)
                over = np.where((every == k)[:, None, None] & close.all(axis=-1), 1.0, over)
        values = survey.at(states.reshape(-1, counts[-1], axes), rows).reshape(-1, *over.shape) + shift
        ranks = _rank(duty, weigh, states, unsmoothed(values, rows), margin)
        ranks = np.where(over > 0, OUT_OF_REACH * (1e3 + 1e3 * over), ranks).reshape(count, -1)
        k = ranks.argmin(axis=1)
        rank, there = ranks[every, k], states.reshape(count, -1, axes)[every, k]
        if counts[across] > 1:
            grid = states.reshape(count, *counts, axes), values.reshape(-1, count, *counts)
            crossing, between = _on_limits(duty, weigh, *grid, over.reshape(count, *counts), across, margin)
            nearer = crossing < rank
            rank, there = np.where(nearer, crossing, rank), np.where(nearer[:, None], between, there)
        better = rank <= np.maximum(best, OUT_OF_REACH)  # what a closer look sees is more exact, be it dearer
        best, u = np.where(better, rank, best), np.where(better[:, None], there, u)
        reach = (1.5 if n > 5 else 1.0) * (high - low) / np.maximum(counts - 1, 2)
        low, high = np.maximum(u - reach, first_low), np.minimum(u + reach, first_high)
        if (reach <= FINE * (first_high - first_low))[:, : axes - follows].all():
            break
    return [Candidate(survey, look.floor, look.shift, u[k], float(best[k])) for k, look in enumerate(looks)]


def _margin(look: Look) -> Array:
    """What is kept free of each limit."""
    duty = look.survey.duty
    return np.broadcast_to(
        duty.exact * MARGIN if look.margin is None else look.margin, (len(duty.goal.limits.rows),)
    )


def _on_limits(
    duty: Duty, weigh: Weigh, states: Array, values: Array, over: Array, across: int, margin: Array
) -> tuple[Array, Array]:
    """Of each grid the least rank (grids,) of where limits are crossed between neighbours along an axis, and there.

    states: (grids, *grid, axes), values: smoothed outcomes (outcomes, grids, *grid), over: as of `Duty.put_on`,
    (grids, *grid), margin: (limits, grids).
    """
    goal, rows, count = duty.goal, duty.goal.rows, len(states)
    best, at_best = np.full(count, np.inf), states.reshape(count, -1, states.shape[-1])[:, 0].copy()
    excess = goal.limits.excesses(unsmoothed(values, rows), margin)
    u, v, e, out = (
        np.moveaxis(x, across + behind, 0) for x, behind in ((states, 1), (values, 2), (excess, 2), (over, 1))
    )
    crossed = ((e[:-1] > 0) != (e[1:] > 0)) & (np.maximum(out[:-1], out[1:]) <= 0)[:, None]
    j, at, who, *line = np.nonzero(crossed)
    if not len(at):
        return best, at_best
    before, after = e[(j, at, who, *line)], e[(j + 1, at, who, *line)]
    share = before / (before - after) + np.where(before > 0, 1e-4, -1e-4)  # on the side that keeps it
    share = np.clip(share, 0.0, 1.0)
    there = (1 - share[:, None]) * u[(j, who, *line)] + share[:, None] * u[(j + 1, who, *line)]
    a, b = (np.moveaxis(v, 1, -1)[(step, who, *line)].T for step in (j, j + 1))
    ranks = _rank(duty, weigh, there, unsmoothed((1 - share) * a + share * b, rows), 0.9 * margin[:, who], at)
    order = np.lexsort((ranks, who))
    has, first = np.unique(who[order], return_index=True)
    best[has], at_best[has] = ranks[order][first], there[order][first]
    return best, at_best


def _rank(duty: Duty, weigh: Weigh, states: Array, outcomes: Array, margin: Array, at: Any = None) -> Array:
    goal = replace(duty.goal, cost=lambda rows: weigh(duty, states, rows))
    return goal.rank(outcomes, margin, at)
