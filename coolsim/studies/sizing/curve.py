"""The trade-off between floor and running: each duty's cheapest states on some floors, as predicted.

Surveys err by tenths of a point of moisture, and a tenth of feed dried away can cost a tenth of the energy or more:
costs that surveys claim cannot be compared. So on every floor what surveys promise is solved, all floors side by
side, each survey shifted by how far it was off, and looked at again, ever closer. States go from floor to floor:

Between a state that serves and a cheaper one that broke a limit lies the limit itself: where two such are known,
the state on the line through them just before it is tried, too. That needs no survey, and is what settles a row.

    batch:   what serves on a floor serves on every larger one, at the same cost per tonne and less load
             (outcomes go with air and depth per floor area, and time; a larger floor only leaves more time)
    others:  the floor fixes one of them, so a neighbour's state is a start, no more
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from coolsim.studies.optimise.survey import smoothed, unsmoothed
from coolsim.studies.sizing.candidates import (
    BOX,
    MOST_BOXES,
    Candidate,
    Look,
    alike,
    at_inner_edge,
    best_of,
    by_cost,
    near_to,
    whole_of,
)
from coolsim.studies.sizing.duties import Duty
from coolsim.studies.sizing.survey import surveyed, tried
from coolsim.support.fields import Array

# Of the whole box about a state that was solved, round after round: a shift holds nearby only, and the last rounds
# bring the state to its limits, of which a hundredth of a point of moisture may be worth a percent of the cost.
REACH = (0.15, 0.15, 0.15, 0.08, 0.03, 0.01)
# Rounds in which neighbours' states are starts, and as many are solved on each floor as at first; and after which
# surveys are made anew.
WIDE, ANEW = 3, 1
# Of how far a survey was off the limits where it was solved, that it may be off nearby, in smaller reaches in
# proportion; and as long as nothing serves
ASTRAY, ASTRAY_AT_FIRST = 0.1, 0.5
# Of a limit's scale, where states repeat as exactly as marches of dryers do (`Duty.exact`).
FREE = 1e-3  # always kept free: what is predicted in the end shall keep it
JUST = 2e-4  # of what was solved: predictions differ by that in their last digits
CLOSE = 0.05  # of a survey to its end: surveyed anew
WON = 5e-4  # of the cost: less is not looked for
APART = 0.01  # of the box: closer states are one
HERE = 1e-6  # of a floor: the same


class Curve:
    """What was solved of each duty, with what is promised on the floors looked at so far."""

    def __init__(self, duties: Sequence[Duty], sources: Sequence[Sequence[Candidate]]) -> None:
        """sources: of each duty, candidates on surveys to start from."""
        self.duties, self.sources = duties, sources
        self.solved: list[list[Candidate]] = [[] for _ in duties]
        self.last: dict[
            tuple[int, float], list[Candidate]
        ] = {}  # solved in the last round, of duties on floors
        self.floors: list[float] = []

    def add(self, k: int, candidate: Candidate, outcomes: Array) -> Candidate:
        """A candidate of a duty whose outcomes (outcomes,) are known on the mesh of predictions."""
        goal = candidate.duty.goal
        shift = smoothed(outcomes) - candidate.survey.one(candidate.u)
        off = np.abs(goal.limits.excesses(outcomes) - goal.limits.excesses(candidate.outcomes))
        rank = float(goal.rank(outcomes, candidate.duty.exact * JUST))
        known = replace(candidate, floor=candidate.floor_here, shift=shift, rank=rank, off=off)
        self.solved[k].append(known)
        return known

    def correct(self, k: int, candidate: Candidate, outcomes: Array) -> None:
        """Put what was predicted of a candidate that was solved in its place."""
        self.solved[k] = [one for one in self.solved[k] if one.u is not candidate.u]
        known = self.add(k, candidate, outcomes)
        self.last = {
            at: [known if one.u is candidate.u else one for one in some] for at, some in self.last.items()
        }

    def solve_on(self, floors: Sequence[float], rounds: range = range(len(REACH))) -> None:
        """Solve what is promised on floors, and again about what was solved."""
        self.floors = sorted({*self.floors, *floors})
        going = [(k, f) for k in range(len(self.duties)) for f in floors]
        for turn in rounds:
            looks = {at: self._looks(*at, turn) for at in going}
            found = iter(best_of([look for some in looks.values() for look in some], by_cost))
            asked = {
                at: self._promising(*at, turn, [next(found) for _ in some]) for at, some in looks.items()
            }
            self.last = dict(zip(asked, self._solved(asked)))
            if turn >= WIDE:  # nothing more is promised there by what is known
                going = [at for at in going if asked[at]]
            if turn == ANEW:
                self._survey_on(floors)

    def _survey_on(self, floors: Sequence[float]) -> None:
        """Survey anew about the best states on floors that stand where their surveys end, and go on from there."""
        stuck: list[tuple[int, Candidate]] = []
        for k in range(len(self.duties)):
            candidates = [
                candidate
                for f in floors
                if (candidate := self.best(k, f)) is not None and at_inner_edge(candidate, CLOSE)
            ]
            apart = [
                s for n, s in enumerate(candidates) if not any(alike(s, t, BOX / 2) for t in candidates[:n])
            ]
            stuck += [(k, candidate) for candidate in apart[:MOST_BOXES]]
        if not stuck:
            return
        surveys = surveyed([s.duty for _, s in stuck], [s.u for _, s in stuck], BOX)
        for (k, centre), survey in zip(stuck, surveys):
            for candidate in [
                s for s in self.solved[k] if alike(s, centre, BOX / 2) and at_inner_edge(s, CLOSE)
            ]:
                self.correct(k, replace(candidate, survey=survey), candidate.outcomes)

    def _solved(self, asked: dict[tuple[int, float], list[Candidate]]) -> Iterator[list[Candidate]]:
        """What was promised of duties on floors, solved; what does not converge is left out."""
        candidates: dict[
            bytes, tuple[int, Candidate]
        ] = {}  # states of a batch may be promised on several floors
        for (k, _), some in asked.items():
            candidates |= {_key(k, candidate): (k, candidate) for candidate in some}
        duties, places = [s.duty for _, s in candidates.values()], [s.u[None] for _, s in candidates.values()]
        rows = tried(duties, places, mesh="quick") if candidates else []
        known = {
            key: self.add(k, candidate, found[:, -1, 0])
            for (key, (k, candidate)), found in zip(candidates.items(), rows)
            if np.isfinite(found).all()
        }
        for (k, _), some in asked.items():
            yield [known[key] for key in (_key(k, candidate) for candidate in some) if key in known]

    def best(self, k: int, floor: float) -> Candidate | None:
        """The cheapest state of a duty that was solved and serves on a floor."""
        there = [
            candidate for candidate in self.solved[k] if candidate.serves and _stands_on(candidate, floor)
        ]
        return replace(min(there, key=lambda candidate: candidate.rank), floor=floor) if there else None

    def row(self, floor: float) -> list[Candidate] | None:
        """The cheapest state of each duty on a floor; None where one is not served."""
        candidates = [self.best(k, floor) for k in range(len(self.duties))]
        served = [candidate for candidate in candidates if candidate is not None]
        return served if len(served) == len(candidates) else None

    def rows(self) -> dict[float, list[Candidate]]:
        """Floors that serve all, with each duty's cheapest state."""
        found = {floor: self.row(floor) for floor in self.floors}
        return {floor: row for floor, row in found.items() if row is not None}

    # ---- What to solve --------------------------------------------------------------------------------

    def _looks(self, k: int, floor: float, turn: int) -> list[Look]:
        """Where a state of a duty may be on a floor: about what was solved, off limits by how surveys err."""
        astray = ASTRAY_AT_FIRST if self.best(k, floor) is None else ASTRAY * REACH[turn] / REACH[0]
        looks = [
            near_to(one, floor, REACH[turn], np.maximum(one.duty.exact * FREE, astray * one.off))
            for one in self._starts(k, floor, turn)
        ]
        if turn == 0:
            looks += [whole_of(s.survey, floor, s.shift) for s in self.sources[k]]
        return looks

    def _promising(self, k: int, floor: float, turn: int, candidates: Sequence[Candidate]) -> list[Candidate]:
        """Of candidates of a duty on a floor, and between states that were solved, those that may be cheaper."""
        known = self.best(k, floor)
        most = np.inf if known is None else (1 - WON) * known.rank
        between = [] if known is None else sorted(self._between(k, known), key=lambda one: one.rank)
        some = self.duties[k].at_first if turn < WIDE else 1
        chosen: list[Candidate] = []
        for candidate in [*between[:1], *sorted(candidates, key=lambda one: one.rank)]:
            if candidate.rank < most and len(chosen) < some + bool(between):
                chosen += [] if any(alike(candidate, one, APART) for one in chosen) else [candidate]
        return chosen

    def _between(self, k: int, good: Candidate) -> Iterator[Candidate]:
        """States on the way from one that serves to cheaper ones that broke a limit, just before they break it."""
        goal, floor = good.duty.goal, good.floor
        assert floor is not None
        here, free = smoothed(good.outcomes), good.duty.exact * FREE
        under = goal.limits.excesses(good.outcomes)
        for bad in self.solved[k]:
            if bad.serves or not _stands_on(bad, floor) or goal.cost(bad.outcomes) >= good.rank:
                continue
            over = goal.limits.excesses(bad.outcomes)
            share = float(
                np.min(np.where(over > -free, (under + free) / np.minimum(under - over, -1e-12), 1.0))
            )
            u = good.u + share * (bad.u - good.u)
            outcomes = here + share * (smoothed(bad.outcomes) - here)
            rank = float(goal.rank(unsmoothed(outcomes), good.duty.exact * JUST))
            if share > 0:
                yield replace(good, u=u, shift=outcomes - good.survey.one(u), rank=rank)

    def _starts(self, k: int, floor: float, turn: int) -> list[Candidate]:
        """The best of a duty on a floor, what was solved there last, and the best of its neighbours."""
        below, above = [f for f in self.floors if f < floor], [f for f in self.floors if f > floor]
        beside = (*below[-1:], *above[:1]) if turn < WIDE else ()
        candidates = [self.best(k, floor), *self.last.get((k, floor), []), *(self.best(k, f) for f in beside)]
        return [*{id(candidate.u): candidate for candidate in candidates if candidate is not None}.values()]


def _key(k: int, candidate: Candidate) -> bytes:
    return bytes([k]) + candidate.u.tobytes()


def _stands_on(candidate: Candidate, floor: float) -> bool:
    if candidate.duty.shortens:
        return float(candidate.duty.floor_for(candidate.u)) <= floor * (1 + HERE)
    return abs(candidate.floor_here / floor - 1) <= HERE
