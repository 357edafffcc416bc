"""[coating] and [bag] in predictions, settings, sizes and years: one list of constraints."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest
from plan.mill import BARE, TYPED
from shipped import level

import coolsim
from coolsim.case.line_parts import Bag
from coolsim.case.tables import Target
from coolsim.machines import appraised, machine_of
from coolsim.physics import air, coating
from coolsim.physics.sorption import equilibrium_moisture, water_activity
from coolsim.scenario import loads, replace
from coolsim.simulate.bagging_cautions import is_urgent, unfit
from coolsim.simulate.cautions import MOULDY
from coolsim.simulate.finishing import uncoated
from coolsim.simulate.prediction import with_surroundings
from coolsim.simulate.requirements import constraints_of
from coolsim.simulate.verdicts import verdicts_of

SCENARIOS = Path(__file__).parents[2] / "scenarios"
TARGET = """
[target]
moisture = "12 %"
tolerance = "0.4 %"
maximum_above_ambient = "6 K"
maximum_water_activity = 0.65
"""
COAT = '[coating]\noil = "25 %"\n'
BAG = '[bag]\nmass = "25 kg"\ncoldest_store = "12 degC"\n'
OPENED = """
[limits]
airflow = ["600 m3/h", "2000 m3/h"]
bed_depth = ["0.3 m", "1.1 m"]
[costs]
electricity = "0.15 /kWh"
feed = "0.4 /kg"
"""


def case_of(more):
    return loads(BARE.format(feed=TYPED) + more)


def bounds(case):
    return {c.name: c.bound for c in constraints_of(case) if c.of_target}


def test_a_target_of_coated_pellets_is_solved_backwards():
    plain, coated = bounds(case_of(TARGET)), bounds(case_of(TARGET + COAT))
    # model page §12: 12 % with 25 % of oil is 15 % before; the band widens by 1.25, oil leaves the water activity
    assert coated["moisture"] == pytest.approx(0.124 * 1.25, rel=1e-14)
    assert coated["lowest_moisture"] == pytest.approx(0.116 * 1.25, rel=1e-14)
    assert coated["water_activity"] == plain["water_activity"] == 0.65
    assert plain["moisture"] == 0.124  # to the bit as ever
    # reckoned into the target, as sizes and pictures have it, it is the same
    assert bounds(uncoated(case_of(TARGET + COAT))) == pytest.approx(coated, rel=1e-12)
    # a slurry's water, where nobody types a water activity: moulds would be active above .70 once coated
    slurry = case_of('[target]\nmoisture = "12 %"\n[coating]\nwater = "2 %"\n')
    assert bounds(uncoated(slurry)) == pytest.approx(bounds(slurry), rel=1e-12)
    assert bounds(slurry)["water_activity"] < 0.65 and not bounds(uncoated(case_of(COAT)))
    # warm oil warms: pellets must leave cooler than what the coated may be (20 °C outside, oil of 40 °C)
    assert coated["above_ambient"] < plain["above_ambient"]
    case = case_of(TARGET + COAT)
    X, T = 0.15 / 0.85, 20.0 + coated["above_ambient"]
    material = case.material
    after = coating.temperature_after(case.coating.coat, material.isotherm, material.specific_heat, X, T)
    assert after == pytest.approx(26.0, abs=1e-9)


def test_water_of_a_slurry_counts_in_the_water_activity():
    case = case_of(TARGET + '[coating]\noil = "3 %"\nwater = "2 %"\n')
    before = bounds(case)["water_activity"]
    # pellets that are just there: their water with that of the slurry is at .65 (25 °C, where it is judged)
    isotherm = case.material.isotherm
    X = np.linspace(0.05, 0.2, 2001)
    at = float(np.interp(before, water_activity(isotherm, X, 25.0), X))
    assert water_activity(isotherm, at + 0.02 * (1 + at), 25.0) == pytest.approx(0.65, abs=1e-4)


def test_verdicts_are_on_what_leaves_and_told_once_coated():
    case = case_of(TARGET + COAT + BAG)
    result = coolsim.predict(case)
    verdict = next(v for v in verdicts_of(case, result) if v.constraint.name == "moisture")
    assert verdict.value == result.pellets_out.moisture_wb
    assert verdict.met == (result.coated.moisture_wb <= 0.124 + 1e-8)
    notes = " ".join(w.text for w in result.warnings)
    assert "12 % is of the coated pellets: 15 % before" in notes and "water activity of 0." in notes


def test_no_sweating_is_a_wish():
    more = TARGET + "no_sweating = true\n" + BAG
    case = case_of(more)
    assert bounds(case)["headspace_dew_point"] == 12.0
    result = coolsim.predict(case)
    verdict = next(v for v in verdicts_of(case, result) if v.constraint.name == "headspace_dew_point")
    assert verdict.value == pytest.approx(result.bag.dew_point, rel=1e-12)
    assert verdict.met is not bool(result.bag.sweats)
    # by hand: a_w p_sat of evened-out pellets, and the temperature at which that saturates
    even = result.after_equalising
    vapour = even.water_activity * air.saturation_pressure(even.temperature)
    assert air.saturation_pressure(verdict.value) == pytest.approx(vapour, rel=1e-9)
    assert "bags may sweat" in " ".join(w.text for w in result.warnings)
    # without the wish it is a check only; a store as warm as the dew point is warm enough
    assert "headspace_dew_point" not in bounds(case_of(TARGET + BAG))
    warm = coolsim.predict(replace(case, {"bag.coldest_store": f"{float(verdict.value) + 1e-6:.9f} degC"}))
    assert not bool(warm.bag.sweats)


def test_the_warmest_pellet_is_right_at_the_edge():
    case = case_of(BAG)
    bag = coolsim.predict(case).bag
    X = coolsim.predict(case).pellets_out.moisture_db
    vapour = water_activity(case.material.isotherm, X, bag.warmest_pellet) * air.saturation_pressure(
        bag.warmest_pellet
    )
    assert vapour == pytest.approx(air.saturation_pressure(12.0), rel=1e-7)


def test_a_store_below_freezing_counts_over_ice():
    case = case_of(BAG.replace("12 degC", "-8 degC") + 'store_temperature = "-8 degC"\n')
    bag, X = coolsim.predict(case).bag, coolsim.predict(case).pellets_out.moisture_db
    over = air.saturation_pressure(-8.0) / air.saturation_pressure_ice(-8.0)
    assert bag.water_activity_in_store == pytest.approx(
        over * water_activity(case.material.isotherm, X, -8.0), rel=1e-12
    )


def test_settings_of_coated_pellets_are_those_of_the_target_before():
    """25 % of oil and 12 %, or no oil, 15 % and pellets worth 1.25 as much: the same settings and cost."""
    wish = '[target]\nmoisture = "11.2 %"\n'
    coated = coolsim.find_settings(case_of(wish + COAT + OPENED))
    plain = coolsim.find_settings(case_of(wish.replace("11.2", "14") + OPENED.replace("0.4 /kg", "0.5 /kg")))
    assert coated.met and plain.met
    assert coated.settings == plain.settings
    assert coated.cost.total == pytest.approx(plain.cost.total, rel=1e-9)


def test_settings_keep_pellets_from_sweating():
    wish = '[target]\nmoisture = "14 %"\n'
    free = coolsim.find_settings(case_of(wish + OPENED + BAG))
    dew = coolsim.predict(free.case).bag.dew_point
    # half a kelvin colder than what the cheapest would stand
    film = f"{float(dew) - 0.5:.4f} degC"
    kept = coolsim.find_settings(
        case_of(wish + "no_sweating = true\n" + OPENED + BAG.replace("12 degC", film))
    )
    assert kept.met and kept.settings != free.settings
    assert coolsim.predict(kept.case).bag.dew_point <= float(dew) - 0.5 + 1e-5
    assert kept.cost.total > free.cost.total


def test_many_cases_and_lines_are_judged_alike():
    case = level("dryer-then-cooler")
    case = replace(case, {"bag.mass": "25 kg", "bag.coldest_store": "20 degC", "target.no_sweating": True})
    machine = machine_of(case)
    found = appraised(machine, [case, case], quick=True)
    one = coolsim.predict(case)
    assert found.values["headspace_dew_point"] == pytest.approx(float(one.bag.dew_point), abs=1.0)


@pytest.mark.thorough
def test_a_size_for_coated_pellets_is_that_for_the_target_before():
    """Oil of 4 %: moisture and tolerance are 1.04 times as much before it, and a kg of pellets sells as 1.04 kg."""
    case = level("cooler-to-buy")
    before = replace(
        case, {"target.moisture": "11.7 %", "target.tolerance": "0.4 %", "costs.feed": "0.832 /kg"}
    )
    after = replace(
        case,
        {
            "target.moisture": f"{11.7 / 1.04:.14g} %",
            "target.tolerance": f"{0.4 / 1.04:.14g} %",
            "costs.feed": "0.8 /kg",
            "coating.oil": "4 %",
            "coating.oil_temperature": "20 degC",
        },
    )
    plain, oily = (
        coolsim.size(dataclasses.replace(c, target=dataclasses.replace(c.target, maximum_above_ambient=None)))
        for c in (before, after)
    )
    assert plain.met and oily.met
    # the same search, by numbers that differ by rounding
    assert oily.floor_area == pytest.approx(plain.floor_area, rel=1e-9)
    for one, other in zip(oily.served, plain.served):
        assert one.cost_per_tonne == pytest.approx(other.cost_per_tonne, rel=1e-6)
        assert one.exact_cost_per_tonne == pytest.approx(other.exact_cost_per_tonne, rel=1e-5)


def test_a_year_counts_hours_in_which_bags_may_sweat():
    """Hour by hour as predictions of those hours have it."""
    from coolsim.scenario.weather.record import Weather

    case = level("humid-delta")
    case = replace(case, {"bag.mass": "25 kg", "bag.coldest_store": "26 degC", "target.no_sweating": True})
    case = dataclasses.replace(case, target=dataclasses.replace(case.target, maximum_above_ambient=None))
    T = np.linspace(12.0, 34.0, 24)
    outside = coolsim.Air(T, np.full(24, 0.7), np.full(24, 101_325.0))
    time = np.datetime64("2023-05-01T00") + np.arange(24) * np.timedelta64(1, "h")
    columns = (outside.temperature, outside.relative_humidity, outside.pressure)
    weather = Weather("made", "", time, np.full(24, np.nan), 1.0, *columns, np.arange(24), ())
    year = coolsim.seasons(case, weather=weather, chart=False)
    dew = coolsim.predict(case, air=outside).bag.dew_point
    assert 0 < (dew > 26.0).sum() < 24
    assert list(year.strategies[0].hours.too_warm) == list(dew > 26.0)


def cautions_of(case, start=""):
    return [w for w in coolsim.predict(case).warnings if w.text.startswith(start)]


def test_slurry_that_wakes_moulds_is_told_first():
    """3 % of water on pellets at .69 make .8 and more; before, the caution asked the pellets without it."""
    case = level("mill-line")
    assert any("above the 0.65 that common practice keeps to" in w.text for w in cautions_of(case))
    wet = replace(case, {"coating.water": "3 %"})
    result = coolsim.predict(wet)
    assert float(result.coated.water_activity) > 0.75
    (words,) = cautions_of(wet, "water activity")
    assert words.text.endswith(MOULDY) and is_urgent(words)
    # judged is the mean here, as of the coat
    assert f"water activity {float(result.coated.water_activity):.2f} in store" in words.text
    # what is told of wishes: the same bound before and after
    isotherm, store = case.material.isotherm, float(result.in_store.temperature)
    (bound,) = [c.bound for c in unfit(dataclasses.replace(wet, target=Target(), bag=Bag()))]
    X = equilibrium_moisture(isotherm, bound, store)
    assert water_activity(isotherm, X + 0.03 * (1 + X), store) == pytest.approx(0.70, abs=1e-9)


def test_a_warm_store_of_bags_is_judged_at_its_own_temperature():
    """Kept at 45 °C pellets are moister air than at 25 °C, where laboratories measure; before, .61 was silent."""
    case = replace(
        level("mill-line"), {"recipe.ingredient.1.moisture": "11.8 %", "bag.store_temperature": "45 degC"}
    )
    result = coolsim.predict(case)
    judged, kept = float(result.in_store.water_activity), float(result.bag.water_activity_in_store)
    assert 0.61 < judged < 0.65 < 0.70 < kept
    (words,) = cautions_of(case, "water activity")
    assert "in the store of [bag]" in words.text and words.text.endswith(MOULDY) and is_urgent(words)
    # a little cooler: a few grow, which nothing else says below .65
    mild = replace(case, {"bag.store_temperature": "25 degC"})
    assert (
        "below 0.70, from where moulds are active, but a few grow from 0.61 on"
        in cautions_of(mild, "water activity")[0].text
    )


def test_a_store_far_below_the_isotherm_is_doubted():
    farm = replace(level("farm-line"), {"bag.coldest_store": "-8 degC", "bag.store_temperature": "-8 degC"})
    (words,) = cautions_of(farm, "water activity in store, at -8 °C (18 °F)")
    assert "warmest to bag at" in words.text and "40 to 90 °C" in words.text and "too low" in words.text
    assert not cautions_of(level("farm-line"), "water activity in store, at")
    assert not cautions_of(level("mill-line"), "water activity in store, at")


def test_a_material_of_ones_own_is_warned_of_its_bags_too():
    """With nothing assumed there was no other warning, and then none of the bags either."""
    case = replace(level("mill-line"), {"bag.coldest_store": "2 degC"})
    known = {n: dataclasses.replace(p, assumed=False) for n, p in case.material.provenance.items()}
    case = dataclasses.replace(case, material=dataclasses.replace(case.material, provenance=known))
    result = dataclasses.replace(coolsim.predict(case), warnings=(), bag=None)
    assert any(w.text.startswith("bags may sweat") for w in with_surroundings(case, result).warnings)


def test_wishes_are_told_as_before_the_coat():
    case = case_of(TARGET + '[coating]\noil = "3 %"\nwater = "2 %"\n')
    (note,) = cautions_of(case, "the target of 12 % is of the coated pellets")
    found = bounds(case)
    assert f"0.65 in store is {found['water_activity']:.3f} before" in note.text
    warm = found["above_ambient"]
    assert f"6.0 K (10.8 °F) above the air outside is {warm:.1f} K ({1.8 * warm:.1f} °F) before" in note.text


def test_who_cannot_cool_so_far_is_told_of_the_store():
    """In air of 16 °C nobody cools pellets to some 3 °C: what remains is the store, or drier pellets."""
    (words,) = cautions_of(replace(level("mill-line"), {"bag.coldest_store": "-5 degC"}), "bags may sweat")
    assert "Bag at no more than" not in words.text
    point = float(coolsim.predict(level("mill-line")).bag.dew_point)  # below it the gas in the bag gets wet
    assert (
        f"Keep the store above {point:.1f} °C ({1.8 * point + 32:.1f} °F) for two days, or dry" in words.text
    )
    # a kelvin is soon cooled away
    (words,) = cautions_of(replace(level("mill-line"), {"bag.coldest_store": "11.8 degC"}), "bags may sweat")
    assert "Bag at no more than 18." in words.text and f"or keep the store above {point:.1f}" in words.text


def test_a_dew_point_is_told_apart_from_the_film_that_it_passes():
    case = level("mill-line")
    point = float(coolsim.predict(case).bag.dew_point)
    tight = replace(case, {"bag.coldest_store": f"{point - 0.004:.6f} degC"})
    (words,) = cautions_of(tight, "bags may sweat")
    gas, film = (float(x) for x in re.findall(r"(-?[0-9.]+) °C", words.text)[:2])
    assert gas > film


def test_a_mash_as_warm_as_the_air_is_told():
    words = "recipe.temperature is not given"
    assert cautions_of(level("farm-line"), words) and not cautions_of(level("mill-line"), words)
