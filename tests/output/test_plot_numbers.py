"""What is drawn is what the result holds; charts and curves against handbooks, libraries and hand-worked laws."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import psychrolib
import pytest
from humid_air import HAPropsSI
from matplotlib.axes import Axes
from numpy.testing import assert_allclose
from output.pictures import (
    AIRFLOWS,
    DWELLS,
    SWEEP,
    answer,
    at,
    case,
    curves,
    grid,
    heated,
    heated_answer,
    sweep,
)

import coolsim
from coolsim import plots
from coolsim.case.tables import Limits, Target
from coolsim.output.plots.moist_air import humidity_curve, wet_bulb_curve

MONSOON = "monsoon-night"


@pytest.fixture(autouse=True)
def canvas() -> Iterator[None]:
    plt.switch_backend("agg")
    yield
    plt.close("all")


def line(axis: Axes, label: str) -> tuple[Any, Any]:
    """Return the numbers of the line whose label starts so."""
    (found,) = [each for each in axis.lines if str(each.get_label()).startswith(label)]
    return tuple(np.asarray(a, float) for a in found.get_data())


def marked(axis: Axes, gid: str) -> tuple[Any, Any]:
    (found,) = [each for each in axis.lines if each.get_gid() == gid]
    return tuple(np.asarray(a, float) for a in found.get_data())


def wet(moisture_db: Any) -> Any:
    return 100 * moisture_db / (1 + moisture_db)


# ---- Bed and pellet ------------------------------------------------------------------------------------


def at_nodes(axis: Axes, label: str, nodes: Any) -> Any:
    """What an upright curve shows at the depths that were solved for, which are among its points."""
    x, y = line(axis, label)
    assert len(y) > 2 * len(nodes) and (np.diff(y) > 0).all()  # as many points as the eye wants
    return x[[int(np.abs(y - node).argmin()) for node in nodes]]


def test_bed_shows_the_profile() -> None:
    """Upright, its top on top: what was solved for lies on the curves, and nothing between runs beyond it."""
    p = answer().profile
    temperature, moisture, humidity = axes = plots.bed(answer(), case=case())
    for axis, label, values in (
        (temperature, "pellets", p.pellet_temperature),
        (temperature, "their surface", p.surface_temperature),
        (temperature, "air ↑", p.air_temperature),
        (moisture, "mean", wet(p.mean_moisture)),
        (moisture, "at the surface", wet(p.surface_moisture)),
        (humidity, "air ↑", 1000 * p.humidity_ratio),
    ):
        assert_allclose(at_nodes(axis, label, p.z), values, rtol=1e-12)
        x, _ = line(axis, label)
        assert min(values) - 1e-9 <= min(x) and max(x) <= max(values) + 1e-9
    assert all(axis.get_ylim() == (pytest.approx(p.z[-1]), 0.0) for axis in axes)
    assert_allclose(marked(moisture, "target")[0], 12.0)  # of the scenario
    assert not [each for each in plots.bed(answer())[1].lines if each.get_gid() == "target"]


def test_bed_in_us_units_and_over_time() -> None:
    p = answer().profile
    temperature, _, humidity = plots.bed(answer(), units="us")
    assert_allclose(at_nodes(temperature, "air ↑", p.z / 0.0254), 1.8 * p.air_temperature + 32, rtol=1e-12)
    # 7000 grains to the pound
    assert_allclose(at_nodes(humidity, "air ↑", p.z / 0.0254), 7000 * p.humidity_ratio, rtol=1e-12)
    over_time = plots.bed(answer(), over="time")[0]
    assert_allclose(at_nodes(over_time, "air ↑", p.time / 60), p.air_temperature, rtol=1e-12)


def test_pellet_shows_its_shells_and_its_skin() -> None:
    p = answer().profile
    axis = plots.pellet(answer(), case(), depths=[0.0, 0.55])
    assert [str(each.get_label()) for each in axis.lines[:2]] == ["0 mm, 0 s", "550 mm, 11 min"]
    x, y = (np.asarray(a, float) for a in axis.lines[1].get_data())
    shown = axis.lines[1].get_markevery()  # a mark at each shell and at the skin, the curve between them
    x, y = x[shown], y[shown]
    # 4 mm × 4 mm: 3V/S = 3 · (π d² l/4) / (π d²/2 + π d l) = 3 · 16π/(24π) = 2 mm
    assert_allclose(x, [*1000 * p.radius, 2.0], rtol=1e-9)
    assert_allclose(y, [*wet(p.moisture[-1]), wet(p.surface_moisture[-1])], rtol=1e-12)
    first = np.asarray(axis.lines[0].get_ydata(), float)[axis.lines[0].get_markevery()]
    assert_allclose(first[:-1], 14.0, rtol=1e-9)  # as the feed came
    assert_allclose(marked(axis, "target")[1], 12.0)  # of the scenario


def test_pellet_takes_the_nearest_depths_and_each_once() -> None:
    z = answer().profile.z
    axis = plots.pellet(answer(), case(), depths=[z[3], z[3] + 0.1 * (z[4] - z[3]), z[7]])
    assert len([each for each in axis.lines if each.get_gid() != "target"]) == 2


# ---- Curves over dwell, and the map --------------------------------------------------------------------


def test_curves_over_dwell_are_the_results_in_order() -> None:
    result, names = curves()
    moisture, temperature = plots.dwell(result, names, case=case())
    for k, airflow in enumerate(AIRFLOWS):
        x, y = line(moisture, f"{airflow:.0f} m³/h")
        own = slice(3 * k, 3 * k + 3)
        assert_allclose(x, DWELLS, rtol=1e-9)
        assert_allclose(y, 100 * result.pellets_out.moisture_wb[own][::-1], rtol=1e-12)
        _, y = line(temperature, f"{airflow:.0f} m³/h")
        assert_allclose(y, result.pellets_out.temperature[own][::-1], rtol=1e-12)
    assert_allclose(marked(moisture, "target")[1], 12.0, rtol=1e-12)  # of the scenario
    assert not [each for each in plots.dwell(result, names)[0].lines if each.get_gid() == "target"]


def contour(axis: Axes, width: float, colour: str) -> Any:
    """Return the corners of the contour line of one width and colour."""
    from matplotlib.colors import to_rgba

    for each in axis.collections:
        if each.get_linewidth()[0] == width and tuple(each.get_edgecolor()[0]) == to_rgba(colour):
            return np.concatenate([path.vertices for path in each.get_paths()])
    raise AssertionError("no such contour")


def test_map_has_the_target_where_the_results_cross_it() -> None:
    axis = plots.moisture_map(grid(), case(), chosen=answer())
    corners = contour(axis, 2.2, plots.style.PLUM)
    for minutes in DWELLS:
        exits = [coolsim.predict(at(case(), q, minutes)).pellets_out.moisture_wb for q in AIRFLOWS]
        assert exits[1] < 0.12 < exits[2]
        crossing = np.interp(
            0.12, exits[1:], AIRFLOWS[1:]
        )  # a contour is straight between points of the grid
        here = corners[np.abs(corners[:, 1] - minutes) < 1e-6]
        assert_allclose(here[:, 0], crossing, rtol=1e-6)
    # 0.9 m² · 0.55 m · 430 kg/m³ / 1200 kg/h = 10.64 min
    x, y = marked(axis, "chosen")
    assert_allclose((x[0], y[0]), (1200.0, 60 * 0.9 * 0.55 * 430 / 1200), rtol=1e-9)


def test_map_draws_a_limit_where_the_results_cross_it() -> None:
    tight = coolsim.replace(case(), {"limits.maximum_bed_pressure_drop": "150 Pa"})
    corners = contour(plots.moisture_map(grid(), tight), 2.0, plots.style.VIOLET)
    drops = [coolsim.predict(at(case(), q, 8.0)).bed.pressure_drop for q in AIRFLOWS]
    k = int(np.searchsorted(drops, 150.0)) - 1
    crossing = np.interp(150.0, drops[k : k + 2], AIRFLOWS[k : k + 2])
    assert_allclose(corners[np.abs(corners[:, 1] - 8.0) < 1e-6][:, 0], crossing, rtol=1e-6)


def hatched(axis: Axes) -> bool:
    return any(hatch for each in axis.collections for hatch in getattr(each, "hatches", []))


def test_map_is_hatched_only_where_a_limit_is_broken() -> None:
    bare = dataclasses.replace(case(), target=Target(moisture=0.12), limits=Limits())
    assert hatched(plots.moisture_map(grid(), case())) and not hatched(plots.moisture_map(grid(), bare))
    words = [t.get_text() for t in plots.moisture_map(grid(), bare).get_legend().get_texts()]
    assert words == ["target 12 %"]
    dry = dataclasses.replace(case(), target=Target(moisture=0.16, tolerance=0.002), limits=Limits())
    words = [t.get_text() for t in plots.moisture_map(grid(), dry).get_legend().get_texts()]
    assert words == ["target 16 % ± 0.2, all drier"]


def test_map_is_hatched_by_what_settings_keep() -> None:
    """Lift-off of 70 % is kept though nobody types it, and water activity is judged in store, cold or warm."""
    bare = dataclasses.replace(case(), target=Target(moisture=0.12), limits=Limits())
    bed = dataclasses.replace(grid().bed, lift_off=0.68 + 0.04 * np.linspace(0, 1, grid().bed.lift_off.size))
    axis = plots.moisture_map(dataclasses.replace(grid(), bed=bed), bare)
    assert hatched(axis)
    assert "air speed, share of lifting speed ≤ 70 % (assumed)" in [
        t.get_text() for t in axis.get_legend().get_texts()
    ]
    store, evened = (getattr(grid(), name).water_activity for name in ("in_store", "after_equalising"))
    assert store.max() < evened.max() - 1e-3  # it cools on its way there
    between = Target(moisture=0.12, maximum_water_activity=float(store.max() + evened.max()) / 2)
    assert not hatched(plots.moisture_map(grid(), dataclasses.replace(bare, target=between)))


# ---- The psychrometric chart ---------------------------------------------------------------------------


def test_saturation_is_the_handbooks() -> None:
    # ASHRAE Fundamentals 2017, ch. 1, table 2 (seen, via an open test suite), 101 325 Pa. It has the real
    # gas's enhancement of 0.4–0.5 %, which psychrolib leaves out.
    W = humidity_curve(1.0, np.array([5.0, 25.0, 50.0]), 101_325.0)
    assert_allclose(W, [0.005425, 0.020173, 0.086863], rtol=7e-3)


@pytest.mark.parametrize("share", [0.2, 0.6, 1.0])
def test_humidity_curves_agree_with_coolprop_high_up(share: float) -> None:
    T, p = np.array([5.0, 20.0, 40.0, 60.0]), 77_000.0
    theirs = [HAPropsSI("W", "T", t + 273.15, "P", p, "R", share) for t in T]
    assert_allclose(
        humidity_curve(share, T, p), theirs, rtol=9e-3
    )  # no enhancement factor: up to 0.6 % of p_v


def test_wet_bulb_lines_are_the_handbooks() -> None:
    # W at 30 °C, wet bulb 25 °C, 95 461 Pa (seen, via an open test suite; its tolerance: memory, high)
    W = wet_bulb_curve(25.0, np.array([24.0, 30.0]), 95_461.0)
    assert np.isnan(W[0])  # the wet bulb is never above the dry bulb
    assert_allclose(W[1], 0.01922813, rtol=3e-4)
    T, bulb = 40.0, 20.0  # ASHRAE's example 1 reads 6.5 g/kg off a chart; CoolProp has the real gas
    theirs = HAPropsSI("W", "T", T + 273.15, "P", 101_325.0, "B", bulb + 273.15)
    assert_allclose(wet_bulb_curve(bulb, np.array([T]), 101_325.0), theirs, rtol=1.5e-2)
    assert np.isnan(wet_bulb_curve(5.0, np.array([60.0]), 101_325.0)[0])  # drier than dry: no such air


def test_curves_end_before_water_boils() -> None:
    assert np.isfinite(humidity_curve(1.0, np.array([99.0]), 101_325.0)).all()
    assert np.isnan(humidity_curve(1.0, np.array([99.9, 110.0]), 101_325.0)).all()
    assert np.isnan(humidity_curve(0.2, np.array([95.0]), 77_000.0)).all()  # boils at 92.6 °C there


@pytest.mark.parametrize("before", [psychrolib.IP, psychrolib.SI])
def test_the_units_of_psychrolib_are_left_as_found(before: Any) -> None:
    psychrolib.SetUnitSystem(before)
    axis = plots.psychrometric(answer(), case())
    assert psychrolib.GetUnitSystem() is before
    T, W = marked(axis, "relative humidity 1")
    assert 17 < np.interp(25.0, T, W) < 21.5  # g/kg, whatever was set


def test_the_chart_is_that_of_the_site() -> None:
    cold = "cold-dry-plateau"  # 2300 m: 76.6 kPa by the standard atmosphere
    axis = plots.psychrometric(answer(cold), case(cold))
    T, W = marked(axis, "relative humidity 1")
    theirs = [1000 * HAPropsSI("W", "T", t + 273.15, "P", 76_600.0, "R", 1.0) for t in (10.0, 25.0)]
    assert_allclose(np.interp([10.0, 25.0], T, W), theirs, rtol=9e-3)


def test_the_path_is_the_airs() -> None:
    p, out = answer().profile, answer().air_out
    axis = plots.psychrometric(answer(), case())
    x, y = marked(axis, "path")
    for T, W in zip(p.air_temperature, 1000 * p.humidity_ratio):  # what was solved for lies on the path
        assert np.hypot(x - T, y - W).min() < 1e-9
    assert_allclose(np.ravel(marked(axis, "leaves the bed")), [out.temperature, 1000 * out.humidity_ratio])
    assert_allclose(marked(axis, "enters the bed")[0], 31.0, rtol=1e-9)
    assert not [each for each in axis.lines if each.get_gid() in ("heating", "outside")]


def test_heated_air_comes_from_outside_along_a_level_line() -> None:
    axis = plots.psychrometric(heated_answer(), heated())
    x, y = marked(axis, "heating")
    assert_allclose(x, [31.0, 60.0], rtol=1e-9)
    assert y[0] == y[1]
    assert_allclose(marked(axis, "outside")[0], 31.0)
    # 31 °C and 82 % relative humidity
    W = 1000 * HAPropsSI("W", "T", 304.15, "P", 101_265.0, "R", 0.82)
    assert_allclose(y[0], W, rtol=9e-3)


# ---- The fan -------------------------------------------------------------------------------------------


def straight() -> coolsim.Case:
    """The monsoon night with a fan whose curve is a straight line, so that its laws can be worked by hand."""
    curve = [["0 m3/h", "3000 Pa"], ["6000 m3/h", "0 Pa"]]
    return coolsim.replace(case(MONSOON), {"fan.curve": curve, "fan.curve_density": "1.2 kg/m3"})


def test_operating_point_lies_on_both_curves() -> None:
    axis = plots.fan_curve(answer(MONSOON), straight(), sweep())
    (q,), (p,) = line(axis, "operating point")
    assert_allclose(
        np.interp(q, *line(axis, "bed and duct")), p, rtol=1e-6
    )  # the mark's airflow is in the sweep
    label = next(
        str(x.get_label()) for x in axis.lines if "speed" in str(x.get_label()) and "100" not in x.get_label()
    )
    n = float(label.split()[2]) / 100
    title = axis.get_legend().get_title().get_text()
    density = float(title.split()[3])
    # affinity: p = n² ρ/ρ₁ · 3000 (1 − (q/n)/6000); the label has three digits of n and ρ
    assert_allclose(p, n**2 * density / 1.2 * 3000 * (1 - q / n / 6000), rtol=0.02)
    full_q, full_p = line(axis, "fan at 100 %")
    assert_allclose(full_p, density / 1.2 * 3000 * (1 - full_q / 6000), rtol=5e-3, atol=1e-6)


def test_system_curve_is_bed_and_duct() -> None:
    axis = plots.fan_curve(answer(MONSOON), straight(), sweep())
    (fine, whole), (_, alone) = line(axis, "bed and duct"), line(axis, "bed alone")
    shown = [int(np.abs(alone - drop).argmin()) for drop in sweep().bed.pressure_drop]
    q, p, bed = fine[shown], whole[shown], alone[shown]  # what was solved for lies on the curves
    assert_allclose(bed, sweep().bed.pressure_drop, rtol=1e-12)  # airflows rise in the sweep
    # 420 Pa at 2500 m³/h, as the square of the flow and with density; by CoolProp for exhaust with 6 % of
    # outside air, at the barometer of 40 m; at the fan it is up to 4 % thinner than that
    air, p_site = sweep().air_out, 100_845.0
    W = 0.94 * air.humidity_ratio + 0.06 * sweep().profile.humidity_ratio[:, -1]
    T = 0.94 * air.temperature + 0.06 * 26.0
    v = [HAPropsSI("Vha", "T", t + 273.15, "P", p_site, "W", w) for t, w in zip(T, W)]
    assert_allclose(p - bed, 420 * (q / 2500) ** 2 / np.array(v) / 1.2, rtol=0.08)
    # outside volume → dry air → what the fan sees: more by leakage and by the warmth of the exhaust
    outside = HAPropsSI("Vda", "T", 299.15, "P", p_site, "R", 0.94)
    volume = [HAPropsSI("Vda", "T", t + 273.15, "P", p_site, "W", w) for t, w in zip(T, W)]
    assert_allclose(q, np.array(SWEEP) / outside * volume / 0.94, rtol=0.04)


def test_a_fan_that_cannot_says_so() -> None:
    weak = coolsim.replace(straight(), {"fan.curve": [["0 m3/h", "900 Pa"], ["1000 m3/h", "890 Pa"]]})
    axis = plots.fan_curve(answer(MONSOON), weak, sweep())
    words = [t.get_text() for t in axis.get_legend().get_texts()]
    assert [w for w in words if "resists less" in w.replace("\n", " ")]
    assert sum("speed" in w for w in words) == 1  # full speed alone
