"""Random batch dryers over the whole domain: none fails, balances close (laws.dryer_domain says how many).

Beds that are turned over, belts and the error estimate stand in test_dryer_domain.py: two processes share them.
"""

from __future__ import annotations

import numpy as np
import pytest
from laws.domain import SORPTION_SETS
from laws.dryer_domain import DRYERS, random_dryers
from laws.dryers import assert_sound

from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import drying
from coolsim.model import guess as guessing
from coolsim.model.bed import take
from coolsim.model.drying import Resolution
from coolsim.model.surface import REAL


@pytest.mark.parametrize("equation", SORPTION_SETS)
def test_random_batches_never_fail(equation):
    count = -(-DRYERS // (2 * len(SORPTION_SETS)))
    bed, phases, pellets = random_dryers(count, 300 + len(equation), equation, False)
    assert_sound(drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0)), count)


def test_dew_that_a_pellet_takes_up_slowly():
    """Hot humid air, cold wet pellets, slow diffusion: surfaces of 170 kg/kg, where 50 once was the most."""
    bed, phases, pellets = random_dryers(20, 315, "modified-halsey", False)
    k = np.array([2])
    solutions = drying.solve(
        take(bed, k), take(phases, k), take(pellets, k), resolution=Resolution(refinements=0)
    )
    assert_sound(solutions, 1)


@pytest.mark.parametrize("mixed", [False, True])
def test_a_newton_step_of_many_is_that_of_each(mixed):
    """Whatever differs between cases: pellets, air, durations, meshes."""
    bed, (phase,), pellets = random_dryers(4, 21, "modified-oswin", mixed)
    dryer = drying._dryer(bed, (phase,), pellets, REAL, Resolution(4, 6))  # the last two on the coarser mesh
    step = db.begin(dryer, dr.fed_pellets(dryer), np.array([0.3, 1.0, 2.0, 5.0]))
    guess = guessing.first_guess(step)
    together, size = db.newton_step(step, guess)
    for k in range(4):
        i = np.array([k])
        alone, one = db.newton_step(take(step, i), take(guess, i))
        np.testing.assert_allclose(one, size[i], rtol=1e-7)
        for name in ("chain", "points", "inlet"):
            expected = getattr(alone, name)[..., 0]
            np.testing.assert_allclose(getattr(together, name)[..., k], expected, rtol=1e-7, atol=1e-9)


def test_many_cases_are_the_same_as_one_by_one():
    bed, phases, pellets = random_dryers(6, 11, "gab", False)
    (together,) = drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0))
    for k in range(6):
        i = np.array([k])
        (alone,) = drying.solve(
            take(bed, i), take(phases, i), take(pellets, i), resolution=Resolution(refinements=0)
        )
        np.testing.assert_allclose(
            [f[0] for f in drying.mean_exit(alone)], [f[k] for f in drying.mean_exit(together)], rtol=1e-6
        )
