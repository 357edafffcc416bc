"""Random batches over the whole domain, cooled afterwards for a moment or for hours: none fails, balances close."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws.domain import SORPTION_SETS
from laws.dryer_domain import DRYERS, random_dryers
from laws.dryers import assert_sound

from coolsim.model import drying
from coolsim.model.dryer import Supply
from coolsim.model.drying import Phase, Resolution

SHORTEST, LONGEST = 1.0, 4 * 3600.0  # s


def cooled(phase: Phase, seed: int) -> Phase:
    """A cooling of random length after a phase: outside air, unheated and once through."""
    s, nothing = phase.supply, np.zeros_like(phase.air_flux)
    share = np.random.default_rng(seed).random(nothing.shape)
    seconds = SHORTEST * (LONGEST / SHORTEST) ** share
    supply = Supply(s.fresh_humidity_ratio, s.fresh_enthalpy, nothing - np.inf, nothing, nothing)
    return Phase(phase.air_flux, supply, dataclasses.replace(phase.programme, duration=seconds), True)


@pytest.mark.thorough
@pytest.mark.parametrize("mixed", [False, True])
@pytest.mark.parametrize("equation", SORPTION_SETS)
def test_random_batches_that_are_cooled_never_fail(equation, mixed):
    count = -(-DRYERS // (4 * len(SORPTION_SETS)))
    bed, (phase,), pellets = random_dryers(count, 800 + len(equation) + mixed, equation, mixed)
    phases = phase, cooled(phase, 900 + len(equation) + mixed)
    assert_sound(drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0)), count)
