"""Settings of dryers for many weathers in one call: what each alone gives, and what `predict` says of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from studies import pig_pellets
from studies.pig_pellets import FEED

import coolsim
from coolsim.case.case import Air
from coolsim.scenario import loads
from coolsim.support.errors import InputError

BATCH = (
    pig_pellets.BATCH
    + """[schedule]
filling = "4 min"
emptying = "3 min"
[limits]
duration = ["5 min", "16 min"]
inlet_air_temperature = ["50 degC", "70 degC"]
"""
)
BELT = """[cooler]
arrangement = "belt"
belt_width = "1 m"
bed_depth = "10 cm"
[[cooler.zone]]
length = "5 m"
airflow = "5000 m3/h"
inlet_air_temperature = "80 degC"
[[cooler.zone]]
length = "1 m"
airflow = "1500 m3/h"
[limits]
inlet_air_temperature = ["50 degC", "100 degC"]
"""
# The last so humid that 16 min at 70 °C do not do (asserted below).
WEATHERS = Air(np.array([5.0, 20.0, 34.0]), np.array([0.5, 0.6, 0.98]), np.array([1.0e5, 0.95e5, 1.013e5]))
MANY = {
    "batch": lambda: (loads(FEED + BATCH), WEATHERS),
    "belt": lambda: (loads(FEED + BELT), dataclasses.replace(WEATHERS, pressure=1.0e5)),
}


@pytest.fixture(scope="module", params=["batch", "belt"])
def many(request):
    case, air = MANY[request.param]()
    return case, coolsim.find_settings(case, air=air)


def weather(many, k: int) -> Air:
    return Air(*(float(getattr(many.air, f.name)[k]) for f in dataclasses.fields(Air)))


@pytest.mark.thorough
def test_each_weather_alone_gives_the_same(many):
    """Dryers side by side do not see each other: equal to what rounding may move a search by, 1e-6 of cost."""
    case, found = many
    for k in range(3):
        one = coolsim.find_settings(dataclasses.replace(case, air=weather(found, k)), on_dial=False)
        assert one.met == found.met[k]
        assert found.cost.total[k] == pytest.approx(one.cost.total, rel=1e-6)
        assert found.driest.moisture_wb[k] == pytest.approx(one.driest.moisture_wb, abs=1e-7)
        assert found.wettest.moisture_wb[k] == pytest.approx(one.wettest.moisture_wb, abs=1e-7)
        assert found.binding[k] == (one.binding[0].limit if one.binding else "")
        assert found.broken[k] == (one.broken[0].limit if one.broken else "")
        for name in ("inlet_air_temperature", "airflow", "duration", "bed_depth"):
            alone = getattr(one.settings, name)
            assert getattr(found.settings, name)[k] == pytest.approx(alone, rel=1e-6), name
        for zone, hot in zip(
            found.settings.zone_inlet_air_temperature, one.settings.zone_inlet_air_temperature
        ):
            assert zone is None if hot is None else zone[k] == pytest.approx(hot, rel=1e-6)


def test_states_are_what_predict_says(many):
    case, found = many
    for k in range(3):
        cooler, hot = case.cooler, float(found.settings.inlet_air_temperature[k])
        if cooler.arrangement == "batch":
            duration = float(found.settings.duration[k])
            cooler = dataclasses.replace(cooler, inlet_air_temperature=hot, duration=duration)
        else:
            first, *others = cooler.zones
            zones = (dataclasses.replace(first, inlet_air_temperature=hot), *others)
            cooler = dataclasses.replace(cooler, zones=zones)
        there = coolsim.predict(dataclasses.replace(case, cooler=cooler, air=weather(found, k)))
        M = float(there.pellets_out.moisture_wb)
        assert found.result.pellets_out.moisture_wb[k] == pytest.approx(M, abs=1e-7)
        assert found.result.energy.heat[k] == pytest.approx(there.energy.heat, rel=1e-6)
        np.testing.assert_allclose(
            found.result.profile.mean_moisture[k], there.profile.mean_moisture, rtol=1e-6
        )
        assert found.met[k] == (M <= 0.13 + 1e-8)
        if there.schedule is not None:
            assert found.result.schedule.load[k] == pytest.approx(there.schedule.load)


def test_humid_air_is_out_of_reach_of_a_batch_and_says_so():
    """Checked at the hottest and longest that the limits allow, by `predict`: nothing dries more."""
    case, air = MANY["batch"]()
    found = coolsim.find_settings(case, air=air)
    most = dataclasses.replace(case.cooler, inlet_air_temperature=70.0, duration=960.0)
    M = coolsim.predict(dataclasses.replace(case, cooler=most), air=air).pellets_out.moisture_wb
    assert list(M <= 0.13) == [True, True, False]
    assert list(found.met) == [True, True, False] and list(found.broken) == ["", "", "moisture"]
    np.testing.assert_allclose(found.driest.moisture_wb, M, atol=1e-4)
    assert found.result.pellets_out.moisture_wb[2] == pytest.approx(M[2], abs=1e-4)


def test_a_case_whose_own_air_is_arrays_is_answered_too():
    case, air = MANY["belt"]()
    some = dataclasses.replace(
        air, temperature=air.temperature[:2], relative_humidity=air.relative_humidity[:2]
    )
    found = coolsim.find_settings(dataclasses.replace(case, air=some))
    assert found.met.shape == (2,) and found.air.pressure.shape == (2,)


def test_what_is_no_air_is_refused_before_anything_is_searched():
    case, air = MANY["batch"]()
    with pytest.raises(InputError, match=r"air\.relative_humidity: found 1\.3 \(entry 1 of 3, from 0\)"):
        coolsim.find_settings(case, air=dataclasses.replace(air, relative_humidity=np.array([0.5, 1.3, 0.9])))
