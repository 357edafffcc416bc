"""One bracketed root finder for whole arrays, for the few inversions that have no closed form."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from coolsim.support.fields import Array

MAXIMUM_STEPS = 120  # plain bisection would need about 50; the interpolation needs about 8


def bracketed_root(function: Callable[[Array], Any], low: Any, high: Any, tolerance: float = 1e-10) -> Array:
    """Root of a function of an array, element by element, between `low` and `high`.

    Elements whose ends have the same sign come back as nan. `tolerance` is absolute.
    Source: T. R. Chandrupatla, Adv. Eng. Software 28 (1997) 145: bisection, or inverse quadratic
    interpolation where three points promise that it is safe.

    >>> bracketed_root(lambda x: x**2 - np.array([4.0, 9.0]), 0.0, 10.0).round(6)
    array([2., 3.])
    """
    shape = np.shape(function(low + 0.0 * np.asarray(high)))
    newest, other = np.broadcast_to(high, shape).astype(float), np.broadcast_to(low, shape).astype(float)
    f_newest, f_other = np.asarray(function(newest), float), np.asarray(function(other), float)
    bracketed = np.sign(f_newest) * np.sign(f_other) <= 0
    share = np.full(shape, 0.5)
    for _ in range(MAXIMUM_STEPS):
        trial = newest + share * (other - newest)
        f_trial = np.asarray(function(trial), float)
        same = np.sign(f_trial) == np.sign(f_newest)
        previous, f_previous = np.where(same, newest, other), np.where(same, f_newest, f_other)
        other, f_other = np.where(same, other, newest), np.where(same, f_other, f_newest)
        newest, f_newest = trial, f_trial
        width = np.abs(other - newest)
        if np.all((width <= 2 * tolerance) | (f_newest == 0) | ~bracketed):
            break
        share = _next_share(newest, other, previous, f_newest, f_other, f_previous)
        smallest = np.minimum(tolerance / np.maximum(width, tolerance), 0.5)
        share = np.clip(share, smallest, 1 - smallest)
    best = np.where(np.abs(f_newest) < np.abs(f_other), newest, other)
    return np.where(bracketed, best, np.nan)


def _next_share(a: Array, b: Array, c: Array, f_a: Array, f_b: Array, f_c: Array) -> Array:
    """Where to look next, as a share of the way from a to b (Chandrupatla's test, then his formula)."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        xi, phi = (a - b) / (c - b), (f_a - f_b) / (f_c - f_b)
        share = f_a / (f_b - f_a) * f_c / (f_b - f_c) + (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (
            f_c - f_b
        )
        safe = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi) & np.isfinite(share)
    return np.where(safe, share, 0.5)
