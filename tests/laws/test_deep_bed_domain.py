"""Random batch dryers over the whole domain: none fails, balances close (laws.dryer_domain says how many).

Beds that are turned over, belts and the error estimate stand in test_dryer_domain.py: two processes share them.
"""

from __future__ import annotations

import numpy as np
import pytest
from laws.domain import SORPTION_SETS
from laws.dryer_domain import DRYERS, random_dryers
from laws.dryers import assert_sound

from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.model.drying import Resolution


@pytest.mark.parametrize("equation", SORPTION_SETS)
def test_random_batches_never_fail(equation):
    count = -(-DRYERS // (2 * len(SORPTION_SETS)))
    bed, phases, pellets = random_dryers(count, 300 + len(equation), equation, False)
    assert_sound(drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0)), count)


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
