"""How outcomes move, anywhere on a map, with what is known only to some ±: for the chance that all is kept.

Pairs of states, one as it is known and one with everything varied together, are predicted roughly all over the map.
What differs is fitted: straight in each normal variable, with a slope that changes over the map, and bent by their
products. Samples of the variables then give the chance at any place without another prediction.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.studies.propagation import (
    SEED,
    Unknown,
    correlate,
    correlation_of,
    needed_unknowns,
    unknowns_of,
    varied,
)
from coolsim.studies.surrogate import normal
from coolsim.support.fields import Array, numbers

SAMPLES = 512  # read for a chance: right to about two points of a hundred
HELD_OUT = 5  # one in so many states says how far off it is
CLIPPED = 2.6  # standard deviations: samples to fit to lie no further out


@dataclass(frozen=True)
class Spread:
    """What everything unknown adds to the rows of a map, in the form in which they are fitted."""

    names: tuple[str, ...]  # of what is not known
    slopes: Array  # (rows, unknowns, 1 + axes): of each variable, and how that changes along the map
    bends: Array  # (rows, pairs of unknowns, each with itself as well)
    samples: Array  # of the variables (unknowns, samples)
    off: Array  # (rows,): by how much it errs in the mean of states held out, and two standard errors of that

    def added(self, t: Array) -> Array:
        """What samples add to the rows at a place t (axes,) from −1 to 1: (rows, samples)."""
        here = self.slopes @ np.concatenate([[1.0], t])
        return np.asarray(here @ self.samples + self.bends @ _pairs(self.samples))


def has_unknowns(case: Case) -> bool:
    """Whether anything of a case is known only to some ±."""
    return bool(unknowns_of(case))


def drawn(case: Case, count: int) -> tuple[list[Unknown], Array, Array]:
    """What is not known, samples of it to fit to, and the correlation of the variables behind it."""
    unknowns = needed_unknowns(case)
    z = np.clip(normal(len(unknowns), 1 << (count - 1).bit_length(), SEED + 1)[:, :count], -CLIPPED, CLIPPED)
    return unknowns, z, correlation_of(case, unknowns)


def unlike(cases: Sequence[Case], unknowns: list[Unknown], z: Array, R: Array) -> list[Case]:
    """Each case with what is not known varied by its sample."""
    found = []
    for case, one in zip(cases, correlate(R, z).T):
        known = numbers(case)
        some = [
            (u, v) for u, v in zip(unknowns, one) if all(path in known for path in u.changes(np.zeros(1)))
        ]
        found += varied(case, [u for u, _ in some], np.array([[v] for _, v in some]))
    return found


def spread_of(
    unknowns: list[Unknown], z: Array, t: Array, known: Array, other: Array, plainly: Callable[[Array], Array]
) -> Spread:
    """From rows (rows, N) at places t (axes, N) of the map as it is known, and with samples z (unknowns, N) of it.

    plainly: rows as they were before they were made smooth.
    """
    good = np.isfinite(other - known).all(axis=0)
    z, t, added = z[:, good], t[:, good], (other - known)[:, good]
    K, places = len(z), np.concatenate([np.ones((1, t.shape[1])), t])
    slopes = (z[:, None] * places[None]).reshape(-1, z.shape[1])
    design = np.concatenate([slopes, _pairs(z)]).T
    found, held = _fitted(design, added), np.arange(len(design)) % HELD_OUT == 0
    without = known.copy()
    without[:, good] += _fitted(design[~held], added[:, ~held]) @ design.T
    missed = (plainly(without) - plainly(other))[:, np.flatnonzero(good)[held]]
    return Spread(
        names=tuple(u.name for u in unknowns),
        slopes=found[:, : len(slopes)].reshape(len(added), K, -1),
        bends=found[:, len(slopes) :],
        samples=normal(K, SAMPLES, SEED),
        off=np.abs(missed.mean(axis=1)) + 2 * missed.std(axis=1) / np.sqrt(missed.shape[1]),
    )


def _fitted(design: Array, added: Array) -> Array:
    """Coefficients (rows, terms) of what was added to rows (rows, N)."""
    size = np.maximum(np.abs(added).max(axis=1, keepdims=True), 1e-12)
    # a little of each coefficient's square: terms that samples cannot tell apart stay small
    gram = design.T @ design + 1e-3 * len(design) * np.eye(design.shape[1]) * 1e-2
    return np.asarray(np.linalg.solve(gram, design.T @ (added / size).T).T * size)


def _pairs(z: Array) -> Array:
    """Products of two variables, each with itself as well, less their means."""
    i, j = np.tril_indices(len(z))
    return np.asarray(z[i] * z[j])
