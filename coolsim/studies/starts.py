"""Where searches begin: points of a grid that are apart, and where limits are crossed between neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.support.fields import Array

Index = NDArray[np.intp]
STARTS, APART = 3, 0.3  # states slid to the bottom, and how far they are apart at least, of −1 to 1


def apart(group: Index, x: Array, broken: Array, score: Array) -> Index:
    """The best points of each group that are apart from each other: no broken ones where one is not."""
    order = np.lexsort((score, broken, group))
    names, first = np.unique(group[order], return_index=True)
    whole = broken[order[first]] <= 0
    of_group = np.searchsorted(names, group[order])
    alive = (broken[order] <= 0) | ~whole[of_group]
    chosen = []
    for _ in range(STARTS):
        left = np.flatnonzero(alive)
        if not len(left):
            break
        present, first = np.unique(of_group[left], return_index=True)
        best = np.zeros(len(names), np.intp)
        best[present] = order[left[first]]
        chosen.append(best[present])
        alive[left] &= np.abs(x[order[left]] - x[best[of_group[left]]]).max(axis=1) > APART
    return np.concatenate(chosen)


def crossings(
    x: Array, rows: Array, excess: Array, shape: list[int], axis: int
) -> tuple[Array, Array, Index]:
    """Points between neighbours along an axis where a limit is crossed, by straight lines; outcomes, neighbours."""
    e = np.moveaxis(excess.reshape(len(excess), *shape), axis + 1, -1)
    flat = np.moveaxis(np.arange(len(x)).reshape(shape), axis, -1)
    a, b = e[..., :-1], e[..., 1:]
    cut = a * b < 0
    share = (a / np.where(cut, a - b, 1.0))[cut]
    places = np.nonzero(cut)[1:]
    left, right = flat[..., :-1][places], flat[..., 1:][places]
    between = x[left] + share[:, None] * (x[right] - x[left])
    return between, rows[:, left] + share * (rows[:, right] - rows[:, left]), left
