"""Beds that are not even: columns against separate predictions mixed by hand, limit cases, sums, tenths."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from laws.uneven_columns import BATCH, BELT, COOLER, LINE, gauss, mixed, split, uneven
from scipy.stats import norm

import coolsim
from coolsim.case.case import Case
from coolsim.physics import air, packed_bed
from coolsim.physics.correlations import among
from coolsim.simulate.assumed_ranges import root_of_squares, varied_cases, varied_numbers
from coolsim.simulate.chunks import ALIKE
from coolsim.simulate.inputs import gather
from coolsim.simulate.pellet_spread import with_equal_pellets
from coolsim.simulate.prediction import BAND, predict_inputs
from coolsim.support.fields import numbers, with_number

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def test_two_columns_under_one_pressure_drop_by_hand():
    """Depths .8 and 1.2 m on equal areas, d_p 4.8 mm, ε .42, ρ 1.15, μ 1.85e-5, mean .5 m/s. Ergun's gradient is
    546.877 u + 3282.27 u² Pa/m; .8 (546.877 · .55771 + 3282.27 · .55771²) = 1060.7 = 1.2 (546.877 · .44229 + …)."""
    bed = 4.8e-3, 0.42, 1.15, 1.85e-5
    velocity, drop = packed_bed.split_of_air(0.5, np.array([0.8, 1.2]), np.array([0.5, 0.5]), *bed)
    assert velocity == pytest.approx([0.55771, 0.44229], abs=6e-6) and drop == pytest.approx(1060.7, abs=0.06)
    assert packed_bed.ergun_gradient(0.5, *bed) == pytest.approx(1094.0, abs=0.05)
    equal, drop = packed_bed.split_of_air(0.5, np.full(3, 0.7), np.array([0.2, 0.3, 0.5]), *bed)
    assert equal == pytest.approx(np.full(3, 0.5), rel=1e-12) and drop == pytest.approx(
        0.7 * 1094.0, rel=1e-4
    )


def same_bits(a: object, b: object) -> bool:
    if dataclasses.is_dataclass(a):
        names = [f.name for f in dataclasses.fields(a) if f.name != "case"]  # what was asked is not the same
        return all(same_bits(getattr(a, n), getattr(b, n)) for n in names)
    if isinstance(a, tuple):
        return len(a) == len(b) and all(same_bits(x, y) for x, y in zip(a, b))
    return bool(np.array_equal(a, b)) if isinstance(a, (float, np.ndarray)) else a == b


@pytest.mark.parametrize("case", [COOLER, BATCH, BELT], ids=["cooler", "batch", "belt"])
def test_deviations_of_nothing_change_no_bit(case):
    zero = uneven(case, depth_deviation=0.0, depth_deviation_length=0.0)
    for got, even in zip(*((r, r.between_pellets) for r in (coolsim.predict(zero), coolsim.predict(case)))):
        assert same_bits(got, even)


def test_equal_columns_are_the_even_bed():
    """Beside uneven coolers an even one is nine equal columns."""
    beside = uneven(COOLER, depth_deviation=0.2, speed_deviation=0.3)
    both = predict_inputs(gather([COOLER, beside]))
    alone = coolsim.predict(COOLER)
    for group, names in (
        ("pellets_out", ("temperature", "moisture_db", "water_activity", "surface_moisture_db", "mass_flow")),
        ("air_out", ("temperature", "humidity_ratio")),
        ("after_equalising", ("temperature", "water_activity")),
        ("bed", ("pressure_drop", "lift_off", "residence_time", "evaporation", "air_ratio")),
    ):
        for name in names:
            got, even = (getattr(getattr(r, group), name) for r in (both, alone))
            assert got[0] == pytest.approx(even, rel=1e-12), name
    assert both.between_pellets.wettest_tenth.moisture_wb[0] == pytest.approx(
        alone.pellets_out.moisture_wb, rel=1e-12
    )
    assert abs(both.pellets_out.moisture_db[1] - alone.pellets_out.moisture_db) > 1e-6


def cooler_columns(case: Case, w: np.ndarray, depth: np.ndarray, speed: np.ndarray) -> list[Case]:
    """Each column as a cooler of its own."""
    c, feed = case.cooler, case.feed
    hot = c.airflow / c.floor_area  # outside air is not heated
    share = w * split(case, depth * c.bed_depth, w, hot, case.air.temperature)
    return [
        dataclasses.replace(
            case,
            cooler=dataclasses.replace(
                c,
                floor_area=c.floor_area * a,
                bed_depth=c.bed_depth * d,
                airflow=c.airflow * f,
                depth_deviation=None,
                speed_deviation=None,
            ),
            feed=dataclasses.replace(feed, throughput=feed.throughput * a * s),
        )
        for a, d, s, f in zip(w, depth, speed, share)
    ]


@pytest.mark.parametrize("depth, speed", [(0.2, 0.3), (0.09, 0.15), (0.4, 0.0), (0.0, 0.4)])
def test_columns_of_a_cooler_are_separate_coolers(depth, speed):
    case = uneven(COOLER, depth_deviation=depth, speed_deviation=speed)
    got, (w, l, s) = coolsim.predict(case), gauss(depth, speed)
    parts = [coolsim.predict(one) for one in cooler_columns(case, w, l, s)]
    M, T = mixed(case, parts, w * s)
    assert got.pellets_out.moisture_wb == pytest.approx(M, abs=1e-5)  # 0.001 point
    assert got.pellets_out.temperature == pytest.approx(T, abs=0.05)
    thin = max(float(r.bed.lift_off) for r in parts)
    assert got.bed.lift_off == pytest.approx(thin, rel=1e-3)  # of the thinnest, or the hottest
    dry_air = np.array(
        [r.bed.air_ratio * c.feed.throughput for r, c in zip(parts, cooler_columns(case, w, l, s))]
    )
    Y = dry_air @ np.array([r.air_out.humidity_ratio for r in parts]) / dry_air.sum()
    assert got.air_out.humidity_ratio == pytest.approx(Y, rel=1e-4)
    drops = [float(r.bed.pressure_drop) for r in parts]
    assert min(drops) <= got.bed.pressure_drop <= max(drops) and max(drops) < 1.12 * min(drops)


def test_tenths_of_a_cooler_are_those_of_625_columns():
    depth, speed = 0.2, 0.3
    case = uneven(COOLER, depth_deviation=depth, speed_deviation=speed)
    got = coolsim.predict(case).between_pellets
    u = norm.ppf((np.arange(25) + 0.5) / 25)
    l, s = (a.ravel() for a in np.meshgrid(1 + depth * u, 1 + speed * u, indexing="ij"))
    many = coolsim.predict(cooler_columns(case, np.full(625, 1 / 625), l, s)).pellets_out
    order = np.argsort(many.moisture_db)
    share = (s / 625)[order].cumsum()
    X = np.interp([0.1, 0.9], share - (s / 1250)[order], many.moisture_db[order])
    assert 100 * got.moisture_wb == pytest.approx(100 * X / (1 + X), abs=0.03)
    inside = np.clip(share - 0.9, 0, (s / 625)[order])
    worst = inside @ many.moisture_db[order] / 0.1
    assert 100 * got.wettest_tenth.moisture_wb == pytest.approx(100 * worst / (1 + worst), abs=0.03)
    order = np.argsort(many.temperature)
    share = (s / 625)[order].cumsum()
    warm = np.clip(share - 0.9, 0, (s / 625)[order]) @ many.temperature[order] / 0.1
    assert got.warmest_tenth.temperature == pytest.approx(warm, abs=0.1)


def test_water_and_heat_of_an_uneven_cooler_close():
    """From what is told alone: water lost by pellets is in the air, and so is the heat (bound water apart)."""
    case = uneven(COOLER, depth_deviation=0.3, speed_deviation=0.3)
    r = coolsim.predict(case)
    solid = case.feed.throughput * (1 - case.feed.moisture)
    dry_air = r.bed.air_ratio * case.feed.throughput
    Y_in = air.humidity_ratio_from_relative_humidity(31.0, 0.82, case.air.pressure)
    lost = solid * (r.feed_in.moisture_wb / (1 - r.feed_in.moisture_wb) - r.pellets_out.moisture_db)
    assert dry_air * (r.air_out.humidity_ratio - Y_in) == pytest.approx(lost, rel=1e-8)
    assert abs(r.accuracy.water_imbalance) < 1e-8 and abs(r.accuracy.energy_imbalance) < 1e-8
    assert r.bed.evaporation == pytest.approx(lost, rel=1e-8)
    assert r.profile.z[-1] == pytest.approx(0.55, rel=1e-12)
    assert r.profile.time[-1] == pytest.approx(r.bed.residence_time, rel=1e-12)
    assert r.profile.mean_moisture[-1] == pytest.approx(r.pellets_out.moisture_db, rel=1e-12)


def test_a_line_hands_on_the_mean_of_its_columns():
    changes = {
        "stage.1.depth_deviation": "15 %",
        "stage.2.depth_deviation": "5 cm",
        "stage.2.speed_deviation": "20 %",
    }
    r = coolsim.predict(coolsim.replace(LINE, changes))
    dryer, cooler = (run.result for run in r.stages)
    assert cooler.feed_in.moisture_wb == pytest.approx(dryer.pellets_out.moisture_wb, rel=1e-10)
    ends = dryer.pellets_out.temperature, dryer.after_equalising.temperature
    assert min(ends) < cooler.feed_in.temperature < max(ends)  # it stood for a while
    assert abs(r.accuracy.water_imbalance) < 1e-8 and abs(r.accuracy.energy_imbalance) < 1e-8
    assert r.between_pellets == cooler.between_pellets
    told = [w.text for w in r.warnings if "wettest tenth leaves" in w.text]
    worst, mean = dryer.between_pellets.wettest_tenth.moisture_wb, dryer.pellets_out.moisture_wb
    assert (
        len(told) == 1
        and f"dryer: the wettest tenth leaves at {100 * worst:.1f} %, the mean at {100 * mean:.1f} %."
        in told[0]
    )
    both = coolsim.predict([coolsim.replace(LINE, changes)] * 2)
    assert both.pellets_out.moisture_wb == pytest.approx([r.pellets_out.moisture_wb] * 2, abs=1e-9)


def test_a_length_is_a_share_of_the_depth_as_it_is_set():
    as_length = coolsim.replace(COOLER, {"cooler.depth_deviation": "11 cm"})
    as_share = coolsim.replace(COOLER, {"cooler.depth_deviation": "20 %"})
    first, second = (coolsim.predict(c).pellets_out.moisture_wb for c in (as_length, as_share))
    assert first == pytest.approx(second, rel=1e-12)
    deeper = {"cooler.bed_depth": "1.1 m"}
    one = coolsim.predict(coolsim.replace(as_length, deeper)).pellets_out.moisture_wb
    two = coolsim.predict(
        coolsim.replace(COOLER, deeper | {"cooler.depth_deviation": "10 %"})
    ).pellets_out.moisture_wb
    assert one == pytest.approx(two, rel=1e-12)


def test_many_kinds_side_by_side_are_each_as_alone():
    cases = [COOLER, uneven(COOLER, depth_deviation=0.2), uneven(BATCH, depth_deviation=0.1), BATCH]
    many = coolsim.predict(cases)
    for k, case in enumerate(cases):
        alone = coolsim.predict(case)
        assert many.pellets_out.moisture_wb[k] == pytest.approx(alone.pellets_out.moisture_wb, abs=1e-8)
        tenth = (alone.between_pellets or with_equal_pellets(alone).between_pellets).wettest_tenth
        assert many.between_pellets.wettest_tenth.moisture_wb[k] == pytest.approx(tenth.moisture_wb, abs=1e-8)
    air_ = dataclasses.replace(COOLER.air, temperature=np.array([10.0, 31.0]))
    both = coolsim.predict(cases[1], air=air_)
    assert both.pellets_out.moisture_wb[1] == pytest.approx(
        coolsim.predict(cases[1]).pellets_out.moisture_wb, abs=1e-8
    )


@pytest.mark.parametrize("name, path, step", [
    ("feed_moisture", "feed.moisture", 2e-3), ("bed_depth", "cooler.bed_depth", 1e-2),
    ("airflow", "cooler.airflow", 5e-3), ("throughput", "feed.throughput", 3e-3),
    ("ambient_temperature", "air.temperature", 0.5),
])  # fmt: skip
def test_slopes_of_an_uneven_cooler_are_those_between_predictions(name, path, step):
    """Half the difference of two predictions; the curvature over such a step is below 1 %."""
    case = uneven(COOLER, depth_deviation_length=0.08, speed_deviation=0.2)
    slopes = getattr(coolsim.sensitivities(case, by=[name]), name)
    value = numbers(case)[path]
    high, low = (coolsim.predict(with_number(case, path, value + sign * step)) for sign in (1, -1))
    for got, read in (
        (slopes.moisture_wb, lambda r: r.pellets_out.moisture_wb),
        (slopes.temperature, lambda r: r.pellets_out.temperature),
        (slopes.water_activity, lambda r: r.after_equalising.water_activity),
        (slopes.exhaust_humidity_ratio, lambda r: r.air_out.humidity_ratio),
        (slopes.pressure_drop, lambda r: r.bed.pressure_drop),
    ):
        expected = (read(high) - read(low)) / (2 * step)
        assert got == pytest.approx(expected, rel=0.02, abs=1e-4 * abs(read(high)) / step)


@pytest.mark.thorough
def test_many_weathers_are_each_as_alone():
    """So many that they are solved from a few representatives, column by column."""
    rng = np.random.default_rng(3)
    T, RH = rng.uniform(5, 38, ALIKE), rng.uniform(0.3, 0.95, ALIKE)
    case = uneven(COOLER, depth_deviation=0.2, speed_deviation=0.2)
    many = coolsim.predict(case, air=dataclasses.replace(case.air, temperature=T, relative_humidity=RH))
    for k in (0, 17, 500, ALIKE - 1):
        one = dataclasses.replace(case.air, temperature=float(T[k]), relative_humidity=float(RH[k]))
        alone = coolsim.predict(case, air=one)
        assert many.pellets_out.moisture_wb[k] == pytest.approx(alone.pellets_out.moisture_wb, abs=3e-5)
        assert many.pellets_out.temperature[k] == pytest.approx(alone.pellets_out.temperature, abs=0.03)
        tenth = alone.between_pellets.wettest_tenth
        assert many.between_pellets.wettest_tenth.moisture_wb[k] == pytest.approx(tenth.moisture_wb, abs=5e-5)
        assert many.bed.lift_off[k] == pytest.approx(alone.bed.lift_off, rel=2e-3)


@pytest.mark.parametrize(
    "name",
    [
        "humid-delta",
        *(pytest.param(n, marks=pytest.mark.thorough) for n in ("evening-batch", "dryer-then-cooler")),
    ],
)
def test_what_the_material_leaves_open_is_the_same_of_an_even_bed(name: str) -> None:
    """Against the ends of every range in the uneven bed itself, from the exit on the same mesh."""
    case = coolsim.load(SCENARIOS / f"{name}.toml")
    result = coolsim.predict(case, band=True)
    out = coolsim.predict([case, *varied_cases(case)], resolution=BAND).pellets_out
    R = among(case.material.correlation, [number for number, *_ in varied_numbers(case)])
    for field, tolerance in (("moisture_wb", 1e-4), ("temperature", 0.05)):
        values, here = getattr(out, field), float(getattr(result.pellets_out, field))
        expected = root_of_squares(here, here + values[1:] - values[0], R)
        assert getattr(result.input_band, field) == pytest.approx(expected, abs=tolerance)
