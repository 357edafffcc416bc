"""Edges: saturated and dry air, no difference to work with, condensation, thin and deep beds, many at once."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from laws.domain import SORPTION_SETS, pig, sample
from laws.exact import saturation_pressure
from laws.test_domain import numbers

from coolsim import NotConverged
from coolsim.case.case import Air
from coolsim.model import solve as model_solve
from coolsim.model.counterflow import State
from coolsim.numerics import newton
from coolsim.simulate.chunks import CHUNK
from coolsim.simulate.prediction import predict  # behind the public door, which refuses beds without end


def assert_sound(result):
    for path, value in numbers(result).items():
        assert np.isfinite(value).all(), path
    assert np.abs(result.accuracy.water_imbalance).max() < 1e-8
    assert np.abs(result.accuracy.energy_imbalance).max() < 1e-8


def assert_same(a, b, places=None):
    """Equal to 1e-9 in every number; `places` picks from the second."""
    theirs = numbers(b)
    for path, value in numbers(a).items():
        other = theirs[path] if places is None else theirs[path][places]
        if path.startswith("accuracy."):  # differences of nearly equal numbers
            np.testing.assert_allclose(value, other, rtol=1e-6, atol=1e-9, err_msg=path)
        else:
            np.testing.assert_allclose(value, other, rtol=1e-9, atol=1e-9, err_msg=path)


# ---- Extremes of one thing ------------------------------------------------------------------------------


@pytest.mark.parametrize("RH", [0.02, 1.0])
@pytest.mark.parametrize("T", [-20.0, 0.01, 45.0])
@pytest.mark.parametrize("equation", SORPTION_SETS)
def test_driest_and_saturated_air(RH, T, equation):
    constants = SORPTION_SETS[equation][0]
    assert_sound(
        predict(
            pig(
                isotherm__equation=equation, isotherm__constants=constants, air__relative_humidity=RH,
                air__temperature=T,
            )
        )
    )  # fmt: skip


def test_no_difference_between_feed_and_air_leaves_only_drying():
    """Both at 31 °C: the pellets dry, and evaporation cools them and the air."""
    r = predict(pig(feed__temperature=31.0, air__relative_humidity=0.5))
    assert_sound(r)
    assert r.pellets_out.moisture_wb < 0.165
    assert r.air_out.temperature < 31.0


def test_feed_in_equilibrium_with_its_air_stays_as_it_is():
    """At 31 °C and the air's own water activity nothing moves: corn, modified Chung–Pfost, by hand."""
    X = -np.log(-np.log(0.7) * (31.0 + 30.205) / 312.3) / 0.16958 / 100 * (1 - 0.04)
    r = predict(pig(feed__temperature=31.0, air__relative_humidity=0.7, feed__moisture=X / (1 + X)))
    assert_sound(r)
    assert r.pellets_out.moisture_db == pytest.approx(X, abs=1e-8)
    assert r.pellets_out.temperature == pytest.approx(31.0, abs=1e-5)
    assert r.air_out.temperature == pytest.approx(31.0, abs=1e-5)


def test_cold_feed_in_warm_humid_air_takes_up_water():
    """5 °C pellets below the dew point of 35 °C/90 %: condensation, no special case."""
    r = predict(pig(feed__temperature=5.0, air__temperature=35.0, air__relative_humidity=0.9))
    assert_sound(r)
    assert r.pellets_out.moisture_wb > 0.165 + 0.001
    assert r.pellets_out.temperature > 30.0
    dry_end = 0.9 * saturation_pressure(35.0) * 0.621945 / (101_325.0 - 0.9 * saturation_pressure(35.0))
    assert r.air_out.humidity_ratio < dry_end  # the air lost what they gained


def test_a_bed_of_nothing_changes_nothing():
    """0.1 mm deep: a tenth of a second."""
    r = predict(pig(cooler__bed_depth=1e-4))
    assert_sound(r)
    assert r.pellets_out.moisture_wb == pytest.approx(0.165, abs=5e-4)
    assert 78.0 < r.pellets_out.temperature < 80.0


def test_depth_without_end_approaches_a_limit():
    """From 10 m to 40 m nothing is left to happen but diffusion's last; cooled to the air's own state."""
    shallow, deep, deeper = (predict(pig(cooler__bed_depth=L)) for L in (2.5, 10.0, 40.0))
    for r in (shallow, deep, deeper):
        assert_sound(r)
    first = abs(deep.pellets_out.moisture_wb - shallow.pellets_out.moisture_wb)
    second = abs(deeper.pellets_out.moisture_wb - deep.pellets_out.moisture_wb)
    assert second < 0.5 * first


# ---- Many at once ---------------------------------------------------------------------------------------


def test_an_array_of_air_is_its_single_states():
    T, RH = np.array([-5.0, 12.0, 31.0]), np.array([[0.4], [0.9]])
    together = predict(pig(), air=Air(T, RH, 99e3))
    for k, (humidity, temperature) in enumerate(itertools.product(RH[:, 0], T)):
        alone = predict(pig(), air=Air(temperature, humidity, 99e3))
        assert_same(alone, together, k)


def test_a_list_of_mixed_isotherms_is_its_single_cases():
    cases = sample(24, seed=5)
    assert len({c.material.isotherm.equation for c in cases}) == 6
    together = predict(cases)
    for k, case in enumerate(cases):
        assert_same(predict(case), together, k)


@pytest.mark.thorough
def test_an_answer_does_not_depend_on_its_chunk():
    """One more case than a chunk holds, all of one form, so that they are cut in two."""
    cases = sample(CHUNK + 1, seed=6, equation="modified-halsey")
    together = predict(cases, profile=True)
    assert together.pellets_out.moisture_wb.shape == (CHUNK + 1,)
    places = [0, 1, CHUNK // 2 - 1, CHUNK // 2, CHUNK // 2 + 1, CHUNK - 1, CHUNK]
    assert_same(predict([cases[i] for i in places]), together, places)


def test_order_of_the_cases_is_kept():
    cases = sample(12, seed=7)
    there, back = predict(cases), predict(cases[::-1])
    assert_same(there, back, slice(None, None, -1))


# ---- When it cannot -------------------------------------------------------------------------------------


@pytest.fixture
def hopeless(monkeypatch):
    """A solver that may take two Newton steps and no others."""
    monkeypatch.setattr(model_solve, "MOST_STEPS", 2)
    monkeypatch.setattr(model_solve, "ROADS", ())


@pytest.mark.usefixtures("hopeless")
def test_failure_is_typed_and_carries_its_reason_and_its_best():
    with pytest.raises(NotConverged) as caught:
        predict(pig())
    error = caught.value
    assert "the case did not converge" in error.reason
    assert any(name in error.reason for name in model_solve.EQUATION_NAMES)
    assert "m below the top" in error.reason
    np.testing.assert_array_equal(error.failed, [0])
    assert error.best.pellets_out.temperature is not None
    assert str(error) == error.reason


@pytest.mark.usefixtures("hopeless")
def test_failures_among_many_are_named_by_their_place_in_the_list():
    cases = sample(12, seed=8)
    with pytest.raises(NotConverged) as caught:
        predict(cases)
    failed = np.asarray(caught.value.failed)
    equations = np.array([c.material.isotherm.equation for c in cases])
    # the first form of isotherm to fail is reported, by places in the list as it was given
    assert len(set(equations[failed])) == 1
    assert len(failed) > 0


def test_iterates_without_numbers_are_a_failure_not_a_crash(monkeypatch):
    """Iterates that blow up to nan must come back as NotConverged, without a warning on the way."""

    def blows_up(problem, state, inertia=None):
        nothing = State(np.full_like(state.chain, np.nan), np.full_like(state.points, np.nan))
        return nothing, np.full(problem.bed.cases, np.nan)

    monkeypatch.setattr(model_solve, "METHOD", dataclasses.replace(model_solve.METHOD, step=blows_up))
    with pytest.raises(NotConverged) as caught:
        predict(pig())
    assert "below the top" in caught.value.reason
    assert np.isfinite(caught.value.best.pellets_out.moisture_wb)


def test_continuation_brings_home_what_newton_cannot(monkeypatch):
    """Three Newton steps are too few from straight lines; growing the bed gets to the same answer."""
    straight = predict(pig())
    monkeypatch.setattr(model_solve, "MOST_STEPS", 3)
    grown = predict(pig())
    assert grown.pellets_out.moisture_wb == pytest.approx(straight.pellets_out.moisture_wb, abs=2e-6)
    assert newton.FIRST_SHARE < 1e-2
