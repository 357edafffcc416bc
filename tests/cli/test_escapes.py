"""Names that people and files bring along are shown, never obeyed: by a terminal (ECMA-48, UAX #9), by a table.

A cell that begins with = + - @ is a formula to a spreadsheet (OWASP, CSV injection); a number is none.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.test_files import MATERIAL
from weather.files import epw, epw_row

from coolsim.case.result import Result
from coolsim.output import json as as_json
from coolsim.output import material_file, tables
from coolsim.output.page import Page
from coolsim.output.report.markup import html_page
from coolsim.scenario import loads
from coolsim.support.visible import one_line, visible

Run = Callable[..., Any]
CLEAR, TITLE, C1, OVERRIDE = "\x1b[2J", "\x1b]0;mine\x07", "\x9b31m", "\u202e"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
WEATHER = '\n[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
HOURS = "".join(f"2023-07-01T{h:02d}:00,{20 + h / 4},70\n" for h in range(24))


def nothing_obeyed(*texts: str) -> None:
    for text in texts:
        assert not OBEYED.search(text), ascii(OBEYED.findall(text))


@pytest.mark.parametrize("text", [CLEAR, TITLE, C1, OVERRIDE, "\x00", "\x7f", "\r", "\u2066", "\udcff"])
def test_what_is_obeyed_is_escaped(text: str) -> None:
    shown = visible(f"pig{text}feed")
    nothing_obeyed(shown)
    assert shown.startswith("pig\\") and shown.endswith("feed") and shown.encode("utf-8")
    assert visible(shown) == shown


def test_what_is_shown_stays_as_it_is() -> None:
    text = "Mühle 飼料 зерно ½ “±” 👩‍🌾 שלום\tand\nlines"
    assert visible(text) == text and one_line(text) == text.replace("\t", "\\t").replace("\n", "\\n")


def test_a_title_given_in_python(good: str, answer: Result) -> None:
    """A scenario's title is one line of what can be printed; one given in Python may be anything."""
    title = f"A mill{CLEAR}{TITLE}{C1}{OVERRIDE}"
    case = dataclasses.replace(loads(good), title=title)
    for page in (Page(80), Page(30, encoding="ascii"), html_page("si")):
        text = tables.predicted(case, answer, page)
        nothing_obeyed(text)
        assert page.width == 30 or r"A mill\x1b[2J" in text
    text = as_json.text(as_json.document(case, answer, "mill.toml", "1"))
    nothing_obeyed(text)
    assert json.loads(text)["title"] == title


def test_the_description_of_a_material(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(
        f"description = {json.dumps(f'Feed{CLEAR}{C1}{OVERRIDE}')}\n" + MATERIAL, encoding="utf-8"
    )
    done = run("materials", str(path))
    assert done.status == 0 and r"Feed\x1b[2J\x9b31m\u202e" in done.out
    nothing_obeyed(done.out)


def test_the_place_of_a_weather_file(run: Run, scenario: Path, good: str) -> None:
    rows = [epw_row((2023, 7, 1, h, 0), 25.0, 15.0, 54.0, 101325.0) for h in range(1, 25)]
    weather = epw(rows, last=" 7/ 1").replace("Rivertown", f"River{CLEAR}{C1}town")
    (scenario.parent / "w.epw").write_text(weather, encoding="utf-8")
    scenario.write_text(good + '[weather]\nfile = "w.epw"\n', encoding="utf-8")
    done = run("seasons", str(scenario))
    assert done.status == 0 and r"River\x1b[2J" in done.out
    nothing_obeyed(done.out)
    done = run("seasons", str(scenario), "--json", "-")
    nothing_obeyed(done.out)
    assert json.loads(done.out)["weather"]["place"].startswith(f"River{CLEAR}{C1}town")


def test_names_of_files_in_messages(run: Run, tmp_path: Path) -> None:
    done = run("check", str(tmp_path / f"a{CLEAR}{C1}\n.toml"))
    assert done.status == 2 and done.err.count("\n") == 1 and r"a\x1b[2J\x9b31m\n.toml" in done.err
    nothing_obeyed(done.err)
    done = run("new", str(tmp_path / f"a{CLEAR}.toml"))
    assert done.status == 0 and r"a\x1b[2J.toml" in done.out
    nothing_obeyed(done.out)
    done = run("predict", str(tmp_path / f"a{CLEAR}.toml"), "--json", str(tmp_path / f"{TITLE}" / "x.json"))
    assert done.status == 2
    nothing_obeyed(done.err)


def test_columns_and_places_of_weather(run: Run, scenario: Path, good: str) -> None:
    weather = scenario.parent / "w.csv"
    scenario.write_text(good + WEATHER, encoding="utf-8")
    weather.write_text(f"time,temperature,relative_humidity,{CLEAR}dew{C1}\n" + HOURS, encoding="utf-8")
    done = run("seasons", str(scenario))
    nothing_obeyed(done.out, done.err)
    weather.write_text(f"time,temperature{CLEAR},relative_humidity\n" + HOURS, encoding="utf-8")
    done = run("seasons", str(scenario))
    assert done.status == 2
    nothing_obeyed(done.out, done.err)
    weather.write_text("time,temperature,relative_humidity\n" + HOURS.replace("70", f"7{CLEAR}0"))
    done = run("seasons", str(scenario))
    assert done.status == 2
    nothing_obeyed(done.out, done.err)


def test_columns_of_trials(run: Run, scenario: Path) -> None:
    trials = scenario.parent / "t.csv"
    trials.write_text(f"measured.moisture [%],{CLEAR}{OVERRIDE}\n12,1\n", encoding="utf-8")
    done = run("fit", str(scenario), "--trials", str(trials))
    assert done.status == 2
    nothing_obeyed(done.out, done.err)


@pytest.mark.parametrize("name", ["=cmd()", "+1+1", "-2+3", "@SUM(A1)"])
def test_no_cell_is_a_formula(
    run: Run, scenario: Path, good: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(scenario.parent)
    Path(f"{name}.toml").write_text(good + WEATHER, encoding="utf-8")
    cold = HOURS.replace("T00:00,20.0", "T00:00,-2.5")
    Path("w.csv").write_text("time,temperature,relative_humidity\n" + cold)
    done = run("seasons", "--csv", "hours.csv", "--", f"{name}.toml")
    assert done.status == 0, done.err
    rows = list(csv.DictReader(io.StringIO(Path("hours.csv").read_text())))
    assert rows[0]["scenario"] == f"'{name}.toml" and rows[0]["temperature [degC]"] == "-2.50"
    for row in rows:
        for cell in row.values():
            assert cell[:1] not in "=+-@" or not cell or float(cell) < 0


@pytest.mark.parametrize("name", [f"t{CLEAR}\n[feed]\n.csv", "t\udcff.csv", '"""', f"{C1}\x7f"])
def test_the_name_of_trials_in_the_material_they_give(name: str) -> None:
    """It stands there as text, on one line, that TOML reads."""
    written = f"description = {material_file._text(name)}"
    nothing_obeyed(tomllib.loads(written)["description"], written)
    assert "\n" not in written
