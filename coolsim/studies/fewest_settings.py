"""As few different settings as serve everywhere: whoever follows them changes something only where it pays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.support.fields import Array

AS_CHEAP = 0.01  # share of the cost for which nothing is set otherwise
LEAST_COST = 1e-9


def as_cheap(cost: Any, own: Any) -> Any:
    """Whether a cost is so little above that of a place's own settings that it takes others."""
    return cost <= (1 + AS_CHEAP) * own + LEAST_COST


def fewest(serves: NDArray[np.bool_], sizes: Array) -> NDArray[np.intp]:
    """Which settings each place takes, given which serve it (settings, places), and how large places are.

    Those that serve most places come first, of as many those of the largest. Every place is served by some.
    """
    found = np.full(serves.shape[1], -1)
    left = np.ones(serves.shape[1], bool)
    while left.any():
        best = int(np.lexsort((serves[:, left] @ sizes[left], serves[:, left].sum(axis=1)))[-1])
        found[serves[best] & left] = best
        left &= ~serves[best]
    return found
