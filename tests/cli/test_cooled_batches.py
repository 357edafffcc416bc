"""A batch that is cooled before it is emptied, from the scenario to what is printed, drawn and written."""

from __future__ import annotations

import dataclasses
import json
import re

import matplotlib.pyplot as plt
import numpy as np
import pytest
from cli.test_dryers import BATCH, BELT, HEAD, faults
from shipped import level

import coolsim
from coolsim import plots
from coolsim.scenario import loads
from coolsim.studies.sizing.parts import predicted
from coolsim.studies.sizing.predicted import air_parts

COOLED = BATCH + 'cooling_time = "6 min"\n'
SIZING = '[sizing]\nmargin = "0 %"\n'
PLAN = '[schedule]\nfilling = "4 min"\nemptying = "2 min"\n'


@pytest.fixture(scope="module")
def bare():
    return coolsim.predict(loads(HEAD + BATCH))


@pytest.fixture(scope="module")
def cooled():
    return coolsim.predict(loads(HEAD + COOLED))


def same(a, b) -> bool:
    """Whether two answers are the same to the last bit."""
    if dataclasses.is_dataclass(a):
        names = [f.name for f in dataclasses.fields(a) if f.name != "case"]  # what was asked is not the same
        return all(same(getattr(a, n), getattr(b, n)) for n in names)
    return np.array_equal(a, b, equal_nan=True) if isinstance(a, (float, np.ndarray)) else a == b


def test_no_cooling_is_the_batch_as_it_was(bare):
    for none in ("0 min", "1e-12 s", "1e-4 s"):  # as short as a sample of an uncertain time may be
        assert same(coolsim.predict(loads(HEAD + BATCH + f'cooling_time = "{none}"\n')), bare)
    assert not same(coolsim.predict(loads(HEAD + BATCH + 'cooling_time = "1 s"\n')), bare)


def test_time_and_energy_of_both_phases(bare, cooled):
    """By hand: 20 + 6 min; air in proportion; heat of the drying alone. The fan moves 6/20 as much air, at most as
    hard as before. Were all air at 20 °C for 80 °C: volume 293/353 = .83, viscosity (293/353)^.7 = .88 times as
    large, and the pressure, viscous at the least, as their product: .83² · .88 · .3 = .18 of what drying takes."""
    assert cooled.bed.residence_time == pytest.approx(26 * 60)
    assert cooled.bed.air_ratio == pytest.approx(bare.bed.air_ratio * 26 / 20, rel=1e-9)
    assert cooled.energy.heat == pytest.approx(bare.energy.heat, rel=1e-12)
    assert 0.18 < cooled.energy.fan / bare.energy.fan - 1 < 0.3
    lost = 153.6 * 0.8 * (0.25 - cooled.pellets_out.moisture_db)  # kg of water; 153.6 kg of feed at 20 %
    assert cooled.energy.heat_per_water == pytest.approx(cooled.energy.heat / lost, rel=1e-9)
    assert cooled.energy.feed == pytest.approx(153.6, rel=1e-9)
    assert cooled.energy.product == pytest.approx(153.6 - lost, rel=1e-9)
    assert cooled.bed.evaporation == pytest.approx(
        lost * 600 / 153.6 / 3600, rel=1e-9
    )  # of a line of 600 kg/h
    assert cooled.pellets_out.mass_flow == pytest.approx((1 - lost / 153.6) * 600 / 3600, rel=1e-9)
    assert abs(cooled.accuracy.water_imbalance) < 1e-8 and abs(cooled.accuracy.energy_imbalance) < 1e-8
    assert 20 < cooled.pellets_out.temperature < bare.pellets_out.temperature - 10


def test_the_exhaust_is_that_of_the_drying(bare, cooled):
    """Cool dry air at the end would hide that ducts run wet before."""
    for f in dataclasses.fields(bare.air_out):
        assert getattr(cooled.air_out, f.name) == pytest.approx(getattr(bare.air_out, f.name), rel=1e-12)


def test_the_course_has_both_phases(bare, cooled):
    h = cooled.history
    drying, cooling = h.zone == 1, h.zone == 0
    assert (drying | cooling).all() and (np.diff(h.zone) <= 0).all()
    steps = bare.layers.time  # between them lie more points, as many as the longer course asks for
    np.testing.assert_array_equal(np.isin(steps, h.time[drying]), True)
    np.testing.assert_allclose(
        h.moisture_wb[np.isin(h.time, steps)],
        bare.history.moisture_wb[np.isin(bare.history.time, steps)],
        rtol=1e-12,
    )
    np.testing.assert_allclose(h.inlet_air_temperature[cooling], 20.0, atol=1e-9)
    assert h.time[drying][-1] == pytest.approx(1200) and h.time[-1] == pytest.approx(1560)
    steps = np.diff(np.append(0.0, h.time))
    assert (h.drying_rate * steps).sum() == pytest.approx(0.25 - cooled.pellets_out.moisture_db, rel=1e-6)


def test_cooled_and_not_cooled_in_one_call(bare, cooled):
    cases = [loads(HEAD + text) for text in (COOLED, BATCH)]
    both = coolsim.predict(cases).pellets_out.temperature
    np.testing.assert_allclose(
        both, [cooled.pellets_out.temperature, bare.pellets_out.temperature], rtol=1e-6
    )


def test_faults():
    assert faults(BATCH + 'cooling_time = "25 h"\n')["cooler.cooling_time"].endswith("24 h")
    assert faults(BATCH + 'cooling_time = "-1 min"\n')["cooler.cooling_time"]
    assert "min" in faults(BATCH + "cooling_time = 8\n")["cooler.cooling_time"]
    (belt,) = faults(BELT.replace("[[", 'cooling_time = "5 min"\n[[', 1)).items()
    assert belt[0] == "cooler.cooling_time" and 'arrangement = "belt"' in belt[1]
    (moved,) = faults(BATCH + PLAN + 'cooling = "5 min"\n').items()
    assert moved[0] == "schedule.cooling" and "cooling_time in [cooler]" in moved[1]
    with pytest.raises(coolsim.InputError, match="it is cooling_time in"):
        coolsim.replace(loads(HEAD + BATCH), {"schedule.cooling": "5 min"})


def test_the_schedule_counts_it_once():
    """By hand: 4 + 20 + 6 + 2 = 32 min for 153.6 kg."""
    plan = coolsim.predict(loads(HEAD + COOLED + PLAN)).schedule
    assert plan.cycle == pytest.approx(32 * 60)
    assert 3600 * plan.capacity == pytest.approx(153.6 * 60 / 32)


def told(result: coolsim.Result, words: str) -> list[str]:
    return [w.text for w in result.warnings if words in w.text]


def test_warm_pellets_name_the_key(bare):
    (text,) = told(bare, "above the air outside")
    assert "cooler.cooling_time" in text


def test_water_taken_up_while_cooling_is_told(cooled):
    assert not told(cooled, "takes up water")
    damp = level("evening-batch")
    (text,) = told(coolsim.predict(damp), "takes up water")
    before, after = (float(x) for x in re.findall(r"(\d+\.\d) %", text))
    result = coolsim.predict(
        dataclasses.replace(damp, cooler=dataclasses.replace(damp.cooler, cooling_time=0.0))
    )
    assert before == pytest.approx(100 * result.pellets_out.moisture_wb, abs=0.06)
    assert after > before + 0.3


def test_the_batch_that_is_shown_is_a_well_run_one():
    case = level("evening-batch")
    r = coolsim.predict(case)
    assert r.pellets_out.temperature - case.air.temperature < 5.5
    assert 0.095 < r.pellets_out.moisture_wb <= 0.10
    assert r.spread.driest_wb > 0.07 and r.spread.wettest_wb < 0.11
    assert r.energy.heat_per_water < 3.3e6 and r.schedule.load < 1
    assert {w.level for w in r.warnings} == {"note"}


def test_what_is_printed_and_written(run, tmp_path):
    scenario, where = tmp_path / "cooled.toml", tmp_path / "cooled.json"
    scenario.write_text(HEAD + COOLED, encoding="utf-8")
    done = run("predict", str(scenario), "--json", str(where))
    assert done.status == 0 and "cooled with outside air from 20.0 min on" in done.out
    answer = json.loads(where.read_text(encoding="utf-8"))
    assert answer["inputs"]["cooler.cooling_time"] == "6 min"
    assert answer["bed"]["residence_time_s"] == pytest.approx(1560)
    assert {*answer["history"]["zone"]} == {0.0, 1.0}


def test_pictures_mark_where_cooling_begins(bare, cooled):
    plt.switch_backend("agg")
    for draw in (lambda r: plots.drying_curve(r)[1], plots.drying_layers):
        before, after = draw(bare), draw(cooled)
        assert not [t for t in before.texts if "cooling" in t.get_text()]
        (word,) = [t for t in after.texts if "cooling" in t.get_text()]
        assert word.get_position()[0] == pytest.approx(20.0)
    marks = [c for c in plots.drying_curve(cooled)[0].collections if len(c.get_segments()) == 1]
    assert [c.get_segments()[0][0][0] for c in marks] == [pytest.approx(20.0)]
    plt.close("all")


def test_one_fan_serves_both_phases():
    """One part to buy: flow of the hot air, of which there is more, and the heater's mean over the drying, all as
    without cooling. By hand: 2000 m³/h of outside air, warmed from 20 to 80 °C, is 353/293 as much."""
    bare, cooled = (predicted([loads(HEAD + text + SIZING)])[0] for text in (BATCH, COOLED))
    (one,), (two,) = bare.parts, cooled.parts
    assert two.mean_heat == pytest.approx(one.mean_heat, rel=1e-9)
    assert two.highest_heat == pytest.approx(one.highest_heat, rel=1e-9)
    assert two.demand.flow == pytest.approx(2000 / 3600 * 353.15 / 293.15, rel=1e-3)
    assert two.demand.pressure >= one.demand.pressure
    (part,) = air_parts(loads(HEAD + COOLED + SIZING), [cooled])
    assert part.fan.flow == pytest.approx(two.demand.flow)


def test_a_line_hands_on_what_is_cooled():
    """The first machine of a line, its batch cooled or not: what the cooler behind it is fed with."""
    text = (
        HEAD.replace("[cooler]\n", "")
        + '[[stage]]\nname = "dryer"\n{}[[stage]]\nname = "cooler"\n'
        + ('floor_area = "0.5 m2"\nbed_depth = "40 cm"\nairflow = "900 m3/h"\n')
    )
    fed = [
        float(coolsim.predict(loads(text.format(b))).stages[1].result.feed_in.temperature)
        for b in (BATCH, COOLED)
    ]
    alone = [float(coolsim.predict(loads(HEAD + b)).pellets_out.temperature) for b in (BATCH, COOLED)]
    assert fed == pytest.approx(alone, abs=1e-3)
