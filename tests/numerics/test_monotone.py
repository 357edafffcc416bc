"""The smooth curve through a course against scipy's of the same name."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from coolsim.numerics.monotone import monotone


@pytest.mark.parametrize("seed", range(20))
def test_it_is_the_monotone_cubic_of_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.01, 3.0, rng.integers(3, 12)))
    y = rng.normal(size=len(x)) if seed % 2 else np.sort(rng.normal(size=len(x)))
    at = np.sort(np.append(rng.uniform(x[0], x[-1], 50), x))
    np.testing.assert_allclose(monotone(x, y, at), PchipInterpolator(x, y)(at), rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(monotone(x, y, x), y, rtol=1e-14)


def test_two_points_are_a_line() -> None:
    np.testing.assert_allclose(monotone(np.array([1.0, 3.0]), np.array([2.0, 6.0]), np.array([2.0])), [4.0])
