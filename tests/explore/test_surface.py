"""Polynomials and bends of a map on functions that are known exactly: no pellets."""

from __future__ import annotations

import numpy as np
import pytest

from coolsim.studies.maps.surface import Bend, Surface, fitted, powers_of

ENDS = np.array([-1.0, 2.0]), np.array([3.0, 5.0])
EXACT = np.array([1e12])  # any degree less than the right one is not good enough


def points(count: int, seed: int) -> np.ndarray:
    share = np.random.default_rng(seed).random((2, count))
    return ENDS[0][:, None] + share * (ENDS[1] - ENDS[0])[:, None]


def test_a_cubic_is_found_exactly() -> None:
    """x³ − 2xy² + y is a polynomial of total degree three: it must come back, and with no richer one."""

    def f(p: np.ndarray) -> np.ndarray:
        x, y = p
        return x**3 - 2 * x * y**2 + y

    x = points(200, 1)
    surface = fitted(x, f(x)[None], ENDS, np.array([1e8]))
    new = points(50, 2)
    assert surface(new)[0] == pytest.approx(f(new), abs=1e-10)
    assert int(surface.powers.sum(axis=1).max()) == 3


def test_a_corner_in_a_line_needs_a_bend() -> None:
    """|x| (1 + y) has a corner at x = 0: a bend with a knot there gives it exactly, no polynomial does."""

    def f(p: np.ndarray) -> np.ndarray:
        return np.abs(p[0]) * (1 + p[1])

    x, new = points(400, 3), points(50, 4)
    linear = powers_of(2, 1)
    along = np.where(linear[:, 0] == 1, 2.0, 0.0)  # x = 1 + 2 t, of t from −1 to 1
    along[linear.sum(axis=1) == 0] = 1.0
    bend = Bend(Surface(*ENDS, linear, along[None]), np.array([-1.0, 0.0, 3.0]), 1)
    assert bend.along(new)[0] == pytest.approx(new[0])
    bent = fitted(x, f(x)[None], ENDS, EXACT, (bend,), most=1)
    smooth = fitted(x, f(x)[None], ENDS, EXACT, most=8)
    assert bent(new)[0] == pytest.approx(f(new), abs=1e-9)
    assert np.abs(smooth(new)[0] - f(new)).max() > 0.05


def test_what_did_not_converge_is_left_out() -> None:
    x = points(100, 5)
    y = x[0] + x[1]
    y[::7] = np.nan
    surface = fitted(x, y[None], ENDS, np.array([1e8]))
    new = points(20, 6)
    assert surface(new)[0] == pytest.approx(new[0] + new[1], abs=1e-10)


def test_a_sum_of_two_has_the_terms_of_the_first() -> None:
    x = points(300, 7)
    cubic = fitted(x, (x[0] ** 3)[None], ENDS, np.array([1e8]))
    plane = fitted(x, (2 * x[1] - 1)[None], ENDS, np.array([1e8]), most=1)
    new = points(20, 8)
    assert cubic.plus(plane)(new)[0] == pytest.approx(new[0] ** 3 + 2 * new[1] - 1, abs=1e-9)
