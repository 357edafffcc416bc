"""`coolsim settings` for dryers: words, JSON, exit statuses. One thing is to be set, so that a search is short."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import coolsim
from coolsim.output import dryer_settings
from coolsim.output.page import Page
from coolsim.studies.drying.changes import _levers
from coolsim.studies.settings.advice import Advice
from coolsim.studies.settings.find import AtLimit, Change

ROOM = """
title = "A box of our own"
[feed]
material = "pig-pellets"
diameter = "6 mm"
length = "12 mm"
throughput = "600 kg/h"
temperature = "60 degC"
moisture = "18 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
arrangement = "batch"
floor_area = "4 m2"
bed_depth = "10 cm"
duration = "20 min"
airflow = "4000 m3/h"
inlet_air_temperature = "80 degC"
[target]
moisture = "13 %"
[limits]
duration = ["5 min", "60 min"]
[costs]
electricity = "0.15 EUR/kWh"
heat = "0.06 EUR/kWh"
"""
SETTINGS = {
    "inlet_air_temperature_C", "airflow_m3_h", "recirculation", "duration_s", "bed_depth_m", "belt_speed_m_min",
    "zone_inlet_air_temperature_C", "zone_airflow_m3_h",
}  # fmt: skip


@pytest.fixture
def box(tmp_path: Path) -> Path:
    path = tmp_path / "box.toml"
    path.write_text(ROOM, encoding="utf-8")
    return path


def test_an_answer_is_printed_and_written(run, box):
    file = box.with_suffix(".json")
    done = run("settings", str(box), "--json", str(file))
    assert done.status == 0 and done.err == ""
    words = " ".join(done.out.split())
    for text in (
        "drying time",
        "as given",
        "Cost in EUR",
        "One step",
        "drying time +1 min",
        "Driest exit",
        "min are left",
    ):
        assert text in words, text
    assert words.index("Set") < words.index("exit moisture")
    written = json.loads(file.read_text())
    assert set(written["settings"]) == SETTINGS
    assert written["settings"]["belt_speed_m_min"] is None and written["settings"]["zone_airflow_m3_h"] == []
    assert written["settings"]["airflow_m3_h"] == pytest.approx(4000)
    assert written["cost"]["currency"] == "EUR" and written["reachable"]["driest"]["moisture_wb"] < 0.13
    assert written["binding"][0]["limit"] == "moisture" and "nearest" not in written
    assert {"energy", "spread", "history"} <= set(written)
    again = coolsim.predict(
        coolsim.replace(coolsim.load(box), {"cooler.duration": f"{written['settings']['duration_s']!r} s"})
    )
    assert abs(again.pellets_out.moisture_wb - written["pellets_out"]["moisture_wb"]) < 2e-4
    assert again.pellets_out.moisture_wb <= 0.13 + 1e-8


def test_out_of_reach_has_status_3_and_the_nearest(run, box):
    changed = ("--set", "target.moisture=6 %", "--set", "limits.duration=['5 min','20 min']")
    done = run("settings", str(box), "--json", "-", *changed)
    assert done.status == 3
    written = json.loads(done.out)
    assert written["broken"][0]["limit"] == "moisture" and written["broken"][0]["value"] > 0.06
    assert written["nearest"]["settings"]["duration_s"] == pytest.approx(1200)
    changes = {c["change"]: c for c in written["smallest_changes"]}
    assert changes["drying time"]["unit"] == "min"
    assert changes["drying time"]["to"] is None or changes["drying time"]["to"] > 20


def test_out_of_reach_is_told_of_a_batch_with_all_that_may_be_changed(run, box):
    """As text: every change that is looked for has its words, the cooling time at the end among them."""
    changed = ("--set", "target.moisture=3 %", "--set", "limits.duration=['5 min','20 min']")
    done = run("settings", str(box), "--set", "cooler.cooling_time=3 min", *changed)
    assert done.status == 3 and done.err == ""
    rows = {line.split("  ")[0]: line for line in done.out.splitlines()}
    assert "cooling time" in rows and "3.0 min" in rows["cooling time"]
    levers = {lever.name for lever in _levers(coolsim.load(box))}
    assert levers <= set(rows), levers - set(rows)


def test_wrong_limits_have_status_2_and_no_file(run, box):
    file = box.with_suffix(".json")
    done = run("settings", str(box), "--json", str(file), "--set", "limits.bed_depth=['5 cm','20 cm']")
    assert done.status == 2 and not file.exists() and done.out == ""
    assert "limits.bed_depth" in done.err and "recirculation" in done.err
    done = run("settings", str(box), "--set", "limits.recirculation=['0 %','97 %']")
    assert done.status == 2 and "95 %" in done.err


def test_a_cooler_has_no_limits_of_dryers(run, scenario):
    scenario.write_text(
        scenario.read_text()
        + '[limits]\nairflow = ["500 m3/h", "2000 m3/h"]\nduration = ["5 min", "60 min"]\n'
        '[costs]\nelectricity = "0.15 /kWh"\n'
    )
    done = run("settings", str(scenario))
    assert done.status == 2 and "limits.duration" in done.err and "a limit of dryers" in done.err


@pytest.mark.parametrize("units, width", [("si", 80), ("us", 40)])
def test_what_would_do_is_said_in_the_units_asked_for(answer_of_a_belt, units, width):
    case, found = answer_of_a_belt
    text = " ".join(dryer_settings.advised(case, found, Page(width, units=units)).split())
    assert "Out of reach" in text and "not by this alone" in text
    for said in {"si": ("106.0 °C", "12.0 cm", "0.18 m/min"), "us": ("222.8 °F", "4.7 in", "0.59 ft/min")}[
        units
    ]:
        assert said in text, (said, text)


@pytest.fixture
def answer_of_a_belt():
    """An answer written by hand: 0.003 m/s are 0.18 m/min or 0.59 ft/min, 106 °C are 222.8 °F."""
    case = coolsim.load(Path(__file__).parents[2] / "scenarios" / "belt-four-zones.toml")
    from coolsim.machines.dryers import DryerSettings
    from coolsim.machines.plant import Cost
    from coolsim.studies.settings.find import Reached, SettingsAnswer

    hot, airflow = (106.0, 90.0, 70.0, None), (4.0, 3.0, 2.0, 1.0)
    settings = DryerSettings(106.0, 10.0, float("nan"), 4560.0, 0.12, 0.003, hot, airflow)
    end = Reached(0.1, settings)
    answer = SettingsAnswer(
        False, settings, coolsim.predict(case), Cost(1.0, 2.0, 0.0, 3.0, 1.15), (),
        (AtLimit("moisture", 0.1),), (), end, end, None, (),
        (Change("airflow", None, "m3/h"), Change("inlet air temperature", 121.0, "degC")),
    )  # fmt: skip
    return case, Advice(answer, (end, end), None)
