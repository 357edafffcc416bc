"""Settings for many weathers in one call: what each weather alone gives, and what `predict` says of them."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from shipped import level_text
from studies.set_so import set_so

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.machines.plant import Settings
from coolsim.scenario import loads
from coolsim.studies.optimise.best_states import INDIFFERENT
from coolsim.studies.settings.answer import SettingsAnswer, SettingsByWeather

TEXT = level_text("monsoon-night")
# Cold and dry to a monsoon night; with this wetter feed, some out of reach.
WEATHERS = Air(
    np.array([8.0, 17.0, 21.0, 26.0, 30.0, 35.0]),
    np.array([0.5, 0.75, 0.9, 0.94, 0.99, 0.6]),
    np.array([1.01e5, 0.9e5, 1.0e5, 1.01e5, 1.0e5, 0.98e5]),
)
assert 'moisture = "13.3 %"' in TEXT
WET = TEXT.replace('moisture = "13.3 %"', 'moisture = "14.8 %"')


@pytest.fixture(scope="module")
def many() -> SettingsByWeather:
    found = coolsim.find_settings(loads(WET), air=WEATHERS)
    assert isinstance(found, SettingsByWeather)
    return found


def weather(k: int) -> Air:
    return Air(*(float(getattr(WEATHERS, f.name)[k]) for f in dataclasses.fields(Air)))


def settings(found: SettingsByWeather, k: int) -> Settings:
    return Settings(*(float(getattr(found.settings, f.name)[k]) for f in dataclasses.fields(Settings)))


@pytest.mark.parametrize("k", [0, *(pytest.param(k, marks=pytest.mark.thorough) for k in (1, 2)), 3, 4, 5])
def test_each_weather_alone_gives_the_same(many: SettingsByWeather, k: int) -> None:
    """Both take the same way, and end on the full mesh: 1e-4 of cost, 0.002 point."""
    one = coolsim.find_settings(dataclasses.replace(loads(WET), air=weather(k)), on_dial=False)
    assert isinstance(one, SettingsAnswer)
    assert one.met == many.met[k]
    assert many.cost.total[k] == pytest.approx(float(one.cost.total), rel=1e-4)
    for entry, alone in (
        (many.result.pellets_out.moisture_wb, one.result.pellets_out.moisture_wb),
        (many.driest.moisture_wb, one.driest.moisture_wb),
        (many.wettest.moisture_wb, one.wettest.moisture_wb),
        (many.required_feed_moisture, one.required_feed_moisture),
    ):
        assert entry[k] == pytest.approx(alone, abs=2e-5, nan_ok=True)
    assert many.binding[k] == (one.binding[0].limit if one.binding else "")
    assert (many.broken[k] in [b.limit for b in one.broken]) if one.broken else many.broken[k] == ""
    assert many.dwell_matters[k] == (not one.hardly_matters)


def test_some_weathers_meet_the_target_and_some_do_not(many: SettingsByWeather) -> None:
    assert many.met.any() and not many.met.all()
    assert len(set(many.binding)) > 1


def test_states_are_what_predict_says_and_keep_the_limits(many: SettingsByWeather) -> None:
    case = loads(WET)
    target, limits = case.target, case.limits
    cases = [dataclasses.replace(set_so(case, settings(many, k)), air=weather(k)) for k in range(6)]
    again = coolsim.predict(cases)
    np.testing.assert_allclose(again.pellets_out.moisture_wb, many.result.pellets_out.moisture_wb, atol=1e-9)
    # limits are kept to 1e-6 of their scales: 1e-8 of moisture, 5e-6 K, 5e-8 of activity, 5e-4 Pa
    assert (again.pellets_out.moisture_wb[many.met] <= target.moisture + 1e-8).all()
    above = again.pellets_out.temperature - WEATHERS.temperature
    assert (above[many.met] <= target.maximum_above_ambient + 1e-5).all()
    assert (again.air_out.relative_humidity <= limits.maximum_exhaust_relative_humidity + 1e-6).all()
    assert (again.bed.lift_off <= limits.maximum_lift_off + 1e-6).all()
    assert (again.bed.pressure_drop <= limits.maximum_bed_pressure_drop + 1e-3).all()
    assert (many.settings.fan_speed >= 0.35 - 1e-6).all() and (many.settings.fan_speed <= 1 + 1e-6).all()


def test_the_profile_belongs_to_the_answer(many: SettingsByWeather) -> None:
    """The last node of each profile is the exit: in one answer and in many."""
    nodes = many.result.profile.mean_moisture
    np.testing.assert_allclose(nodes[:, -1], many.result.pellets_out.moisture_db, rtol=1e-9)
    one = coolsim.find_settings(loads(TEXT))
    assert one.result.profile.mean_moisture[-1] == pytest.approx(one.result.pellets_out.moisture_db, rel=1e-9)


def test_a_pressure_for_all_weathers_is_broadcast() -> None:
    case = loads(TEXT)
    found = coolsim.find_settings(case, air=Air(np.array([20.0, 26.0]), np.array([0.7, 0.94]), 100856.0))
    assert isinstance(found, SettingsByWeather)
    alone = coolsim.find_settings(dataclasses.replace(case, air=Air(26.0, 0.94, 100856.0)), on_dial=False)
    assert found.air.pressure.shape == (2,)
    assert found.cost.total[1] == pytest.approx(float(alone.cost.total), rel=1e-4)


@pytest.mark.parametrize(
    ("air", "key", "found"),
    [
        (Air(np.array([20.0, 31.0, 70.0]), 0.5), "air.temperature", "70 (entry 2 of 3, from 0)"),
        (Air(20.0, np.array([0.5, 1.2, np.nan])), "air.relative_humidity", "1.2 (entry 1 of 3, from 0)"),
        (Air(np.array([20.0, np.nan]), 0.5), "air.temperature", "nan (entry 1 of 2, from 0)"),
        (Air(20.0, 0.5, 1013.0), "air.pressure", "1013"),
        (Air(np.zeros(2), np.full(3, 0.5)), "arrays", "air.temperature of (2,)"),
        (Air(np.zeros(0), 0.5), "air.temperature", "an array without entries"),
    ],
)
def test_air_that_cannot_be_is_told(air: Air, key: str, found: str) -> None:
    with pytest.raises(coolsim.InputError) as caught:
        coolsim.find_settings(loads(TEXT), air=air)
    (fault,) = caught.value.faults
    assert fault.key == key and found in fault.found


def test_all_faults_of_air_at_once() -> None:
    with pytest.raises(coolsim.InputError) as caught:
        coolsim.find_settings(loads(TEXT), air=Air(np.array([99.0, 20.0]), np.array([50.0, 0.5]), 1e5))
    assert [fault.key for fault in caught.value.faults] == ["air.temperature", "air.relative_humidity"]


# ---- Where dwell hardly matters --------------------------------------------------------------------

PRICE, FED, AREA = 0.14 / 3.6e6, 2000 / 3600, 1.6  # of electricity per joule; wet feed per second; floor
LITTLE_AIR = """\
[feed]
material = "sinking-fish-feed"
diameter = "3 mm"
length = "5 mm"
throughput = "2 t/h"
temperature = "90 degC"
moisture = "13.6 %"
bulk_density = "610 kg/m3"
[air]
temperature = "26 degC"
relative_humidity = "94 %"
[cooler]
floor_area = "1.6 m2"
bed_depth = "0.5 m"
airflow = "200 m3/h"
[target]
moisture = "10.7 %"
[limits]
airflow = ["150 m3/h", "800 m3/h"]
bed_depth = ["0.3 m", "1.5 m"]
[costs]
electricity = "0.14 /kWh"
feed = "0.70 /kg"
[duct]
pressure_loss = ["DUCT", "600 m3/h"]
"""


def cheapest_at(case: Case, depth: float) -> float:
    """Cost per hour of the least air that reaches the target at a depth: by `predict` and bisection alone.

    With so little air, more of it dries more. No fan is given: it turns 0.6 · 0.9 of the electricity into air
    power (common practice, no source), at the volume of the exhaust at the pressure that bed and duct leave.
    """

    def at(airflow: float) -> Any:
        return coolsim.predict(set_so(case, Settings(airflow, 1.0, depth, 0.0, 26.0)))

    low, high = 150 / 3600, 800 / 3600
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if at(middle).pellets_out.moisture_wb <= 0.107 else (middle, high)
    r = at(high)
    T, Y, p = r.air_out.temperature, r.air_out.humidity_ratio, case.air.pressure
    dry = r.bed.air_ratio * FED
    loss, q_0 = case.duct.pressure_loss

    def volume(pressure: float) -> float:
        return float(dry * 287.042 * (T + 273.15) * (1 + Y / 0.621945) / pressure)  # of the exhaust

    after = p - r.bed.pressure_drop
    q = volume(after)
    duct = loss * (q / q_0) ** 2 * dry * (1 + Y) / q / 1.2
    return float(3600 * PRICE * volume(after - duct) * (r.bed.pressure_drop + duct) / 0.54)


@pytest.fixture(scope="module")
def lossy() -> tuple[Case, SettingsAnswer]:
    case = loads(LITTLE_AIR.replace("DUCT", "2000 Pa"))
    return case, coolsim.find_settings(case, on_dial=False)


@pytest.mark.thorough
def test_where_dwell_hardly_matters_the_smallest_is_taken(lossy: tuple[Case, SettingsAnswer]) -> None:
    """The duct takes nearly all of the power, and the pellets are done long before the deepest bed's end."""
    case, answer = lossy
    depth, cost = float(answer.settings.bed_depth), float(answer.cost.total)
    assert answer.met and answer.hardly_matters == ("time in the bed",)
    assert cheapest_at(case, depth) == pytest.approx(cost, rel=1e-4)
    deeper = min(cheapest_at(case, d) for d in np.linspace(depth, 1.3 * depth, 6)[1:])
    assert deeper < cost  # so the depth was not given away for nothing ...
    # ... but for next to nothing; the limits' own 1e-8 of moisture is worth 1.2e-5 an hour, a thousandth of it
    assert cost <= (1 + INDIFFERENT) * deeper * (1 + 1e-3)
    assert cheapest_at(case, depth - 0.02) > (1 + INDIFFERENT) * deeper  # no smaller one would do


def test_where_dwell_matters_nothing_is_said() -> None:
    """Depth is what the wish for cool pellets asks: with 2 cm less, no airflow meets it and the moisture."""
    case = loads(TEXT.replace('"7 K"', '"5 K"'))
    answer = coolsim.find_settings(case, on_dial=False)
    depth = float(answer.settings.bed_depth)
    assert answer.met and answer.hardly_matters == () and depth > 0.27
    flows = np.linspace(0.2, 1.2, 60)
    states = [set_so(case, Settings(v, 1.0, depth - 0.02, 0.0, 26.0)) for v in flows]
    out = coolsim.predict(states).pellets_out
    assert not ((out.temperature <= 31.0) & (out.moisture_wb <= 0.115)).any()


def test_the_smallest_dwell_in_arrays_of_weather(lossy: tuple[Case, SettingsAnswer]) -> None:
    case, answer = lossy
    found = coolsim.find_settings(case, air=Air(np.array([26.0, 15.0]), np.array([0.94, 0.5])))
    assert isinstance(found, SettingsByWeather)
    assert not found.dwell_matters[0]
    assert found.settings.bed_depth[0] == pytest.approx(answer.settings.bed_depth, rel=1e-3)
