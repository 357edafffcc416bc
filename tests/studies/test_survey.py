"""A survey of settings on a grid, axis by axis, against the same polynomials point by point."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from numpy.polynomial import chebyshev

from coolsim.case.quantities import QUANTITIES
from coolsim.simulate.requirements import Bounds, Constraint
from coolsim.studies.optimise.problem import DRYERS, corners_and_faces
from coolsim.studies.optimise.survey import Box, Goal, Survey

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


def test_what_is_missed_counts_alike_or_the_driest_comes_first():
    """One state misses the moisture by 0.1 of its scale and nothing else, the other the deviation by 0.3 of its."""
    moisture, deviation = (QUANTITIES[name] for name in ("moisture", "deviation"))
    limits = Bounds(
        (
            Constraint(moisture, 0.1, of_target=True, scale=0.01),
            Constraint(deviation, 0.01, of_target=True, scale=0.01),
        ),
        (0, 1),
    )
    wet, uneven = [0.101, 0.01], [0.1, 0.013]
    for driest_first in (False, True):
        goal = Goal(lambda rows: rows[0], limits, driest_first=driest_first)
        first, second = goal.rank(np.array([wet, uneven]).T)
        assert (first > second) == driest_first
