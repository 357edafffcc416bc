"""Lines over the whole domain of dryers and coolers; and pellets so hot that they boil where they are handed on."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from laws.domain import pig
from laws.exact import saturation_pressure
from laws.line_domain import LINES, random_lines
from scipy.optimize import brentq, root

from coolsim.case.case import Air, Batch, Belt, Case, Cooler, Line, Stage
from coolsim.model import leaving
from coolsim.model.pellet_shells import shells
from coolsim.physics import air
from coolsim.simulate.inputs import bed_of, gather
from coolsim.simulate.line import kind
from coolsim.simulate.prediction import (
    predict,  # behind the public door: some belts are longer than any scenario has
)

LOW_PRESSURE = 60e3  # Pa


def dry_basis(moisture_wb):
    return moisture_wb / (1 - moisture_wb)


# ---- Random lines ---------------------------------------------------------------------------------------


def _outside(case: Case) -> float:
    T, RH, p = case.air.temperature, case.air.relative_humidity, case.air.pressure
    return float(air.humidity_ratio_from_relative_humidity(T, RH, p))


def _passes_once(case: Case) -> bool:
    dryer = case.cooler.stages[0].cooler
    return not any(part.recirculation for part in getattr(dryer, "zones", (dryer,)))


@pytest.mark.thorough
@pytest.mark.parametrize("dryer", [Batch, Belt])
def test_random_lines_never_fail_and_lose_no_water(dryer):
    """Water by hand, per dry solid: what pellets lose the air has gained, and what one machine hands on the next
    takes, but for what flashes. 1e-8 of what the line is fed is what the product promises."""
    groups: dict[str, list[Case]] = {}
    lines = [c for c in random_lines(LINES, 1) if isinstance(c.cooler.stages[0].cooler, dryer)]
    for case in lines:
        groups.setdefault(kind(case), []).append(case)
    flashed = answered = seen_once = 0
    for cases in groups.values():
        result = predict(cases)  # raises if one fails
        first, second = (run.result for run in result.stages)
        out = result.pellets_out
        for f in (out.moisture_db, out.temperature, out.water_activity, result.air_out.temperature):
            assert np.isfinite(f).all()
        assert (out.moisture_db > 0).all()
        assert np.abs(result.accuracy.water_imbalance).max() < 1e-8
        assert np.abs(result.accuracy.energy_imbalance).max() < 1e-8
        fed = np.array([dry_basis(c.feed.moisture) for c in cases])
        handed, entered = first.pellets_out.moisture_db, dry_basis(second.feed_in.moisture_wb)
        wet = (
            np.array([1 / (1 - c.feed.moisture) for c in cases]),
            1 + handed,
        )  # feed per dry solid of each machine
        Y = np.array([_outside(c) for c in cases])
        by_dryer, by_cooler = (
            r.bed.air_ratio * w * (r.air_out.humidity_ratio - Y) for r, w in zip((first, second), wet)
        )
        np.testing.assert_allclose((entered - out.moisture_db - by_cooler) / fed, 0.0, atol=1e-8)
        once = np.array([_passes_once(c) for c in cases])  # else some of what leaves the bed comes back
        np.testing.assert_allclose(((fed - handed - by_dryer) / fed)[once], 0.0, atol=1e-8)
        seen_once += once.sum()
        flash = second.feed_in.flash_loss_wb > 0
        np.testing.assert_allclose(entered[~flash], handed[~flash], rtol=1e-9)
        assert (entered[flash] < handed[flash]).all()
        flashed, answered = flashed + int(flash.sum()), answered + len(cases)
    assert answered == len(lines) > LINES // 3
    assert seen_once > 0
    assert flashed > 0 or LINES < 100  # the domain reaches pellets that boil


# ---- Pellets that boil on the way -----------------------------------------------------------------------


def activity(X: float, T: float) -> float:
    """Modified Chung-Pfost (ASABE D245), corn, on fat-free solid; 4 % fat."""
    return float(np.exp(-312.3 / (T + 30.205) * np.exp(-0.16958 * 100 * X / 0.96)))


def heat_of_desorption(X: float) -> float:
    """∫₀ˣ q_st dX apart from a constant, above 3 %: R_v T² ∂ln a_w/∂T at 40 °C, integrated by hand."""
    rate = 0.16958 * 100 / 0.96
    return float(-461.523 * 313.15**2 * 312.3 / (40 + 30.205) ** 2 * np.exp(-rate * X) / rate)


def after_flash(X: float, T: float, p: float) -> tuple[float, float]:
    """Where hot solid ends that boils: a_w p_sat = p, and heat is that of what is left and the vapour, which leaves
    between the two temperatures."""

    def balance(s):
        X_f, T_f = s
        bound = heat_of_desorption(X) - heat_of_desorption(X_f)
        vapour = (X - X_f) * (2501e3 + 1860.0 * (T + T_f) / 2)
        sensible = (1800.0 + 4186.0 * X) * T - (1800.0 + 4186.0 * X_f) * T_f
        return [activity(X_f, T_f) * saturation_pressure(T_f) / p - 1, (sensible - bound - vapour) / 1e5]

    found = root(balance, [0.97 * X, T - 10], tol=1e-13)
    assert np.abs(found.fun).max() < 1e-9
    return float(found.x[0]), float(found.x[1])


def high_up(first: Cooler | Batch, temperature: float) -> Case:
    """A machine at sea level, and a cooler where water boils at 86 °C."""
    case = pig(feed__temperature=temperature, feed__moisture=0.2, feed__throughput=0.3)
    cooler = Cooler(floor_area=1.0, bed_depth=0.4, air_ratio=1.0)
    up = Stage("cooler", cooler, air=Air(10.0, 0.5, LOW_PRESSURE))
    return dataclasses.replace(case, cooler=Line((Stage("first", first), up)))


def test_pellets_that_boil_on_the_way_lose_what_their_heat_evaporates():
    """The first machine does nothing (test_line.py), so what arrives is known; what is left of it, by hand."""
    case = high_up(Cooler(floor_area=1e-3, bed_depth=1e-3, airflow=1e-8), 97.0)
    assert activity(0.25, 97.0) * saturation_pressure(97.0) < 101_325.0  # it does not boil at sea level
    line = predict(case)
    first, second = (run.result for run in line.stages)
    assert first.feed_in.flash_loss_wb == 0.0
    X, T = after_flash(0.25, 97.0, LOW_PRESSURE)
    assert 0.25 - X > 0.01
    fed = second.feed_in
    # rel 1e-5 of 0.25: the first machine's air takes up some water and heat, and ⟨Q⟩ comes from a table
    assert dry_basis(fed.moisture_wb) == pytest.approx(X, abs=1e-5)
    assert fed.temperature == pytest.approx(T, abs=0.02)
    assert fed.moisture_wb + fed.flash_loss_wb == pytest.approx(first.pellets_out.moisture_wb, rel=1e-12)
    # 0.3 kg/s of feed holds 0.24 of dry solid; what flashed is neither in the pellets nor in the cooler's air
    assert dry_basis(fed.moisture_wb) - second.pellets_out.moisture_db == pytest.approx(
        second.bed.evaporation / 0.24, abs=1e-9
    )
    alone = predict(line.stages[1].case)
    assert line.pellets_out.moisture_wb == pytest.approx(alone.pellets_out.moisture_wb, abs=1e-5)
    assert line.pellets_out.temperature == pytest.approx(alone.pellets_out.temperature, abs=0.02)


def test_pellets_below_the_boiling_point_arrive_as_they_left():
    """By hand: solid of 0.25 boils at the root of a_w p_sat = 60 kPa; a tenth of a kelvin less does nothing."""
    boils = brentq(lambda T: activity(0.25, T) * saturation_pressure(T) - LOW_PRESSURE, 60.0, 120.0)
    nothing = Cooler(floor_area=1e-3, bed_depth=1e-3, airflow=1e-8)
    below, above = (predict(high_up(nothing, boils + d)).stages[1].result.feed_in for d in (-0.1, 0.1))
    assert below.flash_loss_wb == 0.0 and below.temperature == pytest.approx(boils - 0.1, abs=1e-3)
    assert 0.0 < above.flash_loss_wb < 1e-3 and above.temperature < boils + 0.1


def test_a_dry_skin_outlives_the_flash():
    """After a hot batch the skin is far drier than the core, and boiling takes its share from either: so the cooler
    takes less than from pellets of the same mean that are even inside."""
    batch = Batch(1.0, 0.05, 240.0, 0.8, inlet_air_temperature=140.0)
    line = predict(high_up(batch, 80.0))
    second = line.stages[1]
    assert second.result.feed_in.flash_loss_wb > 0.005
    assert second.outer_moisture_db < 0.8 * second.inner_moisture_db
    flat = predict(second.case)
    assert flat.feed_in.moisture_wb == pytest.approx(second.result.feed_in.moisture_wb, rel=1e-9)
    given = [dry_basis(r.feed_in.moisture_wb) - r.pellets_out.moisture_db for r in (flat, second.result)]
    assert given[0] > 1.05 * given[1]


def test_what_flashes_leaves_the_shape_of_the_profile():
    """A fifth of the water gone is a fifth from each shell."""
    bed = bed_of(gather([pig()]))
    sh = shells(5, np.full(1, 3.0))
    X = np.linspace(0.3, 0.1, 5)[:, None]
    one = np.ones(1)
    mean = (sh.volume * X).sum(axis=0)
    before = leaving.Leaving(bed, sh, X, mean, one, one, 90 * one, one, mean, one)
    after = leaving.fitted(before, 0.8 * mean, 2 * one)
    np.testing.assert_allclose(after.moisture, 0.8 * X, rtol=1e-14)
    assert (sh.volume * after.moisture).sum() == pytest.approx(0.8 * mean[0], rel=1e-14)
    assert after.fed.bound_heat == 2.0
