"""`coolsim settings` of lines: what is printed, written and refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from reader_units import strays
from studies.test_line_settings import LINE

import coolsim
from coolsim.output.report.answers import ask
from coolsim.scenario import loads

SCENARIO = Path(__file__).parents[2] / "scenarios" / "dryer-then-cooler.toml"
DRY = 'target.moisture="4 %"'


@pytest.fixture
def line(tmp_path) -> str:
    path = tmp_path / "line.toml"
    path.write_text(LINE.replace("[feed]", 'title = "A line of our own"\n[feed]', 1), encoding="utf-8")
    return str(path)


@pytest.mark.thorough
def test_the_scenario_is_answered_with_believable_settings(run, tmp_path):
    path = tmp_path / "answer.json"
    done = run("settings", str(SCENARIO), "--json", str(path))
    assert done.status == 0 and done.err == ""
    written = json.loads(path.read_text())
    dryer, cooler = written["settings"]
    assert (dryer["stage"], cooler["stage"]) == ("dryer", "cooler")
    assert 60 <= dryer["settings"]["inlet_air_temperature_C"] <= 105
    assert 0.06 <= dryer["settings"]["bed_depth_m"] <= 0.14 + 1e-9
    assert 1200 <= round(cooler["settings"]["airflow_m3_h"], 6) <= 3200
    assert written["pellets_out"]["moisture_wb"] <= 0.10 + 1e-7
    # common practice, no source: convective dryers take 3–6 MJ per kg of water; with three quarters of the air
    # blown in again the evaporation itself, 2.3–2.4, is the floor. Water: 22 → 10 % of 1900 kg/h is 253 kg/h.
    assert dryer["water_kg_h"] + cooler["water_kg_h"] == pytest.approx(1900 * (1 - 0.78 / 0.90), rel=1e-3)
    heat = dryer["cost"]["heat"] / 0.05 * 3.6 / dryer["water_kg_h"]
    assert 2.3 < heat < 6
    assert written["cost"]["currency"] == "USD"
    parts = sum(s["cost"]["heat"] + s["cost"]["electricity"] for s in written["settings"])
    assert parts + written["cost"]["overdried_feed"] == pytest.approx(written["cost"]["total"])
    assert written["cost"]["per_tonne"] == pytest.approx(written["cost"]["total"] / 1.9)
    ends = written["reachable"]
    assert ends["driest"]["moisture_wb"] < 0.10 < ends["wettest"]["moisture_wb"]
    assert [s["stage"] for s in ends["driest"]["settings"]] == ["dryer", "cooler"]
    assert "nearest" not in written and len(written["stages"]) == 2


def test_settings_stand_on_top_machine_by_machine(run, line):
    done = run("settings", line)
    text = done.out
    assert done.status == 0
    order = ("today", "dryer: inlet air", "cooler: airflow", "exit moisture", "target", "by stage", "Cost")
    places = [text.index(words) for words in (*order, "part of each", "Driest exit")]
    assert places == sorted(places)
    time, *_ = (line.split("  ") for line in text.splitlines() if line.startswith("dryer: drying time"))
    assert [word.strip() for word in time if word][1:] == ["10.0 min", "10.0 min", "as given"]  # stays
    flat = " ".join(text.split())
    assert "Driest exit within the machine's limits" in flat


@pytest.mark.thorough
def test_what_cannot_be_met_ends_with_three_and_the_nearest(run, line, tmp_path):
    path = tmp_path / "answer.json"
    done = run("settings", line, "--set", DRY, "--json", str(path))
    assert done.status == 3
    assert "Out of reach" in done.out and "today nearest" in " ".join(done.out.split())
    written = json.loads(path.read_text())
    assert {limit["limit"] for limit in written["broken"]} >= {"moisture"}
    assert [s["stage"] for s in written["nearest"]["settings"]] == ["dryer", "cooler"]
    assert written["nearest"]["pellets_out"] == written["pellets_out"]


@pytest.mark.thorough
@pytest.mark.parametrize("width", [40, 80])
def test_us_units_on_any_page(run, line, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    done = run("settings", line, "--units", "us")
    assert done.status == 0 and max(map(len, done.out.splitlines())) <= width
    assert not strays(done.out, "us") and "cfm" in done.out


@pytest.mark.thorough
def test_a_chance_of_a_line_is_told(run, line, tmp_path):
    """Asked for 80 %, with feed known to half a point: the usual settings, which stand at the target, have half."""
    path = tmp_path / "sure.json"
    asked = ("--set", "feed.moisture=18 ± 0.5 %", "--uncertainty", "--chance", "80 %", "--json", str(path))
    done = run("settings", line, *asked)
    written = json.loads(path.read_text())
    sure = written["surely"]
    assert done.status == 0 and sure["kept"] and written["uncertainty"]["met"]["all"] < 0.75
    assert sure["chance"] == 0.8 <= sure["uncertainty"]["met"]["all"]
    assert [s["stage"] for s in sure["settings"]] == ["dryer", "cooler"]
    assert sure["pellets_out"]["moisture_wb"] < written["pellets_out"]["moisture_wb"]
    assert sure["cost"]["total"] > written["cost"]["total"]


def test_limits_at_the_wrong_place_are_named_with_their_line(run, tmp_path):
    path = tmp_path / "line.toml"
    path.write_text(LINE + '[limits]\nairflow = ["200 m3/h", "900 m3/h"]\n')
    done = run("settings", str(path))
    assert (done.status, done.out) == (2, "")
    where = 1 + path.read_text().splitlines().index("[limits]")
    assert f"line.toml:{where}: limits" in done.err and "[stage.limits]" in done.err


def test_a_prediction_tells_whether_each_stage_keeps_its_limits(run, line):
    done = run("predict", line, "--set", "stage.2.limits.maximum_lift_off=5 %")
    assert done.status == 0
    after = done.out.partition("limits: cooler")[2].splitlines()[1]
    assert "lifting speed" in after and "not met" in after


@pytest.mark.thorough
def test_a_report_says_what_to_set():
    answers = ask(loads(LINE))
    assert answers.advice is not None and answers.advice.answer.met and answers.met
    assert not any(why.startswith("What to set") for why in answers.unasked)


def test_a_report_says_what_is_missing():
    closed = ask(
        loads(
            LINE.partition("[costs]")[0] + LINE.partition("\n[[stage]]")[1] + LINE.partition("[[stage]]")[2]
        )
    )
    assert closed.advice is None
    assert "What to set was not asked: the scenario lacks [costs] electricity." in closed.unasked


def test_stage_limits_read_back_as_the_same():
    from coolsim.scenario import inputs

    case = loads(LINE)
    shown = inputs(case)
    assert shown["stage.2.limits.airflow"] == "200 m3/h to 1100 m3/h"
    assert coolsim.replace(case, {"stage.2.bed_depth": "0.4 m"}).cooler.stages[1].limits
