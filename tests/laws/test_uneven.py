"""Beds that are not even: columns against separate predictions mixed by hand, limit cases, sums, tenths."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.model import drying
from coolsim.model.drying import Resolution
from coolsim.physics import air, packed_bed
from coolsim.physics.correlations import among
from coolsim.simulate import dryer_simulation
from coolsim.simulate.assumed_ranges import root_of_squares, varied_cases, varied_numbers
from coolsim.simulate.chunks import ALIKE
from coolsim.simulate.inputs import gather
from coolsim.simulate.pellet_spread import with_equal_pellets
from coolsim.simulate.prediction import BAND, predict_inputs
from coolsim.support.fields import numbers, with_number

SCENARIOS = Path(__file__).parents[2] / "scenarios"

COOLER = level("humid-delta")
BATCH = level("evening-batch")
BELT = level("belt-four-zones")
LINE = level("dryer-then-cooler")
NODES, WEIGHTS = (-(3**0.5), 0.0, 3**0.5), (1 / 6, 2 / 3, 1 / 6)  # Gauss–Hermite of three points


def uneven(case: Case, **deviations: float) -> Case:
    return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **deviations))


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


def ergun(case: Case, T: float) -> tuple[float, float]:
    """Factors of u and u² of Ergun's gradient, in air from outside heated to T, written out."""
    feed, outside = case.feed, case.air
    Y = air.humidity_ratio_from_relative_humidity(
        outside.temperature, outside.relative_humidity, outside.pressure
    )
    d_p = 6 * (feed.diameter**2 * feed.length / 4) / (feed.diameter * feed.length + feed.diameter**2 / 2)
    rho, mu, eps = air.moist_density(T, Y, outside.pressure), air.viscosity(T), feed.void_fraction
    return 150 * mu * (1 - eps) ** 2 / (eps**3 * d_p**2), 1.75 * rho * (1 - eps) / (eps**3 * d_p)


def split(case: Case, depth: np.ndarray, area: np.ndarray, velocity: float, T: float) -> np.ndarray:
    """Velocity through each column, of the mean, with the drop by Brent's method."""
    b, a = ergun(case, T)

    def through(drop: float) -> np.ndarray:
        return (np.sqrt(b * b + 4 * a * drop / depth) - b) / (2 * a)

    drop = brentq(lambda p: area @ through(p) - velocity, 1e-6, 1e6, xtol=1e-10)
    return through(drop) / velocity


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


def gauss(sigma_depth: float, sigma_speed: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    pairs = list(itertools.product(range(3), range(3)))
    w = np.array([WEIGHTS[i] * WEIGHTS[j] for i, j in pairs])
    depth = np.array([1 + sigma_depth * NODES[i] for i, _ in pairs])
    return w, depth, np.array([1 + sigma_speed * NODES[j] for _, j in pairs])


def mixed(case: Case, parts: list[Result], solid: np.ndarray) -> tuple[float, float]:
    """Moisture, wet basis, and temperature by heat capacity: the heat of mixing bound water is below 0.02 K."""
    X = np.array([r.pellets_out.moisture_db for r in parts])
    T = np.array([r.pellets_out.temperature for r in parts])
    heat = solid * (case.material.specific_heat + 4186 * X)
    mean = float(solid @ X)
    return mean / (1 + mean), float(heat @ T / heat.sum())


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


def dryer_columns(case: Case, sigma: float, speed: float = 0.0) -> tuple[list[Case], np.ndarray]:
    """The columns of a batch or belt as dryers of their own, and their shares of dry solid."""
    c = case.cooler
    w, l, s = gauss(sigma, speed)
    each = []
    for k in range(len(w)):
        own = {"bed_depth": c.bed_depth * l[k], "depth_deviation": None, "speed_deviation": None}
        own = {name: value for name, value in own.items() if hasattr(c, name)}
        feed = case.feed
        if c.arrangement == "batch":
            T = c.inlet_air_temperature or case.air.temperature
            f = w * split(case, l * c.bed_depth, w, heated(case, c.airflow / c.floor_area, T), T)
            own |= {"floor_area": c.floor_area * w[k], "airflow": c.airflow * f[k],
                    "heater_power": c.heater_power and c.heater_power * f[k]}  # fmt: skip
        else:
            zones = []
            for zone in c.zones:
                T = zone.inlet_air_temperature or case.air.temperature
                mean = heated(case, zone.airflow / (c.belt_width * zone.length), T)
                f = w * split(case, l * c.bed_depth, w, mean, T)
                zones.append(dataclasses.replace(zone, airflow=zone.airflow * f[k]))
            own |= {"belt_width": c.belt_width * w[k], "zones": tuple(zones)}
            feed = dataclasses.replace(feed, throughput=feed.throughput * w[k] * l[k] * s[k])
        each.append(dataclasses.replace(case, cooler=dataclasses.replace(c, **own), feed=feed))
    return each, w * l * s


def heated(case: Case, velocity: float, T: float) -> float:
    """Velocity of outside air once it is heated to T."""
    return velocity * (T + 273.15) / (case.air.temperature + 273.15)


@pytest.mark.thorough
@pytest.mark.parametrize("case, depth, speed", [
    (BATCH, 0.1, 0.0), (BATCH, 0.3, 0.0), (BELT, 0.1, 0.0), (BELT, 0.3, 0.0), (BELT, 0.2, 0.3),
])  # fmt: skip
def test_columns_of_a_dryer_are_separate_dryers(case, depth, speed):
    deviations = {"depth_deviation": depth} | ({"speed_deviation": speed} if speed else {})
    got = coolsim.predict(uneven(case, **deviations))
    each, solid = dryer_columns(case, depth, speed)
    parts = [coolsim.predict(one) for one in each]
    M, T = mixed(case, parts, solid)
    assert got.pellets_out.moisture_wb == pytest.approx(M, abs=1e-4)  # 0.01 point
    assert got.pellets_out.temperature == pytest.approx(T, abs=0.05)
    for name in ("heat", "fan", "feed", "product"):
        total = sum(getattr(r.energy, name) for r in parts)
        assert getattr(got.energy, name) == pytest.approx(total, rel=2e-3), name
    # a column is refined only where the mixture needs it: its ends are those of the same mesh
    alike = [dryer_simulation.dry([one], None, resolution=Resolution(refinements=0)) for one in each]
    assert got.spread.wettest_wb == pytest.approx(max(r.spread.wettest_wb for r in alike), abs=1e-4)
    assert got.spread.driest_wb == pytest.approx(min(r.spread.driest_wb for r in alike), abs=1e-4)
    assert got.bed.lift_off == pytest.approx(max(r.bed.lift_off for r in alike), rel=1e-3)
    assert abs(got.accuracy.water_imbalance) < 1e-8 and abs(got.accuracy.energy_imbalance) < 1e-8
    assert got.history.moisture_wb[-1] == pytest.approx(M, abs=1e-4)
    assert got.history.time[-1] == pytest.approx(got.bed.residence_time, rel=1e-12)


def test_columns_are_refined_where_the_error_of_their_mixture_is_too_large():
    """Shares 1/6, 2/3, 1/6 of two beds, column after column. Tolerances are 5e-4 and 0.5 K: of the first bed the
    mean error is (6 + 4 · 4 + 2)/6 · 1e-4 = 4e-4, of the second (12 + 4 · 4 + 8)/6 · 1e-4 = 6e-4."""
    moisture = 1e-4 * np.array([6, 12, 4, 4, 2, 8])
    shares = np.repeat(np.array(WEIGHTS)[:, None], 2, axis=1)
    mixed_so = drying.to_refine(np.array([moisture, np.zeros(6)]), shares)
    assert mixed_so.tolist() == [False, True, False, False, False, True]
    assert drying.to_refine(np.array([moisture, np.zeros(6)]), None).tolist() == [
        *(True, True, False), *(False, False, True)]  # fmt: skip
    warm = np.array([np.zeros(6), [3.1, 0.6, 0, 0, 0, 0]])  # K: means 0.52 and 0.1
    assert drying.to_refine(warm, shares).tolist() == [True] + 5 * [False]


@pytest.mark.thorough
def test_layers_and_columns_of_a_batch_are_pooled_and_those_of_a_turned_one_are_columns():
    """The wettest tenth against 25 direct columns of depth, each with the layers of its own history."""
    sigma = 0.2
    u = norm.ppf((np.arange(25) + 0.5) / 25)
    l, w = 1 + sigma * u, np.full(25, 1 / 25)
    for batch, turned in ((BATCH, False), (uneven(BATCH, mixing="continuous", reverse_every=None), True)):
        c = batch.cooler
        T = c.inlet_air_temperature
        f = w * split(batch, l * c.bed_depth, w, heated(batch, c.airflow / c.floor_area, T), T)
        each = [
            dataclasses.replace(
                c,
                floor_area=c.floor_area / 25,
                bed_depth=c.bed_depth * l[k],
                airflow=c.airflow * f[k],
                heater_power=c.heater_power * f[k],
            )
            for k in range(25)
        ]
        X, share = [], []
        for one, r, own in zip(
            each, dryer_simulation.each([dataclasses.replace(batch, cooler=e) for e in each]), l
        ):
            at = (np.arange(60) + 0.5) / 60 * one.bed_depth
            M = np.interp(at, r.layers.height, r.layers.moisture_wb[-1])
            X += list(M / (1 - M))
            share += [own / 1500] * 60
        order, got = np.argsort(X), coolsim.predict(uneven(batch, depth_deviation=sigma)).between_pellets
        x, q = np.array(X)[order], np.array(share)[order]
        worst = np.clip(q.cumsum() - 0.9, 0, q) @ x / 0.1
        assert 100 * got.wettest_tenth.moisture_wb == pytest.approx(100 * worst / (1 + worst), abs=0.1), (
            turned
        )


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


@pytest.mark.parametrize("case", [BATCH, BELT], ids=["batch", "belt"])
def test_the_course_of_an_uneven_dryer_tells_all_the_water_that_was_lost(case):
    """Rate times step, summed, is what the pellets lost: columns take steps of their own."""
    got = coolsim.predict(uneven(case, depth_deviation=0.1))
    fed = got.feed_in.moisture_wb / (1 - got.feed_in.moisture_wb)
    told = (got.history.drying_rate * np.diff(got.history.time, prepend=0.0)).sum()
    assert told == pytest.approx(fed - got.pellets_out.moisture_db, rel=1e-6)
    coolsim.plots.drying_curve(got)


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
