"""The best state of a machine: surveyed on a rough mesh, closed in on, then corrected by full predictions.

1. Some settings over the whole box are solved side by side. A batch's time needs no settings of its own: one march
   to the longest tells of every shorter one.
2. Polynomials through the outcomes (logarithms of what is positive) are looked at on a grid, with the crossings of
   limits along its last axis, then on ever smaller grids about the best.
3. A smaller box about the best is surveyed anew, until the best lies inside or little is won towards its edge, and
   until shifting the fit brings it closer: a kink, as a heater at its limit makes, needs ever smaller boxes.
4. The best is tried on the full mesh, the fit shifted by the difference and looked at again; the last is predicted.

With other margins of safety a search is only sketched: in one small box, shifted by what is predicted there.

Searches ask for their dryers as `batching` has it: those of several goals and weathers are solved side by side.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.requirements import FEASIBLE, Bounds
from coolsim.studies.optimise.batching import Request, Requests
from coolsim.studies.optimise.problem import DRYERS, SearchProblem
from coolsim.studies.optimise.survey import (
    BROKEN,
    FAILED,
    Box,
    Goal,
    Survey,
    best_on_survey,
    forth,
    smoothed,
    surveyed,
    unsmoothed,
)
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

LOCAL, SHRINK, MOST_BOXES = 0.35, 0.35, 4  # half width of the small boxes, its shrinking, and how many
SAME = 2e-3  # of the cost, that was won by going to the edge of a box: less needs no other box there
# How far about a prediction the search goes on, in half widths of the box: a shift holds nearby only.
NEARBY = (0.5, 0.15, 0.05, 0.05, 0.05)
# Between fit and prediction, kg/kg wet by a problem's margin: where they agree, and where the next one will.
AGREED, NEARLY = 0.03, 0.2
LEAST_NEARLY = 1e-5  # kg/kg wet
WON = 0.5  # of how far a fit was off, that its shift must leave at most: else a kink runs through its box
SQUEEZES = 4  # predictions between a state that keeps all limits and one that does not
SLACK = 2.0  # of a problem's margin: less needs none


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
        return bool((self.excess <= FEASIBLE).all())


Ended: TypeAlias = tuple[
    Survey, Goal, Array, float
]  # where a search ended: on what, for what, place and time


@dataclass(frozen=True)
class Sketch:
    """A state that is nearly the best of a goal: as the survey has it that was shifted to predictions nearby."""

    knobs: dict[str, float]
    case: Case
    outcomes: Array
    met: bool
    cost: float


class Search:
    """A dryer or line in its box, with the survey of the whole of it (which `searched` adds)."""

    whole: Survey

    def __init__(self, case: Case, limits: Bounds, problem: SearchProblem = DRYERS) -> None:
        self.limits, self.problem = limits, problem
        ranges = problem.ranges(case)
        self.pinned = {n: low for n, (low, high) in ranges.items() if low == high}
        self.case = problem.with_settings(case, self.pinned)  # what stays
        open_ = {n: r for n, r in ranges.items() if n not in self.pinned}
        # of all knobs but time, the one that moisture answers best to is the last axis
        open_ = dict(sorted(open_.items(), key=lambda knob: _answers(knob[0], problem.along)))
        times = open_.pop("duration", None)
        bounds = np.array([[forth(n, x) for x in r] for n, r in open_.items()])
        low, high = bounds.reshape(-1, 2).T
        self.box = Box(tuple(open_), low, high, times)

    def best(self, goal: Goal) -> Requests[Found]:
        """The best state of a goal, closed in on."""
        ended = yield from self._closed_in(goal)
        found, u, time, settled = yield from self.corrected(*ended)
        box = ended[0].box
        for _ in range(self.problem.more_boxes if self.box.names else 0):
            if settled and box.centred(u, self.box):
                break
            box = self.box.about(u, time, LOCAL * SHRINK, self.box)
            survey = yield from surveyed(self.case, box, False, self.problem)
            again, u, time, settled = yield from self.corrected(survey, goal, u, time)
            found = min(found, again, key=lambda one: float(goal.rank(one.outcomes)))
        return found

    def sketch(self, goal: Goal, known: Found) -> Requests[Sketch]:
        """Nearly the best state of a goal: in one small box, shifted to what is known and where that leads."""
        survey = self._shifted_to(known)
        rank, u, time = best_on_survey(survey, goal)
        if rank < BROKEN and self.box.names:
            box, shift = self.box.about(u, time, LOCAL, self.box), survey.shift
            survey = yield from surveyed(self.case, box, False, self.problem)
            survey.shift = shift
            _, u, time = best_on_survey(survey, goal)
        there = yield from self._unchecked(u, time)
        u, time, _ = _shifted(survey, goal, u, time, there, NEARBY[0])
        expected = unsmoothed(survey.one(u, time), plain=survey.plain)
        met = bool((goal.limits.excesses(expected) <= FEASIBLE).all())
        return Sketch(*self.with_settings(u, time), expected, met, float(goal.cost(expected)))

    def _closed_in(self, goal: Goal) -> Requests[Ended]:
        """A survey that was shifted to what is predicted at the best state of a goal, and that state."""
        survey, width = copy.copy(self.whole), LOCAL
        _, u, time = best_on_survey(survey, goal)
        if not self.box.names:
            u, time, _ = yield from self.tried(survey, goal, u, time)
        for _ in range(MOST_BOXES if self.box.names else 0):
            box, before = self.box.about(u, time, width, self.box), u
            survey = yield from surveyed(self.case, box, False, self.problem)
            rank, u, time = best_on_survey(survey, goal)
            stayed, *_ = best_on_survey(survey, goal, before, 0.0)
            if not box.holds(u, None, self.box) and stayed - rank >= SAME * abs(rank):
                continue
            u, time, settled = yield from self.tried(survey, goal, u, time)
            if settled:
                break
            width *= SHRINK
        return survey, goal, u, time

    def quick(self, goal: Goal, content: bool = True) -> Requests[Found]:
        """The best state of a goal on the whole survey, predicted and corrected; `content` as of `corrected`."""
        _, u, time = best_on_survey(self.whole, goal)
        found, *_ = yield from self.corrected(copy.copy(self.whole), goal, u, time, content)
        return found

    def reaches(self, goal: Goal, known: Found) -> bool:
        """Whether some state keeps everything: on the whole survey, shifted to what is known."""
        return best_on_survey(self._shifted_to(known), goal)[0] < BROKEN

    def _shifted_to(self, known: Found) -> Survey:
        survey = copy.copy(self.whole)  # a search shifts its survey
        survey.shift = survey.shift + self.lacking(known)
        return survey

    def lacking(self, known: Found) -> Array:
        """What the survey of the whole box lacks at a state that was predicted."""
        whole = self.whole
        u = np.array([forth(name, known.knobs[name]) for name in self.box.names])
        there = whole.one(u, known.knobs.get("duration", float(whole.times[-1])))
        return np.asarray(smoothed(known.outcomes, whole.plain) - there)

    def _unchecked(self, u: Array, time: float) -> Requests[Array]:
        """Outcomes of a state on the full mesh, without their error; raises NotConverged if it fails."""
        (there,) = yield [Request(self.with_settings(u, time)[1], mesh="quick")]
        if there is None:
            raise NotConverged(FAILED, np.zeros(1, int))
        return np.asarray(there[:, 0])

    def tried(self, survey: Survey, goal: Goal, u: Array, time: float) -> Requests[tuple[Array, float, bool]]:
        """Where the best of a goal is once the survey is shifted by how far it is off the full mesh there.

        The shift holds nearby only, so the search goes on ever closer. Last: whether it settled.
        """
        before = np.inf
        for near in NEARBY:
            there = yield from self._unchecked(u, time)
            at = u, time
            u, time, off = _shifted(survey, goal, u, time, there, near)
            if off < self._nearly or _same_place(at, (u, time)):
                return u, time, True
            if off > WON * before:
                break
            before = off
        return u, time, False

    def corrected(
        self, survey: Survey, goal: Goal, u: Array, time: float, content: bool = False
    ) -> Requests[tuple[Found, Array, float, bool]]:
        """The best of a few predictions, each after a shift of the survey by how far the one before was off it.

        `content`: a first one that keeps all limits will do. Also where to go on, and whether it settled.
        """
        tries: list[Found] = []
        settled, closer = False, 0 if content else 1
        for _ in range(self.problem.corrections + content):
            near = NEARBY[min(closer, len(NEARBY) - 1)]
            knobs, _ = self.with_settings(u, time)
            last = yield from predict_state(self.case, goal, knobs, self.problem)
            tries.append(last)
            if content and tries[0].met:
                break
            at = u, time
            u, time, off = _shifted(survey, goal, u, time, last.outcomes, near)
            expected = goal.rank(unsmoothed(survey.one(u, time), plain=survey.plain))
            as_told = bool(goal.rank(last.outcomes) <= expected + 2e-3 * abs(expected))
            settled = _same_place(at, (u, time)) or (off < AGREED * self.problem.margin and as_told)
            closer += off > self._nearly  # where the shift is right, the best may be far
            if settled:
                break
        best = min(tries, key=lambda found: float(goal.rank(found.outcomes)))
        broken = [found for found in tries if not found.met]
        if best.met and broken:
            nearest = min(broken, key=lambda found: float(found.excess.max()))
            best = yield from squeezed(self.case, goal, best, nearest, self.problem)
        return best, u, time, settled

    @property
    def _nearly(self) -> float:
        return max(NEARLY * self.problem.margin, LEAST_NEARLY)

    def with_settings(self, u: Array, time: float) -> tuple[dict[str, float], Case]:
        """Knobs at a place of the box, and the case with them."""
        knobs = {n: float(x[0]) for n, x in self.box.knobs(u[None]).items()}
        if self.box.times is not None:
            knobs["duration"] = time
        knobs = self.pinned | knobs
        return knobs, self.problem.with_settings(self.case, knobs)


def _answers(name: str, along: tuple[str, ...]) -> int:
    """How well moisture answers to a knob, of which `along` tells the best first."""
    kind = name.rpartition(".")[2]
    return -along.index(kind) if kind in along else -len(along)


def _same_place(a: tuple[Array, float], b: tuple[Array, float]) -> bool:
    return a[1] == b[1] and np.array_equal(a[0], b[0])


def _shifted(
    survey: Survey, goal: Goal, u: Array, time: float, outcomes: Array, near: float
) -> tuple[Array, float, float]:
    """Shift a survey so that it gives `outcomes` at a place: the best then, nearby, and how far it was off.

    Off in moisture, kg/kg wet.
    """
    claimed = survey.one(u, time)
    survey.shift = survey.shift + smoothed(outcomes, survey.plain) - claimed
    _, u, time = best_on_survey(survey, goal, u, near)
    moisture = goal.costly[0]
    return u, time, abs(float(unsmoothed(claimed, plain=survey.plain)[moisture] - outcomes[moisture]))


def searched(case: Case, limits: Bounds, problem: SearchProblem = DRYERS) -> Requests[Search]:
    """A search with the survey of its whole box."""
    search = Search(case, limits, problem)
    search.whole = yield from surveyed(search.case, search.box, True, problem)
    return search


def predict_state(
    case: Case, goal: Goal, knobs: dict[str, float], problem: SearchProblem = DRYERS
) -> Requests[Found]:
    """A state on the full mesh; raises NotConverged if it fails."""
    set_so = problem.with_settings(case, knobs)
    (there,) = yield [Request(set_so, mesh="full")]
    if there is None:
        raise NotConverged(FAILED, np.zeros(1, int))
    outcomes = there.outcomes
    cost = float(goal.cost(outcomes))
    return Found(knobs, set_so, there.result, outcomes, goal.limits.excesses(outcomes), cost)


def squeezed(
    case: Case, goal: Goal, good: Found, bad: Found, problem: SearchProblem = DRYERS
) -> Requests[Found]:
    """The cheapest of some states between one that keeps all limits and one that does not, closing in on it."""
    best, slack = good, SLACK * problem.margin
    for turn in range(SQUEEZES):
        over, under = float(bad.excess.max()), float(good.excess.max())
        if under > -slack:
            break
        share = 0.5 if turn == SQUEEZES - 1 else (over + 0.5 * slack) / (over - under)
        between = {n: (1 - share) * bad.knobs[n] + share * good.knobs[n] for n in good.knobs}
        there = yield from predict_state(case, goal, between, problem)
        if there.met:
            good = there
            best = min(best, there, key=lambda found: found.cost)
        else:
            bad = there
    return best
