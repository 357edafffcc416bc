"""Tables before and behind the cooler: what follows from them, what is typed, and what is said of slips."""

from __future__ import annotations

import dataclasses
import re
import time

import numpy as np
import pytest
from plan.mill import BARE, EQUIPMENT, RECIPE, TYPED, WAY

import coolsim
from coolsim.case.streams import Air
from coolsim.physics import conditioning, pellet
from coolsim.physics.materials import load_material
from coolsim.scenario import loads, replace
from coolsim.scenario.echo import inputs
from coolsim.simulate.feed_following import conditioned_otherwise, in_air, in_air_each
from coolsim.support.errors import InputError


def case_of(feed=TYPED, more=""):
    return loads(BARE.format(feed=feed) + more)


def faults(text):
    with pytest.raises(InputError) as raised:
        loads(text)
    return {f.key: f for f in raised.value.faults}


def test_recipe_steam_and_die_give_the_feed():
    case = case_of('throughput = "600 kg/h"', RECIPE)
    pig = load_material("pig-pellets")
    # by hand, step by step: .6 · 13 + .4 · 11 = 12.2 %; steam of 101.325 kPa; .3 of 15 kWh/t = 16.2 kJ/kg
    X = 0.122 / 0.878
    steam = conditioning.steam_taken(
        pig.isotherm, pig.specific_heat, X, 25.0, 80.0, conditioning.steam_enthalpy(101_325.0, 1.0)
    )
    M = (X + steam) / (1 + X + steam)
    assert case.feed.moisture == pytest.approx(M, rel=1e-12)
    warm = 16.2e3 / ((1 - M) * pig.specific_heat + M * 4186.0)
    assert case.feed.temperature == pytest.approx(80.0 + warm, abs=1e-6)
    assert [s.place for s in case.arrival.states] == ["mash", "conditioned", "die", "cooler"]
    coolsim.predict(case)


def test_water_without_steam():
    wet = RECIPE.replace('temperature = "80 degC"', 'water = "19 %"\nwater_temperature = "60 degC"')
    case = case_of('throughput = "600 kg/h"', wet)
    # by hand: (12.2 + 19)/119 wet
    assert case.arrival.states[1].moisture == pytest.approx(0.312 / 1.19, rel=1e-12)
    assert 25.0 < case.arrival.states[1].temperature < 40.0


def test_the_conditioner_that_brings_the_feed_to_a_moisture():
    # water alone, by hand: (12.2 + w)/(100 + w) = 18 % needs w = 5.8/.82 = 7.07 % of the mash
    wet = RECIPE.replace('temperature = "80 degC"', 'water = "19 %"').partition("[die]")[0]
    case = case_of('throughput = "600 kg/h"', wet)
    other = conditioned_otherwise(case, 0.18)
    assert other.water == pytest.approx(0.058 / 0.82, abs=1e-8) and other.temperature is None
    # steam: half a point drier than now takes a colder conditioner, which then gives just that
    case = case_of('throughput = "600 kg/h"', RECIPE)
    other = conditioned_otherwise(case, case.feed.moisture - 0.005)
    assert other.water == 0.0 and 60.0 < other.temperature < 80.0
    again = replace(case, {"conditioning.temperature": f"{other.temperature:.9f} degC"})
    # about: what die and way lose is taken to stay
    assert again.feed.moisture == pytest.approx(case.feed.moisture - 0.005, abs=2e-4)
    assert conditioned_otherwise(case, 0.05) is None and conditioned_otherwise(case_of(), 0.12) is None


def test_a_way_of_no_time_or_air_changes_nothing():
    plain = case_of('throughput = "600 kg/h"', RECIPE)
    for way in ('[way]\ntime = "0 s"\nair = "5 kg/kg"\n', '[way]\ntime = "20 s"\nair = "0 kg/kg"\n'):
        assert case_of('throughput = "600 kg/h"', RECIPE + way).feed == plain.feed
    # and where all is typed, today's answer to the bit
    today = coolsim.predict(case_of())
    for more in ('[way]\ntime = "0 s"\nair = "5 kg/kg"\n', WAY, '[bag]\nmass = "25 kg"\n', EQUIPMENT):
        now = coolsim.predict(case_of(more=more))
        assert now.pellets_out == today.pellets_out and now.air_out == today.air_out


def test_what_is_typed_wins_and_the_difference_stays():
    case = case_of(TYPED, RECIPE + WAY)
    computed = case_of('throughput = "600 kg/h"', RECIPE + WAY)
    assert (case.feed.moisture, case.feed.temperature) == (0.155, 80.0)
    assert case.arrival.moisture_offset == 0.155 - computed.feed.moisture
    cold = Air(0.0, 0.8)
    both = [coolsim.predict(one, air=cold).feed_in for one in (case, computed)]
    assert both[0].temperature - both[1].temperature == pytest.approx(
        80.0 - computed.feed.temperature, abs=1e-9
    )
    assert both[1].temperature < computed.feed.temperature  # colder air on the way


def test_weather_acts_on_the_way_alike_in_every_form():
    """One solve over arrays of air, case by case, and the scenario typed anew."""
    case = case_of('throughput = "600 kg/h"', RECIPE + WAY)
    T, RH = np.array([-5.0, 20.0, 36.0]), np.array([0.8, 0.65, 0.5])
    many = coolsim.predict(case, air=Air(T, RH)).pellets_out
    each = coolsim.predict([dataclasses.replace(case, air=Air(*map(float, a))) for a in zip(T, RH)])
    assert many.moisture_wb == pytest.approx(each.pellets_out.moisture_wb, abs=1e-8)
    typed = replace(case, {"air.temperature": "36 degC", "air.relative_humidity": "50 %"})
    assert coolsim.predict(typed).pellets_out.moisture_wb == pytest.approx(many.moisture_wb[2], abs=1e-8)


def test_what_is_set_stays_when_the_weather_moves():
    """A feed that a study makes wetter is so in every air: what the air changes is added to it."""
    case = case_of('throughput = "600 kg/h"', RECIPE + WAY)
    wetter = dataclasses.replace(
        case, feed=dataclasses.replace(case.feed, moisture=case.feed.moisture + 0.01)
    )
    cold = Air(-5.0, 0.8)
    both = coolsim.predict([dataclasses.replace(c, air=cold) for c in (case, wetter)]).feed_in
    assert both.moisture_wb[1] - both.moisture_wb[0] == pytest.approx(0.01, abs=1e-12)
    assert both.temperature[1] == both.temperature[0] != case.feed.temperature


DRYER = """
[cooler]
arrangement = "batch"
floor_area = "2 m2"
bed_depth = "8 cm"
duration = "15 min"
airflow = "2500 m3/h"
inlet_air_temperature = "60 degC"
"""


def test_weather_acts_on_the_feed_of_dryers_and_lines():
    outside = BARE.partition("[cooler]")[0].format(feed='throughput = "100 kg/h"')
    dryer = loads(outside + DRYER + RECIPE + WAY)
    stages = DRYER.replace("[cooler]", '[[stage]]\nname = "dryer"')
    stages += '[[stage]]\nname = "cooler"\nfloor_area = "0.1 m2"\nbed_depth = "0.4 m"\nairflow = "150 m3/h"\n'
    for case in (dryer, loads(outside + stages + RECIPE + WAY)):
        T, RH = np.array([2.0, 20.0, 34.0]), np.array([0.8, 0.65, 0.5])
        many = coolsim.predict(case, air=Air(T, RH)).pellets_out.moisture_wb
        each = [
            coolsim.predict(
                replace(case, {"air.temperature": f"{t} degC", "air.relative_humidity": f"{100 * h} %"})
            ).pellets_out.moisture_wb
            for t, h in zip(T, RH)
        ]
        assert many == pytest.approx(each, abs=2e-5)  # meshes are chosen side by side


def test_many_weathers_are_as_quick_as_one_way():
    case = case_of('throughput = "600 kg/h"', RECIPE + WAY)
    many = [dataclasses.replace(case, air=Air(float(t), 0.6)) for t in np.linspace(-5, 35, 200)]
    began = time.perf_counter()
    moved = in_air_each(many)
    assert time.perf_counter() - began < 3.0  # 200 ways one by one: half a minute
    one = in_air(many[77])
    assert moved[77].feed.moisture == pytest.approx(one.feed.moisture, abs=1e-10)
    assert moved[77].feed.temperature == pytest.approx(one.feed.temperature, abs=1e-7)
    # each of another material, as samples of what is not known are
    unlike = [
        dataclasses.replace(c, material=dataclasses.replace(c.material, specific_heat=1700.0 + k))
        for k, c in enumerate(many)
    ]
    began = time.perf_counter()
    moved = in_air_each(unlike)
    assert time.perf_counter() - began < 6.0
    assert moved[40].feed.moisture == pytest.approx(in_air(unlike[40]).feed.moisture, abs=1e-10)


def test_moisture_sampled_at_the_die():
    at_die = case_of(TYPED + '\nsampled_at = "die"', WAY)
    assert at_die.feed.temperature < 75.0 and at_die.feed.moisture < 0.155
    at_cooler = case_of(TYPED + '\nsampled_at = "cooler"', WAY)
    assert at_cooler.feed == case_of().feed
    # with a recipe, the moisture of the sample and the temperature that is computed
    both = case_of('throughput = "600 kg/h"\nmoisture = "16 %"\nsampled_at = "die"', RECIPE)
    assert both.feed.moisture == 0.16 and both.feed.temperature > 85.0


def test_water_and_energy_from_mash_to_bag_close_in_one_datum():
    """Conditioning, die and cooler: what went in comes out, per kg of dry solid, by the states alone."""
    case = case_of('throughput = "600 kg/h"', RECIPE)
    pig, states = case.material, {s.place: s for s in case.arrival.states}

    def H(M, T):
        X = M / (1 - M)
        return pellet.enthalpy(pig.specific_heat, X, T, pellet.bound_water_heat(pig.isotherm, X))

    mash, wet, die = states["mash"], states["conditioned"], states["die"]
    X_0, X_1 = mash.moisture / (1 - mash.moisture), wet.moisture / (1 - wet.moisture)
    heat = H(mash.moisture, mash.temperature) + (X_1 - X_0) * conditioning.steam_enthalpy(101_325.0, 1.0)
    assert H(wet.moisture, wet.temperature) == pytest.approx(heat, rel=1e-10)
    heat += 0.3 * 54e3 * (1 + X_1)
    assert H(die.moisture, die.temperature) == pytest.approx(heat, rel=1e-10)
    accuracy = coolsim.predict(case).accuracy
    assert abs(accuracy.water_imbalance) < 1e-8 and abs(accuracy.energy_imbalance) < 1e-8


def test_throughput_that_is_left_out_is_that_of_the_bottleneck():
    case = case_of('temperature = "80 degC"\nmoisture = "15.5 %"', EQUIPMENT)
    assert 3600 * case.feed.throughput == pytest.approx(168.0, rel=1e-12)  # issue: 2.1 kg in 45 s
    assert inputs(case)["equipment.2.catch"] == "2.1 kg 0.75 min"
    faster = replace(case, {"equipment.2.catch": ["21 kg", "45 s"]})
    assert 3600 * faster.feed.throughput == pytest.approx(600.0, rel=1e-12)  # the mixer: 40 kg in 4 min


def test_with_steam_the_throughput_is_that_of_the_pellets():
    """A mixer of 600 kg/h of mash of 12.2 %: the same dry solid reaches the cooler, wetter."""
    more = RECIPE + EQUIPMENT.replace('"2.1 kg"', '"210 kg"')
    case = case_of("", more)
    solid = case.feed.throughput * (1 - case.feed.moisture)
    assert 3600 * solid == pytest.approx(600 * (1 - 0.122), rel=1e-9)


def test_slips_are_told_all_at_once():
    text = BARE.format(feed=TYPED) + RECIPE.replace("40 %", "55 %").replace("80 degC", "105 degC")
    text = text.replace("0.25 EUR", "0.25 USD") + '[costs]\nelectricity = "0.2 EUR/kWh"\n'
    text += EQUIPMENT.replace('machine = "cooler"', 'machine = "drum"').replace('cycle = "4 min"', "")
    found = faults(text)
    assert (
        "115 %" in found["recipe.ingredient"].found
        and "maize meal 60 %" in found["recipe.ingredient"].allowed
    )
    assert "boiling" in found["conditioning.temperature"].allowed
    assert "one currency" in found["recipe.ingredient.1.price"].allowed
    # what hangs on right numbers is told once these are right
    found = faults(
        BARE.format(feed=TYPED)
        + EQUIPMENT.replace('"cooler"\ncap', '"drum"\ncap').replace('cycle = "4 min"', "")
    )
    assert set(found) == {"equipment.1.cycle", "equipment.3.machine"}
    assert "cooler, coating" in found["equipment.3.machine"].allowed


@pytest.mark.parametrize(
    "more, key, words",
    [
        (RECIPE.replace("80 degC", "20 degC"), "conditioning.temperature", "no less than the mash"),
        ('[conditioning]\ntemperature = "80 degC"\n', "conditioning", "needs the mash"),
        ('[recipe]\ntemperature = "20 degC"\n', "recipe.ingredient", "one [[recipe.ingredient]] or more"),
        ('[way]\ntime = "15 s"\n', "way.air", "it is needed"),
        ('[shift]\nbreaks = [["4 h", "30 min"], ["4.2 h", "5 min"]]\n', "shift.breaks", "has ended"),
        ('[shift]\nbreaks = "noon"\n', "shift.breaks", "pairs [after, how long]"),
        ('[shift]\nbreaks = [["9 h", "30 min"]]\n', "shift.breaks", "the shift ends, which is after 8 h (assumed)"),
        ('[shift]\nhours = "4 h"\nbreaks = [["4 h", "30 min"]]\n', "shift.breaks", "which is after 4 h"),
        (RECIPE.replace('80 degC"', '80 degC"\nsteam_pressure = "50 kPa"'), "conditioning.steam_pressure", "gauge"),
        ('[target]\nmoisture = "12 %"\nno_sweating = "yes"\n', "target.no_sweating", "true or false"),
        ('[target]\nmoisture = "12 %"\nno_sweating = true\n', "target.no_sweating", "needs [bag]"),
        ('[bag]\nmass = 25\n', "bag.mass", "unit in quotes"),
        ('[coating]\noil = "80 %"\n', "coating.oil", "allowed is 0 % to 60 %"),
        ('[[equipment]]\nname = "mixer"\n', "equipment.1.capacity", "it is needed"),
        ('[[equipment]]\nname = "mixer"\ncatch = ["2 kg"]\n', "equipment.1.catch", "[mass, in this time]"),
        ('[[equipment]]\nname = "a"\ncapacity = "5 t/h"\n' * 2, "equipment.2.name", "has this name"),
        ('[equipment]\nname = "mixer"\n', "equipment", "[[equipment]]"),
    ],
)  # fmt: skip
def test_words_for_slips(more, key, words):
    found = faults(BARE.format(feed=TYPED) + more)
    assert key in found and words in found[key].allowed, found


def test_who_types_fahrenheit_is_answered_in_it():
    found = faults(BARE.format(feed=TYPED) + RECIPE.replace("80 degC", "220 degF"))[
        "conditioning.temperature"
    ]
    # boiling at 101.325 kPa: 99.97 °C by the 1995 steam tables
    assert "220.00 °F" in found.found and "211.95 °F" in found.allowed
    cold = faults(BARE.format(feed=TYPED) + RECIPE.replace("80 degC", "60 degF"))["conditioning.temperature"]
    assert "60.00 °F" in cold.found and "77.00 °F" in cold.allowed  # mash of 25 °C


def test_a_feed_that_cannot_be_is_told_of_what_makes_it():
    """All the work of 200 kWh/t stays in the feed: nobody typed a feed.temperature that could be wrong."""
    hot = RECIPE.replace("15 kWh/t", "200 kWh/t") + 'heat_to_feed = "100 %"\n'
    found = faults(BARE.format(feed='throughput = "600 kg/h"') + hot)
    assert set(found) == {"die"}
    assert (
        "degC of the feed, as computed" in found["die"].found and "0 degC to 180 degC" in found["die"].allowed
    )
    # what is typed there wins
    assert case_of('throughput = "600 kg/h"\ntemperature = "90 degC"', hot).feed.temperature == 90.0


def test_a_typed_feed_far_from_its_recipe_is_doubted():
    def doubts(case):
        return [w.text for w in coolsim.predict(case).warnings if "as typed" in w.text]

    computed = case_of('throughput = "600 kg/h"', RECIPE + WAY).feed.moisture
    (words,) = doubts(case_of('throughput = "600 kg/h"\nmoisture = "12 %"', RECIPE + WAY))
    off = 100 * (computed - 0.12)
    assert words.startswith(f"the feed's moisture as typed, 12.0 %, is {off:.1f} points below what")
    assert not doubts(case_of('throughput = "600 kg/h"\nmoisture = "14.5 %"', RECIPE + WAY))
    die = '\nsampled_at = "die"'
    (words,) = doubts(case_of(f'throughput = "600 kg/h"\nmoisture = "20 %"{die}', RECIPE + WAY))
    assert "points above what" in words and words.startswith("the feed's moisture as typed, 20.0 %,")
    (words,) = doubts(case_of('throughput = "600 kg/h"\ntemperature = "60 degC"', RECIPE + WAY))
    assert words.startswith("the feed's temperature as typed, 60 °C (140 °F), is ") and "K" in words


def test_a_line_without_any_capacity_needs_a_throughput():
    text = BARE.format(feed='temperature = "80 degC"\nmoisture = "15.5 %"')
    found = faults(text + '[[equipment]]\nname = "cooler"\nmachine = "cooler"\n')
    assert "[[equipment]] with capacity" in found["feed.throughput"].allowed
    assert "it is needed" in faults(text)["feed.throughput"].allowed


def test_die_that_is_sampled_needs_a_way():
    found = faults(BARE.format(feed=TYPED + '\nsampled_at = "die"'))
    assert "[way]" in found["feed.sampled_at"].allowed


def test_echo_reads_back_to_the_same_feed():
    case = case_of('throughput = "600 kg/h"', RECIPE + WAY + EQUIPMENT)
    text = inputs(case)
    assert text["recipe.ingredient.1.price"] == "0.25 /kg" and text["way.time"] == "0.25 min"
    assert re.match(r"15\.\d+ %", text["feed.moisture"])
    typed = [f'{key} = "{text[f"feed.{key}"]}"' for key in ("throughput", "moisture", "temperature")]
    again = case_of("\n".join(typed), RECIPE + WAY + EQUIPMENT)
    assert again.feed.moisture == pytest.approx(case.feed.moisture, rel=1e-11)


def test_cases_made_in_python_are_checked_too():
    case = case_of(more=EQUIPMENT)
    bad = dataclasses.replace(case, equipment=(dataclasses.replace(case.equipment[0], batch=-1.0),))
    with pytest.raises(InputError, match=r"equipment\.1\.batch"):
        coolsim.predict(bad)
