"""`predict --uncertainty`: what is printed and written, and how it is refused."""

from __future__ import annotations

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
