"""`coolsim card`: from weather to paper, a season typed in a few weathers, and what is refused."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from output.cards import mill, text_of
from shipped import level_text
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.studies.card import season

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.thorough
def test_from_weather_to_paper(tmp_path: Path) -> None:
    """What the command prints is the chart of the year: each filled cell's airflow and minutes, in its order."""
    done = CliRunner().invoke(app, ["card", str(mill(tmp_path)), "-o", str(tmp_path / "card.pdf")])
    assert done.exit_code == 0, done.output
    chart = coolsim.seasons(coolsim.load(tmp_path / "mill.toml")).strategies[1].chart
    assert chart is not None
    words = text_of((tmp_path / "card.pdf").read_bytes())
    filled = np.argwhere(chart.hours > 0)
    assert len(filled) > 6 and chart.hours.sum() == 72
    place = 0
    for at in map(tuple, filled):
        cell = f"{3600 * chart.airflow[at]:.0f} m³/h {chart.residence_time[at] / 60:.1f} min"
        place = words.index(cell, place) + 1


def test_without_ranges_there_is_no_card(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    done = CliRunner().invoke(app, ["card", str(mill(tmp_path, until="[limits]")), "-o", str(out)])
    assert done.exit_code == 2
    assert "[limits]" in done.output and "airflow" in done.output
    assert not out.exists()


def test_what_a_card_needs_is_said(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    done = CliRunner().invoke(app, ["card", str(SCENARIOS / "monsoon-night.toml"), "-o", str(out)])
    assert done.exit_code == 2
    assert "[weather]" in done.output
    assert not out.exists()


@pytest.mark.parametrize("name", ["dryer-then-cooler", "evening-batch"])
def test_a_card_of_any_machine_asks_for_weather(tmp_path: Path, name: str) -> None:
    done = CliRunner().invoke(app, ["card", str(SCENARIOS / f"{name}.toml"), "-o", str(tmp_path / "c.pdf")])
    assert done.exit_code == 2
    assert "[weather]" in done.output and "only" not in done.output


@pytest.mark.parametrize("command", ["card", "report"])
@pytest.mark.parametrize("name", ["it.png", "it", "it.pdf.txt"])
def test_a_file_that_is_called_something_else_is_refused(tmp_path: Path, command: str, name: str) -> None:
    """With what else is wrong: there is no such scenario."""
    done = CliRunner().invoke(app, [command, "none.toml", "-o", str(tmp_path / name)])
    right = {"card": ".pdf", "report": ".html or .htm"}[command]
    assert done.exit_code == 2
    assert f"a file that ends in {right}, such as it" in done.output and "none.toml" in done.output
    assert not (tmp_path / name).exists()


@pytest.mark.parametrize("name", ["it.pdf", "IT.PDF"])
def test_a_pdf_is_a_pdf_in_any_case(tmp_path: Path, name: str) -> None:
    done = CliRunner().invoke(app, ["card", "none.toml", "-o", str(tmp_path / name)])
    assert done.exit_code == 2 and "no such file" in done.output  # the next fault


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    out = tmp_path / "nowhere" / "card.pdf"
    done = CliRunner().invoke(app, ["card", str(SCENARIOS / "monsoon-year.toml"), "-o", str(out)])
    assert done.exit_code == 2
    assert "-o" in done.output


def test_paper_of_another_size_is_refused(tmp_path: Path) -> None:
    words = ["card", str(SCENARIOS / "monsoon-year.toml"), "-o", str(tmp_path / "c.pdf"), "--paper", "a3"]
    assert CliRunner().invoke(app, words).exit_code == 2


SEASON = """
[[card.weather]]
name = "rains, night"
temperature = "29 degC"
relative_humidity = "94 %"

[[card.weather]]
name = "the same again"
temperature = "29 degC"
relative_humidity = "94 %"

[[card.weather]]
name = "noon"
temperature = "36 degC"
relative_humidity = "50 %"
"""


@pytest.mark.thorough
def test_a_season_may_be_typed_in_a_few_weathers(tmp_path: Path) -> None:
    """What is set keeps everything, predicted alone, and nothing cheaper was found in that weather alone."""
    path = tmp_path / "mill.toml"
    path.write_text(level_text("humid-delta") + SEASON, encoding="utf-8")
    done = CliRunner().invoke(app, ["card", str(path), "-o", str(tmp_path / "card.pdf")])
    assert done.exit_code == 0, done.output
    case = coolsim.load(path)
    rows = season(case).rows
    assert [row.weather.name for row in rows] == ["rains, night", "the same again", "noon"]
    assert rows[0].values == rows[1].values != rows[2].values
    alone = coolsim.find_settings(dataclasses.replace(case, air=rows[2].weather.air)).settings
    assert rows[2].values == {"airflow": alone.airflow, "bed_depth": alone.bed_depth}
    for row in rows:
        machine = dataclasses.replace(
            case.cooler, airflow=row.values["airflow"], bed_depth=row.values["bed_depth"]
        )
        out = coolsim.predict(dataclasses.replace(case, air=row.weather.air, cooler=machine)).pellets_out
        assert row.met and float(out.moisture_wb) <= 0.12 + 1e-6  # of the scenario
        assert float(out.moisture_wb) == pytest.approx(row.moisture_wb, abs=2e-5)
    shown = text_of((tmp_path / "card.pdf").read_bytes())
    flow = f"{3600 * rows[0].values['airflow']:.0f} m³/h"
    assert "rains, night" in shown and shown.count(flow) == 2 and "One setting" not in shown


def test_a_weather_of_a_season_is_read_like_air(tmp_path: Path) -> None:
    path = tmp_path / "mill.toml"
    path.write_text(level_text("humid-delta") + SEASON.replace('"29 degC"', '"290 degC"'), encoding="utf-8")
    with pytest.raises(coolsim.InputError, match=r"card\.weather\.1\.temperature: found .290 degC"):
        coolsim.load(path)
