"""The report: its numbers are the answers', its text is text, and it is one whole file or none."""

from __future__ import annotations

import dataclasses
import re
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from markupsafe import Markup
from output.pictures import size, year
from output.reading import Read, read
from shipped import level, level_text
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.output.report import answers as asking
from coolsim.output.report.answers import Answers, ask
from coolsim.output.report.document import report
from coolsim.output.report.pictures import PICTURES, drawn
from coolsim.simulate.requirements import AtLimit
from coolsim.support.errors import NotConverged

SCENARIOS = Path(__file__).parents[2] / "scenarios"
MEGABYTE = 1e6


@pytest.fixture(scope="module")
def night() -> Answers:
    return ask(level("monsoon-night"))


@pytest.fixture(scope="module")
def html(night: Answers) -> str:
    return report(night, "0.0")


@pytest.fixture(scope="module")
def page(html: str) -> Read:
    return read(html)


def run(*words: Any) -> Any:
    return CliRunner().invoke(app, ["report", *map(str, words)])


def mill(folder: Path, **replaced: str) -> Path:
    """humid-delta without what asks for settings: predicted in a moment."""
    text = level_text("humid-delta").split("[limits]")[0]
    for key, value in replaced.items():
        text = re.sub(rf"(?m)^{key} = .*$", lambda _, k=key, v=value: f"{k} = {v}", text)
    path = folder / "mill.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_exit_is_the_prediction(page: Read) -> None:
    result = coolsim.predict(level("monsoon-night"), band=True)
    moisture, _, between = page.row("exit", "exit moisture")
    low, high = (100 * float(end) for end in result.input_band.moisture_wb)
    assert moisture == f"{100 * result.pellets_out.moisture_wb:.2f} %"
    assert between == f"{low:.2f} – {high:.2f} %"
    temperature, solved, _ = page.row("exit", "exit temperature")
    assert temperature == f"{result.pellets_out.temperature:.1f} °C"
    # a bound that is rounded up is no less than the estimate
    assert float(solved.split()[1]) >= float(result.accuracy.temperature_error)
    assert page.row("why", "pressure drop, clean bed") == [f"{result.bed.pressure_drop:.0f} Pa"]


def test_the_question_and_whether_its_wishes_are_met(page: Read, html: str) -> None:
    """Wishes and limits as the scenario has them: 11.5 %, 7 K; the exit meets them, its band not all."""
    case = level("monsoon-night")
    result = coolsim.predict(case, band=True)
    asked = html.partition("<h1>")[2].partition("<section")[0]
    air, feed = case.air, case.feed
    for words in (
        f"arrive at {feed.temperature:.1f} °C with {100 * feed.moisture:.2f} % moisture",
        f"The air outside has {air.temperature:.1f} °C and {100 * air.relative_humidity:.0f} % relative humidity",
    ):
        assert words in asked
    wishes, keep = case.target, case.limits
    assert float(result.pellets_out.moisture_wb) <= wishes.moisture < float(result.input_band.moisture_wb[1])
    (moisture, bound, verdict) = (f"{100 * result.pellets_out.moisture_wb:.2f} %", "≤ 11.5 %", "met, chance ")
    shown = page.row("exit", "moisture")
    assert shown[:2] == [bound, moisture] and shown[2].startswith(verdict)
    above = float(result.pellets_out.temperature) - air.temperature
    assert page.row("exit", "above the air outside")[2].startswith("met" if above <= 7.0 else "not met")
    lift = page.row("exit", "air speed, share of lifting speed")
    bound, value = f"≤ {100 * keep.maximum_lift_off:.4g} %", f"{100 * result.bed.lift_off:.0f} %"
    assert lift == [bound, value, "met, chance over 99 %"]
    assert float(result.bed.lift_off) <= keep.maximum_lift_off


def test_what_does_not_balance_is_told(page: Read) -> None:
    """Of a solution to rounding it is nothing; the number printed is the result's."""
    result = coolsim.predict(level("monsoon-night"), band=True)
    (water,) = page.row("why", "water, of the water entering")
    assert water == f"{100 * abs(float(result.accuracy.water_imbalance)):.1g} %"


@pytest.mark.thorough
def test_a_size_and_a_year_stand_in_sections_of_their_own(night: Answers) -> None:
    both = dataclasses.replace(night, size=size(), seasons=year())
    page = read(report(both, "0.0"))
    assert page.row("answer", "floor area")[0] == f"{size().floor_area:.2f} m²"
    within = [f"{strategy.total.within:.0f}" for strategy in year().strategies]
    of_year = read(report(dataclasses.replace(night, seasons=year()), "0.0"))
    assert of_year.row("answer", "within target and limits") == within
    assert page.tags.count("svg") == 7 + 4  # drawn, curve of floors, strategies, calendar
    assert both.met == (night.advice is not None and night.advice.answer.met)
    assert not dataclasses.replace(both, size=dataclasses.replace(size(), met=False)).met


def test_words_of_a_picture_tell_where_its_curves_run(night: Answers, html: str) -> None:
    p = night.result.profile
    ends = (p.pellet_temperature[0], p.pellet_temperature[-1], p.air_temperature[-1], p.air_temperature[0])
    assert "Pellets from {:.0f} °C to {:.0f} °C; air from {:.0f} °C to {:.0f} °C.".format(*ends) in html
    M = 100 * night.map.moisture_wb
    assert f"between {M.min():.1f} and {M.max():.1f} %" in html
    assert "metadata" not in html


def test_the_mark_on_the_map_is_the_advice(night: Answers) -> None:
    (picture,) = (p for p in PICTURES if p.name == "map")
    axis = picture.draw(night, "si")
    answer = night.advice.answer
    for gid, settings in (("today", answer.now_settings), ("to set", answer.settings)):
        (mark,) = (line for line in axis.lines if line.get_gid() == gid)
        assert np.allclose(mark.get_xydata(), [[13.3, 3600 * settings.airflow]], rtol=1e-4)  # feed at 13.3 %
        assert not mark.get_clip_on()  # whole, though it may stand on an edge
    assert {d.name for d in drawn(night, "si")} == {"levers", "map", "bed", "pellet", "air", "fan", "balance"}


def test_settings_are_those_found(page: Read, night: Answers) -> None:
    assert night.advice is not None
    settings = night.advice.answer.settings
    today = night.advice.answer.now_settings  # which stands before them
    for k, s in enumerate((today, settings)):
        assert page.row("answer", "fan speed")[k] == f"{100 * s.fan_speed:.1f} %"
        assert page.row("answer", "airflow")[k] == f"{3600 * s.airflow:.0f} m³/h"
        assert page.row("answer", "time in the bed")[k] == f"{s.residence_time / 60:.1f} min"


def test_it_says_what_was_given_and_whence_it_comes(page: Read, html: str, night: Answers) -> None:
    assert page.row("inputs", "feed.throughput") == [
        "2000 kg/h (typed 2 t/h)"
    ]  # 2 t/h as the scenario has it
    section = html.partition('<section id="material">')[2].partition("</section>")[0]
    known = len(re.findall(r"<p>(?:source|assumed): ", section))
    assert known == len(night.case.material.provenance) + ("at_moisture" in section)
    assert "can start a fire" not in html  # nothing is hot enough in a cooler
    for word in ("explodes", "lock out", "local codes"):
        assert word in html.partition('<section id="cautions">')[2]
    for name in ("sizing", "weather"):
        assert f"the scenario lacks [{name}]" in html


def test_pictures_are_named_and_their_text_is_text(page: Read, html: str) -> None:
    pictures = re.findall(r"<svg [^>]*>.*?</svg>", html, re.DOTALL)
    assert len(pictures) == 7  # levers, map, bed, pellet, air, fan, balance: it has limits and a fan
    for svg in pictures:
        assert 'role="img"' in svg and re.search(r"<title [^>]+>[^<]+</title><desc [^>]+>[^<]+</desc>", svg)
    assert {"airflow [m³/h]", "feed moisture [%]"} <= {text.strip() for text in page.svg_texts}


def test_one_file_without_script_or_network(page: Read, html: str) -> None:
    assert not {"script", "iframe", "img", "image"} & set(page.tags)
    assert all(p.startswith(("#", "data:")) for p in page.pointers)
    assert len(page.ids) == len(set(page.ids))
    referred = {p[1:] for p in page.pointers if p.startswith("#")} | set(re.findall(r"url\(#([^)]*)\)", html))
    assert referred and referred <= set(page.ids)
    assert len(html.encode()) < 3 * MEGABYTE


def test_the_same_bytes_again(night: Answers, html: str) -> None:
    assert report(night, "0.0") == html


def test_a_title_with_markup_is_text_and_units_are_customary(tmp_path: Path) -> None:
    title = "<script>alert('x')</script> & <b>bold</b>"
    out, path = tmp_path / "r.html", mill(tmp_path, title=f'"{title}"')
    assert run(path, "-o", out, "--units", "us").exit_code == 0
    page = read(out.read_text(encoding="utf-8"))
    assert page.headings == [title]
    assert "script" not in page.tags
    result = coolsim.predict(coolsim.load(path))
    shown = page.row("exit", "exit temperature")[0]
    assert shown == f"{1.8 * result.pellets_out.temperature + 32:.1f} °F"


def test_what_did_not_converge_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise NotConverged("the search stood still", best=None)

    monkeypatch.setattr(asking, "predict", fails)
    out = tmp_path / "r.html"
    done = run(mill(tmp_path), "-o", out)
    assert done.exit_code == 4
    assert "the search stood still" in done.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mill.toml"]


@pytest.mark.parametrize("name", ["", "nowhere/r.html"])
def test_a_place_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    def never(*_: Any) -> None:
        pytest.fail("asked before the place was looked at")

    monkeypatch.setattr(asking, "ask", never)
    done = run(mill(tmp_path), "-o", tmp_path / name)
    assert done.exit_code == 2
    assert "-o" in done.output


def test_out_of_reach_is_told(night: Answers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of an answer whose verdict is turned by hand: no search."""
    missed = dataclasses.replace(night.advice.answer, met=False, broken=(AtLimit("moisture", 0.12),))
    answers = dataclasses.replace(night, advice=dataclasses.replace(night.advice, answer=missed))
    monkeypatch.setattr(asking, "ask", lambda *_: answers)
    out = tmp_path / "r.html"
    assert run(mill(tmp_path), "-o", out).exit_code == 3
    assert "Out of reach" in out.read_text(encoding="utf-8")


@pytest.mark.thorough
def test_out_of_reach_is_written_and_told(tmp_path: Path) -> None:
    out = tmp_path / "r.html"
    done = run(SCENARIOS / "humid-delta-wet.toml", "-o", out, "--set", "feed.moisture=18 %")
    assert done.exit_code == 3
    assert "Out of reach" in out.read_text(encoding="utf-8")


def test_a_dryer_has_pictures_of_its_own_and_none_of_a_cooler() -> None:
    case = level("evening-batch")
    case = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, duration=120.0))
    result = coolsim.predict(case)
    text = report(Answers(case, result), "0.0")
    page = read(text)
    assert page.tags.count("svg") == 3  # its course, layer by layer, and what is between its pellets
    assert "can start a fire" in text  # the caution of hot air
    assert (
        "Layer by layer" in text
        and "Between pellets" in text
        and "Through the bed, as the scenario stands" not in text
    )
    (shown,) = page.row("why", "heat per water lost")
    assert np.isclose(float(shown.split()[0]), result.energy.heat_per_water / 1e6, atol=5e-3)
    # 2 min of drying and 5 of cooling
    assert page.row("why", "7.0 min")[-1] == f"{result.history.temperature[-1]:.1f} °C"


@pytest.mark.thorough
def test_a_line_shows_each_of_its_machines() -> None:
    case = level("dryer-then-cooler")
    answers = ask(case)
    text = report(answers, "0.0")
    page = read(text)
    dryer, cooler = answers.result.stages
    moistures = [f"{100 * float(run.result.pellets_out.moisture_wb):.2f} %" for run in (dryer, cooler)]
    assert page.row("exit", "moisture out") == moistures
    for picture in ("dryer: Along the belt", "dryer: Layer by layer", "cooler: Inside a pellet",
                    "cooler: The fan and what it works against"):  # fmt: skip
        assert picture in text
    assert "dryer: Inside a pellet" not in text
    assert (
        len(page.ids) == len(set(page.ids)) and page.tags.count("svg") == 2 + 3 + 5
    )  # levers and map; of the dryer; of the cooler
    assert "can start a fire" in text
    assert "dryer: Pellets" in text and "cooler: Fan" in text  # all numbers, machine by machine


@pytest.mark.thorough
def test_the_file_of_a_size_that_was_asked_for_beside_is_the_same(tmp_path: Path) -> None:
    """Pictures are drawn before the size is known, which another process looks for: no difference is seen.

    Of an even bed in two weathers: a third of the time.
    """
    scenario, text = tmp_path / "buyer.toml", level_text("cooler-to-buy")
    scenario.write_text(text[: text.rindex("[[sizing.weather]]")], encoding="utf-8")
    outcome = run(scenario, "-o", tmp_path / "beside.html")
    assert outcome.exit_code == 0, outcome.output
    found = (tmp_path / "beside.html").read_text(encoding="utf-8")
    assert found == report(ask(coolsim.load(scenario)), coolsim.__version__)


def test_pictures_that_are_drawn_are_not_drawn_again(night: Answers) -> None:
    (bed,) = (picture for picture in drawn(night, "si") if picture.name == "bed")
    other = dataclasses.replace(bed, svg=Markup("<svg><title>drawn before</title></svg>"))
    assert "drawn before" in report(night, "0.0", already={"bed": other})


def test_each_note_stands_once(night: Answers, html: str) -> None:
    """Of the advice and of how it stands: the same words with other numbers count as the same."""
    assert night.advice is not None
    notes = [w.text for w in (*night.advice.answer.result.warnings, *night.result.warnings)]
    assert len(notes) > len(set(notes)) > 3
    told = [unescape(text) for text in re.findall(r"<p[^>]*>(.*?)</p>", html, re.DOTALL)]

    def without_numbers(text: str) -> str:
        return re.sub(r"\d+", "", text)

    for words in {without_numbers(text) for text in notes}:
        assert sum(words in without_numbers(text) for text in told) == 1, words


def test_the_verdict_comes_first_and_says_when_the_advice_is_a_coin_toss(night: Answers, html: str) -> None:
    assert night.advice is not None and night.chance is not None
    chance = night.advice.answer.chance
    assert chance is not None and chance < 0.8 <= night.chance  # of this night: a coin toss; today is surer
    first = html.partition('<section id="answer">')[2].partition("<nav")[0]
    assert "<strong>Likely enough to bag</strong>" in first
    assert "<h2>The cheapest settings, not likely enough to rely on</h2>" in first
    # before anybody sets anything
    assert first.index("Not likely enough to rely on:") < first.index("<table")
    assert f"with a chance of {int(100 * chance + 1e-9)} %: not likely enough" in first
    assert '<div class="unsure">' in first  # what to set is not bold
    sure = dataclasses.replace(night.advice.answer, chance=0.9)
    other = dataclasses.replace(night, advice=dataclasses.replace(night.advice, answer=sure))
    assert '<div class="sure">' in report(other, "0.0")


def test_sections_are_in_the_order_of_the_question(html: str) -> None:
    order = ("answer", "levers", "settings", "exit", "notes", "why", "inputs", "material", "cautions")
    places = [html.index(f'<section id="{name}">') for name in order]
    assert places == sorted(places)
    contents = html.partition("<nav")[2].partition("</nav>")[0]
    assert re.findall(r'href="#([a-z]+)"', contents)[:4] == ["levers", "settings", "exit", "notes"]


@pytest.mark.thorough
def test_a_buyer_is_told_first_what_to_buy() -> None:
    """And not what to set on a cooler that nobody owns."""
    answers = ask(coolsim.load(SCENARIOS / "cooler-to-buy.toml"))
    assert answers.advice is None and answers.size is not None and answers.size.fan is not None
    html = report(answers, "0.0")
    first = html.partition('<section id="answer">')[2].partition("<nav")[0]
    floor, motor = answers.size.floor_area, answers.size.fan.motor
    assert f"<strong>{floor:.2f} m², {motor / 1e3:g} kW: not likely enough yet</strong>" in first
    assert 'id="drawn-title"' in first and "likely enough" in first
    assert html.index("What to buy") < html.index("The first guess")
