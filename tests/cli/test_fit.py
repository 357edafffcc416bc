"""The command fit: what it reads, what it writes, and what it refuses, all faults at once."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from reader_units import strays

import coolsim
from coolsim.scenario.trials import read_trials
from coolsim.studies.fitting.parameters import PARAMETERS
from coolsim.support.errors import InputError

ROOT = Path(__file__).parents[2]
SCENARIO, TRIALS = ROOT / "scenarios/humid-delta.toml", ROOT / "scenarios/delta-trials.csv"
HEADING = "feed.moisture [%],measured.moisture [%],measured.temperature [degC]\n"


@pytest.fixture(scope="module")
def line():
    return coolsim.load(SCENARIO)


def faults(line, tmp_path, text: str) -> list:
    path = tmp_path / "trials.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_trials(line, path)
    return error.value.faults


# -- the whole way


def test_fit_prints_writes_and_its_material_predicts(run, tmp_path) -> None:
    material, answer = tmp_path / "mine.toml", tmp_path / "fit.json"
    done = run("fit", str(SCENARIO), "--trials", str(TRIALS), "-o", str(material), "--json", str(answer))
    assert done.status == 0 and done.err == ""
    for words in (
        "diffusivity",
        "isotherm_shift",
        "specific_heat",
        "to measure next",
        "by the fit",
        "Monday",
    ):
        assert words in done.out
    written = json.loads(answer.read_text(encoding="utf-8"))
    values = {p["name"]: p for p in written["parameters"]}
    # the file says what stands behind its trials: 5.5e-10, 2 % and 1750
    for name, truth in (("diffusivity", 5.5e-10), ("isotherm_shift", 0.02), ("specific_heat", 1750.0)):
        assert values[name]["low"] < truth < values[name]["high"]
    assert {p["unit"] for p in written["parameters"]} == {"m2/s", "1", "J/(kg K)"}
    assert len(written["residuals"]) == 9
    assert all(r["residual"] == pytest.approx(r["measured"] - r["after"]) for r in written["residuals"])
    fitted = coolsim.load_material(str(material))
    assert fitted.diffusivity.value == pytest.approx(values["diffusivity"]["value"], rel=1e-6)
    assert fitted.specific_heat == pytest.approx(values["specific_heat"]["value"], rel=1e-6)
    assert fitted.isotherm.scale == pytest.approx(1 + values["isotherm_shift"]["value"], rel=1e-6)
    assert fitted.isotherm.fat == coolsim.load_material("floating-fish-feed").isotherm.fat
    text = material.read_text(encoding="utf-8")
    assert "delta-trials.csv" in text and "fitted on 20" in text
    for key in ("diffusivity", "isotherm_scale", "specific_heat"):
        part = tomllib.loads(text)[key]
        assert part["low"] < part["value"] < part["high"] and not part["assumed"]
    scenario = tmp_path / "mill.toml"
    scenario.write_text(
        SCENARIO.read_text(encoding="utf-8").replace("floating-fish-feed", "mine.toml"), encoding="utf-8"
    )
    exit = coolsim.predict(coolsim.load(scenario)).pellets_out
    assert exit.moisture_wb == pytest.approx(written["exit"]["after"]["moisture_wb"], abs=5e-5)


def test_json_alone_on_standard_output(run) -> None:
    done = run("fit", str(SCENARIO), "--trials", str(TRIALS), "--free", "diffusivity", "--json", "-")
    assert done.status == 0
    assert [p["name"] for p in json.loads(done.out)["parameters"]] == ["diffusivity"]


@pytest.mark.parametrize("width", ["40", pytest.param("200", marks=pytest.mark.thorough)])
def test_any_width_and_other_units(run, monkeypatch, width) -> None:
    monkeypatch.setenv("COLUMNS", width)
    done = run(
        "fit", str(SCENARIO), "--trials", str(TRIALS), "--free", "diffusivity,leakage", "--units", "us"
    )
    assert done.status == 0 and "exit temperature ± 0.9 °F (0.5 K)" in " ".join(done.out.split())
    assert max(map(len, done.out.splitlines())) <= int(width) and (
        width == "40" or not strays(done.out, "us")
    )


# -- what is refused


def test_trials_of_a_cooler_are_none_of_a_dryer_or_a_line(run) -> None:
    done = run("fit", str(ROOT / "scenarios/evening-batch.toml"), "--trials", str(TRIALS))
    assert done.status == 2 and "a reading of a dryer's exhaust" in done.err
    done = run("fit", str(ROOT / "scenarios/dryer-then-cooler.toml"), "--trials", str(TRIALS))
    assert done.status == 2 and "cooler.airflow" in done.err
    assert "did you mean stage.2.airflow?" in " ".join(done.err.split())


def test_faults_of_options_and_file_come_together(run, tmp_path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEADING + "14,140,34\n", encoding="utf-8")
    out = tmp_path / "m.toml"
    done = run("fit", str(SCENARIO), "--trials", str(path), "--free", "difusivity", "-o", str(out))
    assert done.status == 2
    assert "difusivity" in done.err and "140" in done.err and "0.1 % to 65 %" in done.err
    assert not out.exists()


def test_one_trial_without_priors_settles_nothing(run, tmp_path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEADING + "14,11.7,34.9\n", encoding="utf-8")
    done = run("fit", str(SCENARIO), "--trials", str(path), "--no-priors")
    assert done.status == 2 and "leave --no-priors out" in done.err
    assert run("fit", str(SCENARIO), "--trials", str(path)).status == 0


def test_a_place_that_cannot_be_written_is_said_first(run, tmp_path) -> None:
    done = run("fit", str(SCENARIO), "--trials", "nowhere.csv", "-o", str(tmp_path / "none" / "m.toml"))
    assert done.status == 2 and "does not exist" in done.err


def test_every_fault_of_every_row(line, tmp_path) -> None:
    found = faults(line, tmp_path, HEADING + '140,12.0,34\n14,140,34\n"13,5",x,\n14,,\n')
    assert [(f.where[-2:], f.key) for f in found] == [
        (":2", "feed.moisture"),
        (":3", "measured.moisture"),
        (":4", "measured.moisture"),
        (":4", "feed.moisture"),
        (":5", "measured"),
    ]


def test_columns_that_are_unknown_doubled_or_lack_a_unit(line, tmp_path) -> None:
    heading = (
        "feed.moistur [%],measured.temperature,air.temperature [%],duct.leakage [%],duct.leakage [%],"
        "feed.diameter ± [mm],measured.exhaust_temperature ± [K]\n"
    )
    found = {(f.key, f.found): f.allowed for f in faults(line, tmp_path, heading + "1,2,3,4,5,6,7\n")}
    assert "feed.moisture" in found["feed.moistur", "an unknown column"]
    assert "brackets" in found["measured.temperature", '"measured.temperature"']
    assert "a temperature" in found["air.temperature", '"air.temperature [%]"']
    assert "a ± is taken" in found["feed.diameter", '"feed.diameter ± [mm]"']
    assert ("duct.leakage", "two columns of this name") in found


def test_a_file_without_readings_needs_them(line, tmp_path) -> None:
    (fault,) = faults(line, tmp_path, "feed.moisture [%]\n14\n")
    assert "measured.moisture [%]" in fault.allowed
    assert "at least one" in faults(line, tmp_path, HEADING)[0].allowed


def test_in_and_out_swapped_dry_basis_and_fahrenheit(line, tmp_path) -> None:
    swapped = faults(line, tmp_path, HEADING + "11.8,14.1,34\n")

    assert swapped[0].key == "measured.moisture" and "were in and out swapped?" in swapped[0].allowed
    dry = faults(line, tmp_path, HEADING + "14,15.5,34\n")  # 15.5/115.5 = 13.42 %
    assert "dry basis" in dry[0].allowed and "13.42 %" in dry[0].allowed
    hot = faults(line, tmp_path, HEADING + "14,11.8,95\n")  # (95 − 32)/1.8 = 35.0
    assert "degF" in hot[0].allowed and "35.0 °C" in hot[0].allowed
    outside = faults(line, tmp_path, "air.temperature [degC],measured.moisture [%]\n88,12\n")
    assert "degF" in outside[0].allowed


def test_units_and_doubts_are_read(line, tmp_path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(
        "trial,feed.temperature [degF],feed.moisture +- [%],measured.temperature [degF],"
        "measured.temperature ± [degF]\n"
        "one,190.4,0.392,95,1.8\n",
        encoding="utf-8",
    )
    trials = read_trials(line, path)
    assert trials.labels == ("one",)
    assert trials.cases[0].feed.temperature == pytest.approx(88.0)  # (190.4 − 32)/1.8
    assert trials.measured[1, 0] == pytest.approx(35.0)
    assert trials.deviation[1, 0] == pytest.approx(1.0 / 1.96)  # ± 1.8 degF = ± 1 K
    assert trials.doubt[0, 0] == pytest.approx(0.002)
    assert trials.cases[0].feed.moisture == line.feed.moisture  # what a row leaves out is the scenario's


def test_temperatures_swapped_or_fahrenheit(line, tmp_path) -> None:
    """Cool in, hot out: swapped is as likely as another unit."""
    heading = "feed.temperature [degC],measured.temperature [degC]\n"
    (fault,) = faults(line, tmp_path, heading + "35,88\n")
    assert "swapped" in fault.allowed and "degF" in fault.allowed
    (hot,) = faults(line, tmp_path, heading + "88,95\n")
    assert "swapped" not in hot.allowed and "35.0 °C" in hot.allowed


def test_decimal_commas_are_told_in_the_answer(run, line, tmp_path) -> None:
    text = HEADING.replace(",", ";") + "13,8;11,5;34,1\n"
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    trials = read_trials(line, path)
    assert trials.cases[0].feed.moisture == pytest.approx(0.138)
    assert trials.measured[:2, 0] == pytest.approx([0.115, 34.1])
    done = run("fit", str(SCENARIO), "--trials", str(path))
    words = "cells parted by semicolons and a comma before the decimals"
    assert done.status == 0 and words in " ".join(done.out.split())


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("0.14,0.117,34.9\n0.138,0.115,35.1\n", "feed.moisture", ("0.14 %", "would be 14 %")),
        ("14,0.117,34.9\n13.8,0.115,35.1\n", "measured.moisture", ("0.117 %", "would be 11.7 %")),
    ],
)
def test_fractions_below_a_percent_sign_are_no_fit(run, tmp_path, text, key, words) -> None:
    path = tmp_path / "t.csv"
    path.write_text(HEADING + text, encoding="utf-8")
    done = run("fit", str(SCENARIO), "--trials", str(path))
    assert done.status == 2 and key in done.err and "fraction" in done.err
    assert all(word in done.err for word in words)


def test_feed_in_fahrenheit_is_no_fit(run, tmp_path) -> None:
    """175 degF is 79.4 °C; at 175 °C such feed would flash dry."""
    path = tmp_path / "t.csv"
    heading = "feed.temperature [degC],measured.moisture [%],measured.temperature [degC]\n"
    path.write_text(heading + "175,11.7,34.8\n178,11.5,35.1\n", encoding="utf-8")
    done = run("fit", str(SCENARIO), "--trials", str(path))
    assert done.status == 2 and "feed.temperature" in done.err and "79.4 °C" in done.err


# -- material files


def test_every_fault_of_a_material_file_is_said_with_those_of_the_scenario(run, tmp_path) -> None:
    (tmp_path / "mine.toml").write_text(
        '[isotherm]\nequation = "oswin"\n[diffusivity]\nvalue = "8e-10 m2/s"\nat = 60\n'
        "[specific_heat]\nvalue = 1.8\n",
        encoding="utf-8",
    )
    scenario = tmp_path / "mill.toml"
    text = SCENARIO.read_text(encoding="utf-8").replace("floating-fish-feed", "mine.toml")
    scenario.write_text(text.replace('"4 mm"', '"4 kg"', 1), encoding="utf-8")
    done = run("check", str(scenario))
    assert done.status == 2
    for words in (
        "4 kg",
        "isotherm.equation",
        "diffusivity.value",
        "specific_heat.value",
        "bulk_density.value",
    ):
        assert words in done.err


def test_a_material_file_that_is_not_there(run, tmp_path) -> None:
    scenario = tmp_path / "mill.toml"
    scenario.write_text(
        SCENARIO.read_text(encoding="utf-8").replace("floating-fish-feed", "gone.toml"), encoding="utf-8"
    )
    done = run("check", str(scenario))
    assert done.status == 2 and "does not exist" in done.err and "coolsim fit -o" in done.err


def test_help_names_every_number_that_can_be_free(run) -> None:
    out = run("fit", "--help").out
    assert all(name in out for name in PARAMETERS)
