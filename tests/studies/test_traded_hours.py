"""Where no settings are right in all hours of a band: moulds are worse than money, and the text says so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import level
from studies.pig_pellets import FEED
from studies.test_dryer_seasons import BATCH, weather_of

import coolsim
from coolsim.output import years as printed
from coolsim.output.page import Page
from coolsim.scenario import loads
from coolsim.scenario.weather import Weather, read_weather
from coolsim.studies.years import Seasons, cooler_cells

pytestmark = pytest.mark.thorough

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def some_days(every: int, name: str = "monsoon-year") -> Weather:
    """Hours over the whole of the invented year."""
    return read_weather(level(name)).rows(slice(None, None, every))


@pytest.fixture(scope="module")
def dryer() -> Seasons:
    """A band of ± 0.05 point is narrower than what the hours of any band of weather differ by."""
    feed = FEED.replace('moisture = "13 %"', 'moisture = "13 %"\ntolerance = "0.05 %"')
    case = loads(feed + BATCH + '[limits]\nduration = ["8 min", "30 min"]\n')
    return coolsim.seasons(case, weather=weather_of(np.linspace(5.0, 32.0, 36), np.tile([0.3, 0.6, 0.9], 12)))


@pytest.fixture(scope="module")
def cooler() -> Seasons:
    """12 ± 0.3 % at a water activity of 0.65: what is dry enough to keep is too dry to sell in some weather."""
    case = level("monsoon-year")
    case = coolsim.replace(case, {"target.moisture": "12 %", "target.maximum_water_activity": 0.65})
    return coolsim.seasons(case, weather=some_days(27))


def test_a_dryers_chart_leaves_no_hour_too_wet(dryer: Seasons) -> None:
    """It can dry as far as it likes, so hours too wet are none, whatever hours are too dry."""
    now, chart, *_ = (way.total for way in dryer.strategies)
    assert now.too_wet > 0 or now.too_dry > 0
    assert chart.too_wet == 0.0 and chart.too_dry > 0
    assert chart.within + chart.too_dry == chart.hours


def test_a_coolers_chart_is_wetter_in_no_more_hours_than_it_is_now(cooler: Seasons) -> None:
    now, chart, *_ = (way.total for way in cooler.strategies)
    assert now.too_wet > 0
    assert chart.too_wet <= now.too_wet and chart.over_limit <= now.over_limit


def test_where_nothing_is_too_wet_now_nothing_is_by_the_chart() -> None:
    """Feed so dry that today's settings leave all of it too dry: a chart may save money, and mould no hour."""
    case = level("monsoon-year")
    changes = {"target.moisture": "12 %", "target.maximum_water_activity": 0.65, "feed.moisture": "14.5 %"}
    year = coolsim.seasons(coolsim.replace(case, changes), weather=some_days(27))
    now, *charts = (way.total for way in year.strategies)
    assert now.too_wet == 0.0 and now.within == 0.0
    assert all(chart.too_wet == 0.0 and chart.within > 0.9 * chart.hours for chart in charts)


def test_as_few_hours_are_too_wet_as_can_be(cooler: Seasons) -> None:
    """In hours that a chart leaves too wet no settings that are opened, chosen for that hour alone, do better."""
    chart = cooler.strategies[1]
    assert chart.reachable is not None
    wet_in_vain = chart.hours.too_wet & chart.reachable
    assert wet_in_vain.mean() < 0.02


def test_the_text_says_what_was_traded(dryer: Seasons) -> None:
    text = " ".join(printed.year(dryer, Page(80)).split())
    dry = dryer.strategies[1].total.too_dry
    assert "too wet (they mould)" in text and "too dry cost money, and come last" in text
    assert f"chart: so it leaves {dry:.0f} hours too dry" in text


def test_boxes_differ_only_where_it_pays(cooler: Seasons, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the chart in which each box has its own best: fewer settings, no hour worse, 1 % dearer at most."""
    monkeypatch.setattr(cooler_cells, "alike", lambda site, options, cells, chosen: chosen)
    each = coolsim.seasons(cooler.case, weather=cooler.weather).strategies[1]
    few = cooler.strategies[1]

    def settings(way: Any) -> set[tuple[float, float]]:
        filled = way.chart.hours > 0
        speeds, depths = way.chart.fan_speed[filled], way.chart.bed_depth[filled]
        return set(zip(np.round(speeds, 4).tolist(), np.round(depths, 3).tolist()))

    assert len(settings(few)) < 0.8 * len(settings(each))
    assert few.total.over_limit <= each.total.over_limit and few.total.too_wet <= each.total.too_wet
    assert few.total.cost <= 1.01 * each.total.cost
