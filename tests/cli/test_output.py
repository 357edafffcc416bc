"""Tables for people at every width, and JSON whose names come from the fields."""

import dataclasses
import json
import math
import re

import pytest

from coolsim.case.result import Result
from coolsim.output import json as as_json
from coolsim.output import tables
from coolsim.output.page import Page
from coolsim.scenario import loads


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("units", ["si", "us"])
def test_fits_the_page(good: str, answer: Result, width: int, encoding: str, units: str) -> None:
    text = tables.predicted(loads(good), answer, Page(width, encoding=encoding, units=units))
    assert max(map(len, text.splitlines())) <= width
    text.encode(encoding)
    assert "?" not in text and "\x1b" not in text
    words = " ".join(text.split())
    for label in ("temperature once evened out", "wet bulb", "time in the bed", "pressure drop, clean bed"):
        assert label in words or width == 40
    for label in ("exit moisture", "exit temperature", "solved to", "your inputs leave open"):
        assert label in words


def test_answer_on_top_at_40_columns(good: str, answer: Result) -> None:
    lines = tables.predicted(loads(good), answer, Page(40)).splitlines()
    assert " ".join(lines[2:4]).startswith("exit moisture: value 12.75 %, solved to ± 0.008 points")


def test_units_us(good: str, answer: Result) -> None:
    text = tables.predicted(loads(good), answer, Page(80, units="us"))
    # 38.25 °C = 100.85 °F; 0.3291 kg/s × 3600 / 0.45359237 = 2612 lb/h; 1100 Pa / 249.08891 = 4.4 inH2O;
    # 0.8333 m/s × 60 / 0.3048 = 164 ft/min; 0.8 m = 31.5 in; 0.0534 × 7000 = 373.8 grain/lb; 6 K = 10.8 °F
    for number in (
        "100.8 °F",
        "2612 lb/h",
        "4.4 inH2O",
        "164 ft/min",
        "31.5 in",
        "373.8 grain/lb",
        "10.8 °F",
    ):
        assert number in text
    assert "°C" not in text.split("danger:")[0]


def test_target_says_what_is_met_and_by_how_much_not(good: str, answer: Result) -> None:
    def verdicts(target: str) -> list[str]:
        case = loads(good[: good.index("[target]")] + f"[target]\n{target}\n")
        text = tables.predicted(case, answer, Page(100))
        block = next(block for block in text.split("\n\n") if block.startswith("target"))
        return [line.split("  ")[-1].strip() for line in block.splitlines()[1:]]

    assert verdicts('moisture = "12 %"') == ["not met: 0.75 points wetter"]
    assert verdicts('moisture = "12.9 %"') == ["met, but not for all that your inputs leave open"]
    assert verdicts('moisture = "13.5 %"') == ["met"]
    # by how far the bound is missed: 13.5 − 0.5 − 12.75
    assert verdicts('moisture = "13.5 %"\ntolerance = "0.5 %"') == ["not met: 0.25 points drier"]
    assert verdicts('moisture = "12.7 %"\ntolerance = "0.6 %"') == ["met"]
    assert verdicts('maximum_above_ambient = "6 K"') == ["not met"]  # 38.25 − 31 = 7.25
    assert verdicts('maximum_above_ambient = "8 K"') == ["met, but not for all that your inputs leave open"]
    assert verdicts("maximum_water_activity = 0.6") == ["not met"]
    assert verdicts("maximum_water_activity = 0.65") == ["met"]


def test_warnings_stand_in_order_of_gravity_and_with_words(good: str, answer: Result) -> None:
    lines = tables.predicted(loads(good), answer, Page(120)).splitlines()
    levels = [line.split(":")[0] for line in lines if line.split(":")[0] in tables.LEVELS]
    assert levels == ["danger", "check", "note"]


def test_a_danger_stands_right_below_the_answer(good: str, answer: Result) -> None:
    blocks = tables.predicted(loads(good), answer, Page(120)).split("\n\n")
    assert blocks[1].lstrip().startswith("value") and blocks[2].startswith("danger: ")
    assert "danger" not in "".join(blocks[3:])


def test_limits_say_what_is_kept(good: str, answer: Result) -> None:
    limits = (
        '[limits]\nmaximum_lift_off = "50 %"\nmaximum_bed_pressure_drop = "1200 Pa"\n'
        'maximum_exhaust_relative_humidity = "37 %"\nairflow = ["1 m3/h", "2 m3/h"]\n'
    )
    text = tables.predicted(loads(good + limits), answer, Page(100))
    block = next(block for block in text.split("\n\n") if block.startswith("limits"))
    rows = [re.split(r"\s{2,}", line) for line in block.splitlines()[1:]]
    assert rows == [
        [
            "air speed, share of lifting speed",
            "≤ 50 %",
            "55 %",
            "not met",
        ],  # each with its value beside its bound
        ["humidity of the exhaust air", "≤ 37 %", "37.0 %", "met"],
        ["pressure drop", "≤ 1200 Pa", "1100 Pa", "met"],
    ]
    assert "limits" not in tables.predicted(
        loads(good + '[limits]\nairflow = ["1 m3/h", "2 m3/h"]'), answer, Page()
    )


def test_a_flash_too_small_to_show_is_not_shown(good: str, answer: Result) -> None:
    for loss, shown in ((-3e-17, False), (3e-17, False), (0.004, True)):
        feed = dataclasses.replace(answer.feed_in, flash_loss_wb=loss)
        text = tables.predicted(loads(good), dataclasses.replace(answer, feed_in=feed), Page(80))
        assert ("lost to flashing" in text) == shown


def test_colour_adds_nothing_but_colour(good: str, answer: Result) -> None:
    plain = tables.predicted(loads(good), answer, Page(80))
    coloured = tables.predicted(loads(good), answer, Page(80, colour=True))
    assert "\x1b[" in coloured
    stripped = re.sub(r"\x1b\[[0-9;]*m", "", coloured)
    assert [line.rstrip() for line in stripped.splitlines()] == plain.splitlines()


def test_without_a_band_nothing_is_claimed(good: str, answer: Result) -> None:
    text = tables.predicted(loads(good), dataclasses.replace(answer, input_band=None), Page(80))
    assert text.count("not asked") == 2


def test_a_title_with_markup_is_printed_as_it_is(good: str, answer: Result) -> None:
    case = loads(good.replace("A mill of our own", "[red]mill[/red] :smile: ☃"))
    assert tables.predicted(case, answer, Page(80)).startswith("[red]mill[/red] :smile: ☃\n")
    assert tables.predicted(case, answer, Page(80, encoding="ascii")).startswith(
        "[red]mill[/red] :smile: ?\n"
    )


# The page that scripts rely on, written out; not taken from the code.
WANTED = {
    "feed_in": {"temperature_C", "moisture_wb", "flash_loss_wb"},
    "pellets_out": {
        "temperature_C",
        "moisture_wb",
        "moisture_db",
        "surface_moisture_db",
        "water_activity",
        "mass_flow_kg_h",
    },
    "after_equalising": {"temperature_C", "water_activity"},
    "air_out": {"temperature_C", "relative_humidity", "humidity_ratio", "wet_bulb_C", "dew_point_C"},
    "bed": {
        "residence_time_s",
        "air_ratio",
        "face_velocity_m_s",
        "lift_off",
        "pressure_drop_Pa",
        "evaporation_kg_h",
    },
    "accuracy": {"water_imbalance", "energy_imbalance", "moisture_error_wb", "temperature_error_K"},
    "input_band": {"moisture_wb", "temperature_C"},
}


def test_json_has_what_scripts_rely_on(good: str, answer: Result) -> None:
    document = json.loads(as_json.text(as_json.document(loads(good), answer, "mill.toml", "1.2.3")))
    assert (document["scenario"], document["coolsim"]) == ("mill.toml", "1.2.3")
    for group, names in WANTED.items():
        assert names <= set(document[group]), group
    assert document["pellets_out"]["mass_flow_kg_h"] == pytest.approx(0.3291 * 3600, rel=1e-15)
    assert document["bed"]["evaporation_kg_h"] == pytest.approx(15.12, rel=1e-15)
    assert document["input_band"] == {"moisture_wb": [0.1228, 0.1311], "temperature_C": [37.1, 39.4]}
    assert {tuple(warning) for warning in document["warnings"]} == {("level", "text")}
    assert document["inputs"]["feed.throughput"] == "1200 kg/h"
    assert document["inputs"]["air.pressure"] == "101325 Pa"  # a default


def test_json_keeps_every_digit(good: str, answer: Result) -> None:
    exact = 0.1 + 0.2
    out = dataclasses.replace(answer.pellets_out, moisture_wb=exact)
    document = as_json.document(loads(good), dataclasses.replace(answer, pellets_out=out), "", "")
    assert json.loads(as_json.text(document))["pellets_out"]["moisture_wb"] == exact


def test_json_without_a_band_is_null(good: str, answer: Result) -> None:
    document = as_json.document(loads(good), dataclasses.replace(answer, input_band=None), "", "")
    assert document["input_band"] is None


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_json_refuses_what_is_no_number(good: str, answer: Result, bad: float) -> None:
    out = dataclasses.replace(answer.pellets_out, temperature=bad)
    with pytest.raises(ValueError, match=r"pellets_out\.temperature"):
        as_json.document(loads(good), dataclasses.replace(answer, pellets_out=out), "", "")
