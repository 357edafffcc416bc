"""The sheet for trials behind a card, and the file that `coolsim new` writes with its columns: what fit reads."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from output.cards import written_by_hand
from pypdf import PdfReader
from shipped import level
from typer.testing import CliRunner

from coolsim.cli import app
from coolsim.output import card
from coolsim.scenario.trial_sheet import columns
from coolsim.scenario.trials import read_trials


@pytest.mark.parametrize("name", ["monsoon-night", "monsoon-year"])
def test_a_trial_sheet_asks_for_what_stands_on_the_machine(name: str, tmp_path: Path) -> None:
    """Where [limits] open the fan's speed it stands on a frequency converter, and no airflow does; fit reads it."""
    case = level(name)
    titles = [column.heading for column in columns(case)]
    assert "fan.speed [%]" in titles and not [title for title in titles if "airflow" in title]
    path = tmp_path / "trials.csv"
    path.write_text("trial,fan.speed [%],measured.moisture [%]\n1,60,12.4\n", encoding="utf-8")
    (trial,) = read_trials(case, path).cases
    assert trial.fan.speed == pytest.approx(0.6) and trial.cooler.airflow is None
    assert "cooler.airflow [m3/h]" in [column.heading for column in columns(level("humid-delta"))]


@pytest.mark.parametrize(("units", "airflow"), [("si", "1200 m3/h"), ("us", "706.3 cfm")])
def test_the_trial_sheet_and_the_file_have_what_fit_reads(tmp_path: Path, units: str, airflow: str) -> None:
    """A file of the sheet's columns, filled in, is read by fit; its titles stand on the paper."""
    path = tmp_path / "trials.csv"
    done = CliRunner().invoke(app, ["new", str(path), "--units", units])
    assert done.exit_code == 0, done.output
    titles, *rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    assert len(rows) == 3 and all(row[0] == str(k) for k, row in enumerate(rows, 1))
    assert f"cooler.airflow [{airflow.split()[1]}]" in titles and "measured.moisture [%]" in titles
    filled = {"measured.moisture [%]": "12.1", f"cooler.airflow [{airflow.split()[1]}]": airflow.split()[0]}
    lines = [
        titles,
        *([filled.get(title, row[0] if title == "trial" else "") for title in titles] for row in rows),
    ]
    path.write_text("\n".join(map(",".join, lines)), encoding="utf-8")
    trials = read_trials(level("humid-delta"), path)
    assert np.allclose([c.cooler.airflow for c in trials.cases], 1200 / 3600, rtol=1e-4)
    pdf = card.card(level("monsoon-year"), written_by_hand(), units=units)
    pdf = PdfReader(io.BytesIO(pdf)).pages[1].extract_text()
    words = " ".join(pdf.split())
    assert "exit moisture" in words and "Three trials" in words
