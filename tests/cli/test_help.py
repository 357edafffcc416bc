"""`coolsim --help` as a person reads it: every command in the order in which it is met, each in one whole line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coolsim.cli import app
from coolsim.output import sizes, tables
from coolsim.output.page import Page, pretty
from coolsim.output.validation import in_degrees_of
from coolsim.scenario import load
from coolsim.simulate.prediction import predict

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def test_commands_are_listed_whole_and_in_the_order_of_use(run) -> None:
    lines = run("--help").out.partition("Commands:\n")[2].split("\n\n")[0].splitlines()
    names = [line.split()[0] for line in lines]
    assert len(names) == len(app.registered_commands) == 14
    assert names[:4] == ["new", "check", "predict", "settings"] and names[-1] == "validation"
    assert all(line.endswith(".") and "..." not in line and len(line) <= 80 for line in lines)


@pytest.mark.parametrize("name", ["humid-delta", "evening-batch"])
@pytest.mark.parametrize("units", ["si", "us"])
def test_a_percent_stands_apart_from_its_number_everywhere(name: str, units: str) -> None:
    case = load(SCENARIOS / f"{name}.toml")
    text = tables.predicted(case, predict(case), Page(200, units=units))
    assert not re.findall(r"\d%", text)


def test_units_are_printed_as_people_write_them() -> None:
    assert [pretty(unit) for unit in ("lb/ft3", "m3/t", "BTU/(h ft degF)", "inH2O/ft", "m2/s")] == [
        "lb/ft³",
        "m³/t",
        "BTU/(h ft °F)",
        "inH2O/ft",
        "m²/s",
    ]


def test_lengths_to_build_are_feet_and_inches() -> None:
    """By hand: 1.5 m are 59.06 in, 4 ft and 11.06 in; 0.874 m are 34.41 in; 3.6566 m are 143.96 in, so 12 ft."""
    us = Page(units="us")
    told = [sizes.built(metres, us) for metres in (1.5, 0.874, 3.6566)]
    assert told == ["4 ft 11 in", "2 ft 10.5 in", "12 ft 0 in"]
    assert sizes.built(1.5, Page()) == "1.50 m"


@pytest.mark.parametrize(
    ("words", "us", "si"),
    [
        ("40–90 °C", "104–194 °F", "40–90 °C"),  # 1.8 × 40 + 32 and 1.8 × 90 + 32
        ("points that pellets lose per 11 K", "points that pellets lose per 20 °F", None),  # 19.8
        ("97 to 190 °F: rise", None, "36 to 88 °C: rise"),
        ("while corn cools, per 10 °F", None, "while corn cools, per 6 K"),  # a difference: 5.6
        ("a quarter per 10 °F (5.6 K)", None, None),  # told in both already
        ("1.5–1.8 kJ/(kg K)", None, None),
    ],
)
def test_degrees_in_names_of_comparisons_are_the_readers(words: str, us: str | None, si: str | None) -> None:
    assert in_degrees_of(Page(units="us"), words) == (us or words)
    assert in_degrees_of(Page(), words) == (si or words)
