"""Many samples from few, held against distributions that are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from coolsim.studies.surrogate import many, normal, polynomials, shares_of

Q = (0.025, 0.5, 0.975)


def test_a_square_by_its_own_distribution() -> None:
    """z² is χ² with one degree of freedom; 128 samples tell its quantiles only through the polynomial."""
    z = normal(3, 128, seed=1)
    y = many(z, {"y": z[1] ** 2}, seed=2)["y"]
    np.testing.assert_allclose(np.quantile(y, Q), stats.chi2.ppf(Q, 1), rtol=0.01, atol=1e-3)


def test_a_curved_answer_by_its_own_distribution() -> None:
    """exp(0.3 z) is no polynomial: log-normal."""
    z = normal(2, 256, seed=3)
    y = many(z, {"y": np.exp(0.3 * z[0])}, seed=4)["y"]
    np.testing.assert_allclose(np.quantile(y, Q), stats.lognorm.ppf(Q, 0.3), rtol=0.005)


def test_what_the_polynomial_misses_is_put_back() -> None:
    """Noise that no variable explains: y = z + e, e normal of the same size, has √2 of the spread."""
    z, e = normal(2, 512, seed=5), np.random.default_rng(6).standard_normal(512)
    y = many(z, {"y": z[0] + e}, seed=7, least=0.0)["y"]
    assert y.std() == pytest.approx(np.sqrt(2), rel=0.07)  # e itself scatters by 1/√1024, 3 %
    assert np.quantile(y, 0.975) == pytest.approx(1.96 * np.sqrt(2), rel=0.1)


def test_answers_of_one_sample_stay_together() -> None:
    """The same noise in both answers: their difference has none, in each of the many samples."""
    z, e = normal(2, 128, seed=8), np.random.default_rng(9).standard_normal(128)
    y = many(z, {"a": z[0] + e, "b": z[0] + e + 1.0}, seed=10, least=0.0)
    np.testing.assert_allclose(y["b"] - y["a"], 1.0, atol=1e-9)


def test_residuals_are_of_fits_without_the_sample() -> None:
    """By hand: fit anew without a sample, with the same terms, and see how far off it is."""
    z = normal(2, 64, seed=11)
    y = np.sin(2 * z[0]) + 0.2 * z[1]
    (p,) = polynomials(z, y[None])
    powers = [np.ones(64), *(z[i] ** n for i in (0, 1) for n in range(1, p.degree + 1))]
    X = np.stack(powers + ([z[0] * z[1]] if p.pairs else []), axis=1)  # spans what the Hermite terms span
    for k in (0, 17, 40):
        rest = np.arange(64) != k
        without = np.linalg.lstsq(X[rest], y[rest], rcond=None)[0]
        assert p.residual[k] == pytest.approx(y[k] - X[k] @ without, rel=1e-6)


def test_the_degree_is_no_higher_than_samples_bear() -> None:
    """Pure noise: what does best on samples left out is the lowest form."""
    z, e = normal(6, 64, seed=12), np.random.default_rng(13).standard_normal(64)
    assert polynomials(z, e[None])[0].degree == 1
    z = normal(2, 64, seed=12)
    square, straight = polynomials(z, np.array([z[0] ** 2 + z[0] * z[1], z[0]]))
    assert square.pairs and np.abs(straight.residual).max() < 1e-9


def test_a_polynomial_that_explains_too_little_is_not_used() -> None:
    """A count that ends at none: half of its samples are exactly there, which no polynomial says."""
    z = normal(2, 256, seed=14)
    y = np.maximum(z[0] - 1.0, 0.0)
    found = many(z, {"y": y}, seed=15)["y"]
    assert (found == 0.0).mean() == pytest.approx(stats.norm.cdf(1.0), abs=0.01)
    assert set(found) <= set(y)


def test_more_samples_of_the_same_variables() -> None:
    """With `least` out of the way, what comes back belongs to normal(…, samples, seed): as few as one likes."""
    z = normal(2, 64, seed=16)
    found = many(z, {"y": 3 * z[0] - z[1]}, seed=17, samples=128, least=-np.inf)["y"]
    there = normal(2, 128, seed=17)
    np.testing.assert_allclose(found, 3 * there[0] - there[1], atol=1e-9)


def test_shares_are_of_no_more_than_all() -> None:
    """By chance few samples of a bent answer vary less than it does: a share of 111 % was told of the first."""
    z = normal(7, 128, seed=0)
    shares = shares_of(z, np.exp(0.8 * z[0]) + 0.05 * z[1])
    assert shares.sum() <= 1 + 1e-9 and shares[0] > 0.95
