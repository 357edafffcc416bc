"""`coolsim explore`: what it writes, what it refuses, and with which exit status."""

from __future__ import annotations

from pathlib import Path

import pytest
from shipped import level_text
from typer.testing import CliRunner

from coolsim.cli.commands import app
from coolsim.studies.maps import outcome_map
from coolsim.studies.maps.outcome_map import Effort
from coolsim.support.errors import NotConverged

QUICK = Effort((400,), (20,), 20, 60, 1.0, 100.0, 1.0)  # a rough map in half a second


@pytest.fixture
def mill(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(outcome_map, "COOLER", QUICK)
    path = tmp_path / "mill.toml"
    path.write_text(level_text("humid-delta"), encoding="utf-8")
    return path


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["explore", *words])
    return done.exit_code, done.output


def test_a_page_is_written_and_its_error_told(mill: Path) -> None:
    page = mill.with_name("page.html")
    status, told = run(str(mill), "-o", str(page), "--set", "air.relative_humidity=90 %")
    assert status == 0
    assert told.startswith(f"wrote {page}; on 20 predictions held out it is off by at most ")
    text = page.read_text(encoding="utf-8")
    assert '"air.relative_humidity":"90 %"' in text  # what was set is in the Python that the page gives
    assert sorted(p.name for p in mill.parent.iterdir()) == ["mill.toml", "page.html"]


def test_all_faults_at_once_and_nothing_written(mill: Path) -> None:
    page = mill.with_name("page.pdf")
    status, told = run(str(mill), "-o", str(page), "--set", "feed.moisture=14 kg", "--set", "feed.colour=red")
    assert status == 2
    for word in ("3 faults", ".html", "feed.moisture", "feed.colour"):
        assert word in told
    assert not page.exists()


def test_the_scenario_is_not_overwritten(mill: Path) -> None:
    mill = mill.rename(mill.with_name("mill.html"))
    status, told = run(str(mill), "-o", str(mill))
    assert status == 2 and "which is the scenario" in told
    assert mill.read_text(encoding="utf-8") == level_text("humid-delta")


def test_a_map_that_is_too_far_off_writes_nothing(mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def hopeless(*_: object, **__: object) -> None:
        raise NotConverged("no map is good enough")

    monkeypatch.setattr("coolsim.output.explorer.document.charted", hopeless)
    page = mill.with_name("page.html")
    status, told = run(str(mill), "-o", str(page))
    assert status == 4 and "no map is good enough" in told
    assert not page.exists()


def test_too_much_at_once_is_refused(tmp_path: Path) -> None:
    """Six ranges of a batch are more than a page takes; one sentence says what to do."""
    from shipped import SCENARIOS

    text = (SCENARIOS / "evening-batch.toml").read_text(encoding="utf-8")
    ranges = ['airflow = ["8000 m3/h", "14000 m3/h"]', 'batch_mass = ["150 kg", "300 kg"]']
    ranges += ['cooling_time = ["2 min", "9 min"]']
    mill = tmp_path / "mill.toml"
    mill.write_text(text.replace("[limits]", "\n".join(["[limits]", *ranges])), encoding="utf-8")
    status, told = run(str(mill), "-o", str(tmp_path / "page.html"))
    assert status == 2
    assert "6 things that may be set" in told and "at most 5" in told
