"""Newton's method and continuation for many independent cases at once, each at its own pace.

A problem is given by three functions: `step(problem, state) → (state, size)` makes one Newton step and says
how large it was, `take(data, index)` picks cases, and `put(state, index, part)` writes cases back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

CONVERGED = 1e-4  # size of a last step: the next would be about its square, and energy then closes to 1e-8
CLOSE = (
    0.1  # size of a last step that is near enough to start from (measured: 1e-2 costs a step and saves none)
)
FIRST_SHARE = 1e-4  # of the strength at which continuation starts
GROWTH = 4.0  # first factor by which continuation strengthens the problem
HASTE, RETREAT = 1.3, 0.5  # powers that widen the factor after a success and narrow it after a failure
LARGEST_GROWTH = 8.0
LEAST_GROWTH = 1.0005  # below which continuation gives up


@dataclass(frozen=True)
class Method:
    """How to treat a problem: see the module."""

    step: Callable[..., tuple[Any, Any]]  # with a third argument, inertia (cases,): a step in pseudo-time
    take: Callable[[Any, Any], Any]
    put: Callable[[Any, Any, Any], Any]


def newton(
    method: Method, problem: Any, state: Any, cases: int, most: int, enough: float = CONVERGED
) -> tuple[Any, NDArray[np.bool_], NDArray[np.intp]]:
    """Iterate each case until a step is smaller than `enough`, `most` steps at the most.

    Returns state, converged (cases,), steps taken (cases,). A case that runs off to nan keeps its first state.
    """
    converged, steps = np.zeros(cases, bool), np.zeros(cases, np.intp)
    active = np.arange(cases)
    part, p = state, problem
    for _ in range(most):
        with np.errstate(all="ignore"):  # iterates that blow up are caught below
            part, size = method.step(p, part)
        steps[active] += 1
        done = size < enough
        lost = ~np.isfinite(size)
        leaving = done | lost
        if done.all() and len(active) == cases:
            return part, done, steps
        if leaving.any():
            converged[active[done]] = True
            state = method.put(state, active[done], method.take(part, done))
            staying = ~leaving
            active = active[staying]
            if not len(active):
                return state, converged, steps
            part, p = method.take(part, staying), method.take(p, staying)
    return method.put(state, active, part), converged, steps


def continuation(
    method: Method,
    strengthened: Callable[[Any, Any], Any],
    problem: Any,
    state: Any,
    cases: int,
    most: int = 12,
    rounds: int = 30,
    enough: float = CONVERGED,
) -> tuple[Any, NDArray[np.bool_], NDArray[np.intp]]:
    """Solve easy problems on the way to a hard one: `strengthened(problem, share)` with share (cases,) → 1."""
    share, growth = np.full(cases, FIRST_SHARE), np.full(cases, GROWTH)
    state, reached, steps = newton(method, strengthened(problem, share), state, cases, most, CLOSE)
    alive = reached.copy()
    share[~reached] = 0.0
    for _ in range(rounds):
        index = np.flatnonzero(alive & (share < 1))
        if not len(index):
            break
        target = np.minimum(share[index] * growth[index], 1.0)
        part = method.take(state, index)
        p = strengthened(method.take(problem, index), target)
        part, converged, taken = newton(method, p, part, len(index), most, CLOSE)
        steps[index] += taken
        state = method.put(state, index[converged], method.take(part, converged))
        share[index[converged]] = target[converged]
        power = np.where(converged, HASTE, RETREAT)
        growth[index] = np.minimum(growth[index] ** power, LARGEST_GROWTH)
        alive[index] = growth[index] > LEAST_GROWTH
    index = np.flatnonzero(share >= 1.0)
    if enough < CLOSE and len(index):
        part, converged, taken = newton(
            method, method.take(problem, index), method.take(state, index), len(index), most, enough
        )
        steps[index] += taken
        state = method.put(state, index, part)
        share[index[~converged]] = 0.0
    return state, share >= 1.0, steps


FIRST_INERTIA, LEAST_INERTIA, LARGEST_INERTIA = 100.0, 1e-3, 1e8
SETTLING = 8
LARGEST_STEP = 0.5  # size above which a step in pseudo-time is taken back
SLOWER, FASTER = 4.0, 0.6  # factors on inertia after a step taken back, and after one that was kept


def pseudo_time(
    method: Method, problem: Any, state: Any, cases: int, most: int = 150
) -> tuple[Any, NDArray[np.bool_], NDArray[np.intp]]:
    """Let each case run towards rest in steps as long as it bears, ever longer; returns as `newton`.

    For fronts that stand inside the bed: Newton's method throws them about, time carries them to their place.
    """
    inertia = np.full(cases, LARGEST_INERTIA)
    for _ in range(SETTLING):  # with all streams held still, what has no inertia settles
        with np.errstate(all="ignore"):
            part, size = method.step(problem, state, inertia)
        state = method.put(state, np.isfinite(size), method.take(part, np.isfinite(size)))
    inertia = np.full(cases, FIRST_INERTIA)
    rested, steps = np.zeros(cases, bool), np.zeros(cases, np.intp)
    for _ in range(most):
        index = np.flatnonzero(~rested & (inertia < LARGEST_INERTIA))
        if not len(index):
            break
        with np.errstate(all="ignore"):  # a step that blows up is taken back
            part, size = method.step(method.take(problem, index), method.take(state, index), inertia[index])
        steps[index] += 1
        kept = size < LARGEST_STEP
        state = method.put(state, index[kept], method.take(part, kept))
        inertia[index] *= np.where(kept, FASTER, SLOWER)
        rested[index] = kept & (inertia[index] < LEAST_INERTIA)
    return state, rested, steps
