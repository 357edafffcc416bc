"""`coolsim size`: what it says and writes, its statuses, and a run of the command from file to JSON.

Words, widths and statuses are held with an answer written by hand; one sizing is run as a command of its own.
"""

import dataclasses
import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import coolsim
from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.machines.plant import Settings
from coolsim.output import sizes as printed
from coolsim.output.page import Page
from coolsim.studies.settings.find import AtLimit
from coolsim.studies.sizing import find as sizing
from coolsim.studies.sizing.answer import Body, FanDuty, Floor, Governs, Missed, Served, SizeAnswer
from coolsim.support.errors import NotConverged

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
RAINS = """\
[costs]
electricity = "0.15 EUR/kWh"
[sizing]
margin = "40 %"
[[sizing.weather]]
name = "rains"
"""
SIZING = RAINS + '[[sizing.weather]]\nname = "dry month"\nrelative_humidity = "50 %"\n'
SERVED = Served(
    product="the feed",
    weather="rains",
    settings=Settings(0.4, math.nan, 0.8, 672.0, 31.0),
    moisture_wb=0.12,
    temperature=36.5,
    water_activity=0.6,
    exhaust_humidity=0.4,
    air_ratio=1.37,
    face_velocity=0.8,
    lift_off=0.55,
    pressure_drop=1100.0,
    fan_flow=0.5,
    fan_pressure=1840.0,
    fan_density=1.05,
    heat=2500.0,
    specific_energy=0.92,
    cost_per_tonne=0.138,
    exact_cost_per_tonne=0.137,
    load=1 / 1.1,
    set={"cooler.airflow": "1440 m3/h"},
    binding=(
        AtLimit("moisture", 0.12),
        AtLimit("air ratio, highest", 3.0),
        AtLimit("time in the bed, lowest", 60.0),
    ),
)
NO_SIZE: dict[str, Any] = dict.fromkeys(
    ("floor_area", "bed_depth", "airflow", "fan", "heater", "specific_energy", "body", "smallest_floor")
) | {"met": False, "served": (), "governing": (), "curve": ()}


@pytest.fixture
def buyer(tmp_path: Path, good: str) -> Path:
    path = tmp_path / "buyer.toml"
    path.write_text(good + SIZING, encoding="utf-8")
    return path


@pytest.fixture
def answer() -> SizeAnswer:
    """A size a person could have written down; nothing here was computed by the solver."""
    floors = [
        Floor(
            0.5 + 0.1 * k,
            0.8 - 0.05 * k,
            0.7,
            0.92,
            0.1,
            fan_flow=0.5,
            fan_pressure=1840.0,
            motor=1500.0,
        )
        for k in range(3)
    ]
    governing = [Governs(part, "the feed", "rains", SERVED.binding) for part in ("floor", "flow", "heater")]
    return SizeAnswer(
        met=True,
        arrangement="counter-flow",
        reserve=0.1,
        floor_area=0.6,
        bed_depth=0.8,
        airflow=0.4,
        fan=FanDuty(0.5, 1840.0, 1.05, 0.6, 1533.0, 1703.0, 2200.0),
        heater=2500.0,
        specific_energy=0.92,
        body=Body(0.874, 0.775, 0.8, 0.5, 1.3),
        margin=0.4,
        smallest_floor=0.5,
        served=(SERVED, dataclasses.replace(SERVED, weather="dry month", binding=())),
        governing=tuple(governing),
        curve=tuple(floors),
        missed=(),
        warnings=(Warning("check", "no [duct] is given."), Warning("note", "margin: no source.")),
    )


@pytest.fixture
def missed(answer: SizeAnswer) -> SizeAnswer:
    broken = (AtLimit("moisture", 0.127), AtLimit("above the air outside", 7.2))
    one = Missed("the feed", "rains", 0.127, 38.2, 4.0, SERVED.settings, broken)
    return dataclasses.replace(answer, **NO_SIZE, missed=(one,))


@pytest.fixture
def search(monkeypatch: pytest.MonkeyPatch, answer: SizeAnswer) -> SimpleNamespace:
    """Stand in for the sizing: `search.found` is what it returns (or raises)."""
    stand_in = SimpleNamespace(found=answer, asked=[])

    def size(case: Case, *, uncertainty: bool) -> SizeAnswer:
        stand_in.asked.append(case)
        if isinstance(stand_in.found, BaseException):
            raise stand_in.found
        return stand_in.found

    monkeypatch.setattr(sizing, "size", size)
    return stand_in


def test_statuses(run: Run, buyer: Path, search: SimpleNamespace, missed: SizeAnswer) -> None:
    target = buyer.parent / "out.json"
    outcome = run("size", str(buyer), "--json", str(target), "--set", "sizing.margin=75 %")
    assert (outcome.status, outcome.err) == (0, "") and "To buy" in outcome.out
    assert json.loads(target.read_text(encoding="utf-8"))["fan"]["motor_kW"] == pytest.approx(2.2)
    assert search.asked[0].sizing.margin == pytest.approx(0.75)
    search.found = missed
    outcome = run("size", str(buyer), "--json", "-", "--units", "us")
    assert (outcome.status, outcome.err) == (3, "")
    document = json.loads(outcome.out)
    assert document["met"] is False and document["floor_area_m2"] is None
    assert document["missed"][0]["driest_moisture_wb"] == pytest.approx(0.127)
    search.found = NotConverged("stalled", np.array([0]))
    outcome = run("size", str(buyer), "--json", str(buyer.parent / "none.json"))
    assert outcome.status == 4 and "stalled" in outcome.err
    assert not (buyer.parent / "none.json").exists()
    search.found = KeyboardInterrupt()
    assert run("size", str(buyer)).status == 130
    search.found = ZeroDivisionError("ours")
    assert run("size", str(buyer)).status == 1


def test_json_into_a_missing_folder_is_said_before_searching(
    run: Run, buyer: Path, search: SimpleNamespace
) -> None:
    outcome = run("size", str(buyer), "--json", str(buyer.parent / "gone" / "out.json"))
    assert outcome.status == 2 and "--json" in outcome.err and search.asked == [] and outcome.out == ""


def test_what_is_missing_is_said_all_at_once(run: Run, tmp_path: Path, good: str) -> None:
    path = tmp_path / "none.toml"
    path.write_text(good[: good.index("[target]")], encoding="utf-8")
    outcome = run("size", str(path))
    assert outcome.status == 2 and outcome.out == ""
    assert "2 faults" in outcome.err and "[sizing]" in outcome.err and "target.moisture" in outcome.err


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("is_met", [True, False])
def test_fits_the_page(
    buyer: Path, answer: SizeAnswer, missed: SizeAnswer, width: int, encoding: str, units: str, is_met: bool
) -> None:
    page = Page(width, encoding=encoding, units=units)
    text = printed.sized(coolsim.load(buyer), answer if is_met else missed, page)
    assert max(map(len, text.splitlines())) <= width
    text.encode(encoding)
    assert "?" not in text and "\x1b" not in text
    words = " ".join(text.split())
    wanted = (
        ("floor area", "motor", "no smaller floor", "dry month") if is_met else ("No floor serves", "driest")
    )
    for label in wanted:
        assert label in words
    assert "check: no [duct] is given." in words


def test_wet_pellets_of_a_product_are_said_before_what_to_buy(buyer: Path, answer: SizeAnswer) -> None:
    words = "floating, rains: the wettest tenth of the pellets leaves at 11.1 %. Likewise in 1 more."
    wet = dataclasses.replace(answer, warnings=(Warning("check", words), *answer.warnings))
    text = " ".join(printed.sized(coolsim.load(buyer), wet, Page(100)).split())
    assert text.count("the wettest tenth") == 1
    assert text.index("check: floating, rains: the wettest tenth") < text.index("To buy")


def test_units_us(buyer: Path, answer: SizeAnswer) -> None:
    text = printed.sized(coolsim.load(buyer), answer, Page(140, units="us"))
    # 0.6 m² / 0.3048² = 6.4583 ft², told to a tenth of a percent
    # 0.5 m³/s = 1059 cfm; 1840 Pa / 249.09 = 7.4 inH2O; 0.8 m = 31.50 in;
    # 0.874 m = 34.41 in = 2 ft 10.4 in; 0.92 kWh/t × 0.90718 = 0.83; 36.5 °C = 97.7 °F;
    # 1.05 kg/m³ × 0.062428 = 0.066 lb/ft³
    for number in (
        "6.46 ft²",
        "1059 cfm",
        "7.4 inH2O",
        "31.5 in",
        "2 ft 10.5 in",
        "0.83",
        "97.7 °F",
        "0.066 lb/ft³",
    ):
        assert number in text, number
    assert "kWh/short ton" in text
    assert not re.search(r"m³/h|\bcm\b|°C|m²", text)


def test_json_has_what_scripts_rely_on(run: Run, buyer: Path, search: SimpleNamespace) -> None:
    document = json.loads(run("size", str(buyer), "--json", "-").out)
    assert {"scenario", "title", "coolsim", "inputs", "currency", "met", "warnings"} <= document.keys()
    assert document["currency"] == "EUR" and document["inputs"]["sizing.weather.2.name"] == "dry month"
    assert document["fan"] == {
        "flow_m3_h": pytest.approx(1800.0),
        "pressure_Pa": 1840.0,
        "density_kg_m3": 1.05,
        "efficiency": 0.6,
        "shaft_power_kW": pytest.approx(1.533),
        "electric_power_kW": pytest.approx(1.703),
        "motor_kW": pytest.approx(2.2),
    }
    assert document["body"]["side_m"] == 0.775 and document["heater_kW"] == pytest.approx(2.5)
    one = document["served"][0]
    assert one["settings"]["airflow_m3_h"] == pytest.approx(1440.0) and one["settings"]["fan_speed"] is None
    assert one["specific_energy_kWh_t"] == 0.92
    assert one["binding"][2] == {"limit": "time in the bed, lowest", "value": 60.0, "unit": "s"}
    assert document["governing"][0]["limits"][0] == {"limit": "moisture", "value": 0.12, "unit": ""}
    assert [f["floor_area_m2"] for f in document["curve"]] == pytest.approx([0.5, 0.6, 0.7])


def test_words_where_there_is_no_size(buyer: Path, missed: SizeAnswer) -> None:
    def said(case: Case, answer: SizeAnswer) -> str:
        return " ".join(printed.sized(case, answer, Page(100)).split())

    case = coolsim.load(buyer)
    words = said(case, missed)
    assert "the feed in rains: driest possible 12.70 %, leaving at 38.2 °C" in words
    assert "breaks moisture (12.70 %), above the air outside (7.2 K)" in words
    assert "no one floor serves all" in said(case, dataclasses.replace(missed, missed=()))
    fixed = coolsim.replace(case, {"sizing.floor_area": "0.4 m2"})
    words = said(fixed, dataclasses.replace(missed, smallest_floor=0.52))
    assert "A floor of 0.40 m² does not serve" in words and "From 0.52 m² on" in words


def test_the_command_from_file_to_json(tmp_path: Path, good: str) -> None:
    text = good.replace('moisture = "12 %"', 'moisture = "12.4 %"') + RAINS
    (tmp_path / "mill.toml").write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "coolsim.cli", "size", "mill.toml", "--json", "out.json"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", "COLUMNS": "80"},
        capture_output=True,
        check=False,
    )
    assert (done.stderr, done.returncode) == (b"", 0)
    document = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    said = done.stdout.decode("utf-8")
    title, doubt, size, *_ = said.split("\n\n")
    first, floor, *_ = size.splitlines()
    assert title == "A mill of our own" and doubt.startswith("Not likely enough to buy by: 1 of 1 rows below")
    assert re.split(r"\s{2,}", first)[0] == "To buy"
    label, printed_floor = re.split(r"\s{2,}", floor)
    assert label == "floor area" and printed_floor == f"{document['floor_area_m2']:.3f}".rstrip("0") + " m²"
    assert len(document["curve"]) >= 8
    # what is answered holds when the sized cooler is predicted through its scenario
    rains = document["served"][0]
    case = coolsim.load(tmp_path / "mill.toml")
    changes = {
        "cooler.floor_area": f"{document['floor_area_m2']!r} m2",
        "cooler.bed_depth": f"{rains['settings']['bed_depth_m']!r} m",
        "cooler.airflow": f"{rains['settings']['airflow_m3_h']!r} m3/h",
    }
    out = coolsim.predict(coolsim.replace(case, changes)).pellets_out
    assert abs(out.moisture_wb - rains["moisture_wb"]) < 2e-5
    assert abs(out.temperature - rains["temperature_C"]) < 0.01


def test_what_the_help_says_of_a_size_is_what_is_printed(
    run: Run, monkeypatch: pytest.MonkeyPatch, search: SimpleNamespace
) -> None:
    monkeypatch.chdir(ROOT)
    told = " ".join(run("size", "--help").out.split())
    outcome = run("size", "scenarios/cooler-to-buy.toml")
    assert (outcome.status, outcome.err) == (0, "")
    printed_words = " ".join(outcome.out.split())
    quoted = re.findall(r'"([A-Za-z ]+)"', told.partition("Options:")[0])
    assert {"To buy", "What fixes it", "taken"} <= {*quoted}
    for words in quoted:
        assert words in printed_words or words == "cooler", words
