"""Fines: pressure and fan follow them, what lifts the bed and what becomes of the pellets do not."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FACTOR = 1100 / 271  # with 10 % of fines: Yazdanpanah et al. 2010 (seen), as in tests/physics


def scenario(name: str, fines: str = "", **changes: str) -> Case:
    keys = {k.replace("__", "."): v for k, v in changes.items()} | ({"feed.fines": fines} if fines else {})
    return coolsim.replace(level(name), keys)


@pytest.mark.parametrize("name", ["humid-delta", "evening-batch", "belt-four-zones"])
def test_pressure_follows_and_nothing_else(name):
    clean, dusty = (coolsim.predict(scenario(name, fines)) for fines in ("", "10 %"))
    assert dusty.bed.pressure_drop == pytest.approx(FACTOR * clean.bed.pressure_drop, rel=1e-12)
    assert dusty.bed.lift_off == clean.bed.lift_off
    assert dusty.pellets_out == clean.pellets_out and dusty.air_out == clean.air_out
    if clean.energy is not None:
        assert dusty.energy.fan == pytest.approx(FACTOR * clean.energy.fan, rel=1e-12)
    none = coolsim.predict(scenario(name, "0 %"))
    assert none.bed.pressure_drop == clean.bed.pressure_drop


def test_the_fan_works_against_fines_and_at_its_speed_gives_less_air():
    clean, dusty = (coolsim.predict(scenario("monsoon-night", fines)) for fines in ("", "10 %"))
    added = (FACTOR - 1) * clean.bed.pressure_drop
    assert dusty.fan.pressure == pytest.approx(
        clean.fan.pressure + added, rel=0.02
    )  # thinner air in the duct
    at_speed = [scenario("monsoon-night", f, fan__speed="80 %") for f in ("", "5 %")]
    flows = [coolsim.predict(case).bed.face_velocity for case in at_speed]
    assert flows[1] < 0.97 * flows[0]


def test_fines_of_a_line_are_in_every_bed_of_it():
    clean, dusty = (coolsim.predict(scenario("dryer-then-cooler", fines)) for fines in ("", "10 %"))
    for before, after in zip(clean.stages, dusty.stages):
        assert after.result.bed.pressure_drop == pytest.approx(
            FACTOR * before.result.bed.pressure_drop, rel=1e-3
        )


def test_a_bed_that_only_fines_lift_is_a_check_and_one_that_is_lifted_clean_a_danger():
    case = scenario("humid-delta", "20 %", cooler__airflow="2200 m3/h")
    told = coolsim.predict(case)
    clean = told.bed.pressure_drop / (1800 / 271)
    assert clean < told.bed.bed_weight < told.bed.pressure_drop
    assert [w.level for w in told.warnings if "by its fines alone" in w.text] == ["check"]
    assert not [w for w in told.warnings if w.level == "danger"]
    lifted = coolsim.predict(scenario("humid-delta", "20 %", cooler__airflow="4500 m3/h"))
    assert [w for w in lifted.warnings if w.level == "danger" and "cannot stand" in w.text]
    assert not [w for w in lifted.warnings if "by its fines alone" in w.text]


def test_uneven_beds_share_the_air_out_alike_with_fines():
    clean, dusty = (
        coolsim.predict(scenario("humid-delta", f, cooler__depth_deviation="20 %")) for f in ("", "10 %")
    )
    assert dusty.pellets_out == clean.pellets_out
    assert dusty.bed.pressure_drop == pytest.approx(FACTOR * clean.bed.pressure_drop, rel=1e-12)


def test_more_than_was_measured_is_refused():
    with pytest.raises(InputError, match=r"allowed is 0 % to 20 %; what they do was measured up to there"):
        scenario("humid-delta", "21 %")


def test_false_air_that_is_not_stated_is_said_once():
    case = scenario("monsoon-night")
    stated = coolsim.predict(case)
    unset = dataclasses.replace(case, duct=dataclasses.replace(case.duct, leakage=None))
    told = [w for w in coolsim.predict(unset).warnings if "no false air is stated" in w.text]
    assert [w.level for w in told] == ["note"]
    assert not [w for w in stated.warnings if "no false air is stated" in w.text]
    without = scenario("humid-delta")  # no fan: its airflow is what is typed
    assert not [w for w in coolsim.predict(without).warnings if "no false air is stated" in w.text]
