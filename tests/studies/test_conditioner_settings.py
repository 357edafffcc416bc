"""Water and temperature of the conditioner as settings of coolers, batches, belts and lines.

What is found is held against scenarios that are read anew with the conditioner typed: they know of no settings.
"""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from typer.testing import CliRunner

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.case.streams import Air
from coolsim.cli import app
from coolsim.machines import Setting
from coolsim.machines.base import DIALS
from coolsim.output.page import Page
from coolsim.output.settings import to_set
from coolsim.physics import conditioning
from coolsim.scenario import loads, replace, typed_back
from coolsim.simulate.feed_following import conditioned_as, in_air, in_air_each
from coolsim.studies.settings.answer import Chosen
from coolsim.support.errors import InputError

RECIPE = """
[recipe]
temperature = "25 degC"
[[recipe.ingredient]]
name = "meal"
share = "100 %"
moisture = "12 %"
"""
WET = '[conditioning]\nwater = "16 %"\n'
STEAM = '[conditioning]\ntemperature = "75 degC"\nwater = "2 %"\n'
OUTSIDE = '[air]\ntemperature = "22 degC"\nrelative_humidity = "65 %"\n'
PRICES = '[costs]\nelectricity = "0.15 /kWh"\nheat = "0.05 /kWh"\nfeed = "0.5 /kg"\n'
FEED = '[feed]\nmaterial = "{}"\ndiameter = "4 mm"\nlength = "6 mm"\nthroughput = "{}"\n'
COOLER = (
    FEED.format("pig-pellets", "1000 kg/h")
    + '[cooler]\nfloor_area = "0.6 m2"\nbed_depth = "0.6 m"\nairflow = "1000 m3/h"\n'
    + '[target]\nmoisture = "13.4 %"\n[limits]\nairflow = ["500 m3/h", "1500 m3/h"]\n'
    + OUTSIDE
    + PRICES
)
BATCH = (
    FEED.format("floating-fish-feed", "150 kg/h")
    + '[cooler]\narrangement = "batch"\nfloor_area = "3 m2"\nbatch_mass = "60 kg"\nduration = "20 min"\n'
    + 'airflow = "4000 m3/h"\ninlet_air_temperature = "70 degC"\n'
    + '[target]\nmoisture = "9 %"\n[limits]\nduration = ["5 min", "40 min"]\n'
    + OUTSIDE
    + PRICES
)
BELT = (
    FEED.format("floating-fish-feed", "400 kg/h")
    + '[cooler]\narrangement = "belt"\nbelt_width = "1.2 m"\nbed_depth = "6 cm"\n'
    + '[[cooler.zone]]\nlength = "5 m"\nairflow = "6000 m3/h"\ninlet_air_temperature = "80 degC"\n'
    + '[target]\nmoisture = "9 %"\n[limits]\ninlet_air_temperature = ["60 degC", "100 degC"]\n'
    + OUTSIDE
    + PRICES
)
LINE = (
    FEED.format("floating-fish-feed", "400 kg/h")
    + '[[stage]]\nname = "dryer"\narrangement = "belt"\nbelt_width = "1.2 m"\nbed_depth = "6 cm"\n'
    + '[[stage.zone]]\nlength = "4 m"\nairflow = "6000 m3/h"\ninlet_air_temperature = "80 degC"\n'
    + '[stage.limits]\ninlet_air_temperature = ["60 degC", "100 degC"]\n'
    + '[[stage]]\nname = "cooler"\nfloor_area = "0.3 m2"\nbed_depth = "0.4 m"\nairflow = "500 m3/h"\n'
    + '[target]\nmoisture = "9 %"\n'
    + OUTSIDE
    + PRICES
)


def case_of(machine: str, before: str, **limits: list[str]) -> coolsim.Case:
    return replace(loads(machine + RECIPE + before), {f"limits.{k}": v for k, v in limits.items()})


def exit_of(case: coolsim.Case, **changes: str) -> float:
    typed = {f"conditioning.{key}": value for key, value in changes.items()}
    return float(coolsim.predict(replace(case, typed)).pellets_out.moisture_wb)


MACHINES = {
    "cooler": (COOLER, STEAM, ["0 %", "4 %"]),
    "batch": (BATCH, WET, ["8 %", "18 %"]),
    "belt": (BELT, WET, ["8 %", "18 %"]),
    "line": (LINE, WET, ["8 %", "18 %"]),
}


@pytest.mark.thorough
@pytest.mark.parametrize("machine", MACHINES)
def test_what_is_found_is_met_when_typed_back_and_no_water_alone_is_cheaper(machine):
    text, before, water = MACHINES[machine]
    case = case_of(text, before, conditioning_water=water)
    answer = coolsim.find_settings(case)
    assert answer.met
    (chosen,) = [one for one in answer.chosen if one.setting.key == "conditioning_water"]
    assert chosen.now == pytest.approx(float(before.rpartition('water = "')[2].split(" ")[0]) / 100)
    # on a step of the dial: a tenth of a per cent of the mash
    assert 1000 * chosen.to == pytest.approx(round(1000 * chosen.to), abs=1e-6)
    typed = typed_back(case, answer.case)
    assert typed["conditioning.water"] == f"{100 * chosen.to:.9g} %"
    again = coolsim.predict(replace(case, typed)).pellets_out
    assert again.moisture_wb == pytest.approx(answer.result.pellets_out.moisture_wb, abs=1e-8)
    assert again.temperature == pytest.approx(answer.result.pellets_out.temperature, abs=1e-6)
    # the same search with the water pinned finds nothing cheaper: on a grid of five, each by itself
    least = float(water[0].split()[0]), float(water[1].split()[0])
    for share in np.linspace(*least, 5):
        pinned = replace(case, {"limits.conditioning_water": [f"{share} %"] * 2})
        other = coolsim.find_settings(pinned)
        if other.met:  # a step of the dials is worth some per cent
            assert answer.exact_cost <= 1.01 * other.exact_cost
            assert answer.cost.total <= 1.05 * other.cost.total


def test_less_water_is_less_wet_feed_of_the_same_mash():
    case = case_of(COOLER, STEAM)
    other = in_air(conditioned_as(case, {"water": 0.005}))
    # read anew with the water typed and the wet throughput that the same dry solid has
    typed = replace(case, {"conditioning.water": "0.5 %"})
    assert other.feed.moisture == pytest.approx(typed.feed.moisture, abs=1e-14)
    assert other.feed.temperature == pytest.approx(typed.feed.temperature, abs=1e-10)
    solid = [c.feed.throughput * (1 - c.feed.moisture) for c in (case, other)]
    assert solid[0] == pytest.approx(solid[1], rel=1e-13) and other.feed.throughput < case.feed.throughput
    # side by side as one by one
    several = in_air_each([conditioned_as(case, {"water": w}) for w in (0.001, 0.005, 0.02)])
    assert several[1].feed.moisture == pytest.approx(other.feed.moisture, abs=1e-12)


def test_a_typed_moisture_wins_and_what_is_opened_still_acts():
    typed = {"feed.moisture": "16.0 %", "feed.temperature": "70 degC"}
    plain = case_of(COOLER, STEAM)
    case = replace(plain, typed)
    off = 0.16 - plain.feed.moisture, 70.0 - plain.feed.temperature
    less = in_air(conditioned_as(case, {"water": 0.005}))
    there = replace(plain, {"conditioning.water": "0.5 %"})
    assert less.feed.moisture == pytest.approx(there.feed.moisture + off[0], abs=1e-12)
    assert less.feed.temperature == pytest.approx(there.feed.temperature + off[1], abs=1e-9)
    # typed back, what was typed has to move, too, else it would win again
    back = typed_back(case, less)
    assert set(back) == {
        "conditioning.water",
        "feed.moisture",
        "feed.throughput",
    }  # steam holds the temperature
    again = replace(case, back)
    assert again.feed.moisture == pytest.approx(less.feed.moisture, abs=1e-9)
    # as sampled at the die: there the offset stands before the way
    die = replace(plain, typed | {"feed.sampled_at": "die", "way.time": "10 s", "way.air": "0.05 kg/kg"})
    less = in_air(conditioned_as(die, {"water": 0.005}))
    at_die = {s.place: s for s in less.arrival.states}["die"]
    before = {s.place: s for s in plain.arrival.states}["die"]
    after = {s.place: s for s in there.arrival.states}["die"]
    assert at_die.moisture == pytest.approx(0.16 + after.moisture - before.moisture, abs=1e-12)
    assert replace(die, typed_back(die, less)).feed.moisture == pytest.approx(less.feed.moisture, abs=1e-9)


def test_steam_counts_as_heat_where_it_may_be_set():
    case = case_of(COOLER, STEAM, conditioning_water=["0 %", "3 %"])
    answer = coolsim.find_settings(case)
    # by hand: steam per kg of mash times its enthalpy above water of 20 °C, of the mash behind 1000 kg/h of feed
    pig, X = case.material, 0.12 / 0.88
    h = conditioning.steam_enthalpy(101_325.0, 1.0)
    steam = conditioning.steam_taken(
        pig.isotherm, pig.specific_heat, X, 25.0, 75.0, h, 0.02 / 0.88, 4186.0 * 20.0
    )
    mash = 1000.0 / 3600.0 * (1 - case.feed.moisture) / 0.88
    hourly = steam * 0.88 * mash * (h - 4186.0 * 20.0) / 1000.0 * 0.05
    assert answer.now.cost.heat == pytest.approx(hourly, rel=1e-9)
    closed = coolsim.find_settings(case_of(COOLER, STEAM))
    assert closed.now.cost.heat == 0.0
    assert closed.required_feed_moisture is not None and answer.required_feed_moisture is None


@pytest.mark.thorough
def test_steam_is_no_hotter_than_it_has_to_be():
    dry = STEAM.replace("2 %", "1 %")
    case = case_of(COOLER, dry, conditioning_temperature=["60 degC", "85 degC"])
    answer = coolsim.find_settings(case, on_dial=False)  # a step of the airflow may be worth half a degree
    (chosen,) = [one for one in answer.chosen if one.setting.key == "conditioning_temperature"]
    assert answer.met and chosen.now == 75.0
    # less steam is less water to take off and less heat to pay for: the coldest that is allowed
    assert chosen.to == 60.0
    both = replace(case, {"limits.conditioning_water": ["0 %", "3 %"]})
    together = coolsim.find_settings(both, on_dial=False)
    assert together.exact_cost <= answer.exact_cost * (1 + 1e-3)


@pytest.mark.thorough
def test_many_weathers_are_searched_as_one_by_one():
    case = case_of(COOLER, STEAM, conditioning_water=["0 %", "3 %"])
    air = Air(np.array([15.0, 30.0]), np.array([0.6, 0.8]), np.array([101325.0, 101325.0]))
    found = coolsim.find_settings(case, air=air)
    for k in range(2):
        one = dataclasses.replace(case, air=Air(*(float(x[k]) for x in dataclasses.astuple(air))))
        alone = coolsim.find_settings(one, on_dial=False)
        (chosen,) = [c for c in alone.chosen if c.setting.key == "conditioning_water"]
        assert found.met[k] == alone.met
        assert found.cost.total[k] == pytest.approx(alone.cost.total, rel=2e-3)
        assert found.conditioning_water[k] == pytest.approx(chosen.to, abs=1e-3)
    assert found.conditioning_temperature is None


def test_alone_would_do_and_one_step_know_the_conditioner():
    wet = STEAM.replace("2 %", "4 %")
    case = replace(case_of(COOLER, wet), {"limits.airflow": ["900 m3/h", "1000 m3/h"]})
    answer = coolsim.find_settings(case)
    assert not answer.met
    (change,) = [c for c in answer.smallest_changes if c.quantity == "conditioning_water"]
    assert change.now == pytest.approx(0.04) and change.unit == "%" and 0 <= change.to < 4
    there = typed_back(case, answer.case) | {"conditioning.water": f"{change.to:.6f} %"}
    # the same mash: what is typed back of the throughput follows it
    solid = answer.case.feed.throughput * (1 - answer.case.feed.moisture)
    again = replace(case, there)
    again = replace(again, {"feed.throughput": f"{3600 * solid / (1 - again.feed.moisture):.9g} kg/h"})
    assert coolsim.predict(again).pellets_out.moisture_wb == pytest.approx(0.134, abs=3e-4)
    steps = {s.change for s in answer.one_step}
    assert {"water in the conditioner +1 %", "temperature in the conditioner +1 °C"} <= steps


def faults_of(text: str) -> dict[str, str]:
    with pytest.raises(InputError) as raised:
        loads(text)
    return {f.key: f"{f.found}; {f.allowed}" for f in raised.value.faults}


def test_what_cannot_be_is_said_all_at_once():
    both = (
        '\n[limits]\nconditioning_water = ["1 %", "3 %"]\nconditioning_temperature = ["60 degC", "80 degC"]\n'
    )
    bare = COOLER.partition("[limits]")[0] + OUTSIDE + PRICES
    typed = bare.replace(
        'throughput = "1000 kg/h"', 'throughput = "1 t/h"\nmoisture = "16 %"\ntemperature = "75 degC"'
    )
    found = faults_of(typed + both)
    assert {"limits.conditioning_water", "limits.conditioning_temperature"} == set(found)
    assert all("[conditioning]" in words for words in found.values())
    # low above high, above boiling, colder than the mash, and water alone hotter than that: in words
    found = faults_of(bare + RECIPE + STEAM + both.replace('["1 %", "3 %"]', '["3 %", "1 %"]'))
    assert "limits.conditioning_water" in found
    found = faults_of(bare + RECIPE + STEAM + both.replace("80 degC", "105 degC").replace('"60', '"20'))
    assert "limits.conditioning_temperature" in found and "steam only warms" in str(found)
    with pytest.raises(InputError) as raised:
        loads(bare + RECIPE + STEAM + both.replace("80 degC", "105 degC").replace('"60', '"20'))
    assert len(raised.value.faults) == 2 and "boiling" in str(raised.value)
    hot = STEAM + 'water_temperature = "95 degC"\n'
    found = faults_of(bare + RECIPE + hot + both.replace("3 %", "50 %").replace('"60', '"30'))
    assert "the most water alone" in found["limits.conditioning_temperature"]
    # without steam there is no temperature to set
    found = faults_of(bare + RECIPE + WET + both)
    assert "no steam" in found["limits.conditioning_temperature"]


def test_of_a_line_it_stands_beside_its_stages():
    opened = '[limits]\nconditioning_water = ["8 %", "18 %"]\n'
    case = loads(LINE + RECIPE + WET + opened)
    assert case.limits.conditioning_water == (0.08, 0.18)
    assert case.cooler.stages[0].limits.conditioning_water is None
    wrong = LINE.replace("[stage.limits]\n", '[stage.limits]\nconditioning_water = ["8 %", "18 %"]\n')
    assert "of no machine" in faults_of(wrong + RECIPE + WET)["stage.1.limits.conditioning_water"]
    found = faults_of(LINE + RECIPE + WET + opened + 'airflow = ["1 m3/h", "2 m3/h"]\n')
    assert "give it to its stage" in found["limits"]


def test_opened_alone_it_is_enough_and_the_command_says_how_much_less(tmp_path):
    text = COOLER.partition("[limits]")[0] + OUTSIDE + PRICES + RECIPE + STEAM
    file = tmp_path / "mill.toml"
    file.write_text(text + '[limits]\nconditioning_water = ["0 %", "4 %"]\n')
    answer = tmp_path / "answer.json"
    ran = CliRunner().invoke(app, ["settings", str(file), "--json", str(answer)])
    assert ran.exit_code == 0, ran.output
    told = json.loads(answer.read_text())
    (water,) = [one for one in told["conditioner"] if one["opened"]]
    assert water["name"] == "conditioning_water" and water["now"] == pytest.approx(0.02)
    more = 100 * (water["to"] - water["now"])
    words = f"In the conditioner: {abs(more):.1f} % of the mash {'more' if more > 0 else 'less'} water."
    assert words in ran.output and told["set"]["conditioning.water"] == f"{100 * water['to']:.9g} %"


@pytest.mark.thorough
def test_years_and_sizes_leave_the_conditioner_as_it_is():
    from coolsim.machines.conditioner import held

    case = case_of(COOLER, STEAM, conditioning_water=["0 %", "3 %"])
    assert held(case).limits.conditioning_water is None and held(held(case)) is not None


def test_what_is_opened_in_python_is_looked_at_too():
    case = case_of(COOLER, STEAM)
    limits = dataclasses.replace(case.limits, conditioning_temperature=(10.0, 120.0))
    with pytest.raises(InputError) as raised:
        coolsim.find_settings(dataclasses.replace(case, limits=limits))
    words = str(raised.value)
    assert "limits.conditioning_temperature" in words
    limits = dataclasses.replace(case.limits, conditioning_temperature=(10.0, 105.0))
    with pytest.raises(InputError) as raised:
        coolsim.find_settings(dataclasses.replace(case, limits=limits))
    assert "steam only warms" in str(raised.value) and "boiling" in str(raised.value)
    limits = dataclasses.replace(case.limits, conditioning_water=(0.03, 0.01))
    with pytest.raises(InputError, match="lowest comes first"):
        coolsim.find_settings(dataclasses.replace(case, limits=limits))


def test_what_follows_the_feed_is_not_called_as_given():
    """A belt of pinned depth runs slower with less wet feed: before, "0.310 … 0.30467 m/min as given"."""
    case = case_of(COOLER, STEAM, conditioning_water=["0 %", "3 %"])
    answer = coolsim.find_settings(case)
    speed = Setting(QUANTITIES["belt_speed"], step=DIALS["si"]["belt_speed"])
    depth = Setting(QUANTITIES["bed_depth"], step=DIALS["si"]["bed_depth"])
    chosen = (Chosen(speed, 0.31 / 60, 0.30467 / 60), Chosen(depth, 0.08, 0.08))
    told = to_set(case, dataclasses.replace(answer, chosen=chosen), Page())
    rows = [" ".join(line.split()) for line in told.splitlines()]
    assert "belt speed 0.310 m/min 0.305 m/min follows the feed" in rows
    assert "depth of the bed 8.0 cm 8.0 cm as given" in rows


def test_a_plan_of_settings_found_keeps_them():
    """Its throughput is left out; before, the scenario was read again and what had been set was lost."""
    text = COOLER.replace('throughput = "1000 kg/h"\n', "") + RECIPE + STEAM
    text += '[[equipment]]\nname = "mixer"\nbatch = "100 kg"\ncycle = "6 min"\n'
    case = replace(loads(text), {"limits.conditioning_water": ["0 %", "3 %"]})
    answer = coolsim.find_settings(case)
    plan = coolsim.plan(answer.case)
    assert plan.case.conditioning == answer.case.conditioning != case.conditioning
    assert plan.case.cooler == answer.case.cooler
    # 1000 kg/h of mash hold it back: as much feed as its solid has with that water
    solid = 1000.0 * 0.88 / 3600.0
    assert plan.throughput * (1 - plan.case.feed.moisture) == pytest.approx(solid, rel=1e-6)


def test_a_plan_of_settings_found_keeps_them_where_its_throughput_moves():
    """The press gives 900 kg/h of wet pellets, however wet: with less water that is more of the same mash."""
    text = COOLER.replace('throughput = "1000 kg/h"\n', "") + RECIPE + STEAM
    text += '[[equipment]]\nname = "press"\ncatch = ["2 kg", "8 s"]\n'
    case = replace(loads(text), {"limits.conditioning_water": ["0 %", "1 %"]})
    assert 3600 * case.feed.throughput == pytest.approx(900.0, rel=1e-9)
    answer = coolsim.find_settings(case)
    assert answer.case.feed.throughput < case.feed.throughput * 0.995  # the same mash, with less water in it
    plan = coolsim.plan(answer.case)
    assert plan.case.conditioning == answer.case.conditioning != case.conditioning
    assert plan.case.cooler == answer.case.cooler
    assert 3600 * plan.throughput == pytest.approx(900.0, rel=1e-6)
    # settings are of the same mash, so that typed back they are at its throughput, not at the press's
    back = typed_back(case, answer.case)
    assert back["feed.throughput"] == f"{3600 * answer.case.feed.throughput:.9g} kg/h"
    again = coolsim.predict(replace(case, back)).pellets_out.moisture_wb
    assert again == pytest.approx(answer.result.pellets_out.moisture_wb, abs=1e-8)
