"""Searches over beds that are not even: what they read of a march is what is predicted, what they find holds."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

import coolsim
from coolsim.case.case import Case
from coolsim.machines import dryers as knobs
from coolsim.machines.plant_ranges import knob_range
from coolsim.studies.optimise.march_outcomes import OUTCOMES, QUICK, marched, outcomes_of
from coolsim.studies.sizing import cooler_duties
from coolsim.studies.sizing.dryer_duties import depths

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NAMES = ("evening-batch", "belt-four-zones")


def uneven(name: str, **changes: str) -> Case:
    keys = {"cooler.depth_deviation": "20 %"} | {k.replace("__", "."): v for k, v in changes.items()}
    return coolsim.replace(coolsim.load(SCENARIOS / f"{name}.toml"), keys)


@pytest.mark.parametrize("name", NAMES)
def test_a_course_ends_where_the_prediction_does(name):
    case = uneven(name)
    (course,) = marched([case], QUICK)
    told = dict(zip(OUTCOMES, course.outcomes[:, -1]))
    predicted = dict(zip(OUTCOMES, outcomes_of(case, coolsim.predict(case))))
    for key, size in (("moisture", 3e-4), ("temperature", 0.3), ("deviation", 3e-4), ("lift_off", 3e-3),
                      ("bed_pressure_drop", 1.0), ("pellet_temperature", 0.3)):  # fmt: skip
        assert told[key] == pytest.approx(predicted[key], abs=size), key
    for key in ("heat", "fan"):
        assert told[key] == pytest.approx(predicted[key], rel=5e-3), key
    even = coolsim.predict(coolsim.load(SCENARIOS / f"{name}.toml"))
    assert abs(predicted["moisture"] - even.pellets_out.moisture_wb) > 2e-3  # so that it would be seen


@pytest.mark.parametrize("at", [1200.0, 1800.0])
def test_a_course_at_a_shorter_time_is_that_of_a_shorter_batch(at):
    case = uneven("evening-batch")
    shorter = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, duration=at))
    (course,) = marched([case], QUICK, [[at]])
    moisture = course.at([at])[0, 0]
    assert moisture == pytest.approx(coolsim.predict(shorter).pellets_out.moisture_wb, abs=1e-3)


def test_settings_of_an_uneven_batch_keep_its_wish():
    found = coolsim.find_settings(uneven("evening-batch"))
    even = coolsim.find_settings(coolsim.load(SCENARIOS / "evening-batch.toml"))
    assert found.met and found.result.pellets_out.moisture_wb <= 0.10 + 1e-4
    assert (
        found.result.between_pellets.wettest_tenth.moisture_wb
        > even.result.between_pellets.wettest_tenth.moisture_wb
    )
    assert found.cost.total > even.cost.total  # of the same wish, an uneven bed costs more


def test_settings_of_an_uneven_cooler_are_predicted_uneven():
    case = uneven("humid-delta", cooler__speed_deviation="15 %")
    found = coolsim.find_settings(case)
    again = coolsim.replace(
        case,
        {
            "cooler.bed_depth": f"{found.settings.bed_depth:.12g} m",
            "cooler.airflow": f"{3600 * found.settings.airflow:.12g} m3/h",
        },
    )
    told = coolsim.predict(again)
    assert found.met and told.pellets_out.moisture_wb <= 0.12 + 1e-5
    assert told.between_pellets.wettest_tenth.moisture_wb == pytest.approx(
        found.result.between_pellets.wettest_tenth.moisture_wb, abs=1e-6
    )


def test_searches_leave_out_depths_that_a_length_makes_no_bed():
    """14 cm are 40 % of 35 cm, 28 mm of 7 cm: shallower ones that [limits] allows are left out."""
    none = {"limits__minimum_depth_in_deviations": 0, "limits__minimum_residence_time": "0 s"}
    cooler = uneven("humid-delta", cooler__depth_deviation="14 cm", **none)  # limits: 25 to 90 cm
    assert knob_range(cooler)["bed_depth"] == pytest.approx((0.35, 0.90))
    belt = {"cooler__depth_deviation": "28 mm", "limits__bed_depth": ["5 cm", "15 cm"], **none}
    assert knobs.ranges(uneven("belt-four-zones", **belt))["bed_depth"] == pytest.approx((0.07, 0.15))
    to_buy = uneven("cooler-to-buy", cooler__depth_deviation="14 cm", **none)
    assert cooler_duties.depths(to_buy)[0] == pytest.approx(0.35)
    assert depths(uneven("belt-to-buy", cooler__depth_deviation="28 mm", **none))[0] == pytest.approx(0.07)
    assert coolsim.find_settings(cooler).result.bed.depth >= 0.35 - 1e-9
