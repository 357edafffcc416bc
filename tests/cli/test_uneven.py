"""How uneven a bed is, as people type it: read, echoed, refused in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from shipped import level_text
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.scenario import inputs, loads
from coolsim.scenario.templates import template
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
COOLER, BATCH = (level_text(n) for n in ("humid-delta", "evening-batch"))


def with_keys(text: str, *lines: str) -> str:
    return text.replace("[cooler]\n", "[cooler]\n" + "\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("typed", "share", "length"),
    [("12 %", 0.12, None), ("6 cm", None, 0.06), ("2 in", None, 0.0508), ("0 %", 0.0, None)],
)
def test_a_deviation_is_a_share_or_a_length(typed, share, length):
    case = loads(with_keys(COOLER, f'depth_deviation = "{typed}"', 'speed_deviation = "15 %"'))
    assert case.cooler.depth_deviation == (share if share is None else pytest.approx(share))
    assert case.cooler.depth_deviation_length == (length if length is None else pytest.approx(length))
    assert case.cooler.speed_deviation == pytest.approx(0.15)
    for system in ("si", "us"):
        told = inputs(case, system)
        again = loads(with_keys(COOLER, f'depth_deviation = "{told["cooler.depth_deviation"]}"'))
        assert again.cooler.depth_deviation_length == (length and pytest.approx(length, rel=1e-9))
    assert not [key for key in inputs(loads(COOLER)) if "deviation" in key]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        (COOLER, 'depth_deviation = "41 %"', "allowed is 0 % to 40 %"),
        (COOLER, 'speed_deviation = "41 %"', "allowed is 0 % to 40 %"),
        (COOLER, 'depth_deviation = "23 cm"', "this is 42 % of the bed; allowed is up to 40 % of it"),
        (COOLER, 'depth_deviation = "3 kg"', 'a share of the mean, such as "10 %", or a length'),
        (COOLER, 'depth_deviation = "-1 cm"', "a length of 0 or more"),
        (COOLER, "depth_deviation = 0.1", 'did you mean "10 %"?'),
        (BATCH, 'speed_deviation = "5 %"', 'it does not go with arrangement = "batch"'),
        (BATCH, 'depth_deviation = "4 cm"', "of the bed; allowed is up to 40 % of it"),
    ],
)
def test_what_is_no_bed_is_refused(text, line, words):
    with pytest.raises(InputError) as caught:
        loads(with_keys(text, line))
    (fault,) = caught.value.faults
    assert words in str(fault) and line.partition(" ")[0] in fault.key and fault.where.startswith("scenario:")


def test_a_length_that_no_allowed_depth_bears_is_refused():
    narrow = COOLER.replace('bed_depth = ["0.25 m", "0.9 m"]', 'bed_depth = ["0.25 m", "0.4 m"]')
    with pytest.raises(InputError, match="of the deepest bed of limits"):
        loads(with_keys(narrow, 'depth_deviation = "20 cm"'))


@pytest.mark.parametrize("arrangement", ["counter-flow", "batch", "belt", "line"])
def test_new_scenarios_state_a_judged_value(arrangement):
    text = template(arrangement)
    assert "\ndepth_deviation = " in text and "judged: measure it" in text
    result = coolsim.predict(loads(text))
    assert result.between_pellets is not None


def test_the_printed_answer_tells_of_the_tenths():
    done = CliRunner().invoke(
        app, ["predict", str(SCENARIOS / "humid-delta.toml"), "--set", "cooler.depth_deviation=5 cm"]
    )
    said = " ".join(done.stdout.split())
    assert "Between pellets moisture, middle 80 %" in said and "warmest tenth" in said
