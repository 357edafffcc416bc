"""A smooth curve through points that rises and falls only where they do: cubics with limited slopes.

Fritsch & Butland 1984 (SIAM J. Sci. Stat. Comput. 5, 300–304, from memory): inner slopes are weighted harmonic
means of those of the two pieces, nothing where these differ in sign; those at the ends follow from three points.
scipy's PchipInterpolator is the same (tested); to load it takes a quarter of a second, as long as a prediction.
"""

from __future__ import annotations

import numpy as np

from coolsim.support.fields import Array


def monotone(x: Array, y: Array, at: Array) -> Array:
    """The curve through (x, y), x rising, at places within; a straight line through two points."""
    return along(x, y, slopes_at(x, y), at)


def slopes_at(x: Array, y: Array) -> Array:
    """Slopes of the curve at its points, for `along`: where one curve is read many times."""
    h = np.diff(x)
    d = np.diff(y) / h
    if len(d) == 1:
        return np.repeat(d, 2)
    w_1, w_2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    same = d[:-1] * d[1:] > 0
    before, after = (np.where(same, part, 1.0) for part in (d[:-1], d[1:]))
    inner = np.where(same, (w_1 + w_2) / (w_1 / before + w_2 / after), 0.0)
    ends = _end(h[0], h[1], d[0], d[1]), _end(h[-1], h[-2], d[-1], d[-2])
    return np.concatenate([[ends[0]], inner, [ends[1]]])


def along(x: Array, y: Array, slopes: Array, at: Array) -> Array:
    """The cubics through (x, y) with slopes there, at places within."""
    h = np.diff(x)
    k = np.clip(np.searchsorted(x, at, "right") - 1, 0, len(h) - 1)
    t = (at - x[k]) / h[k]
    rise = y[k] * (1 + 2 * t) * (1 - t) ** 2 + y[k + 1] * t**2 * (3 - 2 * t)
    return rise + h[k] * (slopes[k] * t * (1 - t) ** 2 + slopes[k + 1] * t**2 * (t - 1))


def _end(h_0: float, h_1: float, d_0: float, d_1: float) -> float:
    """The slope at an end, of its piece and the next."""
    slope = ((2 * h_0 + h_1) * d_0 - h_0 * d_1) / (h_0 + h_1)
    if slope * d_0 <= 0:
        return 0.0
    return 3 * d_0 if d_0 * d_1 <= 0 and abs(slope) > abs(3 * d_0) else slope
