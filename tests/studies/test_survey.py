"""A survey of settings on a grid, axis by axis, against the same polynomials point by point."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from coolsim.studies.optimise.problem import DRYERS, corners_and_faces
from coolsim.studies.optimise.survey import Box, Survey

ROWS = [0, 3, 9]


@pytest.mark.parametrize("times", [1, 7])
@pytest.mark.parametrize("knobs", range(6))
def test_a_grid_is_its_points(knobs, times):
    rng = np.random.default_rng(knobs)
    low = rng.normal(size=knobs)
    box = Box(tuple("abcde"[:knobs]), low, low + rng.uniform(1, 3, knobs), None)
    nodes, degree = corners_and_faces(box.names, True)
    found = rng.uniform(1, 2, (10, times, len(nodes)))
    survey = Survey(box, nodes, np.arange(times), found, DRYERS, degree)
    survey.shift = rng.normal(size=10)
    axes = [np.linspace(a, b, n) for a, b, n in zip(box.low, box.high, (3, 4, 5, 4, 3))]
    states = np.array(list(product(*axes))).reshape(-1, knobs) if knobs else np.zeros((1, 0))
    on = survey.on(axes, ROWS)
    np.testing.assert_allclose(on, survey.at(states, ROWS), rtol=0, atol=1e-12)
    assert not on[1].any()  # what was not asked for


def test_a_polynomial_is_found_again():
    """T₂(x) + T₁(x) T₁(y) by hand, in coordinates 1 … 3 and 0 … 4: of low degree, so that it is the fit."""
    box = Box(("a", "b"), np.array([1.0, 0.0]), np.array([3.0, 4.0]), None)
    nodes = np.array(list(product(np.linspace(-1, 1, 5), repeat=2)))
    x, y = nodes.T
    found = np.ones((10, 1, len(nodes)))
    found[1, 0] = 2 * x**2 - 1 + x * y  # row 1, the temperature, is fitted as it is
    survey = Survey(box, nodes, np.zeros(1), found, DRYERS, 3)
    axes = [np.array([1.0, 2.5]), np.array([0.0, 3.0])]
    # by hand at x, y = (−1, −1), (−1, ½), (½, −1), (½, ½)
    by_hand = [1 + 1, 1 - 0.5, -0.5 - 0.5, -0.5 + 0.25]
    np.testing.assert_allclose(survey.on(axes, [1])[1, :, 0], by_hand, atol=1e-12)
    assert chebyshev.chebval(0.5, [0, 0, 1]) == pytest.approx(-0.5)
