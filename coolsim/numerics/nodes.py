"""Chebyshev polynomials through values at their nodes."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.support.fields import Array


def through_nodes(table: Array, axes: Iterable[int]) -> Array:
    """Coefficients in place of values at the nodes `chebpts1` along some axes of a table."""
    for axis in axes:
        n = table.shape[axis]
        inverse = np.linalg.inv(chebyshev.chebvander(chebyshev.chebpts1(n), n - 1))
        table = np.moveaxis(np.tensordot(inverse, table, axes=(1, axis)), 0, axis)
    return table
