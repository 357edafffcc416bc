"""What a person reads first: a verdict by hand-made states, sizes and years."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Warning
from coolsim.output import headline
from coolsim.output.page import Page
from coolsim.simulate.requirements import Constraint
from coolsim.simulate.verdicts import Verdict

OUT: Any = SimpleNamespace(moisture_wb=0.1234, temperature=33.0)
MOISTURE = Constraint(QUANTITIES["moisture"], 0.12, of_target=True)
WARMTH = Constraint(QUANTITIES["above_ambient"], 6.0, of_target=True)
ACTIVITY = Constraint(QUANTITIES["water_activity"], 0.65, of_target=True)
SWEAT = Constraint(QUANTITIES["headspace_dew_point"], 28.0, of_target=True)
DRY = Constraint(QUANTITIES["moisture"], 0.10, -1.0, of_target=True)
LIFT = Constraint(QUANTITIES["lift_off"], 0.7)


def told(*pairs: tuple[Constraint, float], chance: float | None = None, notes: Any = ()) -> headline.Headline:
    return headline.of_state(OUT, [Verdict(c, value) for c, value in pairs], notes, chance, Page())


@pytest.mark.parametrize(
    ("pairs", "word"),
    [
        ([(MOISTURE, 0.1234), (WARMTH, 5.0)], "Too wet"),
        ([(MOISTURE, 0.11), (WARMTH, 7.0)], "Too warm"),
        ([(MOISTURE, 0.1234), (WARMTH, 7.0)], "Too wet"),  # which moulds
        ([(MOISTURE, 0.1234), (ACTIVITY, 0.7)], "Do not bag"),
        ([(LIFT, 0.9)], "Over a limit"),
        ([(SWEAT, 31.0)], "Too warm"),
        ([(DRY, 0.09), (LIFT, 0.9)], "Over a limit"),  # weight given away is the least harm
        ([(DRY, 0.09)], "Too dry"),
    ],
)
def test_what_is_broken_is_the_word(pairs: Any, word: str) -> None:
    found = told(*pairs, chance=0.99)
    assert (found.word, found.look) == (word, headline.BAD)
    assert "12.34 % moisture at 33.0 °C" in found.sentence and "is asked for" in found.sentence


def test_a_state_that_moulds_is_not_bagged_though_its_mean_is_dry() -> None:
    words = "the wettest tenth of the pellets leaves at 14 %; moulds are active. Do not bag; dry further."
    mouldy = Warning("check", words)
    found = told((MOISTURE, 0.11), chance=0.99, notes=[mouldy])
    assert found.word == "Do not bag"
    assert found.sentence.endswith(
        ": the wettest tenth of the pellets leaves at 14 %."
    )  # why, beside the word


def test_a_machine_of_a_line_before_a_caution_hides_nothing() -> None:
    words = "cooler: the wettest tenth of the pellets leaves at 14 %, where 11 % is wished for: do not judge by it."
    found = told((MOISTURE, 0.11), chance=0.99, notes=[Warning("check", words)])
    assert found.word == "Do not bag" and "the wettest tenth of the pellets leaves at 14 %" in found.sentence


def test_a_water_activity_beyond_its_limit_is_said_once() -> None:
    mouldy = Warning(
        "check", "water activity 0.73 in store (limit 0.70): moulds are active. Do not bag; dry further."
    )
    found = told((MOISTURE, 0.1234), (ACTIVITY, 0.73), chance=0.01, notes=[mouldy])
    assert found.word == "Do not bag" and found.sentence.count("water activity") == 1
    assert "water activity 0.73 in store (limit 0.70); moisture" in found.sentence


@pytest.mark.parametrize(
    ("chance", "word", "look"),
    [
        (0.80, "Likely enough to bag", headline.GOOD),
        (0.79, "Not likely enough to bag", headline.UNSURE),  # a coin toss is not "met"
        (None, "Kept as computed", headline.UNSURE),
    ],
)
def test_likely_enough_begins_at_eighty_in_a_hundred(chance: float | None, word: str, look: str) -> None:
    found = told((MOISTURE, 0.11), (WARMTH, 5.0), chance=chance)
    assert (found.word, found.look) == (word, look)
    assert ("from 80 % on it counts as likely enough, assumed" in found.sentence) == (chance is not None)


def test_without_a_target_nothing_is_judged() -> None:
    assert told().word == "Nothing to judge by"


def test_too_dry_is_told_where_a_band_is_wished_for() -> None:
    floor = dataclasses.replace(MOISTURE, bound=0.115, sense=-1)
    assert told((floor, 0.11), chance=0.9).word == "Too dry"


def test_advice_that_changes_nothing_names_no_money() -> None:
    """Advice that is today's state costs nothing less; one that is told to save a dollar says so."""
    case = coolsim.load(Path(__file__).parents[2] / "scenarios" / "monsoon-night.toml")
    found = coolsim.find_settings(case)
    idle = dataclasses.replace(found, gain=dataclasses.replace(found.gain, cost_per_hour=0.0))
    assert headline.of_advice(idle, case) == "Other settings gain nothing."
    saving = dataclasses.replace(found, gain=dataclasses.replace(found.gain, cost_per_hour=1.0))
    assert "1.00 USD per hour less" in headline.of_advice(saving, case)
