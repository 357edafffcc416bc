"""Dryers from the scenario to what is printed and written: reading, faults, predictions, commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import coolsim
from coolsim.scenario import inputs, loads, reader, typed_as
from coolsim.scenario.source import parse
from coolsim.simulate.balances import heat_balance, water_balance
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
HEAD = """
[feed]
material = "pig-pellets"
diameter = "4 mm"
length = "8 mm"
throughput = "600 kg/h"
temperature = "60 degC"
moisture = "20 %"
[air]
temperature = "20 degC"
relative_humidity = "60 %"
[cooler]
"""
BATCH = """arrangement = "batch"
floor_area = "2 m2"
bed_depth = "12 cm"
duration = "20 min"
airflow = "2000 m3/h"
inlet_air_temperature = "80 degC"
"""
BELT = """arrangement = "belt"
belt_width = "1 m"
bed_depth = "12 cm"
[[cooler.zone]]
length = "2 m"
airflow = "2000 m3/h"
inlet_air_temperature = "80 degC"
"""
COLD_ZONE = """[[cooler.zone]]
length = "1 m"
airflow = "1500 m3/h"
air_direction = "down"
"""


def faults(cooler: str) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        loads(HEAD + cooler)
    return {f.key: f.allowed for f in caught.value.faults}


@pytest.fixture(scope="module")
def batch():
    return coolsim.predict(loads(HEAD + BATCH))


def test_one_zone_is_a_batch_of_the_same_dwell(batch):
    """By hand: 600 kg/h over a bed of 640 kg/m³, 1 m by 0.12 m, moves 7.8125 m/h; 2 m of it take 15.36 min."""
    belt = coolsim.predict(loads(HEAD + BELT))
    assert belt.bed.residence_time == pytest.approx(15.36 * 60)
    same = coolsim.predict(loads(HEAD + BATCH.replace("20 min", "15.36 min")))
    assert belt.pellets_out.moisture_wb == pytest.approx(same.pellets_out.moisture_wb, rel=1e-9)
    assert belt.pellets_out.temperature == pytest.approx(same.pellets_out.temperature, rel=1e-9)
    assert belt.energy.heat_per_water == pytest.approx(same.energy.heat_per_water, rel=1e-9)
    # a batch is 2 m² · 0.12 m · 640 kg/m³ = 153.6 kg; an hour of the belt 600 kg; both serve a line of 600 kg/h
    assert (same.energy.feed, belt.energy.feed) == pytest.approx((153.6, 600.0), rel=1e-9)
    assert belt.pellets_out.mass_flow == pytest.approx(same.pellets_out.mass_flow, rel=1e-9)
    assert belt.energy.product == pytest.approx(3600 * belt.pellets_out.mass_flow, rel=1e-9)
    assert belt.energy.heat == pytest.approx(same.energy.heat * 600 / 153.6, rel=1e-9)


def test_the_heat_is_that_of_warming_the_air(batch):
    """By hand: 20 min of 2000 m³/h, from 20 to 80 °C: Ga (1006 + 1860 Y) 60 K t. At 20 °C/60 % ASHRAE's chart has
    W .0087 and v .842 m³/kg (memory)."""
    dry_air = 2000 / 3600 / 0.8418
    assert batch.energy.heat == pytest.approx(dry_air * (1006 + 1860 * 0.0087) * 60 * 1200, rel=1e-3)
    lost = 153.6 * 0.8 * (0.25 - batch.pellets_out.moisture_db)
    assert batch.energy.heat_per_water == pytest.approx(batch.energy.heat / lost, rel=1e-9)
    # the line makes 600 kg/h: that many batches of 153.6 kg, whatever time each takes
    assert batch.bed.evaporation == pytest.approx(lost * 600 / 153.6 / 3600, rel=1e-9)
    assert abs(batch.accuracy.water_imbalance) < 1e-8 and abs(batch.accuracy.energy_imbalance) < 1e-8


def test_the_course_ends_at_the_exit(batch):
    h = batch.history
    assert h.time[-1] == pytest.approx(1200.0)
    assert (np.diff(h.time) > 0).all()
    assert h.bottom_moisture_wb[-1] < h.moisture_wb[-1] < h.top_moisture_wb[-1]
    X = h.moisture_wb[-1] / (1 - h.moisture_wb[-1])
    assert pytest.approx(batch.pellets_out.moisture_db, abs=2e-3) == X  # the mean of a ratio is not the ratio
    steps = np.diff(np.append(0.0, h.time))
    assert (h.drying_rate * steps).sum() == pytest.approx(0.25 - batch.pellets_out.moisture_db, rel=1e-6)
    assert batch.spread.driest_wb < batch.pellets_out.moisture_wb < batch.spread.wettest_wb


def test_batch_mass_is_a_depth():
    """153.6 kg of 640 kg/m³ on 2 m² lie 0.12 m deep."""
    case = loads(HEAD + BATCH.replace('bed_depth = "12 cm"', 'batch_mass = "153.6 kg"'))
    assert case.cooler.bed_depth == pytest.approx(0.12)


def test_a_zone_without_heater_blows_outside_air():
    two = coolsim.predict(loads(HEAD + BELT + COLD_ZONE))
    last = two.history.zone == 2
    np.testing.assert_allclose(two.history.inlet_air_temperature[last], 20.0, atol=1e-9)
    assert two.pellets_out.temperature < two.history.temperature[~last][-1]
    assert two.bed.residence_time == pytest.approx(1.5 * 15.36 * 60)


def test_every_fault_of_a_dryer_at_once():
    found = faults(
        """arrangement = "batch"
floor_area = "2 m2"
residence_time = "4 min"
recirculation = "97 %"
air_direction = "sideways"
mixing = "always"
"""
    )
    expected = {
        "cooler.residence_time": "does not go with",
        "cooler.duration": "needed",
        "cooler.airflow": "needed",
        "cooler.bed_depth": "exactly one",
        "cooler.recirculation": "0 % to 95 %",
        "cooler.air_direction": '"up", "down"',
        "cooler.mixing": '"none", "continuous"',
        "cooler.inlet_air_temperature": "one or both",
    }
    for key, words in expected.items():
        assert words in found[key], (key, found)


def test_faults_of_zones_name_the_zone_and_its_line():
    text = HEAD + BELT + COLD_ZONE.replace('airflow = "1500 m3/h"', 'air_flow = "1500 m3/h"')
    with pytest.raises(InputError) as caught:
        loads(text + 'recirculation = "50 %"\n')
    found = {f.key: f for f in caught.value.faults}
    assert set(found) == {
        "cooler.zone.2.air_flow", "cooler.zone.2.airflow", "cooler.zone.2.recirculation",
    }  # fmt: skip
    line = text.splitlines().index('air_flow = "1500 m3/h"') + 1
    assert found["cooler.zone.2.air_flow"].where.endswith(f":{line}")
    assert "cooler.zone" in faults(BELT.split("[[")[0])


def test_the_echo_names_every_zone():
    shown = inputs(loads(HEAD + BELT + COLD_ZONE))
    assert shown["cooler.zone.2.air_direction"] == "down"
    assert shown["cooler.zone.1.airflow"] == "2000 m3/h"
    assert "cooler.zone.2.inlet_air_temperature" not in shown


def test_one_key_of_one_zone_can_be_set():
    case = loads(HEAD + BELT + COLD_ZONE)
    changed = coolsim.replace(case, {"cooler.zone.2.length": "2 m"})
    assert [zone.length for zone in changed.cooler.zones] == [2.0, 2.0]
    with pytest.raises(InputError, match="no table of this number"):
        coolsim.replace(case, {"cooler.zone.3.length": "2 m"})


def test_coolers_and_dryers_in_one_call(batch):
    cooler = coolsim.load(SCENARIOS / "humid-delta.toml")
    belt, one = loads(HEAD + BELT), loads(HEAD + BATCH)
    wetter = coolsim.replace(one, {"feed.moisture": "21 %"})
    M = coolsim.predict([one, cooler, belt, wetter]).pellets_out.moisture_wb
    alone = [coolsim.predict(c).pellets_out.moisture_wb for c in (one, cooler, belt, wetter)]
    np.testing.assert_allclose(M, alone, rtol=1e-6)
    year = coolsim.predict(one, air=coolsim.Air(np.array([20.0, 30.0]), np.array([0.6, 0.9])))
    assert year.pellets_out.moisture_wb[0] == pytest.approx(batch.pellets_out.moisture_wb, rel=1e-6)
    assert year.history is None


@pytest.mark.parametrize("name", ["evening-batch", "belt-four-zones"])
def test_the_scenarios_run(run, name, tmp_path):
    file = tmp_path / "out.json"
    done = run("predict", str(SCENARIOS / f"{name}.toml"), "--json", str(file))
    assert done.status == 0
    assert "MJ/kg" in done.out and "driest layer" in done.out and "licensed practice" in done.out
    written = json.loads(file.read_text())
    energy = {"heat_kWh", "fan_kWh", "MJ_per_kg_water", "feed_kg", "product_kg"}
    assert set(written["energy"]) == energy
    assert 2.4 < written["energy"]["MJ_per_kg_water"] < 5.5  # common practice, no source: 3 to 5
    course = written["history"]
    assert len(course["time_s"]) == len(course["moisture_wb"]) > 20
    assert written["accuracy"]["moisture_error_wb"] < 1e-3


@pytest.mark.parametrize("name", ["evening-batch", "belt-four-zones"])
def test_a_card_without_weather_is_refused(run, name, tmp_path):
    file = SCENARIOS / f"{name}.toml"
    done = run("card", str(file), "-o", str(tmp_path / "card.pdf"))
    assert done.status == 2
    assert done.out == "" and not (tmp_path / "card.pdf").exists()
    assert f"{name}.toml: weather: found no [weather] table" in done.err


def test_what_air_has_warmed_on_the_way_counts_as_warm(batch):
    """By then the bed has been cooled: 80 °C air in the first zone, outside air in the last."""
    belt = coolsim.predict(loads(HEAD + BELT + COLD_ZONE.replace('"1 m"', '"4 m"')))
    (said,) = (w.text for w in belt.warnings if "pellet surfaces run from" in w.text)
    end = float(belt.profile.surface_temperature.max())
    hottest = float(belt.history.temperature.max())
    assert end < 45 < hottest and f"to {hottest:.0f} °C" in said


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ("", False),
        ('[fan]\nefficiency = "60 %"\nmotor_efficiency = "90 %"\n', False),  # these count
        ('[fan]\nrated_flow = "2000 m3/h"\nrated_pressure = "1900 Pa"\n', True),
        ('[fan]\nposition = "blow-through"\n', True),
        ('[duct]\nleakage = "5 %"\n', True),
    ],
)
def test_what_a_dryer_leaves_unread_is_told(tables, told):
    texts = [w.text for w in coolsim.predict(loads(HEAD + BATCH + tables)).warnings]
    assert any("only the efficiencies count" in text for text in texts) == told


def test_a_dryers_air_is_all_that_is_blown(run):
    done = run("predict", str(SCENARIOS / "belt-four-zones.toml"))
    assert "air blown per wet feed" in done.out and "dry air per wet feed" not in done.out


def test_the_belt_that_is_shown_is_a_well_run_one():
    """Common practice, no source: 3–5 MJ/kg, air well below lift-off, layers alike, target met."""
    case = coolsim.load(SCENARIOS / "belt-four-zones.toml")
    result = coolsim.predict(case)
    assert 3e6 < result.energy.heat_per_water < 5e6
    assert result.bed.lift_off < 0.75 and result.spread.deviation_wb < 0.02 and result.spread.driest_wb > 0.05
    assert result.pellets_out.moisture_wb < case.target.moisture
    (check,) = (w.text for w in result.warnings if w.level != "note")
    assert check.startswith("the wettest tenth")  # of a bed that is deep and not turned


def two(case):
    return coolsim.predict([case, case])


REFUSED = {
    "bed": lambda case, r: coolsim.plots.bed(r),
    "pellet": lambda case, r: coolsim.plots.pellet(r, case),
    "psychrometric": lambda case, r: coolsim.plots.psychrometric(r, case),
    "fan_curve": lambda case, r: coolsim.plots.fan_curve(r, case, two(case)),
    "balance": lambda case, r: coolsim.plots.balance(r, case),
    "water_balance": lambda case, r: water_balance(r, case),
    "heat_balance": lambda case, r: heat_balance(r, case),
    "dwell": lambda case, r: coolsim.plots.dwell(two(case), ["one", "other"]),
    "moisture_map": lambda case, r: coolsim.plots.moisture_map(two(case), case),
}


@pytest.mark.parametrize("question", REFUSED)
def test_what_is_not_answered_for_dryers_is_refused_in_python(batch, question):
    with pytest.raises(InputError, match="counter-flow coolers only so far"):
        REFUSED[question](loads(HEAD + BATCH), batch)


def test_every_picture_is_asked_of_a_dryer():
    """But for pictures of what a study answers, and of dryers: those take no result of a cooler."""
    others = {
        "belt_zones",
        "drying_curve",
        "drying_layers",
        "calendar",
        "strategies",
        "size_curve",
        "levers",
        "lever_map",
        "to_buy",
        "measured",
        "learned",
        "surer",
        "isotherms",  # of a material
        "between_pellets",  # of dryers too
        "shift",  # of a plan
        "along_the_line",
        "sweep",  # of any machine
    }
    assert {*coolsim.plots.__all__} - others <= {*REFUSED}


@pytest.mark.parametrize("cooler", [BATCH, BELT])
def test_a_fan_speed_is_refused(cooler):
    """A dryer's airflow does not follow from its fan yet: a speed beside it would be left unread in silence."""
    fan = '[fan]\nrated_flow = "2000 m3/h"\nrated_pressure = "1900 Pa"\nspeed = "80 %"\n'
    assert "not found from its fan" in faults(cooler + fan)["fan.speed"]


def test_zones_of_a_cooler_are_refused_once():
    zone = '[[cooler.zone]]\nlenght = "2 m"\n'
    rest = 'floor_area = "2 m2"\nbed_depth = "12 cm"\nairflow = "2000 m3/h"\n'
    found = faults('arrangement = "counter-flow"\n' + rest + zone)
    assert set(found) == {"cooler.zone"} and "does not go with" in found["cooler.zone"]


def test_a_zone_without_its_number_is_asked_for_it():
    case = loads(HEAD + BELT + COLD_ZONE)
    with pytest.raises(InputError, match=r"by its number: cooler\.zone\.1\.length"):
        coolsim.replace(case, {"cooler.zone.length": "2 m"})


def test_what_a_zone_leaves_out_is_filled_in():
    values = reader.read(parse(HEAD + BELT + COLD_ZONE, "mill.toml")).values
    assert (values["cooler.zone.1.air_direction"], values["cooler.zone.2.air_direction"]) == ("up", "down")
    assert values["cooler.zone.1.recirculation"] == 0.0
    assert "cooler.zone.2.inlet_air_temperature" not in values


def test_zones_can_be_set_on_the_command_line(run):
    file = str(SCENARIOS / "belt-four-zones.toml")
    done = run("check", file, "--set", "cooler.zone.2.length=5 m")
    assert done.status == 0 and "cooler.zone.2.length = 5 m" in done.out
    wrong = run("check", file, "--set", "cooler.zone.2.length=5 kg")
    assert wrong.status == 2 and "cooler.zone.2.length" in wrong.err
    none = run("check", file, "--set", "cooler.zone.5.length=5 m")
    assert none.status == 2 and "no table of this number" in none.err


def test_what_was_typed_for_a_batch_is_shown(run):
    """153.6 kg of 640 kg/m³ on 2 m² lie 0.12 m deep."""
    case = loads(HEAD + BATCH.replace('bed_depth = "12 cm"', 'batch_mass = "153.6 kg"'))
    assert typed_as(case, "cooler.bed_depth") == "batch_mass 153.6 kg"
