"""Newton's method on x² = a, whose roots are known: 2 of 4, 3 of 9, and none of what is no number."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from coolsim.numerics.newton import Method, continuation, newton, pseudo_time


def method(asked: list[int]) -> Method:
    """Steps of x ← (x + a/x)/2, whose size is their length; `asked` is told of how many cases each is."""

    def step(a: Any, x: Any, inertia: Any = 0.0) -> tuple[Any, Any]:
        asked.append(len(x))
        to = x + (a - x * x) / (2 * x) / (1 + inertia)
        return to, np.abs(to - x)

    def put(state: Any, index: Any, part: Any) -> Any:
        state = state.copy()
        state[index] = part
        return state

    return Method(step, lambda data, index: data[index], put)


def test_a_case_that_is_no_number_is_left_at_once() -> None:
    """2.5, 2.05, 2.0006, 2.0000001 from 4; from 1 for nine 5, 3.4, 3.0235, 3.00009, 3.00000: a step more."""
    asked: list[int] = []
    a, start = np.array([4.0, np.nan, 9.0, np.inf]), np.array([4.0, 4.0, 1.0, 4.0])
    x, converged, steps = newton(method(asked), a, start, 4, most=50)
    assert converged.tolist() == [True, False, True, False]
    assert x[[0, 2]] == pytest.approx([2.0, 3.0], abs=1e-8)
    assert x[[1, 3]].tolist() == [4.0, 4.0]  # as they began
    assert steps[[1, 3]].tolist() == [1, 1] and asked[:2] == [4, 2]


def test_nothing_is_gone_on_with_where_no_case_is_a_number() -> None:
    for solve in (
        lambda m, a, x: newton(m, a, x, 2, 50),
        lambda m, a, x: continuation(m, lambda p, share: p * share, a, x, 2),
        lambda m, a, x: pseudo_time(m, a, x, 2),
    ):
        asked: list[int] = []
        x, converged, _ = solve(method(asked), np.full(2, np.nan), np.array([4.0, 5.0]))
        assert not converged.any() and x.tolist() == [4.0, 5.0]
        assert len(asked) < 20  # of 50, 360 and 158: time gives up when its steps have shrunk a millionfold
