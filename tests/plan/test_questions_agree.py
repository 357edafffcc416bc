"""Sizes, chances and years judge coats and bags as `predict` of the same scenario does."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from plan.mill import BARE, TYPED
from shipped import level

import coolsim
from coolsim.case.quantities import QUANTITIES
from coolsim.case.streams import Air
from coolsim.machines import machine_of
from coolsim.scenario import loads, replace
from coolsim.scenario.weather import Weather
from coolsim.simulate.bagging_cautions import is_urgent
from coolsim.simulate.requirements import SWEATING
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.card import season
from coolsim.studies.propagation.samples import sampled
from coolsim.studies.propagation.unknowns import needed_unknowns, varied
from coolsim.studies.sizing.find import sized
from coolsim.studies.sizing.kinds import duties
from coolsim.studies.sizing.service import duties_of
from coolsim.studies.sizing.survey import tried
from coolsim.studies.surrogate import normal

COAT = '[coating]\noil = "6 %"\noil_temperature = "70 degC"\nwater = "0.5 %"\n'
WISH = '[target]\nmoisture = "13.4 %"\nmaximum_above_ambient = "7 K"\nno_sweating = true\n'
HOURS = 6  # of a year, each predicted as a case of its own too
BAG = '[bag]\nmass = "25 kg"\n'  # its film gets as cold as the air outside


def judged(case: coolsim.Case) -> dict[str, bool]:
    return {v.constraint.name: v.met for v in verdicts_of(case, coolsim.predict(case))}


def value(case: coolsim.Case, name: str) -> float:
    (found,) = [v.value for v in verdicts_of(case, coolsim.predict(case)) if v.constraint.name == name]
    return found


@pytest.mark.thorough
def test_a_size_keeps_the_bags_of_coated_pellets_dry():
    case = level("cooler-to-buy")
    coat = {
        "coating.oil": "8 %",
        "coating.oil_temperature": "90 degC",
        "target.moisture": "10.8 %",
        "target.maximum_above_ambient": "40 K",
        "bag.mass": "25 kg",
    }
    warm = replace(case, coat | {"bag.coldest_store": "40 degC"})
    answer = coolsim.size(warm)
    assert answer.met
    dews = []
    for served in answer.served:
        # the machine and its settings as a scenario of their own, with the coat as typed
        machine = sized(warm, answer, served)
        typed = dataclasses.replace(
            machine, coating=warm.coating, target=warm.target, costs=warm.costs, bag=warm.bag
        )
        dews.append(float(coolsim.predict(typed).bag.dew_point))
    # a film a little colder than what the wettest of these can stand makes a wish that binds
    film = f"{max(dews) - 0.4:.3f} degC"
    wished = replace(case, coat | {"bag.coldest_store": film, "target.no_sweating": True})
    kept = coolsim.size(wished)
    assert kept.met
    for served in kept.served:
        machine = sized(wished, kept, served)
        typed = dataclasses.replace(
            machine, coating=wished.coating, target=wished.target, costs=wished.costs, bag=wished.bag
        )
        # hot oil warms pellets of cold weather more: what they may be before it hangs on the air outside
        there = {v.constraint.full_name: v for v in verdicts_of(typed, coolsim.predict(typed))}
        for v in served.verdicts:
            assert v.constraint.bound == pytest.approx(
                there[v.constraint.full_name].constraint.bound, rel=1e-9
            )
            assert v.met == there[v.constraint.full_name].met, v
        told = {v.constraint.name: v for v in served.verdicts}["headspace_dew_point"]
        assert told.met
        assert told.value == pytest.approx(float(coolsim.predict(typed).bag.dew_point), abs=1e-6)
        assert told.value <= max(dews) - 0.4 + 1e-3


def test_a_size_asks_the_bags_of_each_product_by_its_own_isotherm():
    """Two products in three weathers: how far a bag is from sweating is as `predict` of that product has it."""
    case = level("cooler-to-buy")
    case = replace(case, {"bag.mass": "25 kg", "bag.coldest_store": "24 degC", "target.no_sweating": True})
    names, cases = duties_of(case)
    each = duties([(product.name, weather.name) for product, weather in names], cases)
    states = [(d.low + d.high) / 2 for d in each]
    for d, one, u, rows in zip(each, cases, states, tried(each, [u[None] for u in states], mesh="full")):
        (limit,) = [k for k, c in enumerate(d.goal.limits.constraints) if c.quantity.name == SWEATING]
        excess = float(d.goal.limits.excesses(rows[:, 0, 0])[limit])
        floor, depth = float(d.floor_for(u)), float(d.depth(u))
        ratio = float(d.knob("air_ratio", u))
        cooler = {"floor_area": floor, "bed_depth": depth, "air_ratio": ratio, "airflow": None}
        there = dataclasses.replace(one, cooler=dataclasses.replace(one.cooler, **cooler))
        point = float(coolsim.predict(there).bag.dew_point)
        assert excess * QUANTITIES[SWEATING].scale == pytest.approx(point - 24.0, abs=2e-3)
    assert len({c.material.isotherm for c in cases}) == 2


WEATHERS = (("winter", 2, 85), ("spring", 14, 70), ("summer", 30, 55), ("rains", 27, 92), ("flood", 34, 99))
RANGES = """
[limits]
airflow = ["500 m3/h", "2000 m3/h"]
bed_depth = ["0.3 m", "0.9 m"]
[costs]
electricity = "0.15 /kWh"
feed = "0.4 /kg"
"""


@pytest.mark.thorough
def test_a_card_sets_each_weather_so_that_bags_stay_dry():
    """The film is as cold as each weather's air, and in the rains just that decides what is set."""
    rows = "".join(
        f'[[card.weather]]\nname = "{name}"\ntemperature = "{T} degC"\nrelative_humidity = "{RH} %"\n'
        for name, T, RH in WEATHERS
    )
    wish = WISH.replace("7 K", "12 K") + BAG + COAT.replace('water = "0.5 %"\n', "")
    case = loads(BARE.format(feed=TYPED) + wish + RANGES + rows)
    found = season(case)
    assert [row.weather.name for row in found.rows] == [name for name, *_ in WEATHERS]
    left = []
    for row, (_, T, _) in zip(found.rows, WEATHERS):
        one = machine_of(dataclasses.replace(case, air=row.weather.air)).at(row.values)
        told = coolsim.predict(one)
        assert float(told.pellets_out.moisture_wb) == pytest.approx(row.moisture_wb, abs=1e-6)
        assert row.met == all(v.met for v in verdicts_of(one, told))
        left.append(T - float(told.bag.dew_point))
    # without the wish it sweats in the rains, by .4 K
    assert min(left[:4]) == left[3] and -1e-3 < left[3] < 0.2
    assert [row.met for row in found.rows] == [True, True, True, True, False]


@pytest.mark.parametrize("coat", ["", COAT])
def test_a_chance_counts_each_sample_in_its_own_weather_and_of_its_own_material(coat):
    case = loads(BARE.format(feed=TYPED) + WISH + BAG + coat)
    case = replace(case, {"air.temperature": "20 ± 8 degC", "feed.moisture": "15.3 ± 0.5 %"})
    samples = sampled(case, 64)
    unknowns = needed_unknowns(case)
    z = normal(len(unknowns), 64, 1998)[:, :12]
    cases = varied(case, unknowns, z)
    (sweating,) = [c for c in samples.constraints if c.name == "headspace_dew_point"]
    (warm,) = [c for c in samples.constraints if c.name == "above_ambient"]
    for k, one in enumerate(cases):
        for c in (sweating, warm):
            (own,) = [
                v.constraint.bound - v.value
                for v in verdicts_of(one, coolsim.predict(one))
                if v.constraint.name == c.name
            ]
            # how far from its bound; samples are solved on a rough mesh
            assert c.bound - samples.solved[c.key][k] == pytest.approx(own, abs=0.06)


def weather_of(T, RH):
    count = len(T)
    time = np.datetime64("2023-05-01T00") + np.arange(count).astype("timedelta64[h]")
    columns = T, RH, np.full(count, 101_325.0)
    return Weather("made", "", time, np.full(count, np.nan), 1.0, *columns, np.arange(count), ())


@pytest.mark.parametrize("machine", ["cooler", "batch"])
def test_a_year_judges_each_hour_as_its_own_prediction(machine):
    if machine == "cooler":
        case = loads(BARE.format(feed=TYPED) + WISH.replace("13.4", "14.5") + BAG + COAT)
        case = dataclasses.replace(case, target=dataclasses.replace(case.target, maximum_water_activity=0.8))
    else:
        case = replace(
            level("farm-line"),
            {
                "coating.oil_temperature": "70 degC",
                "cooler.duration": "16 min",
                "cooler.cooling_time": "2 min",
                "target.moisture": "14 %",
                "target.maximum_above_ambient": "14 K",
                "feed.throughput": "150 kg/h",
            },
        )
        case = dataclasses.replace(case, bag=dataclasses.replace(case.bag, coldest_store=None))
    T, RH = np.linspace(8.0, 34.0, HOURS), np.linspace(0.9, 0.45, HOURS)
    found = coolsim.seasons(case, weather=weather_of(T, RH), chart=False, direct=True)
    hours = found.strategies[0].hours
    met = []
    for k in range(HOURS):
        air = Air(float(T[k]), float(RH[k]), 101_325.0)
        met.append(judged(dataclasses.replace(case, air=air)))
    assert list(hours.within) == [all(one.values()) for one in met]
    assert len({*hours.within}) == 2  # some hours are and some are not
    sweats = [not one["headspace_dew_point"] or not one["above_ambient"] for one in met]
    assert list(hours.too_warm) == sweats


@pytest.mark.thorough
def test_settings_of_a_batch_say_first_that_bags_may_sweat():
    """Before, only coolers said it: the film is as cold as 10 °C, the warm pellets' gas is not as dry."""
    case = replace(
        level("farm-line"),
        {
            "bag.coldest_store": "10 degC",
            "target.no_sweating": False,
            "limits.duration": ["15 min", "30 min"],
            "feed.throughput": "150 kg/h",
        },
    )
    answer = coolsim.find_settings(case)
    told = coolsim.predict(answer.case)
    assert bool(told.bag.sweats) and bool(answer.result.bag.sweats)
    (words,) = [w for w in answer.result.warnings if w.text.startswith("bags may sweat")]
    assert words in told.warnings and is_urgent(words)


def test_steam_that_hardly_warms_is_doubted():
    case = replace(level("mill-line"), {"conditioning.temperature": "72 degF"})
    assert any("meant in another unit" in w.text for w in coolsim.predict(case).warnings)
    assert not any("another unit" in w.text for w in coolsim.predict(level("mill-line")).warnings)
