"""Searches that wait for each other, so that the dryers they want to try are solved side by side.

A step of a march costs hardly more for twenty dryers than for one. So a search is a generator: it yields the dryers
that it wants to try next and is sent what became of them, and `side_by_side` lets many searches (of other goals,
other weathers, other things to change) ask at the same time.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias, TypeVar

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import conditioner
from coolsim.simulate.dryer_phases import by_kind
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.inputs import with_even_bed
from coolsim.studies.optimise.march_outcomes import OUTCOMES, QUICK, ROUGH, marched, predictions
from coolsim.support.fields import Array

AT_ONCE = {
    "rough": 400,
    "quick": 100,
    "full": 60,
}  # dryers solved in one call: more take memory and save nothing
# In the order in which searches wait for each other. The rough one is shifted by what others say: beds are even on
# it, a third of the columns or fewer.
Mesh: TypeAlias = Literal["rough", "quick", "full"]
AT_END = (np.inf,)


@dataclass(frozen=True)
class Request:
    """A dryer to try, at `times` (T,) since it was laid: what is sent back are its outcomes (outcomes, T).

    Of a `full` one, predicted at its end, a `Predicted` is sent back. None where it does not converge.
    """

    case: Case
    times: Sequence[float] | Array = AT_END
    mesh: Mesh = "rough"


T = TypeVar("T")
Requests: TypeAlias = Generator[list[Request], list[Any], T]  # each list of one mesh


def answered(asking: Requests[T], solve: Callable[[list[Request]], list[Any]] | None = None) -> T:
    """What a search returns, once everything that it asks for is solved; dryers as below, others by `solve`."""
    solve = solve or solved_dryers
    try:
        asked = next(asking)
        while True:
            asked = asking.send(solve(asked))
    except StopIteration as stop:
        found: T = stop.value
        return found


def side_by_side(searches: Sequence[Requests[Any]]) -> Requests[list[Any]]:
    """What each search returns; they ask together, for a finer mesh only when none waits for a rougher one."""
    waiting: dict[int, list[Request]] = {}
    done: dict[int, Any] = {}

    def go_on(k: int, answers: list[Any] | None) -> None:
        waiting.pop(k, None)
        try:
            waiting[k] = next(searches[k]) if answers is None else searches[k].send(answers)
        except StopIteration as stop:
            done[k] = stop.value

    for k in range(len(searches)):
        go_on(k, None)
    while waiting:
        mesh = min((asked[0].mesh for asked in waiting.values()), key=list(AT_ONCE).index)
        turn = {k: asked for k, asked in waiting.items() if asked[0].mesh == mesh}
        answers = yield [one for asked in turn.values() for one in asked]
        ends = np.cumsum([len(asked) for asked in turn.values()])
        for k, end in zip(turn, ends):
            go_on(k, answers[end - len(turn[k]) : end])
    return [done[k] for k in range(len(searches))]


def solved_dryers(asked: list[Request]) -> list[Any]:
    """What became of dryers that were asked for on one mesh, solved side by side."""
    mesh = asked[0].mesh
    most = AT_ONCE[mesh]
    answers: dict[int, Any] = {}
    for at in by_kind([a.case for a in asked]):  # one that is cooled is of another kind
        for part in (at[k : k + most] for k in range(0, len(at), most)):
            answers |= zip(part, _at_once([asked[k] for k in part], mesh))
    return [answers[k] for k in range(len(asked))]


def _at_once(asked: list[Request], mesh: Mesh) -> list[Any]:
    before = [a.case for a in asked]
    cases, steam = in_air_each(before), conditioner.steam_per_feed(before)
    grown = [now.feed.throughput / was.feed.throughput for now, was in zip(cases, before)]
    if mesh == "full":
        return [
            p and dataclasses.replace(p, outcomes=_as_fed(p.outcomes, heavier, heat))
            for p, heavier, heat in zip(predictions(cases), grown, steam)
        ]
    cases = [with_even_bed(case) for case in cases] if mesh == "rough" else cases
    found = marched(cases, ROUGH if mesh == "rough" else QUICK, [a.times for a in asked])
    return [
        None if course is None else _as_fed(course.at(a.times), heavier, heat)
        for a, course, heavier, heat in zip(asked, found, grown, steam)
    ]


def _as_fed(outcomes: Array, heavier: float, steam: float) -> Array:
    """Outcomes per kg of the wet feed that was asked, whose conditioner makes it so many times as heavy.

    steam: its heat, J per kg of that.
    """
    if heavier == 1.0 and not steam:
        return outcomes
    found = outcomes.copy()
    for name, more in (("heat", steam), ("fan", 0.0)):
        found[OUTCOMES.index(name)] = heavier * found[OUTCOMES.index(name)] + more
    return found
