"""Answers as polynomials of the normal variables behind them: quantiles and shares of variance from few samples.

Hermite polynomials are orthogonal under a normal distribution (polynomial chaos; Sudret, Reliability Engineering &
System Safety 93, 2008, 964–979, from memory): their squared coefficients add up to the variance, sorted by
variable. A quantile of a few hundred samples is as rough as the tenth sample from the end; the polynomial has as
many samples as one likes. What it misses is put back: each gets the residual of one of the samples that were
computed, found with that sample left out of the fit. Where it explains too little, as where hours are counted and
the count ends at none or at all, the samples stand for themselves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from coolsim.support.fields import Array

MANY = 2**15
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
EXPLAINED = 0.95  # of the variance, of samples left out: below, no polynomial is trusted with a quantile
SHARED = -1  # owner of a term in variables of several groups


@dataclass(frozen=True)
class Polynomial:
    """One answer y of samples z (variables, samples)."""

    degree: int
    pairs: bool
    coefficients: Array  # (terms,)
    residual: Array  # (samples,), of each sample by a fit without it

    @property
    def form(self) -> tuple[int, bool]:
        """What says which terms it has."""
        return self.degree, self.pairs


def read(some: Sequence[Polynomial], z: Array) -> Array:
    """Polynomials (polynomials, samples) at samples z; those of one form share its terms."""
    found = np.empty((len(some), z.shape[1]))
    for form in dict.fromkeys(p.form for p in some):
        alike = np.array([k for k, p in enumerate(some) if p.form == form])
        coefficients = np.array([some[k].coefficients for k in alike])
        for part in np.array_split(np.arange(z.shape[1]), max(1, z.shape[1] // PART)):
            found[np.ix_(alike, part)] = coefficients @ _terms(z[:, part], *form).T
    return found


@lru_cache(maxsize=2)
def normal(count: int, samples: int, seed: int) -> Array:
    """Independent normal variables (count, samples), a Latin hypercube; only to be read.

    Each variable has one sample in each of `samples` equal shares of its distribution (McKay, Beckman and Conover,
    Technometrics 21, 1979, 239–245, from memory); what correlation is left by chance is taken out, so that a
    variance is the sum of its parts. A chance scatters as with a scrambled Sobol sequence (0.1 % over seeds), whose
    library takes half a second to load.
    """
    from scipy.special import ndtri

    rng = np.random.default_rng(seed)
    shares = rng.permuted(np.tile(np.arange(samples), (count, 1)), axis=1)
    z = ndtri((shares + rng.random((count, samples))) / samples)
    z -= z.mean(axis=1, keepdims=True)
    found = np.linalg.solve(np.linalg.cholesky(z @ z.T / samples), z)
    found.flags.writeable = False
    return found


def polynomials(z: Array, answers: Array) -> list[Polynomial]:
    """Of each answer (answers, samples) the polynomial that does best on samples left out one by one."""
    best: list[Polynomial | None] = [None] * len(answers)
    for degree, pairs in FORMS:
        X = _terms(z, degree, pairs)
        if X.shape[1] > max(MOST_TERMS * X.shape[0], 1 + len(z)):
            continue
        Q, R = np.linalg.qr(X)
        coefficients = np.linalg.lstsq(R, Q.T @ answers.T, rcond=None)[0].T
        leverage = np.minimum((Q**2).sum(axis=1), 1 - 1e-9)
        residuals = (answers - coefficients @ X.T) / (1 - leverage)
        for k, (c, r) in enumerate(zip(coefficients, residuals)):
            before = best[k]
            if before is None or r @ r < before.residual @ before.residual:
                best[k] = Polynomial(degree, pairs, c, r)
    return [p for p in best if p is not None]


def many(
    z: Array,
    answers: Mapping[str, Array],
    seed: int,
    samples: int = MANY,
    least: float = EXPLAINED,
) -> dict[str, Array]:
    """Many samples (samples,) of each answer, from few (variables, few); those of one sample belong together.

    least: share of the variance that a polynomial explains, or it is not used.
    """
    apart = np.random.default_rng(seed).integers(z.shape[1], size=samples)
    some = polynomials(z, np.array(list(answers.values())))
    trusted = [
        np.isneginf(least) or np.mean(p.residual**2) <= (1 - least) * np.var(y)
        for y, p in zip(answers.values(), some)
    ]
    found = {name: y[apart] for name, y in answers.items()}
    good = [k for k, well in enumerate(trusted) if well]
    names, there = list(answers), normal(len(z), samples, seed)
    for k, values in zip(good, read([some[k] for k in good], there)):
        found[names[k]] = values + some[k].residual[apart]
    return found


def shares_of(z: Array, y: Array, groups: Sequence[int] | None = None) -> Array:
    """Share of the variance of y (samples,) that each variable of z (variables, samples) makes alone.

    groups: the number of each variable's group, from zero; then the share is that of each group with all that its
    variables make together. What is left of 1, groups make together, or the polynomial misses.
    """
    owner = np.arange(len(z)) if groups is None else np.asarray(groups, int)
    count, variance = int(owner.max()) + 1, float(np.var(y))
    if variance <= 0:
        return np.zeros(count)
    (p,) = polynomials(z, y[None])
    variance = max(variance, float((p.coefficients[1:] ** 2).sum()))  # few samples vary less by chance
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
