"""Answers as polynomials of the normal variables behind them: quantiles and shares of variance from few samples.

Hermite polynomials are orthogonal under a normal distribution (polynomial chaos; Sudret, Reliability Engineering &
System Safety 93, 2008, 964–979, from memory): their squared coefficients add up to the variance, sorted by
variable. A quantile of a few hundred samples is as rough as the tenth sample from the end; the polynomial has as
many samples as one likes. What it misses is put back: each gets the residual of one of the samples that were
computed, found with that sample left out of the fit. Where the polynomial explains nothing, that is the
distribution of the samples.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.fields import Array

MANY = 2**16
PART = 8192  # samples at once: bounds the memory
FORMS = (
    (1, False),
    (2, False),
    (2, True),
    (3, True),
    (4, False),
    (4, True),
)  # degree in one variable; pairs?
MOST_TERMS = 0.5  # per sample
SHARED = -1  # owner of a term in variables of several groups


@dataclass(frozen=True)
class Polynomial:
    """One answer y of samples z (variables, samples)."""

    degree: int
    pairs: bool
    coefficients: Array  # (terms,)
    residual: Array  # (samples,), of each sample by a fit without it

    def __call__(self, z: Array) -> Array:
        parts = np.array_split(np.arange(z.shape[1]), max(1, z.shape[1] // PART))
        return np.concatenate([_terms(z[:, p], self.degree, self.pairs) @ self.coefficients for p in parts])


def normal(count: int, samples: int, seed: int) -> Array:
    """Independent normal variables (count, samples), evenly spread: a scrambled Sobol sequence."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    return np.asarray(ndtri(qmc.Sobol(count, seed=seed).random(samples)).T)


def polynomial(z: Array, y: Array) -> Polynomial:
    """The polynomial that does best on samples left out one by one."""
    found = []
    for degree, pairs in FORMS:
        X = _terms(z, degree, pairs)
        if X.shape[1] > max(MOST_TERMS * X.shape[0], 1 + len(z)):
            continue
        Q, R = np.linalg.qr(X)
        coefficients = np.linalg.lstsq(R, Q.T @ y, rcond=None)[0]
        leverage = np.minimum((Q**2).sum(axis=1), 1 - 1e-9)
        found.append(Polynomial(degree, pairs, coefficients, (y - X @ coefficients) / (1 - leverage)))
    return min(found, key=lambda p: float(p.residual @ p.residual))


def many(z: Array, answers: Mapping[str, Array], seed: int, samples: int = MANY) -> dict[str, Array]:
    """Many samples (samples,) of each answer, from few (variables, few); those of one sample belong together."""
    apart = np.random.default_rng(seed).integers(z.shape[1], size=samples)
    there = normal(len(z), samples, seed)
    known = {name: polynomial(z, y) for name, y in answers.items()}
    return {name: p(there) + p.residual[apart] for name, p in known.items()}


def shares_of(z: Array, y: Array, groups: Sequence[int] | None = None) -> Array:
    """Share of the variance of y (samples,) that each variable of z (variables, samples) makes alone.

    groups: the number of each variable's group, from zero; then the share is that of each group with all that its
    variables make together. What is left of 1, groups make together, or the polynomial misses.
    """
    owner = np.arange(len(z)) if groups is None else np.asarray(groups, int)
    count, variance = int(owner.max()) + 1, float(np.var(y))
    if variance <= 0:
        return np.zeros(count)
    p = polynomial(z, y)
    of = _owners(owner, p.degree, p.pairs)
    return np.array([(p.coefficients[of == g] ** 2).sum() for g in range(count)]) / variance


def _terms(z: Array, degree: int, pairs: bool) -> Array:
    """Orthonormal polynomials of the variables, (samples, terms): one, each variable's own, products of two."""
    from numpy.polynomial.hermite_e import hermevander

    norm = np.sqrt([float(math.factorial(n)) for n in range(1, degree + 1)])
    alone = hermevander(z, degree)[..., 1:] / norm  # (variables, samples, degree)
    columns = [np.ones((1, z.shape[1])), np.moveaxis(alone, 1, 2).reshape(-1, z.shape[1])]
    if pairs and len(z) > 1:
        i, j = np.tril_indices(len(z), -1)
        columns.append(z[i] * z[j])
    return np.ascontiguousarray(np.concatenate(columns).T)


def _owners(group: NDArray[np.intp], degree: int, pairs: bool) -> NDArray[np.intp]:
    """The group that each term of `_terms` belongs to; the constant belongs to none."""
    owners = [np.array([SHARED]), np.repeat(group, degree)]
    if pairs and len(group) > 1:
        i, j = np.tril_indices(len(group), -1)
        owners.append(np.where(group[i] == group[j], group[i], SHARED))
    return np.concatenate(owners)
