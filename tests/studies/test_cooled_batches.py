"""Batches that are cooled, as searches see them: one march for all drying times, settings, sizes, fits."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from studies.pig_pellets import BATCH, FEED

import coolsim
from coolsim.case.case import Case
from coolsim.machines import dryers as dials
from coolsim.machines.assumptions import keeping_up
from coolsim.scenario import loads
from coolsim.studies.fitting.model import Marched, model_readings
from coolsim.studies.optimise.march_outcomes import OUTCOMES, QUICK, marched, outcomes_of

TURNED = BATCH + 'reverse_every = "4 min"\nrecirculation = "40 %"\ncooling_time = "5 min"\n'
RANGES = '[limits]\ninlet_air_temperature = ["60 degC", "100 degC"]\nduration = ["8 min", "40 min"]\n'
POINT = 0.01


def lasting(case: Case, seconds: float, **others: float) -> Case:
    return dials.with_settings(case, {"duration": seconds} | others)


def test_one_march_tells_of_every_shorter_drying_with_its_cooling():
    """Each against a prediction of that duration by itself, between reversals and at them. Marches take one mesh
    and straight lines between the ends of their steps: some hundredths of a point and tenths of a kelvin. Heat and
    exhaust are those of the drying alone, which a march without cooling tells at the same steps. (Where the steps
    end matters: a minute after a reversal it may be 0.9 K, as at 44 or 47 % of voids; what is found is predicted.)
    """
    case = coolsim.replace(loads(FEED + TURNED), {"feed.void_fraction": "42 %"})
    minutes = np.array([9.0, 12.0, 13.0, 17.5, 20.0])
    (course,) = marched([lasting(case, 1200.0)], QUICK, [60 * minutes])
    told = dict(zip(OUTCOMES, course.at(60 * minutes)))
    cases = [lasting(case, 60 * t) for t in minutes]
    each = dict(zip(OUTCOMES, np.transpose([outcomes_of(c, coolsim.predict(c)) for c in cases])))
    within = {
        "moisture": 0.1 * POINT,
        "temperature": 0.5,
        "pellet_temperature": 1.5,
        "deviation": 0.1 * POINT,
    }
    for name, slack in within.items():
        np.testing.assert_allclose(told[name], each[name], atol=slack, err_msg=name)
    for name in ("heat", "fan", "lift_off", "bed_pressure_drop"):
        np.testing.assert_allclose(told[name], each[name], rtol=0.01, err_msg=name)
    (bare,) = marched([lasting(case, 1200.0, cooling_time=0.0)], QUICK, [60 * minutes])
    for name in ("heat", "exhaust_relative_humidity"):
        row = OUTCOMES.index(name)
        np.testing.assert_allclose(told[name], bare.at(60 * minutes)[row], rtol=1e-6, err_msg=name)
    assert np.ptp(each["temperature"]) > 1.0  # what a march without cooling, or with one for all, would miss


def test_a_march_asked_at_its_end_is_the_batch_itself():
    case = loads(FEED + TURNED)
    (course,) = marched([case], QUICK, [[np.inf]])
    assert len(course.ends) == 1  # cooled once
    result = coolsim.predict(case)
    assert course.at([np.inf])[0, 0] == pytest.approx(result.pellets_out.moisture_wb, abs=0.02 * POINT)
    assert course.at([np.inf])[1, 0] == pytest.approx(result.pellets_out.temperature, abs=0.1)


@pytest.fixture(scope="module")
def answer():
    case = loads(FEED + TURNED + RANGES)
    return case, coolsim.find_settings(case, on_dial=False)


@pytest.mark.thorough
def test_settings_cost_no_more_than_the_best_of_a_dense_grid(answer):
    """Inlet air in steps of 4 K, each dried for as long as takes the cooled batch to 13 % (by trying, every half
    minute, and bisecting where it crosses). Costs by hand: 0.15 and 0.06 for a kWh, over 256 kg."""
    case, found = answer
    assert found.met and found.result.pellets_out.moisture_wb <= 0.13 + 1e-8
    least = np.inf
    hot, minutes = np.arange(60.0, 100.1, 4.0), np.arange(8.0, 40.1, 0.5)
    longest = [lasting(case, 2400.0, inlet_air_temperature=T) for T in hot]
    courses = marched(longest, QUICK, [60 * minutes] * len(hot))
    first = [int(np.argmax(c.at(60 * minutes)[0] <= 0.13)) for c in courses]
    tries = [(T, k) for T, k in zip(hot, first) if k > 0]
    low, high = np.array([minutes[k] - 1.0 for _, k in tries]), np.array([minutes[k] + 0.5 for _, k in tries])
    for _ in range(8):
        middle = 0.5 * (low + high)
        states = [lasting(case, 60 * t, inlet_air_temperature=T) for (T, _), t in zip(tries, middle)]
        wet = coolsim.predict(states).pellets_out.moisture_wb > 0.13
        low, high = np.where(wet, middle, low), np.where(wet, high, middle)
    for (T, _), t in zip(tries, high):
        r = coolsim.predict(lasting(case, 60 * t, inlet_air_temperature=T))
        if r.pellets_out.moisture_wb <= 0.13 + 1e-5:
            least = min(least, (0.06 * r.energy.heat + 0.15 * r.energy.fan) / 3.6e6 / 0.256)
    assert found.cost.per_tonne <= 1.005 * least


def test_settings_keep_the_cooling_as_typed(answer):
    case, found = answer
    at = found.settings
    again = coolsim.predict(lasting(case, at.duration, inlet_air_temperature=at.inlet_air_temperature))
    assert found.result.bed.residence_time == pytest.approx(at.duration + 300.0)
    assert again.pellets_out.moisture_wb == pytest.approx(found.result.pellets_out.moisture_wb, abs=1e-9)
    assert "cooling time +1 min" in {step.change for step in found.one_step}


def test_what_is_left_of_the_lines_time_counts_the_cooling():
    """By hand: 4 m² · 10 cm · 640 kg/m³ = 256 kg, which 600 kg/h make in 25.6 min; 15 and 5 of them are taken."""
    (said_,) = keeping_up(lasting(loads(FEED + TURNED), 900.0))
    assert "6 min are left to fill and empty the dryer" in said_.text
    (said_,) = keeping_up(lasting(loads(FEED + TURNED), 1300.0))
    assert said_.level == "check" and "drying and cooling takes 27" in said_.text


@pytest.mark.parametrize(
    ("minutes", "dryers", "level", "words"),
    [
        # one dryer is filled every 25.6 min: 9 + 5 of cooling, 3 and 2 of filling and emptying leave 6.6
        (9.0, 1, "note", "takes 19 min (filling 3, drying 9, cooling 5, emptying 2): with 1 dryer, 7 min of 26"),
        # the cooling and the drying alone (25) would do; with the rest it is 30, and 25.6 - 10 are left to dry
        (20.0, 1, "check", "takes 30 min (filling 3, drying 20, cooling 5, emptying 2): with 1 dryer, drying may "
         "take 15 min at most"),
        (20.0, 2, "note", "with 2 dryers, 21 min of 51"),  # two have 51.2 min
    ],
)  # fmt: skip
def test_what_is_left_of_a_schedule_counts_the_whole_cycle(minutes, dryers, level, words):
    """By hand, as above: 256 kg (564 lb at 0.45359 kg) are made in 25.6 min."""
    case = loads(FEED + TURNED + f'[schedule]\nfilling = "3 min"\nemptying = "2 min"\ndryers = {dryers}\n')
    (told,) = keeping_up(lasting(case, 60 * minutes))
    assert told.level == level and words in told.text
    assert told.text.startswith("the line makes a batch of 256 kg (564 lb) in 26 min; the cycle of a dryer")


def test_where_filling_and_cooling_alone_take_too_long_no_shorter_drying_helps():
    """By hand: 20 + 5 + 20 min of the 25.6 that there are."""
    case = loads(FEED + TURNED + '[schedule]\nfilling = "20 min"\nemptying = "20 min"\n')
    (told,) = keeping_up(lasting(case, 60.0))
    assert told.level == "check" and "too long even without drying with 1 dryer: add a dryer" in told.text


def test_where_pellets_leave_too_warm_a_longer_cooling_is_what_would_do():
    """A batch that is emptied hot, and shall not be: settings of drying cannot help, a cooling time does."""
    text = FEED.replace('moisture = "13 %"', 'moisture = "13 %"\nmaximum_above_ambient = "4 K"')
    case = loads(text + BATCH + RANGES)
    found = coolsim.find_settings(case)
    assert not found.met
    (change,) = (c for c in found.smallest_changes if c.change == "cooling time")
    assert change.unit == "min" and change.to is not None and change.to > 0
    at = found.settings
    there = lasting(case, at.duration, inlet_air_temperature=at.inlet_air_temperature)

    def warmer(minutes: float) -> float:
        cooler = dataclasses.replace(there.cooler, cooling_time=60 * minutes)
        return (
            float(coolsim.predict(dataclasses.replace(there, cooler=cooler)).pellets_out.temperature) - 20.0
        )

    assert warmer(change.to) <= 4.0 + 1e-6 < warmer(0.9 * change.to)


def test_trials_of_a_fit_may_be_cooled_or_not():
    """Side by side as each is predicted by itself, in the order of the trials."""
    cases = [lasting(loads(FEED + TURNED), t, cooling_time=c) for t, c in ((900, 0), (900, 300), (700, 120))]
    labels = ("a", "b", "c")
    readings = model_readings(Marched(tuple(cases), (), labels), np.zeros((1, 0)), slopes=False).readings[
        :2, 0
    ]
    each = [coolsim.predict(case).pellets_out for case in cases]
    np.testing.assert_allclose(readings[0], [out.moisture_wb for out in each], atol=0.02 * POINT)
    np.testing.assert_allclose(readings[1], [out.temperature for out in each], atol=0.2)


@pytest.mark.thorough
def test_a_batch_to_buy_has_time_for_its_cooling():
    """The floor is what the cycle asks for, the cooling counted. By hand: two dryers of floor S and depth L hold
    2 · 640 kg/m³ · S L, which 600 kg/h fill in the time in which 3 + t + 5 + 2 min must fit."""
    text = (
        FEED
        + TURNED
        + RANGES
        + ('[schedule]\nfilling = "3 min"\nemptying = "2 min"\ndryers = 2\n[sizing]\nmargin = "20 %"\n')
    )
    case = loads(text)
    found = coolsim.size(case)
    assert found.met
    (served,) = found.served
    held = 2 * 640.0 * found.floor_area * served.settings.bed_depth / (600 / 3600)  # s
    assert served.settings.duration + 600.0 <= held * (1 + 1e-6)
    assert served.moisture_wb <= 0.13 + 1e-6
    assert served.load == pytest.approx((served.settings.duration + 600.0) / held, rel=1e-6)
