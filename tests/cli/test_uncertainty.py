"""`predict --uncertainty`: what is printed and written, and how it is refused."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.output.page import Page
from coolsim.output.uncertainty import told

SCENARIOS = Path(__file__).parents[2] / "scenarios"
DELTA = str(SCENARIOS / "humid-delta.toml")
KNOWN_TO = ["--set", "feed.moisture=14 ± 0.3 %", "--set", "air.relative_humidity=78 +/- 4 %"]


def asked(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, list(words))
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture(scope="module")
def printed() -> str:
    status, out, err = asked("predict", DELTA, "--uncertainty", *KNOWN_TO)
    assert (status, err) == (0, "")
    return out


def test_text_and_python_agree(printed: str) -> None:
    case = coolsim.replace(
        coolsim.load(DELTA), {"feed.moisture": "14 ± 0.3 %", "air.relative_humidity": "78 ± 4 %"}
    )
    found = coolsim.uncertainty(case)
    low, high = (f"{100 * x:.2f}" for x in (found.moisture_wb.low, found.moisture_wb.high))
    assert f"{low} – {high} %" in printed
    assert re.search(rf"chance that the target is met +{100 * found.all_met:.0f} %", printed)
    assert re.search(r"feed\.moisture +13\.7 – 14\.3 % +\d+ % +\d+ %", printed)
    assert re.search(r"diffusivity +3\.3e-10 m²/s – 3e-09 m²/s", printed)


def test_shares_that_are_printed_add_up(printed: str) -> None:
    table = printed.split("what leaves it open")[1].split("\n\n")[0]
    shares = [[int(x) for x in re.findall(r"(\d+) %", line)[-2:]] for line in table.splitlines()[1:]]
    assert all(abs(sum(column) - 100) <= len(shares) / 2 + 1 for column in zip(*shares))


def test_json() -> None:
    status, out, _ = asked("predict", DELTA, "--uncertainty", *KNOWN_TO, "--json", "-")
    written = json.loads(out)["uncertainty"]
    assert status == 0
    assert written["moisture_wb"]["low"] < written["moisture_wb"]["middle"] < written["moisture_wb"]["high"]
    assert 0 <= written["met"]["all"] <= min(written["met"]["moisture"], 1)
    names = [c["name"] for c in written["contributors"]]
    assert {"feed.moisture", "air.relative_humidity", "diffusivity"} <= set(names)
    assert json.loads(out)["inputs"]["feed.moisture"] == "14 %"


def test_check_shows_what_was_typed() -> None:
    _, out, _ = asked("check", DELTA, *KNOWN_TO)
    assert "feed.moisture = 14 %   (typed 14 ± 0.3 %)" in out


def test_without_it_a_pm_changes_nothing() -> None:
    """A ± leaves the answer alone: the value counts."""
    plain = asked("predict", DELTA, "--set", "feed.moisture=14 %")[1]
    assert plain == asked("predict", DELTA, "--set", "feed.moisture=14 ± 0.3 %")[1]


@pytest.mark.parametrize("width", [40, 20])
def test_narrow(width: int) -> None:
    page = Page(width=width, encoding="ascii")
    text = told(coolsim.uncertainty(coolsim.load(DELTA), samples=64), page)
    assert max(map(len, text.splitlines())) <= width
    text.encode("ascii")


def test_faults() -> None:
    status, _, err = asked("predict", DELTA, "--uncertainty", "--set", "feed.moisture=14 ± 30 %")
    assert status == 2 and "feed.moisture" in err and "0.1 % to 65 %" in err


# -- settings with a chance


@pytest.mark.parametrize(
    ("met", "status", "words"), [(0.5, 3, "these come nearest"), (0.97, 0, "keep off the target")]
)
def test_a_chance_decides_the_exit_status(monkeypatch, met: float, status: int, words: str) -> None:
    """Settings that meet the target as predicted are out of reach all the same where they lack the chance."""
    from coolsim.studies.settings import surely

    night = str(SCENARIOS / "monsoon-night.toml")
    sure = dataclasses.replace(coolsim.uncertainty(coolsim.load(night), samples=64), all_met=met)
    monkeypatch.setattr(surely, "with_chance", lambda case, chance: (case, sure))
    found, out, _ = asked("settings", night, "--chance", "95 %", "--json", "-")
    assert found == status and json.loads(out)["uncertainty"]["met"]["all"] == met
    assert json.loads(out)["uncertainty"]["chance"] == 0.95
    assert words in " ".join(asked("settings", night, "--chance", "95 %")[1].split())


def test_out_of_reach_for_a_chance_does_not_read_as_out_of_reach(monkeypatch) -> None:
    from coolsim.studies.settings import surely

    night = str(SCENARIOS / "monsoon-night.toml")
    case = coolsim.load(night)
    sure = dataclasses.replace(coolsim.uncertainty(case, samples=64), all_met=0.8)
    roomy = dataclasses.replace(case, tables=dict(case.tables) | {"room": {"moisture": 0.03}})
    monkeypatch.setattr(surely, "with_chance", lambda case, chance: (roomy, sure))
    status, out, _ = asked("settings", night, "--chance", "95 %")
    said = " ".join(out.split())
    assert status == 3 and "Out of reach with the chance asked for" in said
    assert "no settings within the limits meet the target." not in said


def test_numbers_of_one_fit_are_told_as_one() -> None:
    """Their ranges below, without shares of their own; in the JSON as parts."""
    from coolsim.output.uncertainty import written
    from coolsim.physics.correlations import Correlation

    case = coolsim.load(DELTA)
    R = Correlation(("diffusivity", "specific_heat"), ((1.0, -0.9), (-0.9, 1.0)))
    case = dataclasses.replace(case, material=dataclasses.replace(case.material, correlation=R))
    found = coolsim.uncertainty(case, samples=64)
    text = told(found, Page(width=100, encoding="utf-8"))
    assert re.search(r"2 numbers of one fit +\d+ % +\d+ %", text)
    assert re.search(r"  diffusivity +3\.3e-10 m²/s – 3e-09 m²/s *\n", text)
    (both,) = [c for c in written(found)["contributors"] if c["parts"]]
    assert [p["name"] for p in both["parts"]] == list(R.names) and both["low"] is None
