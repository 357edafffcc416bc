"""A fit against lines whose numbers are known, against other methods, and where it must refuse."""

from __future__ import annotations

import dataclasses
import os

import numpy as np
import pytest
from laws.test_second_opinion import as_case, rp
from scipy import optimize, stats
from studies.fit_world import (
    OVEN,
    THERMOMETER,
    drawn,
    exits,
    scenario,
    settings,
    trials_on,
    with_numbers,
)

import coolsim
from coolsim.model.solve import Resolution
from coolsim.scenario.trials import trials_of
from coolsim.studies.fitting import fit
from coolsim.studies.fitting.estimate import chi_squared, estimated, intervals
from coolsim.studies.fitting.model import model_readings
from coolsim.studies.fitting.parameters import PARAMETERS, USUAL
from coolsim.studies.fitting.run import posed
from coolsim.support.errors import InputError

TRUE = {"diffusivity": 6e-10, "isotherm_shift": 0.015, "specific_heat": 1760.0}
REPETITIONS = int(os.environ.get("COOLSIM_FIT_REPETITIONS", "16"))  # 200 for the band itself


@pytest.fixture(scope="module")
def base():
    return scenario()


@pytest.fixture(scope="module")
def ten(base):
    """Ten settings, and the exits of the line with the numbers of TRUE."""
    cases = settings(base, 10, 0)
    return cases, exits([with_numbers(c, **TRUE) for c in cases])


def on(problem, resolution):
    """The same problem on another mesh."""
    return dataclasses.replace(problem, line=dataclasses.replace(problem.line, resolution=resolution))


# -- right


def test_slopes_are_those_of_differences(base):
    """Every free number at once, with false air in the exhaust: central differences of the readings themselves."""
    cases = settings(base, 3, 7)
    free = tuple(PARAMETERS.values())
    problem = posed(base, trials_of(cases, {"moisture": [0.12] * 3}), free)
    problem = on(problem, Resolution(32, 20, 0, False))  # slopes hold the mesh, differences let it follow
    theta = problem.before + 0.3 * problem.spread  # leakage away from its end at 0
    slopes = model_readings(problem.line, theta).by_theta[:, :, 0] * problem.spread[:, None]
    step = 2e-2
    for k in range(len(free)):
        moved = theta + step * problem.spread * np.eye(len(free))[k] * np.array([[1.0], [-1.0]])
        readings = model_readings(problem.line, moved, slopes=False).readings
        difference = (readings[:, 0] - readings[:, 1]) / (2 * step)
        scale = np.abs(difference).max(axis=1, keepdims=True) + 1e-7
        # meshes follow the solution, so differences of solves are rough: 1 % of the largest of the three trials
        np.testing.assert_array_less(np.abs(slopes[:, k] - difference) / scale, 0.01, err_msg=free[k].name)


def test_exact_trials_give_the_numbers_back(base, ten):
    cases, (M, T) = ten
    exact = trials_of(cases, {"moisture": M, "temperature": T}, {"moisture": 1e-5, "temperature": 3e-3})
    answer = fit(base, exact, priors=False)
    for p in answer.parameters:
        # the fit's mesh is right to 0.01 point: 2 % of a diffusivity, 0.003 of an isotherm, 0.5 % of a heat
        assert p.value == pytest.approx(TRUE[p.name], rel=0.02, abs=0.003), p.name
    material, value = answer.case.material, {p.name: p.value for p in answer.parameters}
    assert material.diffusivity.value == pytest.approx(value["diffusivity"])
    assert material.isotherm.scale == pytest.approx(
        base.material.isotherm.scale * (1 + value["isotherm_shift"])
    )
    assert material.specific_heat == pytest.approx(value["specific_heat"])


@pytest.mark.thorough
def test_intervals_cover_the_truth_as_often_as_they_say(base, ten):
    cases, (M, T) = ten
    hits, free = dict.fromkeys(USUAL, 0), [PARAMETERS[name] for name in USUAL]
    for k in range(REPETITIONS):
        draw = np.random.default_rng(1000 + k).standard_normal
        trials = trials_of(
            cases,
            {"moisture": M + OVEN * draw(10), "temperature": T + THERMOMETER * draw(10)},
            {"moisture": OVEN, "temperature": THERMOMETER},
        )
        problem = posed(base, trials, free, priors=False)
        found = estimated(problem, model_readings(problem.line, problem.before))
        for p, middle, s, (low, high) in zip(free, problem.before, problem.spread, intervals(problem, found)):
            hits[p.name] += middle + s * low <= p.theta(TRUE[p.name]) <= middle + s * high
    if REPETITIONS >= 200:  # the issue's own band, of the three numbers together
        assert 0.93 <= sum(hits.values()) / (3 * REPETITIONS) <= 0.97
    for name, count in hits.items():  # one in a thousand that good intervals fail here
        assert stats.binomtest(count, REPETITIONS, 0.95).pvalue > 1e-3, name


def test_three_trials_with_priors_predict_what_was_not_seen(base):
    """Three lines drawn from the published ranges; the exit at ten other settings, before the fit and after."""
    before, after = [], []
    for k in range(3):
        value = drawn(base, USUAL, 50 + k)
        seen, unseen = settings(base, 3, 100 + k), settings(base, 10, 200 + k)
        answer = fit(base, trials_on(seen, [with_numbers(c, **value) for c in seen], k))
        M, _ = exits([with_numbers(c, **value) for c in unseen])
        default, _ = exits(unseen)
        fitted = [dataclasses.replace(c, material=answer.case.material) for c in unseen]
        before.append(np.abs(default - M))
        after.append(np.abs(exits(fitted)[0] - M))
    assert (
        np.median(after) < 0.003 / 2
    )  # the issue asks for 0.3 point; half of it is what three trials can do
    assert np.median(after) < np.median(before)


@pytest.mark.thorough
def test_trials_of_the_resolved_pellet_fit_the_model(base):
    """Heat resolved inside the pellet, D at the local temperature: a form that the product does not have."""
    names = ("pig pellets, humid", "pig pellets, cold and dry", "thin bed, much air", "little air")
    answers = [rp.second_opinion(rp.CASES[name], True, ((48, 12), (96, 24))) for name in names]
    cases = [as_case(rp.CASES[name]) for name in names]
    wrong = [with_numbers(c, diffusivity=1.1e-9, specific_heat=1880.0) for c in cases]
    M, T = (np.array([a[key] for a in answers]) for key in ("moisture_wb", "T_out"))
    seen = slice(0, 3)
    trials = trials_of(
        wrong[seen],
        {"moisture": M[seen], "temperature": T[seen]},
        {"moisture": OVEN, "temperature": THERMOMETER},
    )
    answer = fit(wrong[0], trials, ("diffusivity", "specific_heat"))
    unseen = dataclasses.replace(wrong[3], material=answer.case.material)
    off = [abs(float(coolsim.predict(c).pellets_out.moisture_wb) - M[3]) for c in (wrong[3], unseen)]
    assert off[1] < 0.001 < off[0]
    assert answer.scatter == 1.0  # the form is within what an oven and a thermometer tell
    # the numbers themselves: what they were made with, 7e-10 and 1800, within their intervals
    D, c_d = answer.parameters
    assert D.low < rp.CASES[names[0]]["D_ref"] < D.high
    assert c_d.low < rp.CASES[names[0]]["c_d"] < c_d.high


# -- three ways to the same interval


@pytest.fixture(scope="module")
def example(base):
    """Two numbers, four trials: the problem and its estimate."""
    coarse = Resolution(8, 6, 0, False)  # all three ask the same model: its mesh need not be fine
    cases = settings(base, 4, 0)
    true = {name: TRUE[name] for name in ("diffusivity", "specific_heat")}
    M, T = exits([with_numbers(c, **true) for c in cases], coarse)
    draw = np.random.default_rng(20).standard_normal
    trials = trials_of(
        cases,
        {"moisture": M + OVEN * draw(4), "temperature": T + THERMOMETER * draw(4)},
        {"moisture": OVEN, "temperature": THERMOMETER},
    )
    problem = posed(base, trials, [PARAMETERS[name] for name in true])
    problem = on(problem, coarse)
    return problem, estimated(problem, model_readings(problem.line, problem.before))


def test_profile_likelihood_agrees(example):
    """The other number minimised anew at each value of the first, by a method that knows no slopes."""
    problem, found = example
    assert found.scatter == 1.0
    ends = intervals(problem, found)
    least = chi_squared(problem, found, found.u[None])[0]
    for k in (0, 1):
        for side in (0, 1):

            def profile(x, k=k):
                def at(y):
                    u = np.where(np.arange(2) == k, x, y)
                    return float(chi_squared(problem, found, u[None])[0])

                spread = np.sqrt(found.covariance[1 - k, 1 - k])
                near = found.u[1 - k]
                best = optimize.minimize_scalar(
                    at,
                    bounds=(near - 4 * spread, near + 4 * spread),
                    method="bounded",
                    options={"xatol": 1e-3},
                )
                return best.fun - least

            rise = profile(ends[k, side])
            # χ² rises by 1.96² at the end of an interval of 95 %; 8 % of that is 4 % of the interval
            assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), rel=0.08)


@pytest.mark.thorough  # the two intervals are held against the likelihood itself above
def test_a_bayesian_run_agrees(example):
    emcee = pytest.importorskip("emcee")
    problem, found = example
    ends = intervals(problem, found)

    def log_posterior(u):
        return -0.5 * chi_squared(problem, found, u)

    draw = np.random.default_rng(11)
    walkers = 48
    start = found.u + draw.multivariate_normal(np.zeros(2), found.covariance, walkers)
    sampler = emcee.EnsembleSampler(walkers, 2, log_posterior, vectorize=True)
    sampler.random_state = np.random.RandomState(12).get_state()
    sampler.run_mcmc(start, 36)
    chain = sampler.get_chain(discard=10, flat=True)
    low, high = np.quantile(chain, [0.025, 0.975], axis=0)
    deviation = np.sqrt(np.diag(found.covariance))
    # 1248 states of a chain that forgets in about ten steps: quantiles scatter by a quarter of a deviation
    np.testing.assert_allclose(low, ends[:, 0], atol=0.5 * deviation.max())
    np.testing.assert_allclose(high, ends[:, 1], atol=0.5 * deviation.max())
    np.testing.assert_allclose(chain.mean(axis=0), found.u, atol=0.3 * deviation.max())


# -- what trials cannot tell, and what is wrong with them


def test_a_trial_that_does_not_belong_is_named(base, ten):
    cases, (M, T) = ten
    draw = np.random.default_rng(4).standard_normal
    M, T = M + OVEN * draw(10), T + THERMOMETER * draw(10)
    M[6] += 0.012
    trials = trials_of(
        cases, {"moisture": M, "temperature": T}, {"moisture": OVEN, "temperature": THERMOMETER}
    )
    suspects = fit(base, trials).suspects
    assert [s.trial for s in suspects] == ["trial 7"]
    assert "wetter" in suspects[0].why


@pytest.mark.thorough
def test_good_trials_are_not_called_wrong(base, ten):
    cases, (M, T) = ten
    named = 0
    for seed in range(6):
        draw = np.random.default_rng(500 + seed).standard_normal
        trials = trials_of(
            cases,
            {"moisture": M + OVEN * draw(10), "temperature": T + THERMOMETER * draw(10)},
            {"moisture": OVEN, "temperature": THERMOMETER},
        )
        named += len(fit(base, trials).suspects)
    assert named <= 1  # one set in a hundred is meant to be


def test_scatter_beyond_the_stated_widens_the_intervals(base, ten):
    cases, (M, T) = ten
    draw = np.random.default_rng(5).standard_normal
    noise = {"moisture": M + 4 * OVEN * draw(10), "temperature": T + 4 * THERMOMETER * draw(10)}
    answer = fit(base, trials_of(cases, noise, {"moisture": OVEN, "temperature": THERMOMETER}))
    assert 2.5 < answer.scatter < 6.0  # four, give or take what seventeen degrees of freedom scatter
    assert any("scatter" in w.text for w in answer.warnings)


def test_airflow_and_specific_heat_cannot_be_told_apart_at_one_setting(base):
    """Both decide how far the heat goes: alone in one state of the cooler, one stands for the other."""
    case = settings(base, 1, 9)[0]
    cases = [case] * 3
    _, T = exits(cases)
    trials = trials_of(cases, {"temperature": T + np.array([0.1, -0.1, 0.05])}, {"temperature": 0.02})
    answer = fit(base, trials, ("specific_heat", "airflow_factor"))
    assert any("airflow_factor" in text and "specific_heat" in text for text in answer.alike)
    assert any("same settings" in w.text for w in answer.warnings)
    with pytest.raises(InputError, match="open"):
        fit(base, trials, ("specific_heat", "airflow_factor"), priors=False)


def test_one_trial_for_three_numbers(base):
    cases = settings(base, 1, 2)
    one = trials_on(cases, cases, 1)
    answer = fit(base, one)
    assert any("published ranges decide" in w.text for w in answer.warnings)
    assert all(p.published_low * 0.5 < p.value < p.published_high * 2 for p in answer.parameters if p.value)
    with pytest.raises(InputError, match="2 readings at one setting, which leave"):
        fit(base, one, priors=False)


def test_a_row_that_was_copied_counts_once(base):
    cases = settings(base, 2, 3)
    two = trials_on(cases, cases, 1)
    four = trials_of(
        [*cases, *cases],
        {"moisture": np.tile(two.measured[0], 2), "temperature": np.tile(two.measured[1], 2)},
        {"moisture": OVEN, "temperature": THERMOMETER},
    )
    once, twice = fit(base, two), fit(base, four)
    assert twice.trials == 2
    assert [(p.low, p.high) for p in twice.parameters] == [(p.low, p.high) for p in once.parameters]
    assert any("repeat another" in w.text for w in twice.warnings)


def test_doubt_about_the_feed_widens_what_is_known(base):
    cases = settings(base, 5, 4)
    sure = trials_on(cases, cases, 1)
    unsure = dataclasses.replace(sure, doubt=sure.doubt.copy())
    unsure.doubt[0] = 0.002  # of feed.moisture
    widths = [
        {p.name: p.high - p.low for p in fit(base, trials, ("diffusivity",)).parameters}
        for trials in (sure, unsure)
    ]
    assert widths[1]["diffusivity"] > 1.3 * widths[0]["diffusivity"]


def test_readings_that_nothing_explains_are_refused(base):
    cases = settings(base, 4, 5)
    M, T = exits(cases)
    trials = trials_of(cases, {"moisture": M, "temperature": T + np.array([25.0, 0.0, 20.0, 30.0])})
    with pytest.raises(InputError, match="no value of the free numbers explains"):
        fit(base, trials)


def test_fahrenheit_below_the_feed_is_recognised(base):
    cold = dataclasses.replace(base, air=dataclasses.replace(base.air, temperature=12.0))
    cases = settings(cold, 3, 6)
    cases = [dataclasses.replace(c, air=dataclasses.replace(c.air, temperature=12.0)) for c in cases]
    M, T = exits(cases)
    with pytest.raises(InputError, match="degF"):
        fit(cold, trials_of(cases, {"moisture": M, "temperature": 1.8 * T + 32}))


def test_leakage_needs_the_exhaust(base):
    cases = settings(base, 3, 6)
    with pytest.raises(InputError, match="exhaust"):
        fit(base, trials_on(cases, cases, 1), ("leakage",))


def test_leakage_and_airflow_are_found_in_the_exhaust(base):
    """Exhaust mixed by hand with 12 % of outside air: dry air, water and enthalpy of both, by their shares."""
    cases = settings(base, 6, 8)
    true = [
        dataclasses.replace(c, cooler=dataclasses.replace(c.cooler, airflow=0.9 * c.cooler.airflow))
        for c in cases
    ]
    r = coolsim.predict(true)
    T_out = np.array([c.air.temperature for c in cases])
    p_w = (
        np.array([c.air.relative_humidity for c in cases])
        * 610.94
        * np.exp(17.625 * T_out / (T_out + 243.04))
    )
    # Magnus formula (Alduchov & Eskridge 1996, memory): within 0.4 % of the vapour pressure
    Y_out = 0.622 * p_w / (cases[0].air.pressure - p_w)
    T_bed, Y_bed = r.air_out.temperature, r.air_out.humidity_ratio
    h = 0.88 * (1006 * T_bed + Y_bed * (2501e3 + 1860 * T_bed)) + 0.12 * (
        1006 * T_out + Y_out * (2501e3 + 1860 * T_out)
    )
    Y = 0.88 * Y_bed + 0.12 * Y_out
    exhaust = (h - 2501e3 * Y) / (1006 + 1860 * Y)
    trials = trials_of(
        cases,
        {"moisture": r.pellets_out.moisture_wb, "temperature": r.pellets_out.temperature,
         "exhaust_temperature": exhaust},
        {"moisture": OVEN, "temperature": THERMOMETER, "exhaust_temperature": 0.3},
    )  # fmt: skip
    leakage, factor = fit(base, trials, ("leakage", "airflow_factor")).parameters
    assert leakage.low < 0.12 < leakage.high and leakage.value == pytest.approx(0.12, abs=0.02)
    assert factor.low < 0.9 < factor.high and factor.value == pytest.approx(0.9, abs=0.03)


def test_a_slope_with_moisture_turns_about_the_feed(base):
    cases = settings(base, 3, 12)
    answer = fit(base, trials_on(cases, cases, 2), ("diffusivity", "moisture_slope"))
    X = np.mean([c.feed.moisture / (1 - c.feed.moisture) for c in cases])
    assert answer.case.material.diffusivity.at_moisture == pytest.approx(X)
    assert abs(answer.correlation[0, 1]) < 0.95


def test_what_to_measure_next_is_worth_it(base):
    """The advice is a forecast; the trial is then made, and the interval is what was forecast."""
    cases = settings(base, 3, 20)
    trials = trials_on(cases, cases, 6, noise=0.0)
    answer = fit(base, trials)
    again = next(m for m in answer.next if m.what.startswith("one more trial at the scenario"))
    M, T = exits([base])
    more = trials_of(
        [*cases, base],
        {"moisture": np.append(trials.measured[0], M), "temperature": np.append(trials.measured[1], T)},
        {"moisture": OVEN, "temperature": THERMOMETER},
    )
    assert fit(base, more).after.within_wb == pytest.approx(again.within_wb, rel=0.05)
    assert answer.after.within_wb < answer.before.within_wb
