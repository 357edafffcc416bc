"""A plan of a whole scenario: capacities, the bottleneck, masses and costs by hand, words."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import pytest
from plan.mill import BARE, EQUIPMENT, RECIPE, TYPED, WAY
from shipped import level, level_text

import coolsim
from coolsim.case.case import Air, Conditioning
from coolsim.physics import air
from coolsim.scenario import loads, replace
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
OPEN = 'temperature = "80 degC"\nmoisture = "15.5 %"'
PRICES = '[costs]\nelectricity = "0.20 EUR/kWh"\nheat = "0.05 EUR/kWh"\nfeed = "0.40 EUR/kg"\n'
BAG = '[bag]\nmass = "25 kg"\n'


def planned(feed=OPEN, more="", **changes):
    case = loads(BARE.format(feed=feed) + more)
    return coolsim.plan(replace(case, changes) if changes else case)


def test_a_timed_catch_holds_the_line_back():
    plan = planned(more=EQUIPMENT + BAG)
    mixer, press, cooler = plan.equipment
    assert plan.bottleneck == "press" and 3600 * plan.throughput == pytest.approx(168.0, rel=1e-12)
    assert 3600 * mixer.capacity == pytest.approx(600.0) and mixer.load == pytest.approx(168 / 600)
    assert press.load == pytest.approx(1.0) and 3600 * cooler.capacity == pytest.approx(5000.0)
    out = plan.result.pellets_out.moisture_wb
    # by hand: the first mix is done after 4 min, then 168 kg/h are pressed and cooled for what is left of 8 h
    dwell = plan.result.bed.residence_time
    fed = 168.0 * (8 - 4 / 60 - dwell / 3600)
    assert plan.shift.bagged == pytest.approx(fed * 0.845 / (1 - out), rel=1e-9)
    assert plan.shift.bags == int(plan.shift.bagged / 25)
    assert plan.shift.water_lost == pytest.approx(fed * (1 - 0.845 / (1 - out)), rel=1e-9)
    # mixes begin whenever 168 kg/h have used up 40 kg: 0, 14.3 … 480 min
    assert plan.shift.input == 34 * 40.0 and plan.shift.batches == mixer.batches == 34
    assert plan.shift.per_year == pytest.approx(250 * plan.shift.bagged)


def test_a_timed_catch_is_of_the_pellets_that_run_out():
    """Weighed behind the die they have the steam in them: 168 kg/h of pellets are fewer of mash."""
    plan = planned(feed="", more=RECIPE + EQUIPMENT)
    # without a way what runs out of the die is what comes to the cooler
    assert 3600 * plan.throughput == pytest.approx(168.0, rel=1e-9)
    at = {s.place: s.moisture for s in plan.before}
    mash = 168.0 * (1 - at["die"]) / (1 - 0.122)
    assert 3600 * plan.equipment[1].capacity == pytest.approx(mash, rel=1e-9)  # of what enters
    # on a way they lose water after they were weighed
    plan = planned(feed="", more=RECIPE + WAY + EQUIPMENT)
    at = {s.place: s.moisture for s in plan.before}
    assert 3600 * plan.throughput == pytest.approx(168.0 * (1 - at["die"]) / (1 - at["cooler"]), rel=1e-9)
    assert at["cooler"] < at["die"]
    # as sampled at the die, with no recipe
    plan = planned(OPEN + '\nsampled_at = "die"', WAY + EQUIPMENT)
    dry = 168.0 * (1 - 0.155)
    assert 3600 * plan.throughput * (1 - plan.case.feed.moisture) == pytest.approx(dry, rel=1e-9)
    # a sample at the cooler says that pellets are a point wetter than computed: so they were when weighed
    wetter = f"{100 * at['cooler'] + 1:.12f} %"
    plan = planned(f'moisture = "{wetter}"', RECIPE + WAY + EQUIPMENT)
    dry = 168.0 * (1 - at["die"] - 0.01)
    assert 3600 * plan.throughput * (1 - plan.case.feed.moisture) == pytest.approx(dry, rel=1e-9)


@pytest.mark.parametrize(
    "change, typed",
    [
        ({"air": Air(35.0, 0.8)}, {"air.temperature": "35 degC", "air.relative_humidity": "80 %"}),
        ({"conditioning": Conditioning(temperature=60.0)}, {"conditioning.temperature": "60 degC"}),
    ],
)
def test_what_is_changed_in_python_is_planned_as_what_is_typed(change, typed):
    """Before, the table told the feed of the case as it was read, and steam and throughput were of that."""
    text = RECIPE.replace('temperature = "25 degC"\n', "", 1) + WAY + EQUIPMENT
    case = loads(BARE.format(feed="") + text)
    found, read = (coolsim.plan(c) for c in (dataclasses.replace(case, **change), replace(case, typed)))
    assert found.before == read.before
    assert found.throughput == pytest.approx(read.throughput, rel=1e-9)
    assert found.shift.steam == pytest.approx(read.shift.steam, rel=1e-9)
    assert found.shift.bagged == pytest.approx(read.shift.bagged, rel=1e-7)


def test_a_step_behind_the_machine_can_be_the_slowest():
    """A scale that takes 100 kg/h of dried pellets: the feed is what dries to that."""
    plan = planned(more=EQUIPMENT + '[[equipment]]\nname = "scale"\ncapacity = "100 kg/h"\n')
    out = plan.result.pellets_out.moisture_wb
    assert plan.bottleneck == "scale"
    assert 3600 * plan.throughput * 0.845 / (1 - out) == pytest.approx(100.0, rel=1e-5)
    assert plan.case.feed.throughput == plan.throughput


BELT = """
[cooler]
arrangement = "belt"
belt_width = "1.2 m"
bed_depth = "6 cm"
[[cooler.zone]]
length = "5 m"
airflow = "6000 m3/h"
inlet_air_temperature = "80 degC"
"""


def test_a_throughput_that_hangs_much_on_what_dries_settles():
    """A scale behind a belt that dries less the faster it runs; before, it was told to leave out what it had."""
    text = BARE.partition("[cooler]")[0].format(feed='temperature = "80 degC"\nmoisture = "24 %"') + BELT
    text += '[[equipment]]\nname = "dryer"\nmachine = "cooler"\n'
    text += '[[equipment]]\nname = "scale"\ncapacity = "700 kg/h"\n[target]\nmoisture = "3 %"\n'
    plan = coolsim.plan(loads(text.replace("pig-pellets", "floating-fish-feed")))
    out = plan.result.pellets_out.moisture_wb
    assert plan.bottleneck == "scale" and out > 0.10  # read with the target's 3 % at first
    assert 3600 * plan.throughput * 0.76 / (1 - out) == pytest.approx(700.0, rel=2e-6)


def test_losses_and_coat_count_on_the_way():
    more = EQUIPMENT.replace('name = "cooler"', 'loss = "2 %"\nname = "cooler"')
    plan = planned(more=more + '[coating]\noil = "5 %"\nwater = "1 %"\n')
    plain = planned(more=EQUIPMENT)
    assert plan.shift.bagged == pytest.approx(plain.shift.bagged * 1.06 * 0.98, rel=1e-9)
    told, out = plan.result.coated, plan.result.pellets_out.moisture_wb
    assert told.moisture_wb == pytest.approx((out + 0.01) / 1.06, rel=1e-12)
    assert told.moisture_before_wb == pytest.approx(out, rel=1e-14)


def test_oil_of_5_percent_leaves_the_water_activity():
    # issue: 5 % of oil on 12 % gives 11.43 % at the same a_w; here whatever leaves the cooler
    plan = planned(more=EQUIPMENT + '[coating]\noil = "5 %"\n')
    told, out = plan.result.coated, plan.result.pellets_out.moisture_wb
    assert told.moisture_wb == pytest.approx(out / 1.05, rel=1e-12)
    assert told.water_activity == pytest.approx(plan.result.in_store.water_activity, rel=1e-12)


def test_costs_by_hand():
    bare = planned(more=EQUIPMENT + PRICES)
    driven = planned(more=EQUIPMENT.replace('name = "press"', 'name = "press"\npower = "30 kW"') + PRICES)
    # the press runs from 4 min on: 30 kW for 8 h − 4 min at .20
    extra = driven.shift.cost.electricity - bare.shift.cost.electricity
    assert extra == pytest.approx(30 * (8 - 4 / 60) * 0.20, rel=1e-9)
    mixed = planned(more=EQUIPMENT.replace('name = "mixer"', 'name = "mixer"\npower = "3 kW"') + PRICES)
    # 33 mixes of 4 min, and the last, begun at 471.4 of 480 min, whole too
    extra = mixed.shift.cost.electricity - bare.shift.cost.electricity
    assert extra == pytest.approx(34 * 4 / 60 * 3 * 0.20, rel=1e-9)
    cost = bare.shift.cost
    assert cost.total == pytest.approx(cost.electricity + cost.heat + cost.overdried_feed, rel=1e-12)
    assert cost.per_tonne == pytest.approx(1000 * cost.total / bare.shift.bagged, rel=1e-12)
    assert cost.per_batch == pytest.approx(cost.total / 34, rel=1e-12)
    assert cost.per_bag is None


def test_weight_given_away_is_that_of_what_is_sold():
    """Target 15 %: .845 · fed/(1 − .15) − .845 · fed/(1 − out), at .40; with 5 % of oil they sell as more."""
    more = EQUIPMENT + PRICES + "[target]\n"
    plan = planned(more=more + 'moisture = "15 %"\n')
    out, end = plan.result.pellets_out.moisture_wb, plan.result.bed.residence_time
    solid = 0.845 * 168.0 * (8 - 4 / 60 - end / 3600)
    lost = solid / 0.85 - solid / (1 - out)
    assert lost > 0
    assert plan.shift.cost.overdried_feed == pytest.approx(0.40 * lost, rel=1e-9)
    oily = planned(more=more + f'moisture = "{15 / 1.05:.14f} %"\n[coating]\noil = "5 %"\n')
    assert oily.shift.cost.overdried_feed == pytest.approx(1.05 * 0.40 * lost, rel=1e-9)


def test_ingredients_and_steam_are_paid():
    plan = planned(feed="", more=RECIPE + EQUIPMENT + PRICES)
    # 60 % of the mash at .25; the other has no price
    assert plan.shift.cost.ingredients == pytest.approx(0.6 * 0.25 * plan.shift.input, rel=1e-9)
    mash, wet = plan.before[0], plan.before[1]
    steam = (wet.moisture - mash.moisture) / (1 - wet.moisture)  # per kg of mash: a balance of water
    pressed = plan.equipment[1].enters
    assert plan.shift.steam == pytest.approx(steam * pressed, rel=1e-9)
    T = air.saturation_temperature(101_325.0)  # steam of that, from water of 20 °C (assumed)
    heat = steam * pressed * (2501e3 + 1860 * T - 4186 * 20.0) / 3.6e6 * 0.05
    assert plan.shift.cost.heat == pytest.approx(heat, rel=1e-9)


def test_what_has_no_price_is_named():
    """Oil counted as free, so that more of it made a tonne cheaper, and nothing said so."""
    plan = planned(
        feed="", more=RECIPE + EQUIPMENT + '[costs]\nelectricity = "0.2 /kWh"\n[coating]\noil = "5 %"\n'
    )
    (told,) = [w.text for w in plan.warnings if "without a price" in w.text]
    assert told.endswith("not in the cost: heat, soya meal, the oil of the coat.")
    whole = RECIPE.replace('moisture = "11 %"\n', 'moisture = "11 %"\nprice = "0.4 EUR/kg"\n')
    assert not any(
        "without a price" in w.text for w in planned(feed="", more=whole + EQUIPMENT + PRICES).warnings
    )
    assert not any(
        "without a price" in w.text for w in planned(more=EQUIPMENT).warnings
    )  # nothing costs anything


def test_water_of_the_line_closes():
    """Mash in, steam in; water lost, bagged and what is still inside: dry solid and water, of what was pressed."""
    plan = planned(feed="", more=RECIPE + WAY + EQUIPMENT)
    last = plan.passed[-1]
    done = last.left_by(plan.shift.work)
    out = plan.result.pellets_out.moisture_wb
    assert done * (1 - plan.case.feed.moisture) == pytest.approx(plan.shift.bagged * (1 - out), rel=1e-12)
    assert done == pytest.approx(plan.shift.bagged + plan.shift.water_lost, rel=1e-12)


def test_a_batch_dryer_is_as_its_schedule_says():
    case = level("evening-batch")
    case = replace(case, {"schedule.filling": "4 min", "schedule.emptying": "3 min", "schedule.dryers": 3})
    plan = coolsim.plan(case)
    told = plan.result.schedule
    assert plan.equipment[0].capacity == pytest.approx(told.capacity, rel=1e-12)
    assert plan.equipment[0].load == pytest.approx(told.load, rel=1e-12)


def test_heaps_are_those_of_the_schedule():
    case = level("evening-batch")
    case = replace(case, {"schedule.filling": "4 min", "schedule.emptying": "3 min", "schedule.dryers": 3})
    text = '[[equipment]]\nname = "press"\ncapacity = "5 t/h"\n'
    press = dataclasses.replace(coolsim.plan(case).equipment[0])  # shape only
    case = dataclasses.replace(case, equipment=loads(BARE.format(feed=TYPED) + text).equipment)
    plan = coolsim.plan(case)
    assert plan.equipment[1].heap == pytest.approx(plan.result.schedule.buffer_before, rel=5e-3)
    assert press.name == plan.equipment[1].name == "cooler"


def test_stages_stand_where_they_are_named():
    case = level("dryer-then-cooler")
    first, second = (s.name for s in case.cooler.stages)
    plan = coolsim.plan(case)
    assert [e.name for e in plan.equipment] == [first, second]
    out = plan.result.pellets_out.moisture_wb
    done = plan.passed[-1].left_by(plan.shift.work)
    M_in = plan.result.stages[1].result.feed_in
    wet = M_in.moisture_wb + M_in.flash_loss_wb
    assert plan.shift.bagged == pytest.approx(done * (1 - wet) / (1 - out), rel=1e-9)


def test_what_cannot_reach_the_throughput_is_named_all_at_once():
    with pytest.raises(InputError) as raised:
        planned('throughput = "700 kg/h"\n' + OPEN, EQUIPMENT)
    found = [f.found for f in raised.value.faults]
    assert ["mixer takes 600 kg/h" in found[0], "press takes 168 kg/h" in found[1]] == [True, True]
    assert all("leave it out" in f.allowed for f in raised.value.faults)


def test_warm_moist_feed_that_waits_is_told():
    slow = EQUIPMENT.replace('"2.1 kg", "45 s"', '"2.1 kg", "6 min"')
    batch = """
[[equipment]]
name = "dryer"
machine = "cooler"
"""
    text = level_text("evening-batch")
    case = loads(text + slow[: slow.index('[[equipment]]\nname = "cooler"')] + batch)
    case = dataclasses.replace(case, feed=dataclasses.replace(case.feed, throughput=20 / 3600))
    plan = coolsim.plan(case)
    words = [w.text for w in plan.warnings if w.level == "check"]
    assert any("warm moist feed cakes" in w and "before dryer" in w for w in words), words
    notes = " ".join(w.text for w in plan.warnings)
    assert "feed dust can explode" in notes and "local codes" in notes and "steam" in notes


def test_it_takes_no_longer_than_a_second_beside_a_prediction():
    case = loads(BARE.format(feed="") + RECIPE + WAY + EQUIPMENT)
    coolsim.predict(case)
    began = time.perf_counter()
    coolsim.predict(case)
    alone = time.perf_counter() - began
    began = time.perf_counter()
    coolsim.plan(case)
    assert time.perf_counter() - began < alone + 1.0
