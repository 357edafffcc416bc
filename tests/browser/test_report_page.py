"""The report in a real browser, without a window: what a person would see, and what a printer would.

Debian's chromium and chromium-driver. Where they are missing these tests are skipped, unless COOLSIM_BROWSER is
"required": then they fail. Accessibility is judged by axe-core (rules of WCAG 2 A and AA), not by us.
"""

from __future__ import annotations

import base64
import dataclasses
import io
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from browser.browsers import faults_of_axe, show
from pypdf import PdfReader
from shipped import SCENARIOS, level_text, levelled

import coolsim
from coolsim.case.case import Case, Line, WeatherFile
from coolsim.output.report.answers import Answers, ask
from coolsim.output.report.document import report
from coolsim.scenario.weather import read_weather

WIDTHS = (360, 768, 1280)  # a telephone, a tablet, a desk
A4 = {"paperWidth": 210 / 25.4, "paperHeight": 297 / 25.4}
# A short year is enough for tables as wide as those of a long one: eight bands of humidity.
YEAR = '\n[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of everything: exit, settings and a year with its chart, in a long title with markup."""
    folder = tmp_path_factory.mktemp("report")
    hours = [(h, 22 + 5 * (h % 24 > 8) + h // 9, 40 + (37 * h) % 56) for h in range(72)]
    lines = [f"2023-02-{1 + h // 24:02d}T{h % 24:02d}:00,{T},{RH}" for h, T, RH in hours]
    (folder / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *lines]))
    text = level_text("humid-delta").split("\n")
    text = ['title = "<b>Feed</b> & a_name_without_any_place_to_break_it_in_two_or_in_three"' if
            line.startswith("title") else line for line in text]  # fmt: skip
    (folder / "mill.toml").write_text("\n".join(text) + YEAR, encoding="utf-8")
    path = folder / "report.html"
    path.write_text(report(ask(coolsim.load(folder / "mill.toml")), "0.0"), encoding="utf-8")
    return path


def squeezed(text: str) -> str:
    """The text without spaces, ligatures as letters: how a line is spaced and set is the printer's."""
    return "".join(unicodedata.normalize("NFKC", text).split())


@pytest.mark.thorough
@pytest.mark.parametrize("width", WIDTHS)
def test_no_sideways_scrolling_and_no_error(browser: Any, file: Path, width: int) -> None:
    show(browser, file, width)
    inner, wide = browser.execute_script(
        "return [document.documentElement.clientWidth, document.documentElement.scrollWidth]"
    )
    assert width - 20 <= inner <= width  # the width that was asked for, less a scroll bar
    assert wide <= inner
    assert [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []


def test_nothing_needs_sideways_scrolling_on_a_telephone(browser: Any, file: Path) -> None:
    """Tables with many columns become a list of what stands in each row, with the titles before the cells."""
    show(browser, file, WIDTHS[0])
    cut = browser.execute_script(
        "return [...document.querySelectorAll('.wide, figure')].filter(r => r.scrollWidth > r.clientWidth + 1)"
        ".map(r => r.getAttribute('aria-label'))"
    )
    assert cut == []
    told = browser.execute_script(
        "return [...document.querySelectorAll('#exit .many td[data-title]')].map("
        "c => getComputedStyle(c, '::before').content)"
    )
    assert '"solved to: "' in told


def test_the_answer_stands_on_the_first_screen(browser: Any, file: Path) -> None:
    """Of a desk (1280 × 900): the verdict, and what answers the question, with its title."""
    show(browser, file, 1280)
    verdict, title, bottom = browser.execute_script(
        "const box = q => document.querySelector(q).getBoundingClientRect();"
        "return [box('.verdict').top, box('#answer h2').top, box('#answer table tr:nth-child(4)').bottom]"
    )
    assert 0 < verdict < title < bottom < 900


def test_every_picture_has_words_and_is_seen(browser: Any, file: Path) -> None:
    show(browser, file, 1280)
    pictures = browser.execute_script(
        "return [...document.querySelectorAll('svg, img, canvas')].map(p => {"
        " const ids = (p.getAttribute('aria-labelledby') || '').split(' ');"
        " const named = ids.map(id => document.getElementById(id));"
        " const box = p.getBoundingClientRect();"
        " return [p.getAttribute('role'), named.map(n => n && n.textContent), box.width, box.height] })"
    )
    assert len(pictures) >= 5
    for role, words, width, height in pictures:
        assert role == "img"
        assert len(words) == 2 and all(words)
        assert width > 300 and height > 200


@pytest.mark.parametrize(("width", "scheme"), [*((width, "light") for width in WIDTHS), (1280, "dark")])
def test_axe_finds_nothing(browser: Any, file: Path, width: int, scheme: str) -> None:
    """WCAG 2 A and AA; contrast (4.5:1 of text) must have been measured, not passed over."""
    prefers = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", prefers)
    show(browser, file, width)
    dark = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert (dark == "rgb(27, 25, 28)") == (scheme == "dark")
    faults, measured = faults_of_axe(browser)
    assert faults == []
    assert measured > 50


def test_printed_tables_are_whole(browser: Any, file: Path) -> None:
    """Every table's rows stand on one page, but for the long list of inputs, whose rows are not split."""
    show(browser, file, 1280)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": False, **A4})
    pages = PdfReader(io.BytesIO(base64.b64decode(printed["data"]))).pages
    assert all(float(p.mediabox.width) == pytest.approx(595.3, abs=1) for p in pages)  # A4
    texts = [squeezed(page.extract_text()) for page in pages]
    tables = browser.execute_script(
        "return [...document.querySelectorAll('table')].map(t => [!!t.closest('#inputs'),"
        " [...t.rows].map(r => [...r.cells].map(c => c.innerText).join(' '))])"
    )
    assert len(tables) > 10
    for long, typed in tables:
        rows = [squeezed(row) for row in typed]
        for row in rows:
            assert any(row in text for text in texts), row
        if not long:
            assert any(all(row in text for row in rows) for text in texts), typed[0]


def test_printed_on_six_pages_with_numbers(browser: Any, file: Path) -> None:
    show(browser, file, 1280)
    printed_well(browser)


def printed_well(browser: Any) -> None:
    """No page is empty but for the last, and no heading stands at the foot of one, apart from what it heads."""
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})
    pages = [p.extract_text() for p in PdfReader(io.BytesIO(base64.b64decode(printed["data"]))).pages]
    assert len(pages) <= 6
    headings = browser.execute_script("return [...document.querySelectorAll('h2, h3')].map(h => h.innerText)")
    for number, text in enumerate(pages, 1):
        assert squeezed(f"{number} / {len(pages)}") in squeezed(text)
        lines = [line for line in map(squeezed, text.splitlines()) if line and "/" not in line]
        assert len(lines) > 10 or number == len(pages)
        assert lines[-1] not in map(squeezed, headings)


# Every kind of machine and question, as they are shipped. A cooler is in the tests above, and a batch in its year.
ASKED = {
    "belt": "belt-four-zones",
    "line": "dryer-then-cooler",
    "shift": "farm-line",
    "a cooler to buy": "cooler-to-buy",
    "a batch to buy": "batch-to-buy",
    "a belt to buy": "belt-to-buy",
    "a year of a cooler": "monsoon-year",
    "a year of a batch": "batch-year",
}


def answered(case: Case) -> Answers:
    """How it stands, as shipped; all else of an even bed, dryers to buy of one weather, years of some days.

    What is judged is how tables and pictures lie, not their numbers, and it saves minutes.
    """
    if isinstance(case.cooler, Line):
        return ask(case)
    even = levelled(case)
    if even.cooler.arrangement != "counter-flow":
        one = dataclasses.replace(even.sizing, weather=even.sizing.weather[:1])
        even = dataclasses.replace(even, sizing=one)
    answers = ask(dataclasses.replace(even, weather=WeatherFile()))
    answers = dataclasses.replace(answers, case=case, result=coolsim.predict(case, band=True))
    if not even.weather:
        return answers
    weather = read_weather(even)
    day, hour = (weather.time.astype(f"datetime64[{unit}]").astype(int) for unit in "Dh")
    year = coolsim.seasons(even, weather=weather.rows((day % 30 == 3) & (hour % 6 == 0)))
    unasked = tuple(why for why in answers.unasked if not why.startswith("A year"))
    return dataclasses.replace(answers, seasons=year, unasked=unasked)


@pytest.mark.thorough
@pytest.mark.parametrize("name", ASKED)
def test_every_kind_of_report_fits_paper_and_telephone(browser: Any, tmp_path: Path, name: str) -> None:
    """Six pages at the most without a broken heading; 360 pixels wide nothing is cut, nor to be moved sideways."""
    path, case = tmp_path / "report.html", coolsim.load(SCENARIOS / f"{ASKED[name]}.toml")
    path.write_text(report(answered(case), "0.0"), encoding="utf-8")
    show(browser, path, 1280)
    printed_well(browser)
    show(browser, path, WIDTHS[0])
    inner, wide, cut = browser.execute_script(
        "return [document.documentElement.clientWidth, document.documentElement.scrollWidth,"
        " [...document.querySelectorAll('.wide, figure')].filter(r => r.scrollWidth > r.clientWidth + 1)"
        ".map(r => r.getAttribute('aria-label'))]"
    )
    assert wide <= inner and cut == []
