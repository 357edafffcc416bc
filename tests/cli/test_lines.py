"""Lines from the scenario to what is printed and written: reading, faults, keys, commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from reader_units import strays

import coolsim
from coolsim.scenario import inputs, loads, typed_as
from coolsim.support.errors import InputError

SCENARIO = Path(__file__).parents[2] / "scenarios" / "dryer-then-cooler.toml"
HEAD = """title = "A line of our own"
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "8 mm"
throughput = "600 kg/h"
temperature = "70 degC"
moisture = "19 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[target]
moisture = "13 %"
"""
DRYER = """[[stage]]
name = "dryer"
arrangement = "batch"
floor_area = "2 m2"
batch_mass = "150 kg"
duration = "12 min"
airflow = "2500 m3/h"
inlet_air_temperature = "80 degC"
[stage.schedule]
filling = "2 min"
emptying = "1 min"
"""
BELT = """[[stage]]
name = "belt"
arrangement = "belt"
belt_width = "1 m"
bed_depth = "8 cm"
[[stage.zone]]
length = "2 m"
airflow = "2000 m3/h"
inlet_air_temperature = "70 degC"
[[stage.zone]]
length = "1 m"
airflow = "1500 m3/h"
"""
COOLER = """[[stage]]
name = "cooler"
stand_by = "10 min"
floor_area = "0.4 m2"
bed_depth = "0.5 m"
airflow = "500 m3/h"
"""


def faults(text: str) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        loads(text)
    return {f.key: f.allowed for f in caught.value.faults}


def test_a_line_is_read():
    case = loads(HEAD + DRYER + COOLER + "[stage.air]\ntemperature = '15 degC'\n")
    dryer, cooler = case.cooler.stages
    assert (dryer.name, dryer.cooler.arrangement, dryer.stand_by, dryer.air) == ("dryer", "batch", 0.0, None)
    assert (cooler.name, cooler.cooler.arrangement, cooler.stand_by) == ("cooler", "counter-flow", 600.0)
    assert (cooler.air.temperature, cooler.air.relative_humidity) == (15.0, 0.6)  # what differs, and the rest
    assert dryer.schedule.filling == 120.0 and not case.schedule
    assert case.target.moisture == 0.13


def test_what_is_shown_reads_back_as_the_same():
    case = loads(HEAD + BELT + COOLER + '[stage.fan]\nrated_flow = "700 m3/h"\nrated_pressure = "2 kPa"\n')
    shown = inputs(case)
    assert shown["stage.1.zone.2.airflow"] == "1500 m3/h"
    assert shown["stage.2.stand_by"] == "10 min" and shown["stage.2.fan.rated_flow"] == "700 m3/h"
    assert "stage.1.stand_by" not in shown and not any(key.startswith("cooler") for key in shown)
    keys = {key: text for key, text in shown.items() if key.startswith("stage")}
    assert len(keys) > 20 and coolsim.replace(case, keys).cooler == case.cooler


@pytest.mark.parametrize(
    ("key", "value", "gone"),
    [
        ("stage.2.residence_time", "5 min", "bed_depth"),
        ("stage.2.air_ratio", "1.1 kg/kg", "airflow"),
        ("stage.2.fan.speed", "80 %", "airflow"),
    ],
)
def test_setting_a_key_replaces_the_others_of_its_group(key, value, gone):
    case = loads(HEAD + BELT + COOLER + '[stage.fan]\nrated_flow = "700 m3/h"\nrated_pressure = "2 kPa"\n')
    changed = coolsim.replace(case, {key: value})
    assert gone not in changed.source.value("stage.2")
    if gone == "bed_depth":  # by hand: 600 kg/h for 5 min are 50 kg of 640 kg/m³ on 0.4 m²
        assert changed.cooler.stages[1].cooler.bed_depth == pytest.approx(50 / 640 / 0.4)
        assert typed_as(changed, "stage.2.bed_depth") == "residence_time 5 min"


def test_keys_of_zones_and_stages_are_set_by_number(run):
    done = run("check", str(SCENARIO), "--set", "stage.1.zone.2.length=5 m", "--set", "stage.2.stand_by=1 h")
    assert done.status == 0
    assert "stage.1.zone.2.length = 5 m" in done.out and "stage.2.stand_by = 60 min" in done.out
    for wrong, words in (
        ("stage.3.airflow=1 m3/h", "no table of this number"),
        ("stage.2.lenght=1 m", "unknown"),
    ):
        refused = run("check", str(SCENARIO), "--set", wrong)
        assert refused.status == 2 and words in " ".join(refused.err.split())


def test_every_fault_of_every_stage_at_once_with_its_line():
    text = (
        HEAD.replace('moisture = "19 %"', 'moisture = "99 %"') + DRYER.replace('"2500 m3/h"', "2500") + COOLER
    )
    text = text.replace('bed_depth = "0.5 m"', 'bed_dept = "0.5 m"') + '[stage.duct]\nleakage = "99 %"\n'
    with pytest.raises(InputError) as caught:
        loads(text, "line.toml")
    found = {f.key: f for f in caught.value.faults}
    assert set(found) == {
        "feed.moisture", "stage.1.airflow", "stage.2.bed_dept", "stage.2.bed_depth", "stage.2.duct.leakage",
    }  # fmt: skip
    assert len(caught.value.faults) == len(found)  # what is wrong with the feed is said once
    lines = text.splitlines()
    for key, typed in (("stage.1.airflow", "airflow = 2500"), ("stage.2.duct.leakage", 'leakage = "99 %"')):
        assert found[key].where == f"line.toml:{1 + lines.index(typed)}"


REFUSED = {
    "one stage": (DRYER, "stage", "two or more"),
    "no list": ('[stage]\nname = "x"\n', "stage", "[[stage]]"),
    "a cooler beside": (DRYER + COOLER + '[cooler]\nfloor_area = "1 m2"\n', "cooler", "go into a [[stage]]"),
    "a fan beside": (DRYER + COOLER + '[fan]\nspeed = "80 %"\n', "fan", "[stage.fan]"),
    "limits": (DRYER + COOLER + '[limits]\nmaximum_lift_off = "70 %"\n', "limits", "[stage.limits]"),
    "no name": (DRYER + COOLER.replace('name = "cooler"\n', ""), "stage.2.name", "needed"),
    "one name": (DRYER + COOLER.replace('"cooler"', '"dryer"'), "stage.2.name", "its own"),
    "waiting for nothing": (
        DRYER.replace("floor_area", 'stand_by = "5 min"\nfloor_area') + COOLER, "stage.1.stand_by", "first stage"
    ),
    "mass of unknown feed": (
        COOLER.replace('stand_by = "10 min"\n', "") + DRYER, "stage.2.batch_mass", "bed_depth"
    ),
    "air by volume of it": (
        DRYER + COOLER.replace('airflow = "500 m3/h"', 'air_ratio = "900 m3/t"'), "stage.2.air_ratio", "airflow"
    ),
    "dwell of what shrank": (
        DRYER.replace("[stage.s", 'shrinkage = "50 %"\n[stage.s')
        + COOLER.replace('bed_depth = "0.5 m"', 'residence_time = "6 min"'),
        "stage.2.residence_time",
        "bed_depth",
    ),
    "an arrangement that is none": (
        DRYER.replace('"batch"', '"drum"') + COOLER, "stage.1.arrangement", '"counter-flow", "batch", "belt"'
    ),
    "a schedule of a belt": (
        BELT + '[stage.schedule]\nfilling = "1 min"\nemptying = "1 min"\n' + COOLER, "stage.1.schedule", "batch"
    ),
    "half a dryer": (DRYER + "dryers = 1.5\n" + COOLER, "stage.1.schedule.dryers", "whole number"),
    "air that is none": (
        DRYER + COOLER + '[stage.air]\nrelative_humidity = "140 %"\n', "stage.2.air.relative_humidity", "100 %"
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_wrong_with_a_line(name):
    text, key, words = REFUSED[name]
    found = faults(HEAD + text)
    assert key in found and words in found[key], found


def test_a_schedule_of_a_cooler_is_refused(good):
    found = faults(good + '[schedule]\nfilling = "1 min"\nemptying = "1 min"\n')
    assert "batch" in found["schedule"]


def test_a_line_is_printed_and_written(run, tmp_path):
    scenario, file = tmp_path / "line.toml", tmp_path / "out.json"
    scenario.write_text(HEAD + DRYER + COOLER, encoding="utf-8")
    done = run("predict", str(scenario), "--json", str(file))
    assert (done.status, done.err) == (0, "")
    printed = " ".join(done.out.split())
    for words in (
        "by stage dryer cooler",
        "stood before it 0 min 10 min",
        "dryer, batch after batch",
        "keeps up? yes",
    ):
        assert words in printed
    assert "cooler: pellets stand for 10 min" in printed
    written = json.loads(file.read_text())
    dryer, cooler = written["stages"]
    assert (dryer["name"], cooler["name"], cooler["stand_by_s"]) == ("dryer", "cooler", 600.0)
    assert cooler["pellets_out"] == written["pellets_out"]
    assert cooler["feed_in"]["moisture_wb"] == pytest.approx(dryer["pellets_out"]["moisture_wb"])
    assert cooler["outer_moisture_db"] < cooler["inner_moisture_db"]
    assert written["accuracy"]["water_imbalance"] < 1e-8 and written["accuracy"]["energy_imbalance"] < 1e-8
    # by hand: 150 kg every 2 + 12 + 1 = 15 min are 600 kg/h, which is what comes
    assert dryer["schedule"]["capacity_kg_h"] == pytest.approx(600) and dryer["schedule"][
        "load"
    ] == pytest.approx(1)
    assert dryer["energy"]["MJ_per_kg_water"] > 2.4 and len(dryer["history"]["time_s"]) > 5
    assert written["inputs"]["stage.2.stand_by"] == "10 min"


def test_dryers_that_do_not_keep_up_are_told(run, tmp_path):
    scenario, file = tmp_path / "line.toml", tmp_path / "out.json"
    scenario.write_text(HEAD + DRYER.replace('"2 min"', '"10 min"') + COOLER, encoding="utf-8")
    done = run("predict", str(scenario), "--json", str(file))
    printed = " ".join(done.out.split())
    assert (
        done.status == 0
        and "check: dryer: the dryers do not keep up" in printed
        and "grows without end" in printed
    )
    # by hand: 150 kg every 10 + 12 + 1 min are 391.3 of the 600 kg/h; 208.7 kg/h are 460.1 lb/h at 0.45359 kg
    assert "209 kg/h (460 lb/h) pile up" in printed
    assert json.loads(file.read_text())["stages"][0]["schedule"]["buffer_before_kg"] is None


def test_us_units_and_a_narrow_page(run, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    done = run("predict", str(SCENARIO), "--units", "us")
    assert done.status == 0 and not strays(done.out, "us")
    assert max(map(len, done.out.splitlines())) <= 40


def test_the_longer_warm_feed_stands_the_louder_it_is_said():
    short = coolsim.predict(loads(HEAD + DRYER + COOLER))
    long = coolsim.predict(loads(HEAD + DRYER + COOLER.replace("10 min", "2 h")))
    levels = [[w.level for w in r.warnings if "pellets stand for" in w.text] for r in (short, long)]
    assert levels == [["note"], ["check"]]
    assert any("licensed practice" in w.text for w in long.warnings)
    said = [w.text for w in long.warnings]
    assert len(said) == len(set(said))
    # what a dryer hands on is not bagged: how warm or mouldy it would be in a bag is no question
    assert not any(w.text.startswith("dryer: ") and "in the bag (limit" in w.text for w in long.warnings)


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("stage.dryer.bed_depth", "stage.1.bed_depth? (stages go by number: 1 is dryer; 2 is cooler)"),
        ("stage.coler.bed_depht", "stage.2.bed_depth? (stages go by number"),
        ("stage.press.bed_depth", "stage.1.bed_depth? (stages go by number"),
        ("stage.2.bed_depht", "did you mean stage.2.bed_depth?"),
        ("stage.2.fan.spede", "did you mean stage.2.fan.speed?"),
        ("stage.2.moisture", "a stage has no such key; did you mean feed.moisture?"),
        ("stage.2.xyz", "a stage has the keys of [cooler], such as stage.2.bed_depth"),
        ("stage.dryer", "such as stage.1.bed_depth (stages go by number"),
    ],
)
def test_a_key_of_a_stage_goes_by_number(run, tmp_path, key, words):
    scenario = tmp_path / "line.toml"
    scenario.write_text(HEAD + DRYER + COOLER, encoding="utf-8")
    done = run("check", str(scenario), "--set", f"{key}=5 cm")
    assert done.status == 2 and words in " ".join(done.err.split())


@pytest.fixture(scope="module")
def line():
    return loads(HEAD + DRYER + COOLER)


IN_PYTHON = {
    "bed": lambda case, r: coolsim.plots.bed(r),
    "balance": lambda case, r: coolsim.plots.balance(r, case),
}


@pytest.mark.parametrize("question", IN_PYTHON)
def test_what_is_not_answered_for_lines_is_refused_in_python(line, question):
    with pytest.raises(InputError, match=r"counter-flow coolers (and dryers )?only so far"):
        IN_PYTHON[question](line, coolsim.predict(line))


def test_a_stage_can_be_asked_by_itself(line):
    """The cooler of a line is an answer of a cooler, and is drawn as one."""
    run = coolsim.predict(line).stages[1]
    assert run.case.feed.moisture == pytest.approx(run.result.feed_in.moisture_wb)
    assert np.ndim(coolsim.plots.bed(run.result)) >= 0
