"""A year of weather over dryers: maps against `predict`, sums by hand, and what the chart promises."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from shipped import level
from studies import pig_pellets
from studies.pig_pellets import BELT, FEED

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.machines import machine_of
from coolsim.scenario import loads
from coolsim.scenario.weather import Weather, read_weather
from coolsim.simulate import dryer_simulation
from coolsim.studies.years import Seasons, chart, chart_answer, site
from coolsim.studies.years.hours import DIRECT, MAP
from coolsim.support.errors import InputError, NotConverged

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"
POINT = 0.01  # kg/kg wet
# Cooled, so that outside air matters, and with a heater that is at its limit in cold weather.
BATCH = (
    pig_pellets.BATCH.replace("20 min", "12 min")
    + """cooling_time = "4 min"
reverse_every = "3 min"
recirculation = "60 %"
heater_power = "60 kW"
"""
)
DRYERS = {"batch": BATCH, "belt": BELT}
OPENED = {
    "batch": '[limits]\nduration = ["8 min", "30 min"]\nmaximum_pellet_temperature = "85 degC"\n',
    "belt": '[limits]\nbed_depth = ["6 cm", "16 cm"]\n',
}


def dryer(name: str, tables: str = "", feed: str = FEED) -> Case:
    return loads(feed + DRYERS[name] + tables)


def weather_of(temperature: np.ndarray, humidity: np.ndarray, pressure: float = 1.0e5) -> Weather:
    """An hour for each state, from the first of January on."""
    count = len(temperature)
    return Weather(
        name="by hand",
        place="",
        time=np.datetime64("2023-01-01T00:00:00") + np.arange(count) * np.timedelta64(3600, "s"),
        utc_offset=np.full(count, np.nan),
        step=1.0,
        temperature=np.asarray(temperature, float),
        relative_humidity=np.asarray(humidity, float),
        pressure=np.full(count, pressure),
        line=np.arange(count) + 2,
        remarks=(),
    )


def at(weather: Weather, hours: np.ndarray) -> Air:
    return Air(weather.temperature[hours], weather.relative_humidity[hours], weather.pressure[hours])


@pytest.fixture(scope="module")
def monsoon() -> Weather:
    """Each ninth hour of the invented monsoon year."""
    return read_weather(level("monsoon-year")).rows(slice(None, None, 9))


@pytest.fixture(scope="module", params=DRYERS)
def by_map(request: pytest.FixtureRequest, monsoon: Weather) -> Seasons:
    return coolsim.seasons(dryer(request.param), weather=monsoon, chart=False)


@pytest.fixture(scope="module", params=DRYERS)
def charted(request: pytest.FixtureRequest, monsoon: Weather) -> Seasons:
    """With a band that hours can miss to either side."""
    name = request.param
    feed = FEED.replace('moisture = "13 %"', 'moisture = "13 %"\ntolerance = "0.4 %"')
    return coolsim.seasons(dryer(name, OPENED[name], feed), weather=monsoon)


SHORT = '[limits]\nduration = ["8 min", "14 min"]\n'  # too short for feed of some hours


@pytest.fixture(scope="module")
def short(monsoon: Weather) -> Seasons:
    """A batch that may dry too short a time, in sixteen hours over the year."""
    return coolsim.seasons(dryer("batch", SHORT), weather=monsoon.rows(slice(None, None, 60)))


# -- fixed settings


def test_random_hours_agree_with_predict(by_map: Seasons, monsoon: Weather) -> None:
    """Bounds as of coolers' years; heat and electricity to 0.2 %, a tenth of what a meter shows."""
    hours, case = by_map.strategies[0].hours, by_map.case
    assert hours.method == MAP and hours.error is not None and hours.error.states == site.HELD_OUT
    k = np.random.default_rng(11).choice(len(monsoon), 60, replace=False)
    alone = coolsim.predict(case, air=at(monsoon, k))
    off = np.abs(alone.pellets_out.moisture_wb - hours.outcome.moisture[k]).max()
    assert off < 0.01 * POINT and off < 4 * hours.error.moisture + 1e-6
    assert np.abs(alone.pellets_out.temperature - hours.outcome.temperature[k]).max() < 0.1
    assert np.abs(alone.air_out.temperature - hours.outcome.air_temperature[k]).max() < 0.1
    hourly = 3600 * case.feed.throughput / mass(case) / 3.6e6
    np.testing.assert_allclose(hours.heat[k], hourly * alone.energy.heat, rtol=2e-3)
    np.testing.assert_allclose(hours.electricity[k], hourly * alone.energy.fan, rtol=2e-3)


def mass(case: Case) -> float:
    """Wet feed that the energy of an answer is of: a batch of 4 m² × 10 cm, or an hour on the belt."""
    return case.feed.bulk_density * 4 * 0.1 if case.cooler.arrangement == "batch" else 600.0


def test_direct_and_map_say_the_same(by_map: Seasons, monsoon: Weather) -> None:
    few = monsoon.rows(slice(None, None, 40))
    direct = coolsim.seasons(by_map.case, weather=few, direct=True, chart=False).strategies[0].hours
    assert direct.method == DIRECT and direct.error is None
    some = by_map.strategies[0].hours.outcome
    np.testing.assert_allclose(some.moisture[::40], direct.outcome.moisture, rtol=0, atol=0.01 * POINT)
    np.testing.assert_allclose(some.temperature[::40], direct.outcome.temperature, rtol=0, atol=0.1)


def test_a_bound_that_is_not_kept_falls_back_to_direct(
    monsoon: Weather, monkeypatch: pytest.MonkeyPatch
) -> None:
    tight = {"moisture": 1e-12, "temperature": 1e-9, "water_activity": 1e-9}
    monkeypatch.setattr(site, "BOUND", tight)
    monkeypatch.setattr(site, "SAMPLES", (20,))
    monkeypatch.setattr(site, "HELD_OUT", 6)
    few = monsoon.rows(slice(None, None, 10))
    hours = coolsim.seasons(dryer("belt"), weather=few, chart=False).strategies[0].hours
    assert hours.method == DIRECT and hours.error is None


def test_a_map_of_what_jumps_says_so(monsoon: Weather) -> None:
    """Without reversals `predict` may cool in one step of time in humid air and in three in dry air, unlike."""
    case = loads(FEED + BATCH.replace('reverse_every = "3 min"', ""))
    hours = coolsim.seasons(case, weather=monsoon, chart=False).strategies[0].hours
    k = np.random.default_rng(3).choice(len(monsoon), 60, replace=False)
    out = coolsim.predict(case, air=at(monsoon, k)).pellets_out
    assert hours.method == MAP and hours.error is not None
    assert np.abs(out.temperature - hours.outcome.temperature[k]).max() < max(
        0.1, 1.5 * hours.error.temperature
    )
    assert np.abs(out.moisture_wb - hours.outcome.moisture[k]).max() < 0.02 * POINT


@pytest.mark.parametrize("name", DRYERS)
def test_a_year_of_constant_weather_is_the_single_answer_times_hours(name: str) -> None:
    """By hand, from one prediction: 8760 h of 600 kg/h wet at 18 %, sold at 13 %."""
    case = dryer(name)
    year = coolsim.seasons(case, weather=weather_of(np.full(8760, 12.0), np.full(8760, 0.7)))
    (only,) = year.strategies  # [limits] opens nothing: no chart
    one, total = coolsim.predict(case, air=Air(12.0, 0.7, 1.0e5)), only.total
    product = 600 * (1 - 0.18) / (1 - one.pellets_out.moisture_wb)
    lost = max(600 * (1 - 0.18) / (1 - 0.13) - product, 0.0)
    heat, fan = (600 / mass(case) * joules / 3.6e6 for joules in (one.energy.heat, one.energy.fan))
    assert total.product == pytest.approx(8760 * product, rel=1e-9)
    assert total.given_away == pytest.approx(8760 * lost, rel=1e-6)
    assert total.heat == pytest.approx(8760 * heat, rel=1e-9)
    assert total.electricity == pytest.approx(8760 * fan, rel=1e-9)
    assert total.cost_heat == pytest.approx(0.06 * 8760 * heat, rel=1e-9)
    assert total.cost_electricity == pytest.approx(0.15 * 8760 * fan, rel=1e-9)
    assert total.cost_given_away == pytest.approx(0.4 * 8760 * lost, rel=1e-6)
    assert total.cost == pytest.approx(total.cost_heat + total.cost_electricity + total.cost_given_away)
    assert total.moisture_wb == pytest.approx(one.pellets_out.moisture_wb, abs=1e-9)
    assert only.hours.cost.sum() == pytest.approx(total.cost)


def test_monthly_sums_add_up(by_map: Seasons) -> None:
    first = by_map.strategies[0]
    assert [month for month, _ in first.months] == list(range(1, 13))
    for name in ("hours", "within", "too_wet", "product", "given_away", "electricity", "heat", "cost"):
        of_months = sum(getattr(t, name) for _, t in first.months)
        assert of_months == pytest.approx(getattr(first.total, name), rel=1e-12)
    july = first.hours.weather.month == 7
    assert dict(first.months)[7].heat == pytest.approx(first.hours.heat[july].sum(), rel=1e-12)


@pytest.mark.parametrize("name", DRYERS)
def test_humid_hours_leave_wetter_pellets_and_cold_ones_burn_more(name: str) -> None:
    """A law, not a number: make-up air that holds more water takes up less; colder air needs more heat."""
    humid = coolsim.seasons(dryer(name), weather=weather_of(np.full(5, 30.0), np.linspace(0.2, 0.98, 5)))
    assert (np.diff(humid.strategies[0].hours.outcome.moisture) > 1e-4).all()
    unlimited = (
        coolsim.replace(dryer(name), {"cooler.heater_power": "1 MW"}) if name == "batch" else dryer(name)
    )
    cold = coolsim.seasons(unlimited, weather=weather_of(np.linspace(30.0, -10.0, 5), np.full(5, 0.6)))
    assert (np.diff(cold.strategies[0].hours.heat) > 0.5).all()


@pytest.mark.parametrize(
    ("feed", "tables", "flag"),
    [
        ({"target.moisture": "9 %"}, "", "too_wet"),
        ({"target.moisture": "20 %", "target.maximum_water_activity": 0.2}, "", "too_wet"),
        ({"target.moisture": "17 %", "target.tolerance": "0.1 %"}, "", "too_dry"),
        ({"target.moisture": "17 %", "target.maximum_above_ambient": "0.05 K"}, "", "too_warm"),
        ({"target.moisture": "17 %", "target.maximum_above_ambient": "20 K"}, "", "within"),
        ({"target.moisture": "17 %", "target.maximum_deviation": "0.01 %"}, "", "over_limit"),
        ({"target.moisture": "17 %"}, '[limits]\nmaximum_lift_off = "5 %"\n', "over_limit"),
        ({"target.moisture": "17 %"}, '[limits]\nmaximum_exhaust_relative_humidity = "5 %"\n', "over_limit"),
        ({"target.moisture": "17 %"}, '[limits]\nmaximum_bed_pressure_drop = "1 Pa"\n', "over_limit"),
    ],
)
def test_what_an_hour_misses(feed: dict[str, object], tables: str, flag: str) -> None:
    case = coolsim.replace(dryer("belt", tables), feed)
    total = (
        coolsim.seasons(case, weather=weather_of(np.array([25.0, 27.0]), np.array([0.7, 0.6])))
        .strategies[0]
        .total
    )
    flags = {n: getattr(total, n) for n in ("too_wet", "too_dry", "too_warm", "over_limit", "within")}
    assert flags == {n: 2.0 if n == flag else 0.0 for n in flags}


@pytest.mark.parametrize("way", ["up", "down"])
@pytest.mark.parametrize("name", DRYERS)
def test_the_hottest_pellets_are_those_of_predict(name: str, way: str) -> None:
    """Whatever the phase and side where they were hot; a limit just above is kept, one just below is broken."""
    side = {f"cooler.{'zone.1.' if name == 'belt' else ''}air_direction": way}
    case, w = coolsim.replace(dryer(name), side), weather_of(np.array([25.0]), np.array([0.7]))
    highest = coolsim.predict(case, air=Air(25.0, 0.7, 1.0e5)).spread.hottest
    hours = coolsim.seasons(case, weather=w).strategies[0].hours
    assert hours.dryer is not None
    assert hours.dryer.pellet_temperature[0] == pytest.approx(highest, abs=1e-9)
    for limit, broken in ((highest + 0.01, 0.0), (highest - 0.01, 1.0)):
        limits = f'[limits]\nmaximum_pellet_temperature = "{limit} degC"\n'
        limited = coolsim.replace(dryer(name, limits), side)
        assert coolsim.seasons(limited, weather=w).strategies[0].total.over_limit == broken


def test_an_hour_that_fails_is_counted_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    real = dryer_simulation.solved

    def failing(cases, inputs, many=False, resolution=dryer_simulation.DEFAULT):
        result, solutions = real(cases, inputs, many, resolution)
        failed = np.flatnonzero(np.abs(inputs.outside_temperature - 25.0) < 1.0)
        if len(failed):
            raise NotConverged("on purpose", failed, result)
        return result, solutions

    w, case = weather_of(np.array([20.0, 25.0, 30.0]), np.full(3, 0.6)), dryer("belt")
    whole = coolsim.seasons(case, weather=w).strategies[0].hours
    monkeypatch.setattr(dryer_simulation, "solved", failing)
    (way,) = coolsim.seasons(case, weather=w).strategies
    assert (way.total.hours, way.total.not_computed) == (3, 1)
    assert way.total.heat == pytest.approx(whole.heat[[0, 2]].sum(), rel=1e-6)
    assert way.total.moisture_wb == pytest.approx(whole.outcome.moisture[[0, 2]].mean(), abs=1e-7)
    assert not way.hours.within[1] and np.isnan(way.hours.outcome.moisture[1])
    with pytest.raises(NotConverged, match="no hour"):
        coolsim.seasons(case, weather=w.rows([1]))


# -- the chart


def test_the_charts_settings_keep_what_it_says(charted: Seasons) -> None:
    """In every cell its wettest and driest hour and others, predicted one by one with the settings of the chart."""
    today, way, _ = charted.strategies
    chart, w, hours = way.chart, charted.weather, way.hours
    assert chart is not None and hours.error is not None
    cell = chart.bands.cell(w.temperature, w.relative_humidity)
    rng, asked, k = np.random.default_rng(5), [], []
    for i, j in np.argwhere(chart.hours > 0):
        here = np.flatnonzero(cell == i * chart.hours.shape[1] + j)
        assert chart.hours[i, j] == len(here) and chart.met[i, j] == pytest.approx(hours.within[here].mean())
        ends = [here[hours.outcome.moisture[here].argmax()], here[hours.outcome.moisture[here].argmin()]]
        for hour in {*ends, *rng.choice(here, min(len(here), 2), replace=False)}:
            air = Air(*(float(x[hour]) for x in (w.temperature, w.relative_humidity, w.pressure)))
            changed = (
                {"duration": float(chart.residence_time[i, j])}
                if charted.case.cooler.arrangement == "batch"
                else {"bed_depth": float(chart.bed_depth[i, j])}
            )
            asked.append(
                dataclasses.replace(
                    charted.case, air=air, cooler=dataclasses.replace(charted.case.cooler, **changed)
                )
            )
            k.append(hour)
    out = coolsim.predict(asked).pellets_out
    off = np.abs(out.moisture_wb - hours.outcome.moisture[k])
    assert off.max() < 0.02 * POINT  # the bound of a map, and where it was fitted
    clear = np.abs(np.abs(out.moisture_wb - 0.13) - 0.004) > 0.02 * POINT
    inside = np.abs(out.moisture_wb - 0.13) < 0.004
    assert (inside == hours.within[k])[clear].all() and clear.mean() > 0.5
    assert way.total.within > today.total.within
    assert way.total.too_wet == 0.0  # set for the hour that dries worst


def test_a_charts_settings_can_be_dialled_in(charted: Seasons) -> None:
    """To half minutes of time, 0.01 m/min of a belt, within what [limits] opens, or its very ends."""
    chart, batch = charted.strategies[1].chart, charted.case.cooler.arrangement == "batch"
    assert chart is not None
    values, unit, (low, high) = (
        (chart.residence_time, 30.0, (480.0, 1800.0)) if batch else (chart.belt_speed, 0.01 / 60, (0.0, 0.0))
    )
    if not batch:  # throughput over bulk density, width and depth
        belt, feed = charted.case.cooler, charted.case.feed
        low, high = (feed.throughput / (feed.bulk_density * belt.belt_width * d) for d in (0.16, 0.06))
    some = values[chart.hours > 0]
    on_step = np.isclose(some / unit, np.rint(some / unit), atol=1e-6)
    assert (on_step | np.isclose(some, low) | np.isclose(some, high)).all()
    assert low - 1e-9 <= some.min() and some.max() <= high + 1e-9 and np.ptp(some) > 0
    assert np.isnan(chart.fan_speed).all()
    np.testing.assert_array_equal(chart.dials[0].values, values)


def test_a_humid_band_is_dried_longer(charted: Seasons) -> None:
    """Across each row of temperature: no shorter where it is more humid."""
    chart = charted.strategies[1].chart
    assert chart is not None
    for row, hours in zip(chart.residence_time, chart.hours):
        assert (np.diff(row[hours > 0]) >= -30.0).all()  # a step of the dial


def test_out_of_reach_the_nearest_settings_stand_in_the_chart(monsoon: Weather) -> None:
    """Nine minutes do not do at any hour: the longest of them is set, as for one hour, and no hour is met."""
    few = monsoon.rows(slice(None, None, 120))
    case = dryer("batch", '[limits]\nduration = ["5 min", "9 min"]\n')
    chart = coolsim.seasons(case, weather=few).strategies[1].chart
    assert chart is not None
    there = chart.hours > 0
    np.testing.assert_allclose(chart.residence_time[there], 540.0, atol=6.0)
    assert (chart.met[there] == 0).all()


def test_of_two_settings_the_better_are_taken(monsoon: Weather) -> None:
    """Five minutes leave every hour too wet, twenty none: twenty stay, or come, and their hours with them."""
    here = site.site_of(dryer("batch"), monsoon.rows(slice(0, 6)))
    short, enough = (
        dataclasses.replace(here.case, cooler=dataclasses.replace(here.case.cooler, duration=t))
        for t in (300.0, 1200.0)
    )
    for now, other in ((short, enough), (enough, short)):
        ways = site.HourlySettings((now, now), np.array([0, 0, 0, 1, 1, 1]))
        found = site.directly(here, ways)
        taken, rows = chart.better(here, ways, found, {1: other}, None)
        assert taken.cases == (now, enough)
        np.testing.assert_allclose(rows.rows, site.directly(here, taken).rows, rtol=1e-6, atol=1e-9)


# -- strategies


def test_a_feed_is_asked_for_that_can_be_dried(short: Seasons) -> None:
    """The wettest feed of a band, asked of `settings` in its hardest hour: a hair drier does, wetter does not."""
    case, few = short.case, short.weather
    now, first, fed = short.strategies
    names = [chart_answer.AS_THEY_ARE, chart_answer.CHART, chart_answer.FEED]
    assert [way.name for way in short.strategies] == names
    chart = fed.chart
    assert first.chart is not None and chart is not None and fed.reachable is not None
    assert fed.total.within > first.total.within and fed.total.too_wet < first.total.too_wet
    cell = chart.bands.cell(few.temperature, few.relative_humidity)
    drier = np.argwhere(chart.feed_moisture < case.feed.moisture - 1e-9)
    assert len(drier)
    for i, j in drier[:1]:
        need = float(chart.required_feed_moisture[i, j])
        assert chart.feed_moisture[i, j] <= need < case.feed.moisture
        here = np.flatnonzero(cell == i * chart.hours.shape[1] + j)
        hardest = here[now.hours.outcome.moisture[here].argmax()]
        there = dataclasses.replace(case, air=Air(*map(float, dataclasses.astuple(at(few, hardest)))))
        for moisture, met in ((need - 0.002, True), (need + 0.002, False)):
            other = dataclasses.replace(there, feed=dataclasses.replace(case.feed, moisture=moisture))
            assert coolsim.find_settings(other).met == met


def test_out_of_reach_is_what_no_settings_of_that_hour_can_meet(short: Seasons) -> None:
    """Hours told to be within reach and out of it, each asked of `settings` by itself."""
    case, few, way = short.case, short.weather, short.strategies[1]
    assert way.reachable is not None and 0 < way.reachable.sum() < len(few)
    k = np.random.default_rng(4).choice(len(few), 8, replace=False)
    met = [
        coolsim.find_settings(
            dataclasses.replace(case, air=Air(*map(float, dataclasses.astuple(at(few, h)))))
        ).met
        for h in k
    ]
    assert (np.array(met) == way.reachable[k]).mean() >= 7 / 8


# -- lines


def test_a_line_is_run_as_its_single_answers(monsoon: Weather) -> None:
    """Hours of a line with its settings as they are: those of `predict`, and its chart keeps what it says."""
    line = level("dryer-then-cooler")
    few = monsoon.rows(slice(None, None, 90))
    now, chart, _ = coolsim.seasons(line, weather=few).strategies
    k = np.arange(len(few))[::3]
    alone = coolsim.predict(line, air=at(few, k))
    np.testing.assert_allclose(now.hours.outcome.moisture[k], alone.pellets_out.moisture_wb, atol=1e-6)
    np.testing.assert_allclose(now.hours.outcome.temperature[k], alone.pellets_out.temperature, atol=0.01)
    assert chart.chart is not None
    assert chart.total.too_wet == chart.total.over_limit == 0.0 < now.total.too_wet
    keys = [dial.setting.key for dial in chart.chart.dials]
    assert keys == ["1.inlet_air_temperature", "1.belt_speed", "2.airflow"]
    cell = chart.chart.bands.cell(few.temperature, few.relative_humidity)
    machine = machine_of(line)
    for hour in k[:3]:
        i, j = np.unravel_index(cell[hour], chart.chart.hours.shape)
        values = {dial.setting.key: float(dial.values[i, j]) for dial in chart.chart.dials}
        set_so = dataclasses.replace(
            machine.at(values), air=Air(*map(float, dataclasses.astuple(at(few, hour))))
        )
        out = coolsim.predict(set_so).pellets_out
        assert out.moisture_wb == pytest.approx(chart.hours.outcome.moisture[hour], abs=2e-4)
        assert out.moisture_wb <= line.target.moisture + 1e-6


# -- how sure


def test_how_sure_a_dryers_year_is_is_what_its_samples_say(monsoon: Weather) -> None:
    """Twelve hours, one input with a ±: its ends at 2.5 % moved by hand, each hour predicted in full."""
    few = monsoon.rows(slice(None, None, 60))
    case = coolsim.replace(dryer("belt"), {"feed.moisture": "18 ± 0.8 %"})
    sure = coolsim.seasons(case, weather=few, chart=False, uncertainty=True).strategies[0].sure
    assert sure is not None
    ends = []
    for moisture in (0.172, 0.188):
        other = dataclasses.replace(case, feed=dataclasses.replace(case.feed, moisture=moisture))
        ends.append(
            float(coolsim.predict(other, air=at(few, np.arange(len(few)))).pellets_out.moisture_wb.mean())
        )
    share = {c.name: c.moisture_share for c in sure.contributors}["feed.moisture"]
    spread = (sure.moisture_wb.high - sure.moisture_wb.low) * np.sqrt(share)
    assert spread == pytest.approx(ends[1] - ends[0], rel=0.25)  # of what is its own; tails are not normal
    assert sure.moisture_wb.low < np.mean(ends) < sure.moisture_wb.high


# -- what is refused


def test_everything_that_is_missing_is_named_at_once() -> None:
    text = FEED.replace('[target]\nmoisture = "13 %"\nmaximum_water_activity = 1.0\n', "")
    with pytest.raises(InputError) as refused:
        coolsim.seasons(loads(text + BATCH), uncertainty=True)
    assert [fault.key for fault in refused.value.faults] == ["target.moisture", "weather"]
    foreign = '[limits]\nduration = ["5 min", "9 min"]\nresidence_time = ["5 min", "9 min"]\n'
    with pytest.raises(InputError) as refused:
        coolsim.seasons(dryer("batch", foreign), weather=weather_of(np.ones(2), np.ones(2) / 2))
    assert [fault.key for fault in refused.value.faults] == ["limits.residence_time"]
