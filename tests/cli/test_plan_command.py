"""`coolsim plan` as a person runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from plan.mill import BARE, EQUIPMENT, RECIPE, WAY
from reader_units import strays

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PRICES = '[costs]\nelectricity = "0.20 EUR/kWh"\nheat = "0.05 EUR/kWh"\nfeed = "0.40 EUR/kg"\n'
BAG = '[bag]\nmass = "25 kg"\n'


def test_the_command(run, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text(BARE.format(feed="") + RECIPE + WAY + EQUIPMENT + BAG + PRICES, encoding="utf-8")
    done = run("plan", str(path), "--json", str(tmp_path / "plan.json"), "--plot", str(tmp_path / "shift.svg"),
               "--along", str(tmp_path / "along.png"))  # fmt: skip
    assert done.status == 0, done.err
    for words in ("press holds it back", "conditioned", "waits before it", "per t bagged", "may sweat?"):
        assert words in done.out, words
    assert (tmp_path / "shift.svg").stat().st_size > 1000 and (tmp_path / "along.png").stat().st_size > 1000
    told = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    assert told["bottleneck"] == "press" and told["equipment"][0].keys() >= {
        "name",
        "capacity_kg_h",
        "load",
        "waits_h",
    }
    assert told["shift"].keys() >= {"batches", "input_kg", "bagged_kg", "bags", "cost"}
    assert [x["place"] for x in told["feed"]["before"]] == ["mash", "conditioned", "die", "cooler"]
    assert told["bag"].keys() >= {"dew_point_C", "warmest_pellet_C", "water_activity_in_store", "sweats"}
    again = run("plan", str(path), "--units", "us")
    assert again.status == 0 and "lb/h" in again.out and "°F" in again.out
    assert not strays(again.out, "us")
    wrong = run("plan", str(path), "--set", "feed.throughput=9 t/h", "--json", str(tmp_path / "none.json"))
    assert wrong.status == 2 and "press takes" in wrong.err and not (tmp_path / "none.json").exists()


def test_settings_say_what_the_conditioner_would_have_to_do(run):
    done = run("settings", str(SCENARIOS / "mill-line.toml"), "--without-chance")
    assert done.status == 0 and "of the mash more water in the conditioner" in " ".join(done.out.split())


@pytest.mark.thorough
def test_settings_of_a_drier_target_say_what_the_conditioner_would_have_to_do(run):
    drier = run(
        "settings", str(SCENARIOS / "mill-line.toml"), "--without-chance", "--set", "target.moisture=12.4 %"
    )
    assert "That is conditioning at about 6" in " ".join(drier.out.split())


def test_what_leaves_unfit_is_told_before_what_a_shift_gives(run, tmp_path):
    """Dried for 8 minutes the feed of a farm moulds: kilograms and bags of it are no good news."""
    line = (str(SCENARIOS / "farm-line.toml"), "--set", "cooler.duration=8 min")
    told = " ".join(run("plan", *line, "--json", str(tmp_path / "plan.json")).out.split())
    predicted = " ".join(run("predict", *line).out.split())
    mouldy = "moulds are active. Do not bag; dry further."
    assert mouldy in predicted and mouldy in told
    assert told.index(mouldy) < told.index("A shift gives")
    assert "exit moisture" in told and "not met" in told
    verdicts = json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))["verdicts"]
    assert {v["name"]: v["met"] for v in verdicts}["moisture"] is False


def test_a_prediction_says_which_feed_it_is_of(run, tmp_path):
    """Moisture and temperature of the feed stand nowhere in such a scenario; before, predict did not tell them."""
    farm = str(SCENARIOS / "farm-line.toml")
    done = run("predict", farm, "--json", str(tmp_path / "out.json"))
    planned = run("plan", farm).out
    rows = [" ".join(line.split()) for line in done.out.splitlines()]
    at = rows.index("what comes in moisture temperature")
    assert [row.rpartition(" %")[0].rpartition(" ")[0] for row in rows[at + 1 : at + 6]] == [
        *("mash", "conditioned", "die", "after the flash", "dryer"),  # not a cooler, which it has none of
    ]
    assert "\n".join(rows[at : at + 6]) in "\n".join(" ".join(line.split()) for line in planned.splitlines())
    told = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert (
        told["feed"]["moisture_wb"]
        == told["feed"]["before"][-1]["moisture_wb"]
        == told["feed_in"]["moisture_wb"]
    )
    typed = run("predict", str(SCENARIOS / "humid-delta.toml"))
    assert "what comes in" not in typed.out
