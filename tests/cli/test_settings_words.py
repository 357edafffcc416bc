"""What `coolsim settings` says and writes of answers written by hand: words, widths, units, JSON."""

import dataclasses
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.output import json as as_json
from coolsim.output import settings as printed
from coolsim.output import settings_json, verdicts
from coolsim.output.page import Page
from coolsim.scenario import loads
from coolsim.simulate.cautions import LEVELS
from coolsim.simulate.requirements import Constraint
from coolsim.simulate.verdicts import Verdict
from coolsim.studies.settings import advice
from coolsim.studies.settings.advice import Advice
from coolsim.studies.settings.find import AtLimit

Run = Callable[..., Any]


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("units", ["si", "us"])
@pytest.mark.parametrize("is_met", [True, False])
def test_fits_the_page(
    searched: Path, found: Advice, width: int, encoding: str, units: str, is_met: bool
) -> None:
    found = dataclasses.replace(found, answer=dataclasses.replace(found.answer, met=is_met))
    page = Page(width, encoding=encoding, units=units)
    text = printed.advised(coolsim.load(searched), found, page)
    assert max(map(len, text.splitlines())) <= width
    text.encode(encoding)
    assert "?" not in text and "\x1b" not in text
    words = " ".join(text.split())
    for label in ("fan speed", "depth of the bed", "exit moisture", "Cost in EUR", "time in the bed +1 min"):
        assert label in words
    assert ("not by this alone" in words or "not by this" in text) == (not is_met)
    lines = text.splitlines()
    assert words.index("today") < words.index("danger:")
    head = next(k for k, line in enumerate(lines) if "today" in line)
    assert ("set" in lines[head].split()) == is_met or width == 40
    assert head < next(number for number, line in enumerate(lines) if line.startswith("danger:"))


def test_units_us(searched: Path, found: Advice) -> None:
    text = printed.advised(coolsim.load(searched), found, Page(120, units="us"))
    # 0.4 m³/s / (0.3048³ / 60 m³/s) = 847.6 cfm; 0.8 m / 0.0254 = 31.50 in; 1.2 m = 47.24 in
    # 1.2 EUR/h for 1.2 t/h = 1.3228 short ton/h; 95 °C = 203 °F; 1800 m³/h = 1059.4 cfm; +0.9 K = +1.6 °F
    for number in ("848 cfm", "31.5 in", "47.2 in", "0.907", "203.0 °F", "1059 cfm", "+1.6"):
        assert number in text
    assert "air outside +1.8 °F" in text and "per short ton" in text
    lines = [line for line in text.splitlines() if not re.match("danger|check|note", line)]
    assert not re.search(r"m³/h|\bcm\b|°C", "\n".join(lines))


def test_words_of_what_stands_in_the_way(searched: Path, found: Advice) -> None:
    def said(**changes: Any) -> str:
        answer = dataclasses.replace(found.answer, **changes.pop("answer", {}))
        text = printed.advised(
            coolsim.load(searched), dataclasses.replace(found, answer=answer, **changes), Page(100)
        )
        return " ".join(text.split())

    words = said()
    assert "misses: moisture (12.75 %); above the air outside (7.2 K)" in words
    assert "At their limits: highest bed depth (120.0 cm), lowest fan speed (40.0 %)." in words
    assert "For 12 % now, bring the feed to 13.2 % or drier; it is at 14 %." in words
    assert "Heated inlet air of 70 °C (airflow 1440 m³/h) would bring the moisture" in words
    assert "leave at 52 °C, too warm." in words and "a dryer before the cooler" in words
    assert "dryer" not in said(heated=None)
    hottest = advice.Heated(110.0, 0.4, 61.0, dry_enough=False, too_warm=True)
    assert "Not even inlet air of 110 °C" in said(heated=hottest)
    allowed = advice.Heated(50.0, 0.4, 36.0, dry_enough=True, too_warm=False)
    assert "limits.inlet_air_temperature" in said(heated=allowed) and "dryer" not in said(heated=allowed)
    assert "No settings keep the limits of the machine" in said(window=None)
    assert "no feed is dry enough" in said(answer={"required_feed_moisture": math.nan})
    words = said(answer={"met": True, "hardly_matters": ("time in the bed",)})
    assert "The time in the bed hardly matters for the cost here" in words
    assert "the feed may come in at 13.2 % or drier" in words


def test_a_fan_off_its_curve_has_no_speed_and_no_cost(searched: Path, found: Advice) -> None:
    answer = dataclasses.replace(
        found.answer,
        settings=dataclasses.replace(found.answer.settings, fan_speed=math.nan),
        cost=dataclasses.replace(found.answer.cost, electricity=math.nan, total=math.nan),
        chosen=(dataclasses.replace(found.answer.chosen[0], to=math.nan), *found.answer.chosen[1:]),
        broken=(AtLimit("fan speed, highest", math.nan),),
    )
    case, found = coolsim.load(searched), dataclasses.replace(found, answer=answer)
    document = json.loads(as_json.text(settings_json.document(case, found, "", "")))
    assert document["settings"]["fan_speed"] is None and document["cost"]["electricity"] is None
    assert document["broken"] == [{"limit": "fan speed, highest", "value": None, "unit": ""}]
    text = printed.advised(case, found, Page(80))
    assert not re.search(r"\bnan\b", text) and "unknown" in text and "none gives this" in text


def test_limits_are_written_in_practical_units(searched: Path, found: Advice) -> None:
    answer = dataclasses.replace(
        found.answer, binding=(AtLimit("airflow, highest", 0.5), AtLimit("bed pressure drop", 900.0))
    )
    document = settings_json.document(
        coolsim.load(searched), dataclasses.replace(found, answer=answer), "", ""
    )
    assert document["binding"] == [
        {"limit": "airflow, highest", "value": pytest.approx(1800.0), "unit": "m3/h"},
        {"limit": "bed pressure drop", "value": 900.0, "unit": "Pa"},
    ]


@pytest.mark.parametrize(
    ("machine", "level", "words"),
    [
        ('rated_flow = "1800 m3/h"\nrated_pressure = "1900 Pa"', "note", "shape of the fan curve"),
        # a peak at 6000 m³/h: 1440 m³/h through the bed are far left of it at every speed
        (
            'curve = [["0 m3/h", "1500 Pa"], ["6000 m3/h", "2000 Pa"], ["9000 m3/h", "500 Pa"]]',
            "check",
            "where it stalls",
        ),
        (
            'curve = [["0 m3/h", "9 Pa"], ["20 m3/h", "9 Pa"], ["5000 m3/h", "8 Pa"]]',
            "note",
            "fan efficiency",
        ),
        ("", "note", "no [fan] is given"),
    ],
)
def test_the_fan_says_what_it_assumes_and_where_it_stalls(
    good: str, found: Advice, machine: str, level: str, words: str
) -> None:
    limits = '[limits]\nbed_depth = ["0.3 m", "1.2 m"]\n[costs]\nelectricity = "0.1 /kWh"\nfeed = "1 /kg"\n'
    case = loads(good + limits + (f"[fan]\n{machine}\n" if machine else ""))
    at_them = {"airflow": found.answer.settings.airflow, "bed_depth": found.answer.settings.bed_depth}
    case = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **at_them))
    answer = dataclasses.replace(found.answer, case=case, result=coolsim.predict(case))
    warnings = advice.advise(case, answer).answer.result.warnings
    assert [w.level for w in warnings if words in w.text] == [level]
    order = [LEVELS.index(w.level) for w in warnings]
    assert order == sorted(order)


def test_what_has_no_price_is_named(good: str, found: Advice) -> None:
    heated = '[limits]\ninlet_air_temperature = ["31 degC", "50 degC"]\n[costs]\nelectricity = "0.1 /kWh"\n'
    case = loads(good + heated)
    said = advice.advise(case, dataclasses.replace(found.answer, case=case)).answer.result.warnings
    texts = [w.text for w in said]
    assert any("costs.heat" in text for text in texts) and any("costs.feed" in text for text in texts)


def test_what_is_gained_is_said_in_words(searched: Path, found: Advice) -> None:
    case = coolsim.load(searched)
    kept = tuple(v for v in found.answer.verdicts if v.met)

    def said(**changes: Any) -> str:
        now = dataclasses.replace(found.answer.now, verdicts=changes.pop("verdicts", kept))
        answer = dataclasses.replace(found.answer, met=True, now=now, **changes)
        return " ".join(printed.advised(case, dataclasses.replace(found, answer=answer), Page(100)).split())

    gain = found.answer.gain
    assert "Gain: 0.300 EUR per hour, 600 EUR per year (2000 hours a year, assumed: [shift] says" in said()
    typed = dataclasses.replace(gain, hours_assumed=False)
    assert "600 EUR per year (2000 hours a year)." in said(gain=typed)
    nothing = dataclasses.replace(gain, cost_per_hour=0.0, cost_per_year=0.0)
    assert "Nothing to gain: today's settings keep everything and cost as little." in said(gain=nothing)
    # today's settings break the target: what it costs to keep it is no gain
    words = said(verdicts=found.answer.verdicts)
    assert "Today's settings do not keep: moisture, above the air outside. These do, for 0.300 EUR" in words
    assert "Gain:" not in words and "per hour less" in words
    dearer = dataclasses.replace(gain, cost_per_hour=-0.2)
    assert "for 0.200 EUR per hour more" in said(verdicts=found.answer.verdicts, gain=dearer)
    assert "Gain:" not in " ".join(printed.advised(case, found, Page(100)).split())  # of what is out of reach


def test_chances_stand_beside_each_other_and_few_are_warned_of(searched: Path, found: Advice) -> None:
    now = dataclasses.replace(found.answer.now, chance=0.3)
    answer = dataclasses.replace(found.answer, met=True, now=now, chance=0.62)
    text = printed.advised(coolsim.load(searched), dataclasses.replace(found, answer=answer), Page(100))
    (row,) = (line for line in text.splitlines() if line.startswith("chance that all is kept"))
    assert row.split()[-4:] == ["30", "%", "62", "%"]
    assert "Not likely enough to rely on: 62 % chance, where 80 % is asked for (assumed)." in " ".join(
        text.split()
    )
    likely = dataclasses.replace(answer, chance=0.85)
    assert "Not likely" not in printed.advised(
        coolsim.load(searched), dataclasses.replace(found, answer=likely), Page(100)
    )


def test_today_and_gain_are_written(searched: Path, found: Advice) -> None:
    written = json.loads(as_json.text(settings_json.document(coolsim.load(searched), found, "", "")))
    now, gain = written["now"], written["gain"]
    assert now["settings"]["fan_speed"] == 0.9 and now["settings"]["airflow_m3_h"] == pytest.approx(1800.0)
    assert now["cost"]["total"] == 1.5 and now["met"] is False and now["chance"] is None
    assert now["pellets_out"]["moisture_wb"] == 0.1275
    assert gain["hours_assumed"] is True
    assert gain == {
        "moisture_wb": -0.002,
        "temperature_K": 1.5,
        "cost_per_hour": 0.3,
        "cost_per_year": 600.0,
        "hours_per_year": 2000.0,
        "hours_assumed": True,
        "chance": None,
    }


def test_verdicts_are_written_with_value_bound_and_margin(searched: Path, found: Advice) -> None:
    """By hand, of the answer above: 12.75 against 12 %, 7.25 against 6 K, 0.611 against 0.65, 55 against 90 %."""
    written = json.loads(as_json.text(settings_json.document(coolsim.load(searched), found, "", "")))[
        "verdicts"
    ]
    rows = [(v["name"], v["value"], v["bound"], v["unit"], v["met"], v["chance"]) for v in written]
    assert rows == [
        ("moisture", 0.1275, 0.12, "", False, None),
        ("above_ambient", 7.25, 6.0, "K", False, None),
        ("water_activity", 0.611, 0.65, "", True, None),
        ("lift_off", 0.55, 0.9, "", True, None),
    ]
    assert [v["margin"] for v in written] == pytest.approx([-0.0075, -1.25, 0.039, 0.35])


def test_verdicts_of_both_sides_of_stages_and_of_tenths() -> None:
    """The lowest of a band, a temperature in °C, a stage, what nobody typed, a tenth, a chance."""
    moisture = Constraint(QUANTITIES["moisture"], 0.11, -1.0, of_target=True)
    hot = Constraint(QUANTITIES["pellet_temperature"], 90.0, place="2")
    lift = Constraint(QUANTITIES["lift_off"], 0.7, assumed=True)
    low, warm, lifted = verdicts.as_json(
        [Verdict(moisture, 0.1145, chance=0.75), Verdict(hot, 92.5, worst=95.0), Verdict(lift, math.nan)]
    )
    assert low == {"name": "lowest_moisture", "value": 0.1145, "bound": 0.11, "unit": "", "met": True,
        "margin": pytest.approx(0.0045), "chance": 0.75}  # fmt: skip
    assert warm == {"name": "pellet_temperature", "value": 92.5, "bound": 90.0, "unit": "degC", "met": False,
        "margin": pytest.approx(-2.5), "chance": None, "worst_tenth": 95.0, "stage": 2}  # fmt: skip
    assert lifted["value"] is None and lifted["margin"] is None and lifted["met"] is False
    assert lifted["assumed"] is True
