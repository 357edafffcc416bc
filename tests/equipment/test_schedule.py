"""Batches beside a line that never stops, worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import coolsim
from coolsim.case.case import ScheduleData
from coolsim.case.result import Schedule
from coolsim.output.page import Page
from coolsim.output.tables import details
from coolsim.scenario import loads
from coolsim.simulate.schedule import heap

SCENARIO = """
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "8 mm"
throughput = "{throughput}"
temperature = "60 degC"
moisture = "20 %"
bulk_density = "600 kg/m3"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
arrangement = "batch"
floor_area = "2 m2"
batch_mass = "300 kg"
duration = "20 min"
airflow = "4000 m3/h"
inlet_air_temperature = "80 degC"
cooling_time = "5 min"
[schedule]
filling = "4 min"
emptying = "1 min"
dryers = {dryers}
"""


def plan(throughput: str, dryers: int = 1) -> Schedule:
    found = coolsim.predict(loads(SCENARIO.format(throughput=throughput, dryers=dryers))).schedule
    assert found is not None
    return found


def test_a_dryer_that_keeps_up():
    """A cycle of 4 + 20 + 5 + 1 = 30 min takes 300 kg: 600 kg/h. At 450 kg/h it is filled every 40 min, and loaded
    to 75 %. In the 36 min in which it does not fill, 450 · 36/60 = 270 kg gather, 0.45 m³ at 600 kg/m³."""
    p = plan("450 kg/h")
    assert p.batch_mass == pytest.approx(300)
    assert p.cycle == pytest.approx(1800) and p.interval == pytest.approx(2400)
    assert 3600 * p.capacity == pytest.approx(600) and p.load == pytest.approx(0.75)
    assert (p.dryers, p.dryers_needed, p.surplus) == (1, 1, 0)
    assert p.buffer_before == pytest.approx(270) and p.buffer_before_volume == pytest.approx(0.45)


def test_what_gathers_behind_is_what_the_batch_weighs_dried():
    """300 kg at 20 % are 240 kg of dry solid. It falls out within 1 of the 40 min, so 39/40 of it lie there at
    most; dry solid per volume is that of the wet feed, 480 kg/m³."""
    case = loads(SCENARIO.format(throughput="450 kg/h", dryers=1))
    result = coolsim.predict(case)
    mass = 240 / (1 - result.pellets_out.moisture_wb)
    assert result.schedule.buffer_after == pytest.approx(mass * 39 / 40)
    assert result.schedule.buffer_after_volume == pytest.approx(240 / 480 * 39 / 40)


def test_a_dryer_that_does_not_keep_up():
    """1500 kg/h ask for 2.5 dryers of 600 kg/h: three of them; two leave 300 kg/h over."""
    p = plan("1500 kg/h", 2)
    assert p.load == pytest.approx(1.25) and p.dryers_needed == 3
    assert 3600 * p.surplus == pytest.approx(300)
    assert np.isnan(p.buffer_before) and np.isnan(p.buffer_before_volume)
    assert p.interval == pytest.approx(900)  # two dryers of 30 min in turn


def test_a_dryer_that_just_keeps_up_is_enough():
    """1200 kg/h over 600 kg/h is two dryers, and 15000 kg/h is 25, not 25 and a rounding error."""
    p = plan("1200 kg/h", 2)
    assert (p.dryers_needed, p.surplus) == (2, 0)
    # filled every 15 min, 4 of them by one: 1200 · 11/60 kg gather in the others
    assert p.buffer_before == pytest.approx(220)
    p = plan("15000 kg/h", 25)
    assert (p.dryers_needed, p.surplus) == (25, 0)
    # a filling begins every 72 s and takes 240 s: three at a time for 48 s, 15000/3600 − 3 · 300/240 kg/s gather
    assert p.buffer_before == pytest.approx(48 * (15000 / 3600 - 3.75))


def test_the_heap_where_fillings_overlap():
    """By hand: 600 kg every 10 min, 1 kg/s; each filling takes 25 min at 0.4 kg/s. Two fill for 5 min of each 10,
    three for the other 5: 1 − 0.8 kg/s gather for 300 s, 60 kg, and 1.2 − 1 kg/s take them away again."""
    assert heap(600.0, 600.0, 1500.0) == pytest.approx(60)
    assert heap(600.0, 600.0, 1200.0) == pytest.approx(0)  # two at any time take all of it
    assert heap(600.0, 600.0, 0.0) == pytest.approx(600)  # at one blow


def test_the_heap_is_that_of_a_clock():
    """Against counting it out second by second, fillings and all."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        mass, interval, taking = (
            rng.uniform(100, 900),
            float(rng.integers(60, 900)),
            float(rng.integers(20, 2500)),
        )
        seconds = np.arange(0, 8 * 2500 + 8 * int(interval))
        starts = np.arange(0, seconds[-1], interval)
        filling = ((seconds[:, None] >= starts) & (seconds[:, None] < starts + taking)).sum(axis=1)
        settled = seconds >= taking
        level = np.cumsum((mass / interval - filling * mass / taking)[settled])
        assert heap(mass, interval, taking) == pytest.approx(np.ptp(np.append(0, level)), rel=1e-6, abs=1e-6)


def test_many_dryers_have_a_schedule_each():
    cases = [loads(SCENARIO.format(throughput=t, dryers=1)) for t in ("450 kg/h", "900 kg/h")]
    found = coolsim.predict(cases).schedule
    np.testing.assert_allclose(found.load, [0.75, 1.5])
    np.testing.assert_array_equal(found.dryers_needed, [1, 2])
    without = dataclasses.replace(cases[0], schedule=ScheduleData())
    assert coolsim.predict([without]).schedule is None


def test_flows_are_of_what_the_dryers_can_take():
    """450 kg/h at 20 % are 360 kg/h of dry solid. Of 900 kg/h one dryer takes 600, two take all."""
    for throughput, dryers, taken in (("450 kg/h", 1, 450), ("900 kg/h", 1, 600), ("900 kg/h", 2, 900)):
        r = coolsim.predict(loads(SCENARIO.format(throughput=throughput, dryers=dryers)))
        dried = 0.8 * taken / (1 - r.pellets_out.moisture_wb)
        assert 3600 * r.pellets_out.mass_flow == pytest.approx(dried, rel=1e-9)
        assert 3600 * r.bed.evaporation == pytest.approx(taken - dried, rel=1e-9)
        assert (r.energy.feed, r.energy.product) == pytest.approx((300, dried * 300 / taken), rel=1e-9)


def test_flows_as_they_are_printed():
    """The line makes 450 kg/h, of which a batch is 300 kg."""
    case = loads(SCENARIO.format(throughput="450 kg/h", dryers=1))
    result = coolsim.predict(case)
    M = result.pellets_out.moisture_wb
    said = {row[0]: row[1] for rows in details(case, result, Page(width=100)).values() for row in rows}
    assert said["mass flow, of the line"] == f"{360 / (1 - M):.0f} kg/h"
    assert said["water given to the air, of the line"] == f"{450 - 360 / (1 - M):.1f} kg/h"
    assert (said["of wet feed"], said["that weighs, once dried"]) == ("300 kg", f"{240 / (1 - M):.0f} kg")
