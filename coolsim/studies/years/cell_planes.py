"""Hours with other settings in each cell of a chart, from a few of them: what a map lacks there is a bent plane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.model.family import representatives
from coolsim.studies.years.response import (
    AIR,
    SEED,
    Error,
    Predictor,
    Response,
    error_of,
    smooth,
    unit,
    unsmoothed,
)
from coolsim.support.fields import Array

CORRECTING = (8, 24)  # hours predicted of each group, in rounds
OF_GROUPS = 24  # held out where hours are told group by group


def corrected(
    base: Response, x: Array, group: NDArray[np.intp], by: Predictor, apart: NDArray[np.bool_], checked: bool
) -> tuple[Array, Error | None] | None:
    """Rows of outcomes for hours whose settings differ from group to group (as from cell to cell of a chart).

    Within a group only the air differs, and little: what the base map lacks there is a bent plane. Groups too small
    for that are predicted whole. apart: hours that no plane is laid through, for `error_of_groups`.
    None where the bound is not kept there; unchecked, it is not asked.
    """
    store = by.store
    rows, order = smooth(store, base(x), x[0]), np.random.default_rng(SEED).permutation(x.shape[1])
    members = [order[group[order] == g] for g in np.unique(group)]
    for cheaply in (True, False) if by.cheap else (False,):
        for count in CORRECTING:
            chosen = [
                m if len(m) <= 2 * count else m[~apart[m]][_spread(x, m[~apart[m]], count)] for m in members
            ]
            new, found = np.concatenate(chosen), rows.copy()
            predicted = by.group_by_group(x, chosen) if cheaply else by.rows(new)
            known = np.full(rows.shape, np.nan)
            known[:, new] = smooth(store, predicted, x[0, new])
            for m, some in zip(members, chosen):
                found[:, m] += _bent_plane(x[: len(AIR)], m, some, (known - rows)[:, some])
            found[:, new] = known[:, new]
            found = unsmoothed(store, found, x[0])
            if not checked:
                return found, None
            error = error_of_groups(found, group, by, apart)
            if error is None:
                return None  # so few hours are as soon predicted one by one
            if error.within(by.bound):
                return found, error
    return None


def error_of_groups(
    found: Array, group: NDArray[np.intp], by: Predictor, apart: NDArray[np.bool_]
) -> Error | None:
    """Largest error in hours of large groups that no plane was laid through; None where those are too few."""
    large = np.bincount(group)[group] > 2 * CORRECTING[-1]
    held = np.random.default_rng(SEED).permutation(np.flatnonzero(apart & large))[:OF_GROUPS]
    return None if len(held) < OF_GROUPS // 2 else error_of(found[:, held], by.rows(held))


def _spread(x: Array, some: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    return representatives(unit(x[: len(AIR), some]), count)


def _bent_plane(x: Array, at: NDArray[np.intp], some: NDArray[np.intp], rest: Array) -> Array:
    """A plane, with squares and product of the first two coordinates, through `rest` at some points, at others."""
    good = np.isfinite(rest).all(axis=0)
    low, size = x[:, at].min(axis=1, keepdims=True), np.maximum(np.ptp(x[:, at], axis=1, keepdims=True), 1e-9)

    def terms(which: NDArray[np.intp]) -> Array:
        t = 2 * (x[:, which] - low) / size - 1
        return np.stack([np.ones(len(which)), *t, t[0] ** 2, t[1] ** 2, t[0] * t[1]], axis=1)

    through = np.linalg.lstsq(terms(some[good]), rest[:, good].T, rcond=1e-8)[0]
    return np.asarray((terms(at) @ through).T)
