"""Settings that meet the target with a chance: tried again with other samples, and their limits."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from shipped import level
from studies.set_so import set_so

import coolsim
from coolsim.case.case import Case
from coolsim.machines.plant import knob_range
from coolsim.simulate.requirements import constraints_of
from coolsim.studies.propagation import uncertainty
from coolsim.studies.settings.chance_constrained import read_chance, with_chance
from coolsim.studies.settings.find import SettingsAnswer, find_settings
from coolsim.support.errors import InputError

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def night() -> Case:
    case = level("monsoon-night")
    return coolsim.replace(case, {"feed.moisture": "12.9 ± 0.3 %"})


@pytest.fixture(scope="module")
def found(night: Case) -> SettingsAnswer:
    found = with_chance(night, 0.9, samples=256, on_dial=False)
    assert found.kept and found.answer.met
    assert found.uncertainty.all_met is not None and 0.9 <= found.uncertainty.all_met <= 0.95
    return found.answer


def test_other_samples_agree(night: Case, found: SettingsAnswer) -> None:
    """1024 with another seed; three standard errors of 256 samples at 90 % are 0.056."""
    again = uncertainty(set_so(night, found.settings), samples=1024, seed=5)
    assert again.all_met == pytest.approx(0.92, abs=0.056)


def test_without_it_the_target_is_a_toss(night: Case, found: SettingsAnswer) -> None:
    """Settings that meet it as predicted meet it hardly more often than not, and cost less."""
    plain = find_settings(night, on_dial=False)
    assert uncertainty(set_so(night, plain.settings), samples=256).all_met < 0.7
    assert found.cost.total > plain.cost.total
    assert found.result.pellets_out.moisture_wb < plain.result.pellets_out.moisture_wb - 1e-3


def test_every_bound_gets_its_room(night: Case, found: SettingsAnswer) -> None:
    """Limits of the machine as well as wishes, each to the side that keeps it; ends of ranges are set, and stay."""
    roomy = with_chance(night, 0.6, samples=64, on_dial=False).case
    room, plain, after = roomy.safety_margins, constraints_of(night), constraints_of(roomy)
    assert [x.name for x in plain] == [x.name for x in after]
    for one, moved in zip(plain, after):
        assert moved.room == room.get(one.name, 0.0)
        # at the bound less its room nothing is broken, and a little beyond it is
        size = room.get(one.name, 0.0)
        for more, kept in ((-1e-9, True), (1e-9, False)):
            assert (moved.violation(one.bound - one.sense * (size - more)) <= 0) == kept
    assert room["moisture"] > 1e-4 and room["exhaust_relative_humidity"] > 1e-3
    assert knob_range(roomy) == knob_range(night)


def test_enough_chance_needs_no_room(night: Case) -> None:
    """Feed that comes in dry has the chance anyway; a fan at its highest speed keeps that rather than not."""
    dry = coolsim.replace(
        night, {"feed.moisture": "11 ± 0.2 %", "feed.temperature": "70 degC", "feed.void_fraction": "47 %"}
    )
    plain = find_settings(dry, on_dial=False)
    assert uncertainty(set_so(dry, plain.settings), samples=64).all_kept > 0.52  # what the test needs
    assert with_chance(dry, 0.5, samples=64, on_dial=False).case.safety_margins == {}


def test_the_nearest_state_may_have_the_chance(night: Case) -> None:
    """98 % takes a little more room than the machine has, and a little less does as well: that is an answer."""
    found = with_chance(night, 0.98, on_dial=False)
    sure = found.uncertainty
    assert found.kept and sure.all_met is not None and sure.all_met >= 0.98
    again = uncertainty(set_so(night, found.answer.settings), samples=512, seed=6)
    assert again.all_met == pytest.approx(sure.all_met, abs=0.005)


def test_where_none_has_it_the_surest_is_told(night: Case) -> None:
    """Wetter feed: with half of the room that it would take, settings are surer than those nearest to it all."""
    wet = coolsim.replace(night, {"feed.moisture": "14 ± 0.3 %"})
    found = with_chance(wet, 0.9, samples=64, on_dial=False)
    roomy, sure = found.case, found.uncertainty
    there = set_so(wet, found.answer.settings)
    assert uncertainty(there, samples=256, seed=6).all_met == pytest.approx(sure.all_met, abs=0.02)
    double = {name: 2 * size for name, size in roomy.safety_margins.items()}
    greedy = dataclasses.replace(wet, safety_margins=double)
    greedy = set_so(wet, find_settings(greedy, on_dial=False).settings)
    assert (
        not found.kept and sure.all_met < 0.9 and sure.all_met > uncertainty(greedy, samples=64).all_met + 0.1
    )


def test_a_band_narrower_than_the_spread(night: Case) -> None:
    """± 0.1 point cannot be met 9 times in 10 where the exit spreads over ± 0.4: it is said, not promised."""
    narrow = coolsim.replace(night, {"target.tolerance": "0.1 %"})
    found = with_chance(narrow, 0.9, samples=64, on_dial=False)
    assert not found.kept and found.uncertainty.all_met < 0.9
    assert np.isfinite(found.answer.cost.total)


@pytest.mark.parametrize("text", ["0.9", "90", "101 %", "20 %", "99.9 %", "much"])
def test_chances_that_cannot_be(text: str) -> None:
    with pytest.raises(InputError, match="--chance"):
        read_chance(text)


def test_a_chance() -> None:
    assert read_chance("90 %") == pytest.approx(0.9)


def test_on_the_dial_the_chance_is_kept_too(night: Case) -> None:
    """What can be dialled in keeps the room, so that it has the chance at least; 1024 other samples agree."""
    found = with_chance(night, 0.9)
    speed, depth = found.answer.settings.fan_speed, found.answer.settings.bed_depth
    assert 200 * speed == pytest.approx(round(200 * speed), abs=1e-6)
    assert 100 * depth == pytest.approx(round(100 * depth), abs=1e-6)
    assert found.kept and found.uncertainty.chance >= 0.9
    again = uncertainty(set_so(night, found.answer.settings), samples=1024, seed=5)
    assert again.all_met >= 0.9 - 0.028  # three standard errors of 1024
