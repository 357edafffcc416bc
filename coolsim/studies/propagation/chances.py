"""Which samples keep what must be kept, and how likely that is."""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from coolsim.simulate.requirements import Constraint
from coolsim.studies.propagation.samples import Sampled
from coolsim.support.fields import Array

ROUNDED = 1e-4  # of a bound's scale: closer counts as kept
SURE = 0.995  # chance from which a limit that nobody typed is not told


def satisfied(c: Constraint, y: Array) -> NDArray[np.bool_]:
    """Which values keep a constraint; settings are searched right up to it, and what does not vary stays there."""
    return np.asarray(dataclasses.replace(c, room=0.0).violation(y) <= ROUNDED)


def wishes_kept(s: Sampled) -> dict[str, NDArray[np.bool_]]:
    """Which samples meet each wish of [target], in the words of the printed target."""
    return met_of(s, of_target=True)


def all_kept(s: Sampled) -> NDArray[np.bool_]:
    """Which samples meet every wish and keep every limit of the machine."""
    return np.asarray(np.all([satisfied(c, s.exits[c.key]) for c in s.constraints], axis=0))


def chances(s: Sampled) -> dict[str, float]:
    """The probability that each constraint is kept, by its full name."""
    return {c.full_name: float(satisfied(c, s.exits[c.key]).mean()) for c in s.constraints}


def met_of(s: Sampled, of_target: bool) -> dict[str, NDArray[np.bool_]]:
    """Moisture that is held from both sides is one wish; what nobody typed is told where it may be broken."""
    found: dict[str, NDArray[np.bool_]] = {}
    for c in s.constraints:
        met = satisfied(c, s.exits[c.key])
        if c.of_target == of_target and not (c.assumed and met.mean() > SURE):
            label = f"{c.place}: {c.quantity.label}" if c.place else c.quantity.label
            found[label] = met & found[label] if label in found else met
    return found
