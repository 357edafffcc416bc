"""Cautions about states that the models let be: fog, a heater that does not reach, bags that warm by themselves."""

from __future__ import annotations

import dataclasses
import re

import psychrolib
import pytest
from shipped import level

import coolsim
from coolsim.case.tables import Target
from coolsim.output import tables
from coolsim.output.page import Page
from coolsim.simulate.cautions import cautions

BATCH = level("evening-batch")


def said(case, result, word: str) -> list[coolsim.case.result.Warning]:
    return [w for w in cautions(case, result) if word in w.text]


@pytest.fixture(scope="module")
def frozen():
    case = coolsim.replace(BATCH, {"air.temperature": "-10 degC", "cooler.heater_power": "5 kW"})
    return case, coolsim.predict(case)


def test_an_exhaust_that_holds_more_than_it_can_is_told_as_fog_with_its_own_temperature(frozen):
    """Drops and vapour in balance: the enthalpy of saturated air (psychrolib) and of water at 4.186 kJ/(kg K) is
    that of the air as computed, 1.006 T + Y (2501 + 1.86 T) kJ/kg."""
    case, result = frozen
    out, p = result.air_out, case.air.pressure
    assert out.relative_humidity > 1.1
    (warning,) = said(case, result, "fog")
    assert warning.level == "danger" and not said(case, result, "ducts and cyclone run wet")
    T, drops = (
        float(re.search(f, warning.text)[1]) for f in (r"saturated at (-?\d+) °C", r"With ([\d.]+) g")
    )
    psychrolib.SetUnitSystem(psychrolib.SI)

    def enthalpy(t: float) -> float:
        Y = psychrolib.GetSatHumRatio(t, p)
        return psychrolib.GetSatAirEnthalpy(t, p) / 1e3 + (out.humidity_ratio - Y) * 4.186 * t

    had = 1.006 * out.temperature + out.humidity_ratio * (2501 + 1.86 * out.temperature)
    assert enthalpy(T - 0.6) < had < enthalpy(T + 0.6)  # told to a degree
    lighter, heavier = (
        1e3 * (out.humidity_ratio - psychrolib.GetSatHumRatio(t, p)) for t in (T + 0.6, T - 0.6)
    )
    assert lighter < drops < heavier


def test_air_that_is_merely_damp_is_no_fog():
    result = coolsim.predict(BATCH)
    for humidity, words in ((0.99, 1), (0.5, 0)):
        air_out = dataclasses.replace(result.air_out, relative_humidity=humidity)
        damp = dataclasses.replace(result, air_out=air_out)
        assert not said(BATCH, damp, "fog") and len(said(BATCH, damp, "ducts and cyclone run wet")) == words


def test_a_heater_that_does_not_reach_what_it_aims_at_is_named(frozen):
    assert not said(BATCH, coolsim.predict(BATCH), "does not reach")
    free = dataclasses.replace(BATCH, cooler=dataclasses.replace(BATCH.cooler, heater_power=None))
    assert not said(free, coolsim.predict(free), "does not reach")
    case, result = frozen
    (warning,) = said(case, result, "does not reach")
    minutes = case.cooler.duration / 60
    assert (
        f"for {minutes:.0f} of {minutes:.0f} min" in warning.text and ", 5 kW (17100 BTU/h), " in warning.text
    )
    assert f"{result.history.inlet_air_temperature[result.history.zone > 0].min():.0f} °C" in warning.text


@pytest.mark.parametrize("leave, even, told", [(3.0, 14.0, 1), (3.0, 12.0, 0), (9.0, 15.0, 0)])
def test_pellets_that_warm_in_the_bag_are_told_of_where_their_exit_alone_is_fine(leave, even, told):
    """Above 8 K (common practice, no source: 5 to 8) the exit itself is told of; less than 5 K more is no news."""
    result, outside = coolsim.predict(BATCH), BATCH.air.temperature
    result = dataclasses.replace(
        result,
        pellets_out=dataclasses.replace(result.pellets_out, temperature=outside + leave),
        after_equalising=dataclasses.replace(result.after_equalising, temperature=outside + even),
    )
    case = dataclasses.replace(BATCH, target=Target(moisture=0.1))
    assert len(said(case, result, "in a closed bag")) == told
    wished = dataclasses.replace(BATCH, target=Target(maximum_above_ambient=15.0))
    assert not said(wished, result, "in a closed bag")


def test_pellets_that_will_mould_are_told_before_their_mean() -> None:
    """Settings that keep the moisture, and pellets that must not be bagged: the second is read first, and once."""
    wet = coolsim.replace(
        level("monsoon-night"),
        {"feed.moisture": "19 %", "target.moisture": "18 %"},
    )
    said = " ".join(tables.first(coolsim.predict(wet), Page(80)).split())
    assert said.startswith("check: water activity 0.") and said.endswith("Do not bag; dry further.")
    assert "Do not bag" not in tables.warnings(coolsim.predict(wet), Page(80), tables.LEVELS)
