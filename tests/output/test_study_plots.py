"""Pictures of years and sizes: what is drawn is what the answer holds."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from numpy.testing import assert_allclose
from output.pictures import size, year, year_as_it_is

from coolsim import plots
from coolsim.output.plots.style import MOISTURES
from coolsim.output.plots.years import DRIER, WETTER, _colours, _quietest_rows


@pytest.fixture(autouse=True)
def canvas() -> Iterator[None]:
    plt.switch_backend("agg")
    yield
    plt.close("all")


def cells(axis: Axes) -> tuple[Any, Any, Any]:
    """Edges of days and hours, and the values between them."""
    (mesh,) = (c for c in axis.collections if isinstance(c, QuadMesh))
    corners = mesh.get_coordinates()
    return (
        corners[0, :, 0],
        corners[:, 0, 1],
        np.ma.filled(mesh.get_array().reshape(len(corners) - 1, -1), np.nan),
    )


@pytest.mark.parametrize("strategy", [0, pytest.param(1, marks=pytest.mark.thorough)])
def test_each_hour_stands_at_its_day_and_hour(strategy: int) -> None:
    shown = year() if strategy else year_as_it_is()
    hours = shown.strategies[strategy].hours
    days, clock, table = cells(plots.calendar(shown, strategy=strategy))
    time = hours.weather.time
    for k in np.random.default_rng(2).choice(len(time), 50, replace=False):
        day = (
            time[k].astype("datetime64[D]") - time[k].astype("datetime64[Y]").astype("datetime64[D]")
        ).astype(int)
        hour = (time[k] - time[k].astype("datetime64[D]")).astype("timedelta64[h]").astype(int)
        column = int(np.searchsorted(days, day + 1.0))
        row = int(np.searchsorted(clock, hour))
        assert (days[column], clock[row]) == (day + 1.0, hour)
        assert table[row, column] == pytest.approx(100 * hours.outcome.moisture[k], rel=1e-12)
    assert np.isfinite(table).sum() == len(time)  # all others are white


def test_colours_say_their_steps() -> None:
    axis = plots.calendar(year_as_it_is())
    words = [t.get_text() for t in axis.get_legend().get_texts()]
    ends = [[float(x) for x in word.split(" – ")] for word in words]
    *_, table = cells(axis)
    assert min(map(min, ends)) <= np.nanmin(table) and np.nanmax(table) <= max(map(max, ends))
    assert all(a[0] == b[1] for a, b in itertools.pairwise(ends))  # wettest on top, none left out


@pytest.mark.parametrize(("units", "zero", "one"), [("si", 0.0, 1.0), ("us", 32.0, 1.8)])
def test_temperatures_in_their_units(units: str, zero: float, one: float) -> None:
    *_, table = cells(plots.calendar(year_as_it_is(), "temperature", units=units))
    drawn = np.sort(table[np.isfinite(table)])
    assert_allclose(
        drawn, zero + one * np.sort(year_as_it_is().strategies[0].hours.outcome.temperature), rtol=1e-9
    )


@pytest.mark.thorough
def test_fan_speeds_of_the_chart() -> None:
    *_, table = cells(plots.calendar(year(), "fan_speed", strategy=1))
    speeds = np.broadcast_to(year().strategies[1].hours.settings.fan_speed, len(year().weather))
    assert_allclose(np.sort(table[np.isfinite(table)]), 100 * np.sort(speeds), rtol=1e-9)


def test_what_a_calendar_cannot_show() -> None:
    with pytest.raises(ValueError, match="shows moisture, temperature"):
        plots.calendar(year_as_it_is(), "colour")
    with pytest.raises(ValueError, match="no strategy 9; there are: 0 settings as they are"):
        plots.calendar(year_as_it_is(), strategy=9)
    way = year_as_it_is().strategies[0]
    settings = dataclasses.replace(
        way.hours.settings, fan_speed=np.full(len(year_as_it_is().weather), np.nan)
    )
    bare = dataclasses.replace(way, hours=dataclasses.replace(way.hours, settings=settings))
    with pytest.raises(ValueError, match="without \\[fan\\]"):
        plots.calendar(dataclasses.replace(year_as_it_is(), strategies=(bare,)), "fan_speed")


@pytest.mark.thorough
def test_bars_are_hours_and_money() -> None:
    hours, money = plots.strategies(year())
    totals = [way.total for way in year().strategies]
    for name, label in (("within", "within target"), ("too_wet", "too wet"), ("too_warm", "too warm")):
        (bars,) = (c for c in hours.containers if c.get_label() == label)
        assert_allclose([b.get_height() for b in bars], [getattr(t, name) for t in totals])
    tops = np.zeros(len(totals))
    for bars in money.containers:
        assert_allclose([b.get_y() for b in bars], tops, atol=1e-9)  # each stands on the one below
        tops += [b.get_height() for b in bars]
    assert_allclose(tops, [t.cost for t in totals], rtol=1e-9)
    names = [t.get_text().replace("\n", " ") for t in money.get_xticklabels()]
    assert names == ["as it is", "chart", "chart, heat", "chart, feed"]  # as the tables call them


def test_floors_and_the_one_taken() -> None:
    energy, cost = plots.size_curve(size())
    lines = {str(each.get_label()): each.get_data() for each in energy.lines}
    floors = [point.floor_area for point in size().curve]
    assert_allclose(lines["mean"], [floors, [point.specific_energy for point in size().curve]])
    assert_allclose(
        lines["the one that takes most"], [floors, [point.highest_energy for point in size().curve]]
    )
    (star,) = (each for each in energy.lines if each.get_gid() == "taken")
    assert_allclose(star.get_xdata(), [size().floor_area])
    (curve,) = (each for each in cost.lines if each.get_label() == "mean")
    assert_allclose(curve.get_ydata(), [point.cost_per_tonne for point in size().curve])


def test_the_floor_taken_is_that_of_all_dryers_as_the_others_are() -> None:
    """Of two dryers each has half of the floor that the curve tells of."""
    floors = size().curve[-1].floor_area
    two = dataclasses.replace(size(), dryers=2, floor_area=floors / 2)
    energy, _ = plots.size_curve(two)
    (star,) = (each for each in energy.lines if each.get_gid() == "taken")
    assert_allclose(star.get_xdata(), [floors])
    assert_allclose(star.get_ydata(), [size().curve[-1].specific_energy])


def test_floors_without_prices_have_one_axis_and_feet_fit() -> None:
    free = dataclasses.replace(
        size(), curve=tuple(dataclasses.replace(p, cost_per_tonne=None) for p in size().curve)
    )
    (axis,) = plots.size_curve(free, units="us")
    (curve,) = (each for each in axis.lines if each.get_label() == "mean")
    assert_allclose(curve.get_xdata(), [p.floor_area / 0.3048**2 for p in size().curve], rtol=1e-9)


def test_no_size_no_curve() -> None:
    with pytest.raises(ValueError, match="no size serves"):
        plots.size_curve(dataclasses.replace(size(), met=False))


def test_a_calendar_leaves_no_night_empty() -> None:
    """The cooler runs from 6 to 22; a night shift from 22 to 6 begins at the bottom and stands in one piece."""
    assert plots.calendar(year_as_it_is()).get_ylim() == (6.0, 22.0)
    hours = np.arange(24)
    assert _quietest_rows((hours >= 6) & (hours < 22)) == (6, 16)
    assert _quietest_rows((hours >= 22) | (hours < 6)) == (22, 8)
    assert _quietest_rows(hours >= 0) == (0, 24)
    assert _quietest_rows(np.isin(hours, [1, 2, 3, 9, 10])) == (1, 10)  # around its longest time without any


def test_the_target_parts_a_calendars_colours() -> None:
    """11.5 ± 0.3 %: edges at 11.2 and 11.8, sand below, blue above, a colour between that is neither's."""
    edges, colours = _colours(10.6, 12.4, np.array([11.2, 11.8]))
    assert {11.2, 11.8} <= {round(float(e), 6) for e in edges}
    middle = (edges[1:] + edges[:-1]) / 2
    places = [
        next(x for x in np.linspace(0, 1, 2001) if np.allclose(MOISTURES(x), c, atol=2e-3)) for c in colours
    ]
    for m, place in zip(middle, places):
        if m < 11.2:
            assert place <= DRIER[1] + 0.01
        elif m > 11.8:
            assert place >= WETTER[0] - 0.01
        else:
            assert DRIER[1] < place < WETTER[0]
    assert places == sorted(places)  # wetter is darker all the way
