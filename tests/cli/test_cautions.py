"""What is said of an answer goes with what the scenario states and with the machine that it is of."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import pytest
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.scenario import loads
from coolsim.simulate.cautions import cautions

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def of_warmth(case: Case, answer: Result, above: float) -> list[str]:
    out = dataclasses.replace(answer.pellets_out, temperature=case.air.temperature + above)
    told = cautions(case, dataclasses.replace(answer, pellets_out=out))
    return [warning.text for warning in told if "above the air outside" in warning.text]


@pytest.mark.parametrize(
    ("stated", "above", "words"),
    [
        ("", 7.9, ""),
        ("", 8.3, "8.3 K (14.9 °F) above the air outside, where 8.0 K (14.4 °F) is the limit"),
        ('maximum_above_ambient = "15 degF"', 8.3, ""),  # 8.33 K
        (
            'maximum_above_ambient = "15 degF"',
            8.4,
            "8.4 K (15.1 °F) above the air outside, where 8.3 K (15.0 °F) is the limit",
        ),
        (
            'maximum_above_ambient = "6 K"',
            7.0,
            "7.0 K (12.6 °F) above the air outside, where 6.0 K (10.8 °F) is the limit",
        ),
        ('maximum_above_ambient = "6 K"', 6.0 + 1e-7, ""),  # as near as a search comes to its limit
        ('maximum_above_ambient = "0 K"', 0.5, "where 0.0 K (0.0 °F) is the limit"),
    ],
)
def test_the_limit_of_warm_pellets_is_the_one_that_is_stated(good, answer, stated, above, words):
    case = loads(good.replace('maximum_above_ambient = "6 K"', stated))
    told = of_warmth(case, answer, above)
    assert [words in text for text in told] == ([True] if words else [])


@cache
def dried(name: str) -> tuple[Case, Result]:
    case = level(name)
    result = coolsim.predict(case)
    return case, dataclasses.replace(
        result, spread=dataclasses.replace(result.spread, driest_wb=0.04, wettest_wb=0.13, deviation_wb=0.03)
    )


EVENER = {
    "belt": ("belt-four-zones", {}, "Try less depth, zones with the air the other way, or cooler or moister air."),
    "batch, reversed": (
        "evening-batch", {},
        "Try less depth, turning, cooler or moister air, or other times between reversals (quicker is not always "
        "evener).",
    ),
    "batch, one way": (
        "evening-batch", {"reverse_every": None}, "Try less depth, reversals, turning, or cooler or moister air."
    ),
    "batch, turned": ("evening-batch", {"mixing": "continuous"}, "Try a shorter drying, or cooler or moister air."),
}  # fmt: skip


@pytest.mark.parametrize("kind", EVENER)
def test_what_makes_a_bed_evener_goes_with_the_dryer(kind):
    name, changes, words = EVENER[kind]
    case, result = dried(name)
    told = cautions(dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **changes)), result)
    (dry,) = (w.text for w in told if w.text.startswith("the driest layer"))
    (uneven,) = (w.text for w in told if w.text.startswith(("the bed is uneven", "the wettest tenth")))
    assert dry.endswith(f"dusty. {words}") and uneven.endswith((f"bag. {words}", f"mean. {words}"))


def test_quicker_reversals_are_not_always_evener():
    """What the advice says: in a batch of twice the depth, air that turns every 2 min dries the middle
    less than air that turns every 15."""
    case = level("evening-batch")
    case = dataclasses.replace(
        case, cooler=dataclasses.replace(case.cooler, bed_depth=2 * case.cooler.bed_depth)
    )
    quick, slow = (
        coolsim.predict(
            dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, reverse_every=60.0 * t))
        )
        for t in (2, 15)
    )
    assert quick.spread.deviation_wb > 1.2 * slow.spread.deviation_wb
