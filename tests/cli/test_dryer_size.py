"""`coolsim size` and `coolsim report` of dryers: statuses, words and JSON. One weather, so that a size is short."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from coolsim.output.report.answers import ask
from coolsim.output.report.document import report
from coolsim.scenario import loads

BOX = """
title = "Boxes of our own"
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
heater_power = "50 kW"
[target]
moisture = "13 %"
[limits]
duration = ["5 min", "60 min"]
[schedule]
filling = "4 min"
emptying = "3 min"
dryers = 2
[sizing]
"""


@pytest.fixture
def box(tmp_path: Path) -> Path:
    path = tmp_path / "box.toml"
    path.write_text(BOX, encoding="utf-8")
    return path


def test_a_size_is_printed_and_written(run, box):
    file = box.with_suffix(".json")
    done = run("size", str(box), "--json", str(file))
    assert done.status == 0 and done.err == ""
    words = " ".join(done.out.split())
    for said in (
        "Boxes of our own",
        "To buy",
        "batch dryers, side by side 2",
        "motor, next standard",
        "MJ/kg",
    ):
        assert said in words
    assert "of the dryer that is there, so not used for one to buy: cooler.heater_power" in words
    written = json.loads(file.read_text(encoding="utf-8"))
    assert written["met"] is True and written["dryers"] == 2 and written["currency"] is None
    (served,) = written["served"]
    assert served["moisture_wb"] <= 0.13
    # by hand: two boxes of this floor and depth, filled again after drying, 4 and 3 min, take 600 kg/h; 10 cm stay
    density = written["batch_mass_kg"] / (written["floor_area_m2"] * 0.10)
    every = served["settings"]["duration_s"] + 420.0
    assert 2 * written["batch_mass_kg"] / every * 3600 >= 600 * (1 - 1e-9)
    assert 300 < density < 800
    assert written["batches_per_shift"] == pytest.approx(8 * 600 / written["batch_mass_kg"] / 2)


def test_out_of_reach_says_so_with_its_status(run, box):
    changes = ("--set", "cooler.inlet_air_temperature=35 degC", "--set", "limits.duration=['5 min', '8 min']")
    done = run("size", str(box), *changes)
    assert done.status == 3
    words = " ".join(done.out.split())
    assert "No floor serves" in words and re.search(r"; breaks [^;]*moisture \(", words)
    assert "highest drying time (8.0 min)" in words and "would help" in words


def test_a_report_has_the_size():
    answers = ask(loads(BOX))
    assert answers.size is not None and answers.size.met
    page = report(answers, "0")
    assert "What to buy" in page and "batch dryers, side by side" in page
