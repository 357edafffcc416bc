"""The batched descent against problems with known bottoms, and its steps against scipy's SLSQP."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import optimize

from coolsim.numerics.descent import DEAR, descend, lowest

RNG_STARTS = 20


def starts(n: int) -> Any:
    return np.random.default_rng(0).uniform(-1, 1, (RNG_STARTS, n))


def test_steps_are_the_lowest_of_their_quadratic_programme() -> None:
    """No point that SLSQP finds is lower; tolerance: SLSQP's own."""
    rng = np.random.default_rng(1)
    runs, m, n = 30, 8, 3
    L = rng.normal(size=(runs, n, n))
    H, g = L @ L.transpose(0, 2, 1) + 0.01 * np.eye(n), rng.normal(size=(runs, n))
    A, e = rng.normal(size=(runs, m, n)), rng.normal(size=(runs, m)) - 0.5  # some cannot all be kept
    low, high = -rng.random((runs, n)), rng.random((runs, n))
    low[:10, 0] = 0.0  # at an end
    d, _ = lowest(H, g, A, e, low, high)
    assert ((d >= low) & (d <= high)).all()
    for k in range(runs):

        def price(z: Any, k: int = k) -> Any:
            return 0.5 * z[:n] @ H[k] @ z[:n] + g[k] @ z[:n] + DEAR * z[n]

        found = optimize.minimize(
            price,
            np.append(0.5 * d[k], 3.0),
            bounds=[*zip(low[k], high[k]), (0.0, None)],
            constraints={"type": "ineq", "fun": lambda z, k=k: z[n] - e[k] - A[k] @ z[:n]},
            method="SLSQP",
            options={"ftol": 1e-12, "maxiter": 300},
        )
        theirs = np.clip(found.x[:n], low[k], high[k])
        mine, other = (price(np.append(x, max((e[k] + A[k] @ x).max(), 0.0))) for x in (d[k], theirs))
        assert mine <= other + 1e-6 * max(1.0, abs(other))


def test_a_bent_valley_within_a_disc() -> None:
    """Rosenbrock's function in the unit disc; its bottom solved here in one unknown, on the circle."""

    def look(points: Any, runs: Any) -> tuple[Any, Any]:
        x, y = 2 * points[..., 0], 2 * points[..., 1]
        return (1 - x) ** 2 + 100 * (y - x**2) ** 2, (x**2 + y**2 - 1)[..., None]

    def on_circle(angle: float) -> float:
        x, y = np.cos(angle), np.sin(angle)
        return float((1 - x) ** 2 + 100 * (y - x**2) ** 2)

    angle = optimize.minimize_scalar(
        on_circle, bounds=(0.0, 1.5), method="bounded", options={"xatol": 1e-9}
    ).x
    found = 2 * descend(look, starts(2), np.ones((RNG_STARTS, 2), bool))
    # differences of 0.005 leave slopes 2.5e-5 × the third derivative off
    np.testing.assert_allclose(found, np.tile([np.cos(angle), np.sin(angle)], (RNG_STARTS, 1)), atol=1e-4)


def test_four_unknowns_and_three_limits() -> None:
    """Rosen and Suzuki's problem, no. 43 of Hock and Schittkowski (1981): −44 at (0, 1, 2, −1) (memory, high)."""

    def look(points: Any, runs: Any) -> tuple[Any, Any]:
        a, b, c, d = np.moveaxis(4 * points, -1, 0)
        score = a**2 + b**2 + 2 * c**2 + d**2 - 5 * a - 5 * b - 21 * c + 7 * d
        limits = (
            a**2 + b**2 + c**2 + d**2 + a - b + c - d - 8,
            a**2 + 2 * b**2 + c**2 + 2 * d**2 - a - d - 10,
            2 * a**2 + b**2 + c**2 + 2 * a - b - d - 5,
        )
        return score, np.stack(limits, axis=-1) / 10

    found = 4 * descend(look, starts(4), np.ones((RNG_STARTS, 4), bool))
    np.testing.assert_allclose(found, np.tile([0.0, 1.0, 2.0, -1.0], (RNG_STARTS, 1)), atol=1e-4)


def test_where_limits_contradict_the_worst_is_least() -> None:
    """x ≤ −0.2 and x ≥ 0.4: both are broken by 0.3 at 0.1. What may not move stays."""

    def look(points: Any, runs: Any) -> tuple[Any, Any]:
        x = points[..., 0]
        return x**2 + points[..., 1], np.stack([x + 0.2, 0.4 - x], axis=-1)

    start = starts(2)
    found = descend(look, start, np.tile([True, False], (RNG_STARTS, 1)))
    np.testing.assert_allclose(found[:, 0], 0.1, atol=1e-4)
    np.testing.assert_array_equal(found[:, 1], start[:, 1])


def test_runs_do_not_disturb_each_other() -> None:
    def look(points: Any, runs: Any) -> tuple[Any, Any]:
        goal = np.linspace(-1.5, 1.5, RNG_STARTS)[runs][:, None]
        return np.abs(points[..., 0] - goal) ** 2, np.zeros((*points.shape[:2], 0))

    found = descend(look, starts(1), np.ones((RNG_STARTS, 1), bool))
    assert found[:, 0] == pytest.approx(np.clip(np.linspace(-1.5, 1.5, RNG_STARTS), -1, 1), abs=1e-6)
    assert found[0, 0] == -1.0 and found[-1, 0] == 1.0  # an end is reached exactly
