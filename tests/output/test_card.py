"""The card: one page of the right paper that says what the chart says, and what to do off it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from matplotlib import font_manager
from output.cards import NAN, mill, sheet, text_of, written_by_hand
from shipped import level
from typer.testing import CliRunner

from coolsim.case.case import Case
from coolsim.case.line_parts import Coating
from coolsim.case.quantities import QUANTITIES
from coolsim.cli import app
from coolsim.machines import Setting
from coolsim.output import card, fonts
from coolsim.output.page import Page
from coolsim.studies.fewest_settings import fewest
from coolsim.studies.years.chart_answer import Bands, Chart, Dial

SCENARIOS = Path(__file__).parents[2] / "scenarios"


POINT = 25.4 / 72  # mm


# ISO 216 A4 is 210 × 297 mm; US letter (ANSI Y14.1, size A) is 8.5 × 11 in
SIZES = {"a4": (297.0, 210.0), "letter": (11 * 25.4, 8.5 * 25.4)}


@pytest.fixture(scope="module")
def case() -> Case:
    return level("monsoon-year")  # feed at 15.2 %, target 11.5 ± 0.3 %, 7 K


@pytest.fixture(scope="module")
def chart() -> Chart:
    return written_by_hand()


@pytest.fixture(scope="module")
def drawn(case: Case, chart: Chart) -> bytes:
    """Its card: the file, on paper of size A4."""
    return card.card(case, chart, "a4", version="9.8.7")


def test_cells_say_what_the_chart_says(case: Case, chart: Chart) -> None:
    (usual, drier), (none, never) = card.cells(case, chart, Page())
    # 510 s; the fan in the half percents of its dial; feed rounded down, never up
    assert usual.lines == ("fan 72.3 %", "8.5 min, 41 cm", "feed ≤ 16.1 %")
    assert drier.lines == ("fan 55.0 %", "10.2 min, 52 cm", "feed ≤ 14.7 %")
    assert none.lines == ("fan 41.0 %", "13.0 min, 63 cm", "out of reach")
    assert never.lines == ()


def test_cells_out_of_reach_stand_out_in_grey(case: Case, chart: Chart) -> None:
    (usual, drier), (none, _) = card.cells(case, chart, Page())
    greys = [int(cell.fill[1:3], 16) for cell in (usual, drier, none)]
    assert all(cell.fill[1:3] == cell.fill[3:5] == cell.fill[5:7] for cell in (usual, drier, none))
    assert greys[0] - greys[1] > 20 and greys[1] - greys[2] > 100
    assert none.ink != usual.ink


def test_without_a_fan_it_says_airflow(case: Case, chart: Chart) -> None:
    import dataclasses

    blind = dataclasses.replace(chart, fan_speed=np.full((2, 2), NAN))
    assert card.cells(case, blind, Page())[0][0].lines[0] == "2160 m³/h"  # 0.6 m³/s
    assert "airflow" in card.words(case, blind, Page())[0]


def test_wishes_of_coated_pellets_are_said_to_be_of_those(case: Case, chart: Chart) -> None:
    """By hand: (11.5 + .3) % once 4 % of oil is on are 12.272 % at the cooler, where the card has them measured."""
    oily = dataclasses.replace(case, coating=Coating(oil=0.04))
    (words,) = [text for text in card.words(oily, chart, Page()) if "do not bag" in text]
    assert "above 11.8 % moisture" in words and ", once coated (before: 12.27 %)." in words
    assert "coated" not in " ".join(card.words(case, chart, Page()))
    assert "once coated (before: 12.27 %)" in text_of(card.card(oily, chart, "a4"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_one_page_of_that_paper_with_all_its_words(
    case: Case, chart: Chart, drawn: bytes, paper: str
) -> None:
    pdf = drawn if paper == "a4" else card.card(case, chart, paper)
    box = sheet(pdf).mediabox
    assert (float(box.width) * POINT, float(box.height) * POINT) == pytest.approx(SIZES[paper], abs=0.05)
    shown = text_of(pdf)
    for words in ("Sinking fish feed", "≤ 24", "≥ 25", "≥ 70", "fan 72.3 %", "feed ≤ 14.7 %", "out of reach"):
        assert words in shown
    for words in ("Off the chart", "do not bag pellets above 11.8 %", "7 K warmer", "local codes come first"):
        assert words in shown  # 11.5 + 0.3


@pytest.mark.parametrize("paper", ["a4", pytest.param("letter", marks=pytest.mark.thorough)])
def test_nothing_runs_off_the_page_or_into_each_other(
    case: Case, chart: Chart, paper: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import dataclasses

    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    eight = np.linspace(0, 1, 9)
    full = {
        f.name: np.full((8, 8), getattr(chart, f.name)[1, 0])
        for f in dataclasses.fields(chart)
        if f.name not in ("bands", "dials") and getattr(chart, f.name) is not None
    }
    bands = Bands(temperature=-20 + 60 * eight, relative_humidity=0.2 + 0.8 * eight)
    figures: list[Figure] = []

    def kept(self: Figure, *args: Any, **more: Any) -> None:
        figures.append(self)

    monkeypatch.setattr(Figure, "savefig", kept)
    card.card(dataclasses.replace(case, title="A long title " * 12), Chart(bands=bands, **full), paper)
    assert len(figures) == 2
    for figure in figures:
        FigureCanvasAgg(
            figure
        ).draw()  # pixels: the renderer of the PDF, which words remember, counts in points
        boxes = [t.get_window_extent() for t in figure.axes[0].texts if t.get_text()]
        edge = card.MARGIN / 2 / 25.4 * figure.dpi
        page = figure.bbox
        for box in boxes:
            assert box.x0 > edge and box.y0 > edge and box.x1 < page.x1 - edge and box.y1 < page.y1 - edge
        for k, one in enumerate(boxes):
            for other in boxes[k + 1 :]:
                assert not one.padded(-1).overlaps(other.padded(-1)), (one, other)


def test_a_title_is_neither_a_formula_nor_lines(case: Case, chart: Chart) -> None:
    pdf = card.card(dataclasses.replace(case, title="Feed at $5 or $6_x\x1b[2J\nmill \udcff"), chart)
    assert "$5 or $6_x\\x1b[2J\\nmill \\xff" in text_of(pdf)


CJK = "飼料"


@pytest.fixture
def installed(tmp_path: Path) -> Iterator[Any]:
    """Installs a font of squares for some letters, made here; TrueType, as PDF holds it (ISO 32000-1, 9.6.3)."""

    def install(letters_of: str) -> None:
        pen = TTGlyphPen(None)
        for k, point in enumerate([(0, 0), (0, 800), (800, 800), (800, 0)]):
            (pen.lineTo if k else pen.moveTo)(point)
        pen.closePath()
        names = [".notdef", *(f"u{ord(letter):04X}" for letter in letters_of)]
        font = FontBuilder(1000, isTTF=True)
        font.setupGlyphOrder(names)
        font.setupCharacterMap({ord(letter): name for letter, name in zip(letters_of, names[1:])})
        font.setupGlyf(dict.fromkeys(names, pen.glyph()))
        font.setupHorizontalMetrics(dict.fromkeys(names, (900, 0)))
        font.setupHorizontalHeader(ascent=900, descent=-100)
        font.setupNameTable({"familyName": "Squares", "styleName": "Regular", "psName": "Squares"})
        font.setupOS2(sTypoAscender=900, usWinAscent=900, usWinDescent=100)
        font.setupPost()
        font.save(tmp_path / "squares.ttf")
        font_manager.fontManager.addfont(tmp_path / "squares.ttf")
        fonts.families.cache_clear()

    before = list(font_manager.fontManager.ttflist)
    fonts.families.cache_clear()
    yield install
    font_manager.fontManager.ttflist[:] = before
    font_manager.fontManager._findfont_cached.cache_clear()
    fonts.families.cache_clear()


def test_a_title_that_our_font_lacks_is_drawn_with_one_that_has_it(
    case: Case, chart: Chart, installed: Any
) -> None:
    """Matplotlib would warn of a missing glyph, which is an error here."""
    installed(CJK)
    pdf = card.card(dataclasses.replace(case, title=f"{CJK} Mühle"), chart)
    assert f"{CJK} Mühle" in text_of(pdf)
    embedded = [str(font.get_object()["/BaseFont"]) for font in sheet(pdf)["/Resources"]["/Font"].values()]
    assert any("Squares" in name for name in embedded), embedded
    assert fonts.families(CJK) == ((fonts.FONT, "Squares"), "")


def test_letters_that_no_font_has_are_found(installed: Any) -> None:
    installed(CJK[0])
    assert fonts.families(f"{CJK} mill") == ((fonts.FONT, "Squares"), CJK[1])


@pytest.mark.thorough
def test_letters_that_no_font_has_are_named(tmp_path: Path, installed: Any) -> None:
    """One of two: the other is drawn as what stands for a letter that cannot be."""
    installed(CJK[0])
    path = mill(tmp_path)
    words = ["card", str(path), "-o", str(tmp_path / "card.pdf"), "--set", f"title={CJK} mill"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert f"no font that is installed has {CJK[1]}" in done.output
    pdf = (tmp_path / "card.pdf").read_bytes()
    assert f"{CJK[0]}{fonts.NO_LETTER} mill" in text_of(pdf)


def test_the_same_bytes_again(case: Case, chart: Chart, drawn: bytes) -> None:
    assert b"CreationDate" not in drawn
    assert card.card(case, chart, "a4", version="9.8.7") == drawn


@pytest.fixture(scope="module")
def of_dryer() -> Chart:
    """Written by hand: two things to set on a batch, in two cells."""
    nothing = np.full((1, 2), NAN)
    inlet = Setting(QUANTITIES["inlet_air_temperature"], 50.0, 70.0, 0.5)
    time = Setting(QUANTITIES["duration"], 1320.0, 2280.0, 30.0)
    dials = (
        Dial(inlet, np.array([[66.5, 70.0]]), np.array([[66.5, 70.0]])),
        Dial(time, np.array([[1530.0, 2280.0]]), np.array([[1530.0, 2280.0]])),
    )
    return Chart(
        bands=Bands(temperature=np.array([18.0, 33.0]), relative_humidity=np.array([0.4, 0.7, 0.95])),
        hours=np.array([[120.0, 80.0]]),
        met=np.array([[1.0, 0.4]]),
        fan_speed=nothing,
        airflow=nothing,
        bed_depth=nothing,
        residence_time=np.array([[1530.0, 2280.0]]),
        inlet_air_temperature=np.array([[66.5, 70.0]]),
        feed_moisture=np.array([[0.24, 0.24]]),
        required_feed_moisture=np.array([[0.2519, 0.2279]]),
        dials=dials,
    )


def test_a_dryers_card_says_everything_that_is_set(of_dryer: Chart) -> None:
    case = level("batch-year")  # feed at 24 %
    ((usual, drier),) = card.cells(case, of_dryer, Page())
    assert usual.lines == ("66.5 °C", "25.5 min", "feed ≤ 25.1 %")  # 1530 s; rounded down
    assert drier.lines == ("70.0 °C", "38.0 min", "feed ≤ 22.7 %") and drier.fill != usual.fill
    shown = text_of(card.card(case, of_dryer))
    assert "In each box: inlet air, drying time; wettest feed" in shown and "local codes come first" in shown
    ((us, _),) = card.cells(case, of_dryer, Page(units="us"))
    assert us.lines[0] == "151.7 °F"  # 66.5 · 1.8 + 32


def test_no_reading_stands_in_two_bands(case: Case, chart: Chart) -> None:
    """Whole degrees and percents from far below to far above the chart: each is named once."""
    edges = [18.0, 24.0, 25.0, 27.5, 33.0]

    def named(reading: int) -> list[str]:
        ends = {band: [float(x) for x in band.strip("≤≥ ").split(" – ")] for band in card.bands(edges)}
        return [
            band
            for band, found in ends.items()
            if (reading <= found[0] if "≤" in band else reading >= found[0] if "≥" in band else
                found[0] <= reading <= found[-1])
        ]  # fmt: skip

    assert card.bands(edges) == ["≤ 23", "24", "25 – 27", "≥ 28"]
    assert all(len(named(reading)) == 1 for reading in range(10, 50))


def same_but(chart: Chart, count: int) -> Chart:
    """A chart of nine boxes, of which all but some say the same."""
    nine = {
        f.name: np.full((3, 3), getattr(chart, f.name)[0, 0])
        for f in dataclasses.fields(chart)
        if f.name not in ("bands", "dials") and getattr(chart, f.name) is not None
    }
    bands = Bands(temperature=np.array([15.0, 20, 25, 30]), relative_humidity=np.array([0.4, 0.6, 0.8, 1]))
    nine["bed_depth"][0, :count] = 0.5
    return Chart(bands=bands, **nine)


def test_one_setting_for_all_boxes_is_said_large(case: Case, chart: Chart) -> None:
    assert card.serves(card.cells(case, same_but(chart, 0), Page())) == (
        "One setting in all boxes: fan 72.3 %, 8.5 min, 41 cm"
    )
    shown = card.serves(card.cells(case, same_but(chart, 1), Page()))
    assert shown.startswith("One setting in all boxes but 1 (thick frame): fan 72.3 %")
    assert card.serves(card.cells(case, same_but(chart, 3), Page())) == ""
    assert "One setting in all boxes" in text_of(card.card(case, same_but(chart, 0)))


def test_a_card_has_a_version_and_lines_to_sign(drawn: bytes) -> None:
    shown = text_of(drawn)
    assert "coolsim 9.8.7" in shown and "date" in shown and "name" in shown


def test_as_few_settings_as_serve_everywhere() -> None:
    """By hand: the second serves three of four places, the third the last; the first, and the last's own, go."""
    serves = np.array([[1, 0, 0, 0], [1, 1, 1, 0], [0, 0, 1, 1], [0, 0, 0, 1]], bool)
    assert fewest(serves, np.ones(4)).tolist() == [1, 1, 1, 2] or fewest(serves, np.ones(4)).tolist() == [
        1,
        1,
        1,
        3,
    ]
    # of those that serve as many, those of the largest places
    assert fewest(np.array([[1, 1, 0], [0, 1, 1]], bool), np.array([1.0, 1.0, 5.0])).tolist() == [0, 1, 1]
