"""Uneven beds of dryers: columns are dryers of their own, pooled with the layers of a batch."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws.uneven_columns import BATCH, BELT, WEIGHTS, gauss, mixed, split, uneven
from scipy.stats import norm

import coolsim
from coolsim.case.case import Case
from coolsim.model import drying
from coolsim.model.drying import Resolution
from coolsim.simulate import dryer_simulation


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


@pytest.mark.parametrize("case", [BATCH, BELT], ids=["batch", "belt"])
def test_the_course_of_an_uneven_dryer_tells_all_the_water_that_was_lost(case):
    """Rate times step, summed, is what the pellets lost: columns take steps of their own."""
    got = coolsim.predict(uneven(case, depth_deviation=0.1))
    fed = got.feed_in.moisture_wb / (1 - got.feed_in.moisture_wb)
    told = (got.history.drying_rate * np.diff(got.history.time, prepend=0.0)).sum()
    assert told == pytest.approx(fed - got.pellets_out.moisture_db, rel=1e-6)
    coolsim.plots.drying_curve(got)
