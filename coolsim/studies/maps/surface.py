"""Polynomials through rows of outcomes.

Terms are those of the survey of dryers (`drying.survey`): products of Chebyshev polynomials up to a degree in all.
The degree is the one that does best on states left out. Where it is known along what outcomes bend sharply, as
where a heater is at its power, polynomials of low degree are joined between knots of that, too (`Bend`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from coolsim.studies.optimise.survey import terms_within
from coolsim.support.fields import Array

LEFT_OUT = 5  # one in so many states judges the degree
MOST_TERMS = 0.4  # per state
DEGREES = range(1, 10)


@lru_cache(maxsize=32)
def powers_of(axes: int, degree: int) -> NDArray[np.intp]:
    """The degree of each term along each axis (terms, axes)."""
    every = np.indices((degree + 1,) * axes).reshape(axes, -1).T
    return np.ascontiguousarray(every[terms_within(axes, degree, degree)])


def terms_at(t: Array, powers: NDArray[np.intp]) -> Array:
    """Terms (N, terms) at points t (axes, N) from −1 to 1."""
    values = [chebyshev.chebvander(x, int(powers.max(initial=0))) for x in t]
    found = values[0][:, powers[:, 0]]
    for v, p in zip(values[1:], powers.T[1:]):
        found = found * v[:, p]
    return np.asarray(found)


@dataclass(frozen=True)
class Bend:
    """Something along which outcomes bend sharply at known places: a polynomial of the axes, and its knots."""

    along: Surface  # of one row
    knots: Array
    degree: int  # of the polynomials that are joined between the knots

    def terms(self, t: Array) -> Array:
        """Terms (N, terms): how near each knot is, times polynomials."""
        v = self.along.at(t)[0]
        near = np.array([np.interp(v, self.knots, one) for one in np.eye(len(self.knots))]).T
        each = terms_at(t, powers_of(len(t), self.degree))
        return np.asarray((near[:, :, None] * each[:, None]).reshape(len(v), -1))


@dataclass(frozen=True)
class Surface:
    """Rows of outcomes over a box of coordinates."""

    low: Array  # (axes,)
    high: Array
    powers: NDArray[np.intp]  # (terms, axes)
    coefficients: Array  # (rows, terms of the powers, then those of the bends)
    bends: tuple[Bend, ...] = ()

    def __call__(self, x: Array) -> Array:
        """Rows (rows, N) at coordinates x (axes, N)."""
        return self.at(self.scaled(x))

    def at(self, t: Array) -> Array:
        """The same at coordinates from −1 to 1."""
        return np.asarray(self.coefficients @ _terms(t, self.powers, self.bends).T)

    def scaled(self, x: Array) -> Array:
        """Coordinates from −1 to 1."""
        return _scaled(x, self.low, self.high)

    def plus(self, other: Surface) -> Surface:
        """The sum with another over the same box, whose terms are among these."""
        place = {tuple(p): k for k, p in enumerate(self.powers.tolist())}
        coefficients = self.coefficients.copy()
        coefficients[:, [place[tuple(p)] for p in other.powers.tolist()]] += other.coefficients
        return Surface(self.low, self.high, self.powers, coefficients, self.bends)


def _terms(t: Array, powers: NDArray[np.intp], bends: tuple[Bend, ...]) -> Array:
    return np.concatenate([terms_at(t, powers), *(bend.terms(t) for bend in bends)], axis=1)


def fitted(
    x: Array,
    rows: Array,
    ends: tuple[Array, Array],
    weights: Array,
    bends: tuple[Bend, ...] = (),
    most: int | None = None,
) -> Surface:
    """The polynomial of the degree that does best on states left out, fitted to all of them.

    ends: lowest and highest coordinates. weights (rows,): one over the error of each row that is small enough: a
    richer polynomial would only be longer. most: highest degree.
    """
    good = np.isfinite(rows).all(axis=0)
    x, rows = x[:, good], rows[:, good]
    t, axes, bent = _scaled(x, *ends), len(x), _terms_of_bends(_scaled(x, *ends), bends)
    left = np.arange(x.shape[1]) % LEFT_OUT == 0
    best, least = 0, np.inf
    for degree in DEGREES:
        powers = powers_of(axes, degree)
        count = len(powers) + bent.shape[1]
        if degree > 1 and (count > MOST_TERMS * x.shape[1] or (most is not None and degree > most)):
            break
        terms = np.concatenate([terms_at(t, powers), bent], axis=1)
        missed = rows[:, left] - _through(terms[~left], rows[:, ~left]) @ terms[left].T
        missed *= weights[:, None]
        score = float((missed**2).mean())
        if score < least:
            best, least = degree, score
        if np.abs(missed).max() < 1.0:
            break
    powers = powers_of(axes, best)
    terms = np.concatenate([terms_at(t, powers), bent], axis=1)
    return Surface(*ends, powers, _through(terms, rows), bends)


def _terms_of_bends(t: Array, bends: tuple[Bend, ...]) -> Array:
    return np.concatenate([np.zeros((t.shape[1], 0)), *(bend.terms(t) for bend in bends)], axis=1)


def _through(terms: Array, rows: Array) -> Array:
    """Coefficients (rows, terms) of least squares."""
    from scipy.linalg import lstsq

    size = np.maximum(np.ptp(rows, axis=1, keepdims=True), 1e-12)
    return np.asarray(lstsq(terms, (rows / size).T, cond=1e-11, lapack_driver="gelsy")[0].T * size)


def _scaled(x: Array, low: Array, high: Array) -> Array:
    wide = np.where(high > low, high - low, 1.0)[:, None]
    return np.asarray(np.where((high > low)[:, None], 2 * (x - low[:, None]) / wide - 1, 0.0))
