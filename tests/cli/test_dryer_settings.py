"""`coolsim settings` for dryers: words, JSON, exit statuses. One thing is to be set, so that a search is short."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from shipped import level

import coolsim
from coolsim.case.costs import Cost
from coolsim.machines import machine_of
from coolsim.machines.dryers import DryerSettings
from coolsim.output import quantities
from coolsim.output import settings as printed
from coolsim.output.page import Page
from coolsim.simulate.requirements import AtLimit
from coolsim.studies.settings.advice import Advice
from coolsim.studies.settings.answer import AppraisedSettings, Change, Chosen, Gain, Reached, SettingsAnswer
from coolsim.studies.settings.nearby import levers_of

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
maximum_water_activity = 1.0
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
    assert words.index("today cheapest") < words.index("drying time") < words.index("exit moisture")
    written = json.loads(file.read_text())
    assert set(written["settings"]) == SETTINGS
    assert written["settings"]["belt_speed_m_min"] is None and written["settings"]["zone_airflow_m3_h"] == []
    assert written["settings"]["airflow_m3_h"] == pytest.approx(4000)
    assert written["cost"]["currency"] == "EUR" and written["reachable"]["driest"]["moisture_wb"] < 0.13
    # on a dial of half minutes: the next shorter time does not do, and the exact one stands at the target
    set_to = written["settings"]["duration_s"] / 30
    assert set_to == pytest.approx(round(set_to), abs=1e-9) and "nearest" not in written
    shorter = coolsim.replace(coolsim.load(box), {"cooler.duration": f"{30 * (set_to - 1)!r} s"})
    assert coolsim.predict(shorter).pellets_out.moisture_wb > 0.13
    exact = coolsim.find_settings(coolsim.load(box), on_dial=False)
    assert (
        exact.binding[0].limit == "moisture" and exact.settings.duration < written["settings"]["duration_s"]
    )
    assert {"energy", "spread", "history"} <= set(written)
    again = coolsim.predict(
        coolsim.replace(coolsim.load(box), {"cooler.duration": f"{written['settings']['duration_s']!r} s"})
    )
    assert abs(again.pellets_out.moisture_wb - written["pellets_out"]["moisture_wb"]) < 2e-4
    assert again.pellets_out.moisture_wb <= 0.13 + 1e-8


def test_out_of_reach_has_status_3_the_nearest_and_all_that_may_be_changed(run, box):
    """In text every change that is looked for has its words, the cooling time at the end among them."""
    changed = ("--set", "target.moisture=3 %", "--set", "limits.duration=['5 min','20 min']")
    file = box.with_suffix(".json")
    done = run("settings", str(box), "--set", "cooler.cooling_time=3 min", *changed, "--json", str(file))
    assert done.status == 3 and done.err == ""
    written = json.loads(file.read_text())
    assert written["broken"][0]["limit"] == "moisture" and written["broken"][0]["value"] > 0.03
    assert written["nearest"]["settings"]["duration_s"] == pytest.approx(1200)
    changes = {c["change"]: c for c in written["smallest_changes"]}
    assert changes["drying time"]["unit"] == "min"
    assert changes["drying time"]["to"] is None or changes["drying time"]["to"] > 20
    rows = {line.split("  ")[0]: line for line in done.out.splitlines()}
    assert "cooling time" in rows and "3.0 min" in rows["cooling time"]
    case = coolsim.load(box)
    levers = {lever.label for lever in levers_of(machine_of(case), case, coolsim.predict(case))}
    # feed 2, air 2, time, recirculation, cooling, and of this uneven bed its mass and its reversals
    assert len(levers) == 9 and levers <= set(rows), levers - set(rows)


def test_wrong_limits_have_status_2_and_no_file(run, box):
    file = box.with_suffix(".json")
    done = run("settings", str(box), "--json", str(file), "--set", "limits.fan_speed=['50 %','90 %']")
    assert done.status == 2 and not file.exists() and done.out == ""
    assert "limits.fan_speed" in done.err and "recirculation" in done.err
    done = run("settings", str(box), "--set", "limits.recirculation=['0 %','97 %']")
    assert done.status == 2 and "95 %" in done.err


def test_a_cooler_has_no_limits_of_dryers(run, scenario):
    scenario.write_text(
        scenario.read_text()
        + '[limits]\nairflow = ["500 m3/h", "2000 m3/h"]\nduration = ["5 min", "60 min"]\n'
        '[costs]\nelectricity = "0.15 /kWh"\n'
    )
    done = run("settings", str(scenario))
    assert done.status == 2 and "limits.duration" in done.err
    assert "of a counter-flow cooler may be set: airflow, fan_speed, bed_depth" in " ".join(done.err.split())


@pytest.mark.parametrize("units, width", [("si", 80), ("us", 40)])
def test_what_would_do_is_said_in_the_units_asked_for(answer_of_a_belt, units, width):
    case, found = answer_of_a_belt
    text = " ".join(printed.advised(case, found, Page(width, units=units)).split())
    assert "Out of reach" in text and "not by this alone" in text
    for said in {"si": ("106.0 °C", "12.0 cm", "0.180 m/min"), "us": ("222.8 °F", "4.7 in", "0.59 ft/min")}[
        units
    ]:
        assert said in text, (said, text)


@pytest.fixture
def answer_of_a_belt():
    """An answer written by hand: 0.003 m/s are 0.18 m/min or 0.59 ft/min, 106 °C are 222.8 °F."""
    case = level("belt-four-zones")
    hot, airflow = (106.0, 90.0, 70.0, None), (4.0, 3.0, 2.0, 1.0)
    settings = DryerSettings(106.0, 10.0, float("nan"), 4560.0, 0.12, 0.003, hot, airflow)
    inlet, air, belt = machine_of(case).settings
    chosen = (Chosen(inlet, 100.0, 106.0), Chosen(air, 9.0, 10.0), Chosen(belt, 0.004, 0.003))
    end, result, cost = Reached(0.1, settings, chosen), coolsim.predict(case), Cost(1.0, 2.0, 0.0, 3.0, 1.15)
    answer = SettingsAnswer(
        met=False,
        chosen=chosen,
        settings=settings,
        case=case,
        result=result,
        cost=cost,
        verdicts=(),
        exact_cost=3.0,
        binding=(),
        broken=(AtLimit("moisture", 0.1),),
        hardly_matters=(),
        driest=end,
        wettest=end,
        required_feed_moisture=None,
        one_step=(),
        smallest_changes=(
            Change("airflow", None, "m3/h", "airflow", 10.0),
            Change("inlet air temperature", 121.0, "degC", "inlet_air_temperature", 106.0),
        ),
        now=AppraisedSettings(case, result, cost, ()),
        now_settings=settings,
        gain=Gain(0.0, 0.0, 0.0, 0.0, 2000.0, hours_assumed=True),
    )
    return case, Advice(answer, (end, end), None)


def test_the_end_of_a_belts_speed_is_told_to_the_depth_that_was_typed() -> None:
    """8 and 16 cm: with three digits the bed is 0.3 mm deeper and costs 0.4 % more, with four it is 0.002 mm."""
    case = level("belt-four-zones")
    speed = next(s for s in machine_of(case).settings if s.key == "belt_speed")
    feed = case.feed
    slow, fast = (feed.throughput / (feed.bulk_density * 2.0 * depth) for depth in (0.16, 0.08))
    assert (speed.low, speed.high) == pytest.approx((slow, fast))
    q = speed.quantity
    assert quantities.setting_text(q, 0.248397 / 60, speed.step, Page()) == "0.2484 m/min"
    assert quantities.setting_text(q, 0.25 / 60, speed.step, Page()) == "0.250 m/min"
