"""The march with steps of its own choice: it closes in on the answer as the scheme does, reversals included."""

from __future__ import annotations

import numpy as np
import pytest
from laws.dryers import FEED, ONE, meshed, supply
from laws.exact import humidity_ratio

from coolsim.model import deep_bed as db
from coolsim.model import dryer as dr
from coolsim.model import guess as guessing
from coolsim.model import march as marching
from coolsim.model.drying import Resolution
from coolsim.model.march import STEP_TOLERANCE, Programme, march
from coolsim.scenario import loads
from coolsim.simulate import dryer_simulation


def end(tolerance: float, finer: int = 1) -> tuple[np.ndarray, int]:
    """Mean moisture and temperature of a bed after 15 min with four reversals, and how many steps it took."""
    air = supply(25.0, humidity_ratio(25.0, 0.6), heated_to=80.0, r=0.3)
    dryer = meshed(air, 4 * finer, 6 * finer, depth=0.1, air_flux=0.5, **FEED)
    m = march(
        dryer, dr.fed_pellets(dryer), Programme(900.0 * ONE, 200.0 * ONE, np.zeros(1, bool)), tolerance * ONE
    )
    w, X = dr.point_weights(dryer.z), dr.means(dryer, m.pellets.moisture)[0]
    return np.array([(w * X).sum(), (w * dr.temperature(dryer, m.pellets)).sum()]), len(m.records)


@pytest.mark.thorough  # three seconds; in steps of equal length it is seen in test_deep_bed_limits
def test_steps_of_its_own_choice_are_of_third_order():
    """Radau's two stages are of third order for shells and enthalpy; a bend is of second order in a step, so steps
    go as the root of the tolerance. Six times as many leave a hundredth of the error or less: an order of 2.6."""
    exact, _ = end(1e-4 * STEP_TOLERANCE)
    (coarse, few), (fine, many) = end(STEP_TOLERANCE), end(STEP_TOLERANCE / 64)
    assert many > 4 * few
    errors = np.abs(coarse - exact), np.abs(fine - exact)
    left_by_mesh = np.abs(end(STEP_TOLERANCE / 64, finer=4)[0] - exact)
    assert (errors[0] < left_by_mesh).all(), (errors[0], left_by_mesh)
    order = np.log(errors[0] / errors[1]) / np.log(many / few)
    assert (order > 2.5).all(), order


def test_a_step_in_other_air_begins_longer_and_is_measured_all_the_same():
    """A cold bed that is suddenly met by air of 140 °C: what the longer first step misses would be missing here."""
    hot, cold = supply(20.0, 0.005, heated_to=140.0), supply(5.0, 0.004)
    dryer = meshed(cold, 4, 6, depth=0.05, air_flux=0.8, **FEED)
    once = Programme(300.0 * ONE, np.inf * ONE, np.zeros(1, bool))
    exits = []
    for tolerance in (STEP_TOLERANCE, STEP_TOLERANCE / 100):
        before = march(dryer, dr.fed_pellets(dryer), once, tolerance * ONE)
        shocked = meshed(hot, 4, 6, depth=0.05, air_flux=0.8, **FEED)
        m = march(shocked, before.pellets, once, tolerance * ONE, feed=False)
        w = dr.point_weights(dryer.z)
        exits.append((w * dr.means(dryer, m.pellets.moisture)[0]).sum())
    assert exits[0] == pytest.approx(exits[1], abs=1e-4)


@pytest.mark.parametrize("seconds", [40.0, 60.0, 80.0, 120.0])
def test_a_last_step_that_bends_much_is_taken_again(seconds):
    """Hot pellets in cool air for a time that one step would do: no later step mends what it misses, and meshes
    that take the same one step would not tell (up to 0.7 K). 0.1 K is what `predict` answers to."""
    hot, cool = supply(28.0, 0.012, heated_to=56.0, r=0.8), supply(28.0, 0.012)
    dryer = meshed(hot, 4, 6, depth=0.03, air_flux=0.24, **FEED | {"radius": 3e-3})
    before = march(
        dryer,
        dr.fed_pellets(dryer),
        Programme(1200.0 * ONE, np.inf * ONE, np.zeros(1, bool)),
        STEP_TOLERANCE * ONE,
    )
    dryer = meshed(cool, 4, 6, depth=0.03, air_flux=0.24, **FEED | {"radius": 3e-3})
    exits = []
    for tolerance in (STEP_TOLERANCE, STEP_TOLERANCE / 100):
        once = Programme(seconds * ONE, np.inf * ONE, np.zeros(1, bool))
        m = march(dryer, before.pellets, once, tolerance * ONE, feed=False)
        exits.append((dr.point_weights(dryer.z) * dr.temperature(dryer, m.pellets)).sum())
    assert exits[0] == pytest.approx(exits[1], abs=0.1)


def test_what_guesses_missed_after_the_last_reversal_saves_newton_steps_and_changes_no_answer(monkeypatch):
    """Where an answer is found from does not matter to it: the two agree to what Newton's method leaves, of 0.1
    kg/kg and 50 K. A method that converges quadratically gains a step where its first is a quarter as large."""
    dryer = meshed(supply(25.0, 0.012, heated_to=60.0, r=0.5), 6, 6, depth=0.1, air_flux=0.8, **FEED)
    every = Programme(1500.0 * ONE, 100.0 * ONE, np.zeros(1, bool))
    marches = []
    for kept in (0, marching.KEPT):
        monkeypatch.setattr(marching, "KEPT", kept)
        marches.append(march(dryer, dr.fed_pellets(dryer), every, STEP_TOLERANCE * ONE))
    without, learnt = marches
    assert len(learnt.records) == len(without.records)
    assert learnt.newton_steps[0] < 0.85 * without.newton_steps[0]
    np.testing.assert_allclose(learnt.pellets.moisture, without.pellets.moisture, atol=1e-6)
    np.testing.assert_allclose(
        dr.temperature(dryer, learnt.pellets), dr.temperature(dryer, without.pellets), atol=1e-4
    )


def test_a_guess_stays_within_half_and_twice_the_humidity_of_before():
    """Straight on, at four times the pace, air that fell from 0.02 to 0.01 kg/kg would be at −0.05 by the end."""
    dryer = meshed(supply(25.0, 0.012), 2, 3, depth=0.1, air_flux=0.8, **FEED)
    step = db.begin(dryer, dr.fed_pellets(dryer), 10.0 * ONE)
    state = guessing.first_guess(step)
    state.points[:, db.HUMIDITY, 0], state.points[:, db.HUMIDITY, 1] = 0.02, 0.01
    Y = guessing.continued(step, state, 4.0 * ONE).points[:, db.HUMIDITY, 1]
    np.testing.assert_allclose(Y, 0.005, rtol=1e-12)


WIDE = """[feed]
material = "pig-pellets"
throughput = "600 kg/h"
moisture = "18 %"
temperature = "25 degC"
diameter = "8 mm"
length = "20 mm"
void_fraction = "47 %"
bulk_density = "640 kg/m3"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
arrangement = "batch"
floor_area = "1.5 m2"
bed_depth = "0.4 m"
duration = "{minutes} min"
airflow = "3000 m3/h"
inlet_air_temperature = "80 degC"
reverse_every = "4 min"
recirculation = "40 %"
"""


@pytest.mark.parametrize("minutes", [12, 15, 20, 25])
def test_a_turn_that_one_step_would_do_is_as_right_as_told(minutes):
    """Large pellets between loose reversals: one step of both meshes would span a turn, and the two would agree on
    what is wrong. Against steps twenty times shorter by the tolerance on a mesh twice as fine."""
    case = loads(WIDE.format(minutes=minutes))
    told, fine = (
        dryer_simulation.dry([case], None, many=False, resolution=r)
        for r in (Resolution(), Resolution(24, 24, refinements=0, step_tolerance=STEP_TOLERANCE / 20))
    )
    for field, error in (("moisture_wb", "moisture_error_wb"), ("temperature", "temperature_error")):
        off = abs(getattr(told.pellets_out, field) - getattr(fine.pellets_out, field))
        assert off <= getattr(told.accuracy, error)
    assert abs(told.pellets_out.moisture_wb - fine.pellets_out.moisture_wb) < 1e-4
