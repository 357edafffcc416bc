"""±, slopes, fits and years go through recipe, conditioner, die and way.

By hand: scenarios are read anew with the input typed a little lower and higher, and predicted.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from plan.mill import BARE, RECIPE, WAY

import coolsim
from coolsim.case.case import Air
from coolsim.scenario import loads, replace
from coolsim.scenario.weather import Weather
from coolsim.simulate.feed_following import in_air, in_air_each
from coolsim.studies.propagation import unknowns_of, varied
from coolsim.support.fields import with_number

MILL = BARE.format(feed='throughput = "600 kg/h"') + RECIPE.replace('temperature = "25 degC"\n', "", 1) + WAY
DRYER = """
[feed]
material = "floating-fish-feed"
diameter = "4 mm"
length = "5 mm"
throughput = "150 kg/h"
[air]
temperature = "27 degC"
relative_humidity = "70 %"
[[recipe.ingredient]]
name = "meal"
share = "100 %"
moisture = "11 %"
[conditioning]
water = "16 %"
water_temperature = "50 degC"
[die]
specific_energy = "60 kWh/t"
[way]
time = "15 s"
air = "0.2 kg/kg"
[cooler]
arrangement = "batch"
floor_area = "3 m2"
batch_mass = "60 kg"
duration = "15 min"
airflow = "4000 m3/h"
inlet_air_temperature = "60 degC"
"""


def exits(case, key, low, high):
    """Slopes of exit moisture and temperature, by scenarios read anew."""
    below, above = (coolsim.predict(replace(case, {key: value})).pellets_out for value in (low, high))
    return (
        above.moisture_wb - below.moisture_wb,
        above.temperature - below.temperature,
    )


# step of the slopes: those of studies.differences, so that what is compared differs by its mesh alone
BY_HAND = {
    "ambient_temperature": ("air.temperature", "{} degC", 0.5, 1.0),
    "relative_humidity": ("air.relative_humidity", "{} %", 2.0, 0.01),
    "diameter": ("feed.diameter", "{} mm", 0.08, 1e-3),
    "conditioning_water": ("conditioning.water", "{} %", 0.2, 0.01),
    "conditioning_temperature": ("conditioning.temperature", "{} degC", 1.0, 1.0),
}


def compared(case, names):
    found = coolsim.sensitivities(case, by=names)
    now = {
        "air.temperature": float(case.air.temperature),
        "air.relative_humidity": 100 * float(case.air.relative_humidity),
        "feed.diameter": 1e3 * float(case.feed.diameter),
        "conditioning.water": 100 * float(case.conditioning.water or 0.0),
        "conditioning.temperature": float(case.conditioning.temperature or 0.0),
    }
    for name in names:
        key, text, step, unit = BY_HAND[name]
        moisture, temperature = exits(case, key, *(text.format(now[key] + s * step) for s in (-1, 1)))
        slope = getattr(found, name)
        per = 2 * step * unit
        yield name, slope.moisture_wb, moisture / per, slope.temperature, temperature / per


def test_slopes_of_a_cooler_are_those_of_its_whole_line():
    names = ["ambient_temperature", "relative_humidity", "diameter", "conditioning_temperature"]
    case = loads(MILL)
    found = {name: rest for name, *rest in compared(case, names)}
    for name, (M, by_hand, T, T_by_hand) in found.items():
        # of meshes: `predict` refines, slopes do not
        assert pytest.approx(by_hand, rel=0.02, abs=2e-6) == M, name
        assert pytest.approx(T_by_hand, rel=0.02, abs=2e-3) == T, name
    # what the way and the mash do is no trifle: with the feed as typed the same weather does something else
    typed = replace(
        case,
        {
            "feed.moisture": f"{100 * case.feed.moisture:.9g} %",
            "feed.temperature": f"{case.feed.temperature:.9g} degC",
            "recipe.temperature": "20 degC",
            "way.air": "0 kg/kg",
        },
    )
    plain = coolsim.sensitivities(typed, by=["ambient_temperature"]).ambient_temperature
    assert abs(plain.moisture_wb - found["ambient_temperature"][1]) > 2e-5


def test_a_point_of_the_recipe_is_told():
    case = loads(MILL)
    slope = coolsim.sensitivities(case, by="mash_moisture").mash_moisture
    below, above = (
        coolsim.predict(
            replace(
                case,
                {f"recipe.ingredient.{k}.moisture": f"{m + by} %" for k, m in ((1, 13.0), (2, 11.0))},
            )
        ).pellets_out.moisture_wb
        for by in (-0.2, 0.2)
    )
    assert slope.moisture_wb == pytest.approx((above - below) / 0.004, rel=0.01)


@pytest.mark.thorough
def test_slopes_of_a_batch_are_those_of_its_whole_line():
    names = ["ambient_temperature", "relative_humidity", "conditioning_water"]
    for name, M, by_hand, T, T_by_hand in compared(loads(DRYER), names):
        assert pytest.approx(by_hand, rel=0.03, abs=1e-5) == M, name
        assert pytest.approx(T_by_hand, rel=0.05, abs=0.01) == T, name


@pytest.mark.parametrize(
    ("key", "value", "half", "unit"),
    [
        ("recipe.ingredient.1.moisture", 13.0, 0.5, "%"),
        ("conditioning.temperature", 80.0, 3.0, "degC"),
        ("air.temperature", 20.0, 4.0, "degC"),
        ("way.air", 0.02, 0.01, "kg/kg"),
        ("die.specific_energy", 15.0, 5.0, "kWh/t"),
    ],
)
def test_a_plus_minus_moves_the_feed_as_the_scenario_does(key, value, half, unit):
    case = replace(loads(MILL), {key: f"{value} ± {half} {unit}"})
    (unknown,) = [u for u in unknowns_of(case) if u.name == key]
    # 1.96 standard deviations are its ±
    low, middle, high = varied(case, [unknown], np.array([[-1.959963984540054, 0.0, 1.959963984540054]]))
    for one, sign in ((low, -1), (middle, 0), (high, 1)):
        typed = replace(case, {key: f"{value + sign * half} {unit}"})
        assert one.feed.moisture == pytest.approx(typed.feed.moisture, abs=1e-10)
        assert one.feed.temperature == pytest.approx(typed.feed.temperature, abs=1e-6)
    assert (
        abs(high.feed.moisture - low.feed.moisture) + abs(high.feed.temperature - low.feed.temperature) > 1e-3
    )


def test_a_typed_moisture_is_known_whatever_the_recipe_and_the_material():
    typed = {"feed.moisture": "15.5 %", "recipe.ingredient.1.moisture": "13 ± 1 %"}
    case = replace(loads(MILL), typed)
    (recipe,) = [u for u in unknowns_of(case) if u.name.startswith("recipe")]
    low, high = varied(case, [recipe], np.array([[-1.0, 1.0]]))
    # what was typed is kept by an offset that bends: to a parabola's error
    assert [low.feed.moisture, high.feed.moisture] == pytest.approx([0.155] * 2, abs=1e-6)
    # a material that is known otherwise moves what is computed (its temperature), not what was measured
    other = with_number(case, "material.diffusivity.value", 3 * case.material.diffusivity.value)
    moved = in_air(other)
    assert moved.feed.moisture == 0.155 and abs(moved.feed.temperature - case.feed.temperature) > 0.01
    free = replace(loads(MILL), {"feed.throughput": "601 kg/h"})
    bare = in_air(with_number(free, "material.diffusivity.value", 3 * free.material.diffusivity.value))
    assert abs(bare.feed.moisture - free.feed.moisture) > 1e-4
    # another weather still acts on it
    cold = in_air(dataclasses.replace(case, air=Air(5.0, 0.6, 101325.0)))
    assert cold.feed.moisture != 0.155


def test_side_by_side_feeds_are_those_of_each_alone():
    case = loads(MILL)
    cases = [
        dataclasses.replace(
            with_number(
                with_number(case, "material.isotherm.scale", 1 + 0.02 * k),
                "recipe.ingredient.0.moisture",
                0.12 + 0.005 * k,
            ),
            air=Air(10.0 + 5 * k, 0.5, 101325.0),
        )
        for k in range(4)
    ]
    for one, each in zip(cases, in_air_each(cases)):
        alone = in_air(one)
        assert each.feed.moisture == pytest.approx(alone.feed.moisture, abs=1e-12)
        assert each.feed.temperature == pytest.approx(alone.feed.temperature, abs=1e-9)
        assert [s.place for s in each.arrival.states] == [s.place for s in alone.arrival.states]


@pytest.mark.thorough
@pytest.mark.parametrize("text", [MILL, DRYER])
def test_what_a_recipe_leaves_open_is_its_slope(text):
    key = "recipe.ingredient.1.moisture"
    case = loads(text)
    value = 100 * case.recipe.ingredient[0].moisture
    case = replace(case, {key: f"{value} ± 1 %"})
    known = {n: dataclasses.replace(p, low=None, high=None) for n, p in case.material.provenance.items()}
    alone = dataclasses.replace(case, material=dataclasses.replace(case.material, provenance=known))
    found = coolsim.uncertainty(alone)
    assert [c.name for c in found.contributors] == [key]
    low, high = (
        float(coolsim.predict(replace(case, {key: f"{value + s} %"})).pellets_out.moisture_wb)
        for s in (-1, 1)
    )
    assert found.moisture_wb.low == pytest.approx(low, abs=1e-4)
    assert found.moisture_wb.high == pytest.approx(high, abs=1e-4)


@pytest.mark.thorough
def test_a_fit_moves_a_feed_that_nobody_measured(tmp_path):
    """Readings of a cooler whose diffusivity is half as large again are explained by that; whose feed follows."""
    case = replace(loads(MILL), {"way.air": "0.3 kg/kg", "way.time": "60 s"})
    D = case.material.diffusivity.value
    true = with_number(case, "material.diffusivity.value", 1.5 * D)
    rows = ["air.temperature [degC],cooler.airflow [m3/h],measured.moisture [%],measured.moisture ± [%]"]
    for T, flow in ((10, 700), (15, 900), (20, 1100), (25, 800), (30, 1000)):
        set_so = dataclasses.replace(
            true,
            air=dataclasses.replace(true.air, temperature=float(T)),
            cooler=dataclasses.replace(true.cooler, airflow=flow / 3600),
        )
        rows.append(f"{T},{flow},{100 * coolsim.predict(set_so).pellets_out.moisture_wb:.5f},0.02")
    file = tmp_path / "trials.csv"
    file.write_text("\n".join(rows) + "\n")
    found = coolsim.fit(case, file, free=["diffusivity"], priors=False)
    (number,) = found.parameters
    assert number.value == pytest.approx(1.5 * D, rel=0.02)


def weather_of(T, RH):
    count = len(T)
    time = np.datetime64("2023-01-01T00") + np.arange(count).astype("timedelta64[h]")
    columns = T, RH, np.full(count, 101_325.0)
    return Weather("made", "", time, np.full(count, np.nan), 1.0, *columns, np.arange(count), ())


@pytest.mark.thorough
@pytest.mark.parametrize("text", [MILL, DRYER])
@pytest.mark.parametrize("direct", [True, False])
def test_hours_of_a_year_bring_the_feed_of_their_weather(text, direct):
    case = replace(loads(text), {"target.moisture": "13 %"})
    T = np.array([2.0, 10.0, 18.0, 26.0, 34.0, 30.0, 22.0, 14.0] * 30) + np.linspace(0, 3, 240)
    RH = np.array([0.9, 0.8, 0.7, 0.6, 0.5, 0.85, 0.75, 0.95] * 30) - np.linspace(0, 0.1, 240)
    found = coolsim.seasons(case, weather=weather_of(T, RH), chart=False, direct=direct)
    hours = found.strategies[0].hours
    for k in (0, 4, 101, 239):
        typed = {"air.temperature": f"{T[k]} degC", "air.relative_humidity": f"{100 * RH[k]} %"}
        out = coolsim.predict(replace(case, typed)).pellets_out
        # a map is right to a few hundredths of a point and tenths of a kelvin
        assert hours.outcome.moisture[k] == pytest.approx(out.moisture_wb, abs=2e-5 if direct else 4e-4)
        assert hours.outcome.temperature[k] == pytest.approx(out.temperature, abs=0.02 if direct else 0.2)


@pytest.mark.thorough
@pytest.mark.parametrize("direct", [True, False])
def test_a_chart_is_followed_with_the_feed_of_each_hour(direct):
    case = replace(
        loads(MILL),
        {
            "target.moisture": "13.4 %",
            "limits.airflow": ["600 m3/h", "1500 m3/h"],
            "limits.bed_depth": ["0.3 m", "0.9 m"],
            "costs.electricity": "0.15 /kWh",
            "costs.feed": "0.4 /kg",
            "way.air": "0.1 kg/kg",
            "way.time": "30 s",
        },
    )
    T = np.array([2.0, 10.0, 18.0, 26.0, 34.0, 30.0, 22.0, 14.0] * 30) + np.linspace(0, 3, 240)
    RH = np.array([0.9, 0.8, 0.7, 0.6, 0.5, 0.85, 0.75, 0.95] * 30) - np.linspace(0, 0.1, 240)
    found = coolsim.seasons(case, weather=weather_of(T, RH), direct=direct)
    hours = found.strategies[1].hours
    assert np.ptp(hours.feed_moisture) > 1e-3  # the weather moves it
    for k in (0, 4, 101, 239):
        typed = {
            "air.temperature": f"{T[k]} degC",
            "air.relative_humidity": f"{100 * RH[k]} %",
            "cooler.airflow": f"{3600 * hours.settings.airflow[k]:.9g} m3/h",
            "cooler.bed_depth": f"{hours.settings.bed_depth[k]:.9g} m",
        }
        there = replace(case, typed)
        assert hours.feed_moisture[k] == pytest.approx(there.feed.moisture, abs=1e-6)
        out = coolsim.predict(there).pellets_out
        assert hours.outcome.moisture[k] == pytest.approx(out.moisture_wb, abs=2e-5 if direct else 5e-4)
