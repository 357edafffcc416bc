"""A year of weather: maps against single solves, sums, the chart, and what is out of reach."""

from __future__ import annotations

import dataclasses
import pickle
from pathlib import Path

import numpy as np
import pytest
from shipped import level, level_text
from weather.files import typical_year_as_epw

import coolsim
from coolsim.case.case import Air, Case
from coolsim.scenario.weather import Weather, load_weather, read_weather
from coolsim.studies.years import Seasons, Strategy, response
from coolsim.studies.years.chart import bands_of
from coolsim.studies.years.hours import DIRECT, MAP, Hours
from coolsim.support.errors import InputError, NotConverged

pytestmark = pytest.mark.thorough

ROOT = Path(__file__).parents[2]
POINT = 0.01  # kg/kg wet


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Weather:
    path = tmp_path_factory.mktemp("real") / "year.epw"
    path.write_text(typical_year_as_epw())
    return load_weather(path)


@pytest.fixture(scope="module")
def night() -> Case:
    return level("monsoon-night")


@pytest.fixture(scope="module")
def by_map(night: Case, real: Weather) -> Seasons:
    return coolsim.seasons(night, weather=real, chart=False)


@pytest.fixture(scope="module")
def monsoon() -> Case:
    return level("monsoon-year")


@pytest.fixture(scope="module")
def charted(monsoon: Case) -> Seasons:
    """The scenario's own year, each fourth hour of it; the heater is left out, which triples the work."""
    limits = dataclasses.replace(monsoon.limits, inlet_air_temperature=None)
    case = dataclasses.replace(monsoon, limits=limits)
    return coolsim.seasons(case, weather=read_weather(monsoon).rows(slice(None, None, 4)))


def constant(count: int, temperature: float = 29.0, humidity: float = 0.82) -> Weather:
    begin = np.datetime64("2023-01-01T00:00:00")
    full = np.ones(count)
    return Weather(
        name="constant",
        place="",
        time=begin + np.arange(count) * np.timedelta64(3600, "s"),
        utc_offset=np.full(count, np.nan),
        step=1.0,
        temperature=temperature * full,
        relative_humidity=humidity * full,
        pressure=101_000.0 * full,
        line=np.arange(count) + 2,
        remarks=(),
    )


# -- fixed settings


def test_random_hours_of_a_real_year_agree_with_single_solves(
    by_map: Seasons, night: Case, real: Weather
) -> None:
    hours = by_map.strategies[0].hours
    assert hours.method == MAP and len(real) == 8760
    for k in np.random.default_rng(11).choice(8760, 200, replace=False):
        air = Air(real.temperature[k], real.relative_humidity[k], real.pressure[k])
        out = coolsim.predict(night, air=air).pellets_out
        assert abs(out.moisture_wb - hours.outcome.moisture[k]) < 0.02 * POINT, k
        assert abs(out.temperature - hours.outcome.temperature[k]) < 0.1, k


def test_direct_and_map_say_the_same(night: Case, real: Weather) -> None:
    some = real.rows(slice(None, None, 7))
    direct, mapped = (
        coolsim.seasons(night, weather=some, direct=d, chart=False).strategies[0].hours for d in (True, False)
    )
    assert (direct.method, mapped.method) == (DIRECT, MAP) and direct.error is None
    assert mapped.error is not None and mapped.error.states == response.HELD_OUT
    for name, most in (("moisture", 0.02 * POINT), ("temperature", 0.1), ("water_activity", 0.004)):
        off = np.abs(getattr(direct.outcome, name) - getattr(mapped.outcome, name))
        assert off.max() < most, name
        assert off.max() < 4 * getattr(mapped.error, name) + 1e-6, name  # what is stated is not far from true


def test_a_bound_that_is_not_kept_falls_back_to_direct(
    night: Case, real: Weather, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(response, "BOUND", {"moisture": 1e-12, "temperature": 1e-9, "water_activity": 1e-9})
    hours = coolsim.seasons(night, weather=real.rows(slice(None, None, 7)), chart=False).strategies[0].hours
    assert hours.method == DIRECT and hours.error is None


def test_a_year_of_constant_weather_is_the_single_answer(night: Case) -> None:
    weather = constant(8760)
    year = coolsim.seasons(night, weather=weather, chart=False)
    hours, total = year.strategies[0].hours, year.strategies[0].total
    out = coolsim.predict(night, air=Air(29.0, 0.82, 101_000.0)).pellets_out
    assert len(hours.outcome.moisture) == 8760
    np.testing.assert_allclose(hours.outcome.moisture, out.moisture_wb, rtol=0, atol=1e-9)
    np.testing.assert_allclose(hours.outcome.temperature, out.temperature, rtol=0, atol=1e-6)
    # by hand: 2000 kg/h wet at 13.3 %; sold at 11.5 % it would be solid/(1 − 0.115)
    product = 2000 * (1 - 0.133) / (1 - out.moisture_wb)
    given = 2000 * (1 - 0.133) / (1 - 0.115) - product
    assert total.product == pytest.approx(8760 * product, rel=1e-9)
    assert total.given_away == pytest.approx(8760 * max(given, 0), rel=1e-6)
    assert total.cost_given_away == pytest.approx(0.70 * total.given_away)
    assert total.cost_electricity == pytest.approx(0.14 * total.electricity)
    assert total.heat == 0.0 and total.hours == 8760


def test_wetter_than_the_target_gives_nothing_away(night: Case) -> None:
    case = coolsim.replace(night, {"feed.moisture": "16 %"})
    total = coolsim.seasons(case, weather=constant(3), chart=False).strategies[0].total
    assert total.moisture_wb > 0.115 and total.given_away == 0.0 and total.too_wet == 3
    assert total.product_too_wet == total.product


def test_water_activity_alone_makes_it_too_wet(night: Case) -> None:
    case = coolsim.replace(night, {"target.moisture": "20 %", "target.maximum_water_activity": 0.4})
    total = coolsim.seasons(case, weather=constant(3), chart=False).strategies[0].total
    assert total.moisture_wb < 0.15 and total.too_wet == 3 and total.within == 0


def test_heated_air_is_paid_for(monsoon: Case) -> None:
    case = coolsim.replace(
        monsoon, {"cooler.inlet_air_temperature": "39 degC", "cooler.airflow": "2000 m3/h"}
    )
    total = coolsim.seasons(case, weather=constant(24), chart=False).strategies[0].total
    # by hand: e_s(29 °C) = 4008 Pa (steam tables, memory, high) → Y = .62195·3287/(101000 − 3287) = .0209;
    # v = 287.04·302.15·(1 + 1.6078·.0209)/101000 = .8876 m³/kg; 2000 m³/h · 10 K · (1.006 + 1.86·.0209) kJ/kgK
    kW = 2000 / 0.8876 * 10 * (1.006 + 1.86 * 0.0209) / 3600
    assert total.heat == pytest.approx(24 * kW, rel=3e-3)
    assert total.cost_heat == pytest.approx(0.05 * total.heat)


def test_monthly_sums_are_hourly_sums(by_map: Seasons) -> None:
    first = by_map.strategies[0]
    assert [month for month, _ in first.months] == list(range(1, 13))
    for name in ("hours", "within", "too_wet", "too_warm", "product", "given_away", "electricity", "cost"):
        assert sum(getattr(t, name) for _, t in first.months) == pytest.approx(
            getattr(first.total, name), rel=1e-12
        )
    july = real_month(first.hours, 7)
    assert dict(first.months)[7].given_away == pytest.approx(first.hours.given_away[july].sum(), rel=1e-12)
    assert dict(first.months)[7].cost == pytest.approx(first.hours.cost[july].sum(), rel=1e-9)
    assert dict(first.months)[7].hours == 31 * 24 == july.sum()


def real_month(hours: Hours, month: int) -> np.ndarray:
    return np.array([int(str(time)[5:7]) == month for time in hours.weather.time])


def test_verdicts_are_those_of_the_target(by_map: Seasons, real: Weather) -> None:
    hours = by_map.strategies[0].hours
    warm = hours.outcome.temperature - real.temperature > 7.0
    wet = (hours.outcome.moisture > 0.115) | (hours.outcome.water_activity > 0.65)
    assert (hours.too_warm == warm).all() and (hours.too_wet == wet).all() and warm.any()
    assert not hours.too_dry.any()  # no tolerance: drier is allowed
    assert (hours.within == ~(warm | wet | hours.over_limit)).all()


def test_an_hour_that_fails_is_counted_and_nothing_else(night: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(inputs: object, resolution: object = None) -> None:
        raise NotConverged("made to fail", np.array([3]), answered(inputs))

    answered = response.predict_inputs
    monkeypatch.setattr(response, "predict_inputs", failing)
    weather = dataclasses.replace(constant(24), temperature=np.linspace(20, 30, 24))
    strategy = coolsim.seasons(night, weather=weather, chart=False).strategies[0]
    assert strategy.total.not_computed == 1 and strategy.total.hours == 24
    assert (~strategy.hours.computed).sum() == 1
    bad = int(np.flatnonzero(~strategy.hours.computed)[0])
    assert np.isnan(strategy.hours.outcome.moisture[bad])
    assert not any(getattr(strategy.hours, n)[bad] for n in ("within", "too_wet", "too_warm", "over_limit"))
    good = strategy.hours.computed
    assert strategy.total.product == pytest.approx(strategy.hours.product[good].sum())


def test_what_a_year_needs(night: Case, good_scenario: str) -> None:
    with pytest.raises(InputError, match=r"no \[weather\] table"):
        coolsim.seasons(night)
    from coolsim.scenario import loads

    with pytest.raises(InputError, match=r"target\.moisture"):
        coolsim.seasons(loads(good_scenario, "mill.toml"), weather=constant(5))


@pytest.fixture
def good_scenario() -> str:
    return level_text("humid-delta").replace('moisture = "12 %"', "")


# -- the chart


def settings_of(strategy: Strategy, T: float, RH: float) -> dict[str, float]:
    """Read the chart as a person would: the band that the instruments fall in."""
    chart = strategy.chart
    assert chart is not None
    i = max(k for k, edge in enumerate(chart.bands.temperature[:-1]) if k == 0 or edge <= T)
    j = max(k for k, edge in enumerate(chart.bands.relative_humidity[:-1]) if k == 0 or edge <= RH)
    names = ("airflow", "bed_depth", "feed_moisture")
    return {name: float(getattr(chart, name)[i, j]) for name in names}


def test_every_hour_is_in_one_cell_of_at_most_64(charted: Seasons) -> None:
    chart, w = charted.strategies[1].chart, charted.weather
    assert chart is not None
    T, RH = chart.bands.temperature, chart.bands.relative_humidity
    assert len(T) <= 9 and len(RH) <= 9 and (np.diff(T) > 0).all() and (np.diff(RH) > 0).all()
    assert T[0] <= w.temperature.min() and w.temperature.max() <= T[-1]
    assert RH[0] <= w.relative_humidity.min() and w.relative_humidity.max() <= RH[-1]
    assert chart.hours.sum() == len(w) * w.step
    counted = np.zeros_like(chart.hours)
    for t, h in zip(w.temperature, w.relative_humidity):
        i = min(int(np.sum(t >= T)) - 1, len(T) - 2)
        j = min(int(np.sum(h >= RH)) - 1, len(RH) - 2)
        counted[i, j] += w.step
    np.testing.assert_array_equal(counted, chart.hours)
    assert (np.isfinite(chart.airflow) == (chart.hours > 0)).all()


def test_predicted_again_with_the_chart_hours_meet_the_target(charted: Seasons, monsoon: Case) -> None:
    """Each hour by itself with what the chart says, judged here; 95 % of the reachable hours are asked for."""
    chart, w = charted.strategies[1], charted.weather
    assert chart.reachable is not None
    reachable = np.flatnonzero(chart.reachable)
    assert 0.2 * len(w) < len(reachable) < 0.95 * len(w)  # the scenario has both
    met = []
    for k in np.random.default_rng(3).choice(reachable, 80, replace=False):
        read = settings_of(chart, w.temperature[k], w.relative_humidity[k])
        cooler = dataclasses.replace(monsoon.cooler, airflow=read["airflow"], bed_depth=read["bed_depth"])
        air = Air(w.temperature[k], w.relative_humidity[k], w.pressure[k])
        result = coolsim.predict(dataclasses.replace(monsoon, cooler=cooler, air=air))
        out, a_w = result.pellets_out, result.after_equalising.water_activity
        met.append(
            abs(out.moisture_wb - 0.115) <= 0.003 + 1e-5
            and out.temperature <= air.temperature + 7.0 + 1e-3
            and a_w <= 0.65 + 1e-4
            and result.bed.lift_off <= 0.75 + 1e-4
            and result.air_out.relative_humidity <= 0.92 + 1e-4
            and result.bed.pressure_drop <= 1800
        )
        assert abs(out.moisture_wb - chart.hours.outcome.moisture[k]) < 0.02 * POINT
        assert abs(out.temperature - chart.hours.outcome.temperature[k]) < 0.1
    assert np.mean(met) >= 0.95
    assert chart.reachable_met >= 0.95


def test_reachable_hours_are_those_that_a_search_for_the_hour_can_meet(charted: Seasons) -> None:
    way, w, case = charted.strategies[1], charted.weather, charted.case
    assert way.reachable is not None
    rng = np.random.default_rng(8)
    hours = [*rng.choice(np.flatnonzero(way.reachable), 3), *rng.choice(np.flatnonzero(~way.reachable), 3)]
    for k in hours:
        air = Air(float(w.temperature[k]), float(w.relative_humidity[k]), float(w.pressure[k]))
        found = coolsim.find_settings(dataclasses.replace(case, air=air))
        assert found.met == way.reachable[k], (k, air, found.broken)


def test_no_limit_of_the_machine_is_broken_where_the_target_is_out_of_reach(charted: Seasons) -> None:
    for way in charted.strategies[1:]:
        assert way.total.over_limit <= 0.01 * way.total.hours
        low, high = way.hours.settings.fan_speed.min(), way.hours.settings.fan_speed.max()
        assert low >= 0.35 - 1e-3 and high <= 1 + 1e-3


def test_the_feed_that_a_cell_needs_is_what_a_search_says(charted: Seasons) -> None:
    """In the fullest cell, at an extreme hour: the search's wettest feed for that hour alone is no less."""
    way, w, case = charted.strategies[1], charted.weather, charted.case
    chart = way.chart
    assert chart is not None
    i, j = np.unravel_index(int(chart.hours.argmax()), chart.hours.shape)
    cell = chart.bands.cell(w.temperature, w.relative_humidity) == i * chart.hours.shape[1] + j
    needs = []
    for k in np.flatnonzero(cell)[[w.temperature[cell].argmin(), w.relative_humidity[cell].argmax()]]:
        air = Air(float(w.temperature[k]), float(w.relative_humidity[k]), float(w.pressure[k]))
        needs.append(coolsim.find_settings(dataclasses.replace(case, air=air)).required_feed_moisture)
    assert chart.required_feed_moisture[i, j] <= min(needs) + 5e-4
    assert (
        chart.required_feed_moisture[i, j] >= min(needs) - 5e-3
    )  # half a point: for all hours of the cell at once


def test_strategies_improve_on_what_is(charted: Seasons) -> None:
    as_it_is, chart, feed = (s.total for s in charted.strategies)
    assert as_it_is.within < chart.within < feed.within
    assert feed.within > 0.95 * feed.hours


@pytest.mark.parametrize("spread", [0.0, 0.4, 40.0])
def test_bands_of_any_weather(spread: float) -> None:
    T = 20 + spread * np.linspace(-0.5, 0.5, 200)
    RH = np.clip(0.5 + spread / 80 * np.linspace(-1, 1, 200), 0, 1)
    bands = bands_of(T, RH)
    assert 2 <= len(bands.temperature) <= 9 and 2 <= len(bands.relative_humidity) <= 9
    assert bands.temperature[0] <= T.min() and T.max() <= bands.temperature[-1]
    assert (bands.temperature == np.rint(bands.temperature)).all()  # whole degrees, to be read off
    assert np.allclose(20 * bands.relative_humidity, np.rint(20 * bands.relative_humidity))
    assert bands.cell(np.array([-90.0, 90.0]), np.array([0.0, 1.0])).tolist() == [
        0,
        (len(bands.temperature) - 1) * (len(bands.relative_humidity) - 1) - 1,
    ]


def test_a_case_survives_pickling(monsoon: Case) -> None:
    again = pickle.loads(pickle.dumps(monsoon))
    assert again == monsoon
    with pytest.raises(dataclasses.FrozenInstanceError):
        again.target.moisture = 0.1  # still read-only
    assert coolsim.replace(again, {"feed.moisture": "13 %"}).feed.moisture == 0.13
