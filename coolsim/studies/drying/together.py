"""Searches that wait for each other, so that the dryers they want to try are solved side by side.

A step of a march costs hardly more for twenty dryers than for one. So a search is a generator: it yields the dryers
that it wants to try next and is sent what became of them, and `side_by_side` lets many searches (of other goals,
other weathers, other things to change) ask at the same time.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

import numpy as np

from coolsim.case import Case
from coolsim.fields import Array
from coolsim.studies.drying.course import courses, predictions

ROUGH_AT_ONCE, FULL_AT_ONCE = 400, 60  # dryers solved in one call: more take memory and save nothing


@dataclass(frozen=True)
class Asked:
    """A dryer to try: on the rough mesh, at `times` (T,) since it was laid, or predicted on the full one.

    What is sent back: outcomes (outcomes, T), or a `course.Predicted`; None where it does not converge.
    """

    case: Case
    times: Array | None = None


T = TypeVar("T")
Asking: TypeAlias = Generator[list[Asked], list[Any], T]  # each list of one mesh
AT_END = np.array([np.inf])


def answered(asking: Asking[T]) -> T:
    """What a search returns, once everything that it asks for is solved."""
    try:
        asked = next(asking)
        while True:
            asked = asking.send(_solved(asked))
    except StopIteration as stop:
        found: T = stop.value
        return found


def side_by_side(searches: Sequence[Asking[Any]]) -> Asking[list[Any]]:
    """What each search returns; they ask together, the full mesh only when none waits for the rough one."""
    waiting: dict[int, list[Asked]] = {}
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
        rough = [k for k, asked in waiting.items() if asked[0].times is not None]
        turn = {k: waiting[k] for k in rough or waiting}
        answers = yield [one for asked in turn.values() for one in asked]
        ends = np.cumsum([len(asked) for asked in turn.values()])
        for k, end in zip(turn, ends):
            go_on(k, answers[end - len(turn[k]) : end])
    return [done[k] for k in range(len(searches))]


def _solved(asked: list[Asked]) -> list[Any]:
    if asked[0].times is None:
        return [p for some in _parts(asked, FULL_AT_ONCE) for p in predictions([a.case for a in some])]
    return [
        None if course is None or a.times is None else course.at(a.times)
        for some in _parts(asked, ROUGH_AT_ONCE)
        for a, course in zip(some, courses([a.case for a in some]))
    ]


def _parts(asked: list[Asked], most: int) -> list[list[Asked]]:
    return [asked[k : k + most] for k in range(0, len(asked), most)]
