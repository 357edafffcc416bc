"""Turning the pellets of a batch: chosen where [limits] leaves it open, and offered where it alone would do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from shipped import level
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.scenario import typed_back
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BATCH = SCENARIOS / "evening-batch.toml"
EITHER = {"limits.mixing": "either"}
PINNED = {
    "limits.duration": ["31 min", "31 min"],
    "limits.inlet_air_temperature": ["67 degC", "67 degC"],
    "limits.recirculation": ["45 %", "45 %"],
}


def batch(**changes):
    return coolsim.replace(level("evening-batch"), {key.replace("__", "."): v for key, v in changes.items()})


HELD = {"limits.recirculation": ["45 %", "45 %"]}  # a search of two settings, where the scenario has three


@pytest.fixture(scope="module")
def chosen():
    return coolsim.find_settings(coolsim.replace(level("evening-batch"), EITHER | HELD))


@pytest.mark.thorough
def test_of_turned_or_not_the_cheaper_is_chosen(chosen):
    alone = {
        how: coolsim.find_settings(coolsim.replace(batch(cooler__mixing=how), HELD)).cost.total
        for how in ("none", "continuous")
    }
    (choice,) = chosen.choices
    assert choice.to == min(alone, key=alone.get) == "continuous"
    assert choice.now == "none" and chosen.now.case.cooler.mixing == "none"
    assert chosen.cost.total == pytest.approx(alone["continuous"], rel=1e-9)


@pytest.mark.thorough
def test_the_window_is_that_of_both(chosen):
    ends = [
        coolsim.reachable(coolsim.replace(batch(cooler__mixing=how), HELD)) for how in ("none", "continuous")
    ]
    assert chosen.driest.moisture_wb == pytest.approx(min(end[0].moisture_wb for end in ends), abs=2e-4)
    assert chosen.wettest.moisture_wb == pytest.approx(max(end[1].moisture_wb for end in ends), abs=2e-4)


@pytest.mark.thorough
def test_what_was_chosen_is_typed_back(chosen):
    case = level("evening-batch")
    text = typed_back(case, chosen.case)
    assert text["cooler.mixing"] == "continuous"
    again = coolsim.predict(coolsim.replace(case, text))
    assert again.pellets_out.moisture_wb == pytest.approx(chosen.result.pellets_out.moisture_wb, abs=1e-9)


@pytest.mark.thorough
def test_it_is_printed_and_in_json(tmp_path):
    held = ["--set", 'limits.recirculation=["45 %", "45 %"]']  # where turning is the cheaper by far
    words = ["settings", str(BATCH), "--without-chance", "--set", "limits.mixing=either", *held]
    done = CliRunner().invoke(app, [*words, "--json", str(tmp_path / "it.json")])
    assert done.exit_code == 0
    (row,) = (line.split() for line in done.output.splitlines() if line.startswith("turning"))
    assert row[-2:] == ["none", "continuous"]
    written = json.loads((tmp_path / "it.json").read_text())
    assert [(one["now"], one["to"]) for one in written["choices"]] == [("none", "continuous")]


@pytest.mark.thorough
def test_a_choice_holds_for_a_chance():
    case = batch(limits__mixing="either", limits__inlet_air_temperature=["69 degC", "69 degC"])
    sure = coolsim.find_settings(case, chance=0.6).surely
    (choice,) = sure.answer.choices
    assert choice.now == "none" and choice.to == sure.answer.case.cooler.mixing
    assert sure.answer.now.case.cooler.mixing == "none"


@pytest.mark.parametrize("name", ["belt-four-zones", "monsoon-night"])
def test_only_a_batch_is_turned(name):
    case = level(name)
    with pytest.raises(InputError, match=r"limits\.mixing.*only the pellets of a batch are turned"):
        coolsim.find_settings(coolsim.replace(case, EITHER))


@pytest.mark.thorough
def test_turning_alone_would_do():
    """Dry enough at settings that are pinned, and too uneven: turned, all pellets are alike."""
    case = batch(
        **{key.replace(".", "__"): ends for key, ends in PINNED.items()}, target__maximum_deviation="0.2 %"
    )
    answer = coolsim.find_settings(case)
    assert [limit.limit for limit in answer.broken] == ["deviation"]
    alone = {change.quantity: change for change in answer.smallest_changes}
    assert alone["mixing"].now == "none" and alone["mixing"].to == "continuous"
    nearest = typed_back(case, answer.case)
    turned = coolsim.replace(case, nearest | {"cooler.mixing": "continuous"})
    assert coolsim.predict(turned).pellets_out.moisture_wb < 0.10
    assert {"batch_mass", "reverse_every", "cooling_time"} <= alone.keys()


@pytest.mark.thorough
def test_a_lighter_batch_alone_would_do():
    case = batch(limits__duration=["10 min", "14 min"], target__maximum_deviation="0.5 %")
    answer = coolsim.find_settings(case)
    (mass,) = (change for change in answer.smallest_changes if change.quantity == "batch_mass")
    assert mass.now == pytest.approx(250.0) and 50.0 < mass.to < 250.0
    lighter = typed_back(case, answer.case) | {"cooler.batch_mass": f"{mass.to:.9g} kg"}
    there = coolsim.predict(coolsim.replace(case, lighter))
    assert there.pellets_out.moisture_wb <= 0.1 + 1e-5 and there.spread.deviation_wb <= 0.005 + 1e-5


@pytest.mark.thorough
def test_an_even_bed_is_offered_nothing_to_even_it():
    case = batch(
        cooler__mixing="continuous",
        limits__duration=["15 min", "16 min"],
        limits__recirculation=["80 %", "85 %"],
    )
    answer = coolsim.find_settings(case)
    assert not answer.met
    offered = {change.quantity for change in answer.smallest_changes}
    assert "cooling_time" in offered and not offered & {"mixing", "batch_mass", "reverse_every"}


def test_reversals_change_nothing_where_pellets_are_turned():
    case = batch(cooler__mixing="continuous")
    with_it, without = (
        coolsim.predict(case),
        coolsim.predict(coolsim.replace(case, {"cooler.reverse_every": "24 h"})),
    )
    assert with_it.pellets_out.moisture_wb == without.pellets_out.moisture_wb
    assert any("reverse_every changes nothing" in warning.text for warning in with_it.warnings)
