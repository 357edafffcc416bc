"""Outcomes of coolers as rows of smooth numbers, for polynomials to go through."""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.machines.plant import Outcome
from coolsim.support.fields import Array

_SPANNING = ("pressure_drop", "lift_off")  # decades
_LOGS = np.array([f.name in _SPANNING for f in dataclasses.fields(Outcome)])


def combined(axes: list[Array]) -> Array:
    """All combinations of values along axes: (N, axes), the last axis running fastest."""
    return np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)


def pack(outcome: Outcome) -> Array:
    """Outcomes as rows of smooth numbers (outcomes, …)."""
    rows = np.array([getattr(outcome, f.name) for f in dataclasses.fields(Outcome)])
    rows[_LOGS] = np.log(rows[_LOGS])
    return rows


def unpack(rows: Array) -> Outcome:
    """The way back, of rows (outcomes, …)."""
    plain = np.array(rows, float)
    plain[_LOGS] = np.exp(plain[_LOGS])
    return Outcome(*plain)
