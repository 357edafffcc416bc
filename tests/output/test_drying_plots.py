"""Pictures of dryers: what is drawn is what the answer holds, and what cannot be drawn is refused."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator
from functools import cache
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.contour import ContourSet
from numpy.testing import assert_allclose
from output.pictures import BELT, answer, case

import coolsim
from coolsim import plots
from coolsim.case.result import Result
from coolsim.model import march
from coolsim.output.plots import style

BATCH = "evening-batch"


@pytest.fixture(autouse=True)
def canvas() -> Iterator[None]:
    plt.switch_backend("agg")
    yield
    plt.close("all")


def line(axis: Axes, label: str) -> tuple[Any, Any]:
    """Numbers of the line of this label, without the breaks in it."""
    (found,) = (each for each in axis.lines if each.get_label() == label)
    x, y = (np.asarray(a, float) for a in found.get_data())
    return x[np.isfinite(y)], y[np.isfinite(y)]


def changed(result: Result, **history: Any) -> Result:
    assert result.history is not None
    return dataclasses.replace(result, history=dataclasses.replace(result.history, **history))


# ---- Over time -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [BATCH, BELT])
def test_the_curve_is_the_history(name: str) -> None:
    result = answer(name)
    h, fed = result.history, result.feed_in
    assert h is not None
    assert (h.time[0], h.moisture_wb[0], h.bottom_moisture_wb[0]) == (
        0.0,
        *2 * (pytest.approx(fed.moisture_wb),),
    )
    assert h.temperature[0] == pytest.approx(fed.temperature, abs=1e-9)
    moisture, temperature = plots.drying_curve(result)
    minutes = h.time / 60
    for label, values in (
        ("mean", h.moisture_wb),
        ("top", h.top_moisture_wb),
        ("bottom", h.bottom_moisture_wb),
    ):
        x, y = line(moisture, label)
        assert_allclose(x, minutes, rtol=1e-12)
        assert_allclose(y, 100 * values, rtol=1e-12)
    for label, values in (("air in", h.inlet_air_temperature), ("air out", h.outlet_air_temperature)):
        x, y = line(temperature, label)
        assert_allclose(x, minutes, rtol=1e-12)
        assert_allclose(y, values, rtol=1e-12)
    assert_allclose(line(temperature, "pellets")[1], h.temperature, rtol=1e-12)


@pytest.mark.parametrize("name", [BATCH, BELT])
def test_a_course_has_points_enough_for_a_curve(name: str) -> None:
    """Sixty of its time, each between the moistures at the ends of its step."""
    h, layers = answer(name).history, answer(name).layers
    assert h is not None and layers is not None
    assert np.diff(h.time).max() <= h.time[-1] / 60 * (1 + 1e-9) and np.all(np.diff(h.time) > 0)
    solved = np.searchsorted(h.time, layers.time * (1 - 1e-12))
    assert_allclose(h.time[solved], layers.time, rtol=1e-12)
    assert_allclose(h.bottom_moisture_wb[solved], layers.moisture_wb[:, 0], rtol=1e-12)
    for first, last in itertools.pairwise(solved):
        within = h.bottom_moisture_wb[first : last + 1]
        ends = sorted(within[[0, -1]])
        assert np.all((within >= ends[0] - 1e-12) & (within <= ends[1] + 1e-12))


@pytest.mark.parametrize("name", [BATCH, BELT])
def test_the_target_stands_where_moisture_is_an_axis(name: str) -> None:
    """Of the scenarios: 10 and 9.5 %. Without a case there is none."""
    wanted = {BATCH: 10.0, BELT: 9.5}[name]
    moisture, temperature = plots.drying_curve(answer(name), case=case(name))
    assert [float(x.get_ydata()[0]) for x in moisture.lines if x.get_gid() == "target"] == [wanted]
    named = [t.get_text() for t in moisture.get_legend().get_texts()]
    assert named.count(f"target {wanted:g} %") == 1
    others = (*temperature.lines, *plots.drying_curve(answer(name))[0].lines)
    assert not [x for x in others if x.get_gid() == "target"]


def test_the_curve_in_us_units() -> None:
    result = answer(BATCH)
    h = result.history
    assert h is not None
    moisture, temperature = plots.drying_curve(result, units="us")
    assert_allclose(line(temperature, "air out")[1], 32 + 1.8 * h.outlet_air_temperature, rtol=1e-12)
    assert_allclose(line(moisture, "mean")[1][1:], 100 * h.moisture_wb[1:], rtol=1e-12)


# ---- Layers --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [BATCH, BELT])
def test_layers_are_those_of_the_history(name: str) -> None:
    result = answer(name)
    h, layers = result.history, result.layers
    assert h is not None and layers is not None
    solved = np.searchsorted(h.time, layers.time * (1 - 1e-12))
    assert_allclose(layers.moisture_wb[0], result.feed_in.moisture_wb, rtol=1e-12)
    assert_allclose(layers.moisture_wb[:, 0], h.bottom_moisture_wb[solved], rtol=1e-12)
    assert_allclose(layers.moisture_wb[:, -1], h.top_moisture_wb[solved], rtol=1e-12)
    at_last = np.interp(result.profile.z, layers.height, layers.moisture_wb[-1])
    X = result.profile.mean_moisture
    assert_allclose(at_last, X / (1 + X), rtol=1e-9)  # the profile's heights are some of the layers'
    assert layers.height[0] > 0 and layers.height[-1] < result.bed.depth


@pytest.mark.parametrize(("units", "per_metre"), [("si", 1000.0), ("us", 1 / 0.0254)])
def test_edges_of_colours_lie_where_the_layers_cross_them(units: str, per_metre: float) -> None:
    layers = answer(BATCH).layers
    assert layers is not None
    axis = plots.drying_layers(answer(BATCH), units=units)
    (drawn,) = (c for c in axis.collections if isinstance(c, ContourSet) and not c.filled)
    assert to_hex(drawn.get_edgecolor()[0]) == style.FAINT.lower()
    heights, minutes, checked, crossed = layers.height * per_metre, layers.time / 60, 0, 0
    for level, path in zip(drawn.levels, drawn.get_paths()):
        above = 100 * layers.moisture_wb > level
        crossed += np.count_nonzero(above[:, 1:] != above[:, :-1])
        for x, y in path.vertices:
            (k,) = np.nonzero(np.abs(minutes - x) < 1e-9)
            if len(k) and heights[0] < y < heights[-1]:  # on a time that was solved: straight between layers
                here = np.interp(y, heights, layers.moisture_wb[k[0]])
                assert 100 * here == pytest.approx(level, rel=1e-6)
                checked += 1
    assert checked == crossed > 50  # every layer's crossing, and not few


def test_colours_of_layers_say_their_steps() -> None:
    layers = answer(BATCH).layers
    assert layers is not None
    axis = plots.drying_layers(answer(BATCH))
    ends = [[float(x) for x in t.get_text().split(" – ")] for t in axis.get_legend().get_texts()]
    assert min(map(min, ends)) <= 100 * layers.moisture_wb.min()
    assert max(map(max, ends)) >= 100 * layers.moisture_wb.max()
    assert all(high[0] == low[1] for high, low in itertools.pairwise(ends))  # wettest on top, none left out
    (filled,) = (c for c in axis.collections if isinstance(c, ContourSet) and c.filled)
    assert [to_hex(c) for c in filled.get_facecolor()] == [
        to_hex(p.get_facecolor()) for p in axis.get_legend().get_patches()
    ][::-1]
    assert axis.get_ylim() == pytest.approx((0.0, 1000 * answer(BATCH).bed.depth))


# ---- Along the belt ------------------------------------------------------------------------------------


def test_the_belt_is_as_long_as_its_zones() -> None:
    """By hand: zones of 4, 4, 4 and 1 m of the same bed, so each metre takes the same time."""
    result, belt = answer(BELT), case(BELT)
    h = result.history
    assert h is not None
    temperature, moisture = plots.belt_zones(result, belt)
    x, y = line(moisture, "mean")
    assert x[0] == 0.0 and x[-1] == pytest.approx(13.0)
    assert_allclose(y, 100 * h.moisture_wb, rtol=1e-12)
    for zone, end in ((1, 4.0), (2, 8.0), (3, 12.0), (4, 13.0)):
        assert x[h.zone == zone][-1] == pytest.approx(end)
    lines = [v for v in moisture.lines if len(v.get_xdata()) == 2 and v.get_gid() != "target"]
    walls = [float(v.get_xdata()[0]) for v in lines]
    assert walls == pytest.approx([4.0, 8.0, 12.0, 13.0])
    x, y = line(temperature, "air in")
    assert_allclose(y, h.inlet_air_temperature, rtol=1e-12)
    assert_allclose(y[x > 12.0 + 1e-9], 22.0, rtol=1e-6)  # the last zone blows outside air, unheated
    for label, values in (("top", h.top_moisture_wb), ("bottom", h.bottom_moisture_wb)):
        assert_allclose(line(moisture, label)[1], 100 * values, rtol=1e-12)


def test_zones_are_numbered_and_their_arrows_are_the_airs() -> None:
    for axis in plots.belt_zones(answer(BELT), case(BELT)):
        zones = axis.texts
        assert [t.get_text() for t in zones] == ["1 ↑", "2 ↓", "3 ↑", "4 ↓"]  # of the scenario
        assert [t.get_position()[0] for t in zones] == pytest.approx([2.0, 6.0, 10.0, 12.5])


def test_the_airs_lines_break_between_zones() -> None:
    temperature, _ = plots.belt_zones(answer(BELT), case(BELT), units="us")
    for label in ("air in", "air out"):
        (found,) = (each for each in temperature.lines if each.get_label() == label)
        assert np.isnan(np.asarray(found.get_ydata(), float)).sum() == 3
    (mean,) = (each for each in temperature.lines if each.get_label() == "pellets")
    assert mean.get_xdata()[-1] == pytest.approx(13 / 0.3048)


def test_names_of_zones_stand_above_the_curves() -> None:
    for axis in plots.belt_zones(answer(BELT), case(BELT)):
        axis.figure.canvas.draw()
        zones = axis.texts
        lowest = min(t.get_window_extent().y0 for t in zones)
        curves = [each for each in axis.lines if not str(each.get_label()).startswith("_")]
        top = max(np.nanmax(each.get_ydata()) for each in curves)
        assert axis.transData.transform((0, top))[1] < lowest


# ---- What cannot be drawn ------------------------------------------------------------------------------

DRAWN = {
    "drying_curve": plots.drying_curve,
    "drying_layers": plots.drying_layers,
    "belt_zones": lambda result: plots.belt_zones(result, case(BELT)),
}
each_drawn = pytest.mark.parametrize("name", DRAWN)


@each_drawn
def test_coolers_are_refused(name: str) -> None:
    with pytest.raises(coolsim.InputError, match=r"answer of a cooler; .* batch and belt dryers.*`bed`"):
        DRAWN[name](answer())


@cache
def pair() -> Result:
    return coolsim.predict([case(BELT), case(BELT)])


@each_drawn
def test_many_dryers_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match="shows one dryer, the result holds 2: predict the one"):
        DRAWN[name](pair())


@each_drawn
def test_a_course_cut_short_is_refused(name: str) -> None:
    h = answer(BELT).history
    assert h is not None
    short = {f.name: getattr(h, f.name)[: len(h.time) // 2] for f in dataclasses.fields(h)}
    with pytest.raises(coolsim.NotConverged, match=r"of 52\.3 min .*did not converge; predict it again"):
        DRAWN[name](changed(answer(BELT), **short))


@each_drawn
def test_a_course_with_a_gap_is_refused(name: str) -> None:
    """A zone that gave up half-way leaves its steps out, though the last zone reaches its end."""
    h = answer(BELT).history
    assert h is not None
    kept = ~((h.zone == 1) & (h.time > 300.0))
    gap = {f.name: getattr(h, f.name)[kept] for f in dataclasses.fields(h)}
    with pytest.raises(coolsim.NotConverged, match="has a gap"):
        DRAWN[name](changed(answer(BELT), **gap))


@each_drawn
def test_a_course_cut_short_with_its_own_exit_is_refused(name: str) -> None:
    """No water is missing from it, only time."""
    h = answer(BELT).history
    assert h is not None
    short = {f.name: getattr(h, f.name)[: len(h.time) // 2] for f in dataclasses.fields(h)}
    steps = np.diff(short["time"], prepend=0.0)
    exit_db = 0.25 / 0.75 - (short["drying_rate"] * steps).sum()  # the scenario's 25 % wet basis
    out = dataclasses.replace(answer(BELT).pellets_out, moisture_db=exit_db)
    with pytest.raises(coolsim.NotConverged, match="ends after"):
        DRAWN[name](dataclasses.replace(changed(answer(BELT), **short), pellets_out=out))


@each_drawn
def test_a_course_of_unknown_error_is_refused(name: str) -> None:
    """What the solver says of a dryer whose coarser mesh did not converge."""
    accuracy = dataclasses.replace(answer(BELT).accuracy, moisture_error_wb=np.inf)
    with pytest.raises(coolsim.NotConverged, match="did not converge"):
        DRAWN[name](dataclasses.replace(answer(BELT), accuracy=accuracy))


def test_what_the_solver_gave_up_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(march, "LEAST_STEP", 5e-3)  # its first steps are shorter: it gives up soon
    monkeypatch.setattr(march, "MOST_STEPS", 3)
    with pytest.raises(coolsim.NotConverged) as caught:
        coolsim.predict(case(BATCH))
    with pytest.raises(coolsim.NotConverged, match="the drying curve needs the whole course") as refused:
        plots.drying_curve(caught.value.best)
    assert refused.value.best is caught.value.best


def test_zones_of_a_batch_or_of_another_belt_are_refused() -> None:
    with pytest.raises(coolsim.InputError, match=r'found "batch"; .*"belt"; .*`drying_curve`'):
        plots.belt_zones(answer(BATCH), case(BATCH))
    other = case(BELT)
    cooler: Any = other.cooler
    other = dataclasses.replace(other, cooler=dataclasses.replace(cooler, zones=cooler.zones[:3]))
    with pytest.raises(coolsim.InputError, match="found 3 zones; the result has 4"):
        plots.belt_zones(answer(BELT), other)


# ---- Several on the same axes --------------------------------------------------------------------------


def test_a_second_dryer_is_drawn_in_another_shade_and_named() -> None:
    first, second = answer(BATCH), coolsim.predict(dataclasses.replace(case(BATCH), title="again"))
    axes = plots.drying_curve(first, label="by night")
    before = [(len(axis.lines), axis.get_legend()) for axis in axes]
    assert plots.drying_curve(second, axes, label="by day") == axes
    for axis, (count, legend) in zip(axes, before):
        assert len(axis.lines) == 2 * count
        old, new = (
            {(x.get_linewidth(), x.get_alpha()) for x in axis.lines[i : i + count]} for i in (0, count)
        )
        assert not old & new  # colour and dash tell what a curve is of, width and shade of which dryer
        labels = [text.get_text() for text in axis.get_legend().get_texts()]
        if axis is axes[0]:
            assert labels == ["top", "mean, by night", "bottom", "mean, by day"]
        else:
            assert axis.get_legend() is legend and len(labels) == count  # of the first alone
    assert len(axes[1].texts) == 1  # where cooling begins is named once


def test_curves_that_cannot_be_told_apart_are_refused() -> None:
    axes = plots.drying_curve(answer(BATCH))
    for _ in range(2):
        plots.drying_curve(answer(BATCH), axes)
    with pytest.raises(ValueError, match="show 3 dryers, and no more"):
        plots.drying_curve(answer(BATCH), axes)


@pytest.mark.parametrize("draw", [plots.drying_curve, plots.drying_layers])
def test_of_a_line_one_dryer_is_drawn(draw) -> None:
    line = answer("dryer-then-cooler")
    with pytest.raises(coolsim.InputError, match=r"the answer of a line.*draw result\.stages\[…\]\.result"):
        draw(line)
    draw(line.stages[0].result)
