"""Trends that physics guarantees, on random coolers; and the one that intuition gets wrong (model.md §7.9)."""

from __future__ import annotations

import dataclasses
from functools import cache
from typing import Any

import numpy as np
import pytest
from laws.domain import changed, pig, sample
from laws.exact import humidity_ratio, psychrometric_wet_bulb

from coolsim import predict
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.physics import air, pellet

COUNT, SEED = 150, 17


def random_cases() -> list[Case]:
    return sample(COUNT, SEED)


@cache
def as_they_are() -> Result:
    """What the random cases come to, before anything is changed."""
    return predict(random_cases())


def pairs(change: Any) -> tuple[Any, Any]:
    """Results of the random cases before and after a change."""
    return as_they_are(), predict([change(c) for c in random_cases()])


def slack(before: Any, after: Any) -> Any:
    """What numerical error alone could do to a difference of exit moistures, wet basis."""
    return before.accuracy.moisture_error_wb + after.accuracy.moisture_error_wb


def wetter_air(case: Case) -> Case:
    """Half of the way to saturated."""
    return changed(case, air__relative_humidity=0.5 + 0.5 * case.air.relative_humidity)


def test_wetter_air_never_leaves_drier_pellets():
    before, after = pairs(wetter_air)
    change = after.pellets_out.moisture_wb - before.pellets_out.moisture_wb
    worst = int((change + slack(before, after)).argmin())
    assert (change > -slack(before, after)).all(), (worst, change[worst])
    assert change.max() > 0.01  # and it matters


def hotter_feed(case: Case) -> Case:
    """5 K less far from boiling: the feed is cooled first, so that none of it flashes."""
    return changed(case, feed__temperature=case.feed.temperature - 5.0)


def test_hotter_feed_never_lowers_the_exhausts_humidity():
    hotter, cooler = pairs(hotter_feed)
    change = hotter.air_out.humidity_ratio - cooler.air_out.humidity_ratio
    Gs_Ga = (1 - hotter.feed_in.moisture_wb) / hotter.bed.air_ratio
    error = 1.5 * Gs_Ga * slack(hotter, cooler)  # dX = (1 + X)² dM
    assert (change > -error).all(), (int((change + error).argmin()), (change + error).min())
    assert change.max() > 1e-3


def drier_feed(case: Case) -> Case:
    return changed(case, feed__moisture=case.feed.moisture - 0.01)


def test_wetter_feed_never_lowers_the_exhausts_humidity():
    wetter, drier = pairs(drier_feed)
    change = wetter.air_out.humidity_ratio - drier.air_out.humidity_ratio
    Gs_Ga = (1 - wetter.feed_in.moisture_wb) / wetter.bed.air_ratio
    error = 1.5 * Gs_Ga * slack(wetter, drier)
    assert (change > -error).all(), (int((change + error).argmin()), (change + error).min())
    assert change.max() > 1e-3


def test_pellets_never_leave_colder_than_the_wet_bulb_of_the_air_that_enters():
    cases, r = random_cases(), as_they_are()
    T_in = np.array([max(c.air.temperature, c.cooler.inlet_air_temperature or -99.0) for c in cases])
    T, RH, p = (np.array([getattr(c.air, f.name) for c in cases]) for f in dataclasses.fields(Air))
    Y = air.humidity_ratio_from_relative_humidity(T, RH, p)
    d_p = 2 * pellet.equivalent_sphere_radius(
        *(np.array([getattr(c.feed, n) for c in cases]) for n in ("diameter", "length"))
    )
    Ga = np.array([c.cooler.air_ratio * c.feed.throughput for c in cases])
    bulb = psychrometric_wet_bulb(T_in, Y, p, Ga, d_p)
    above = r.pellets_out.temperature - bulb
    assert (above > -r.accuracy.temperature_error).all(), (int(above.argmin()), above.min())
    assert above.min() < 2.0  # some come near


# ---- Not monotone in airflow ----------------------------------------------------------------------------


def test_more_air_leaves_pellets_wetter_over_most_of_the_range():
    """model.md §7.9 (computed): 80 °C, 16.5 %, air 31 °C/85 %: 13.7 % near .3 kg/kg, 14.1 at 1, 15.5 at 4.

    4 × 10 mm pig pellets, 0.4 m deep, 0.5 kg/(m² s): the page names no bed, hence the tolerance of a tenth.
    """
    ratios = np.array([0.1, 0.2, 0.3, 0.4, 0.6, 1.0, 2.0, 4.0])
    M = 100 * predict([pig(cooler__air_ratio=r) for r in ratios]).pellets_out.moisture_wb
    assert M[2] == pytest.approx(13.7, abs=0.1)
    assert M[5] == pytest.approx(14.1, abs=0.1)
    assert M[7] == pytest.approx(15.5, abs=0.1)
    driest = int(M.argmin())
    assert 0.2 <= ratios[driest] <= 0.4
    assert (np.diff(M[: driest + 1]) < 0).all()
    assert (np.diff(M[driest:]) > 0).all()


# ---- Every input matters --------------------------------------------------------------------------------

CHANGES: dict[str, Any] = {
    "isotherm__fat": 0.05, "isotherm__scale": 1.03, "isotherm__constants": (312.3, 0.17, 30.205),
    "diffusivity__value": 8e-10, "diffusivity__at": 55.0, "diffusivity__activation_energy": 27e3,
    "diffusivity__moisture_slope": 2.0, "material__specific_heat": 1850.0, "material__conductivity": 0.25,
    "feed__diameter": 4.2e-3, "feed__length": 12e-3, "feed__throughput": 0.55, "feed__temperature": 81.0,
    "feed__moisture": 0.17, "feed__bulk_density": 650.0, "feed__void_fraction": 0.43,
    "air__temperature": 30.0, "air__relative_humidity": 0.80, "air__pressure": 95e3,
    "cooler__floor_area": 1.1, "cooler__bed_depth": 0.5, "cooler__air_ratio": 1.1,
    "cooler__inlet_air_temperature": 35.0,
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_every_input_moves_the_exit(name):
    """Exit moisture or temperature, by more than the solver's own error could."""
    before, after = predict(pig()), predict(pig(**{name: CHANGES[name]}))
    moved = abs(after.pellets_out.moisture_wb - before.pellets_out.moisture_wb)
    warmed = abs(after.pellets_out.temperature - before.pellets_out.temperature)
    assert moved > 2e-6 or warmed > 2e-3, (moved, warmed)


def test_reference_moisture_of_the_diffusivity_matters_where_there_is_a_slope():
    low, high = (
        predict(pig(diffusivity__moisture_slope=5.0, diffusivity__at_moisture=X)).pellets_out.moisture_wb
        for X in (0.12, 0.16)
    )
    assert high > low + 1e-4  # the same D further up: slower everywhere


def test_airflow_in_place_of_a_ratio_is_the_same_cooler():
    """0.5 kg/s of dry air at 31 °C, 85 %, 1 atm, by the ideal gas: V = 287.042 T (1 + 1.607858 Y)/p."""
    Y = humidity_ratio(31.0, 0.85)
    V = 0.5 * 287.042 * (31.0 + 273.15) * (1 + 1.607858 * Y) / 101_325.0
    ratio, flow = predict(pig()), predict(pig(cooler__air_ratio=None, cooler__airflow=V))
    assert flow.pellets_out.moisture_wb == pytest.approx(ratio.pellets_out.moisture_wb, rel=1e-9)
