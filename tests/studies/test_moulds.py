"""Where nobody types a water activity, none is called met at which moulds are active (0.70, literature, seen).

By hand: corn's Chung–Pfost of D245 has a_w 0.70 at 25 °C at 14.01 % of wet fat-free solid (16.293 % dry basis); the
4 % of fat of pig pellets make that 15.641 % of all dry solid, 13.526 % wet.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

import coolsim
from coolsim.case.case import Target
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.scenario import loads
from coolsim.simulate.requirements import constraints_of, verdicts_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PIG = coolsim.load(SCENARIOS / "cold-dry-plateau.toml")
TEXT = (SCENARIOS / "cold-dry-plateau.toml").read_text(encoding="utf-8").replace('tolerance = "0.4 %"\n', "")
AT_MOST = 0.13526
WET = coolsim.replace(
    PIG, {"target.moisture": "14 %", "target.tolerance": "0.2 %", "feed.moisture": "16.4 %"}
)


def test_settings_that_would_mould_are_not_met():
    """13.8 to 14.2 % does not keep, whatever is set."""
    answer = coolsim.find_settings(WET)
    assert not answer.met
    assert {limit.limit for limit in answer.broken} & {"water activity", "moisture, lowest"}
    typed = coolsim.replace(WET, {"target.maximum_water_activity": 0.75})
    let_be = coolsim.find_settings(typed)
    assert let_be.met and let_be.result.pellets_out.moisture_wb > AT_MOST


def test_a_ceiling_above_it_is_set_below_it():
    """Feed is dear, so that nothing but moulds asks for drier pellets than 14.2 %."""
    dear = {"costs.feed": "5 /kg", "target.moisture": "14.2 %"}
    case = coolsim.replace(loads(TEXT), {**dear, "feed.moisture": "16.4 %"})
    answer = coolsim.find_settings(case, on_dial=False)
    assert answer.met and answer.result.in_store.water_activity <= MOULDS_ACTIVE + 1e-6
    assert answer.result.pellets_out.moisture_wb == pytest.approx(
        AT_MOST, abs=5e-5
    )  # 14.01 is to two decimals
    assert "water activity" in {limit.limit for limit in answer.binding}


@pytest.mark.parametrize(
    "name", ["evening-batch", "belt-four-zones", "dryer-then-cooler", "cold-dry-plateau"]
)
def test_every_machine_has_it_once(name):
    case = coolsim.load(SCENARIOS / f"{name}.toml")
    (moulds,) = [c for c in constraints_of(case) if c.quantity.name == "water_activity"]
    assert moulds.assumed and moulds.of_target and moulds.bound == MOULDS_ACTIVE and not moulds.place


def test_whoever_types_one_has_that_one_and_whoever_wishes_for_nothing_none():
    typed = coolsim.replace(PIG, {"target.maximum_water_activity": 0.8})
    (own,) = [c for c in constraints_of(typed) if c.quantity.name == "water_activity"]
    assert own.bound == 0.8 and not own.assumed
    assert not [c for c in constraints_of(dataclasses.replace(PIG, target=Target())) if c.of_target]


def test_a_verdict_says_that_it_is_assumed_where_it_is_broken():
    wet = coolsim.replace(WET, {"cooler.residence_time": "6 min", "feed.moisture": "17 %"})
    (verdict,) = [
        v for v in verdicts_of(wet, coolsim.predict(wet)) if v.constraint.quantity.name == "water_activity"
    ]
    assert not verdict.met and verdict.constraint.assumed
