"""Which hours are given up where no settings are right in all hours of a band of weather.

Hours in which a limit of the machine is broken are least first: they are dangers. Then hours too wet, which mould,
then hours too warm, which sweat in the bag; of as many, those that miss by least. Hours that miss another wish, as
those too dry, come after: they cost money, so of about as few of them the cheapest settings are best.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from coolsim.simulate.requirements import FEASIBLE, Constraint, harm_of
from coolsim.support.fields import Array

FEED_BELOW, FEED_ABOVE = 0.03, 0.02  # kg/kg wet, how far the feed's moisture is tried around what it is
TENTH = 0.001  # kg/kg wet: to that a feed is asked for
MACHINE, WET, WARM, OTHER = range(4)
MARGIN = 0.02  # in the scale of limits: 0.02 point of moisture, 0.1 K; what a map may be off
NEARLY = 0.005  # in the scale of limits: misses closer to each other are the same
TWENTIETHS = 20  # hours that miss other wishes are told apart to that: fewer are not bought at any price


def rank_of(c: Constraint) -> int:
    """Which of the four a broken constraint is, the gravest first."""
    if not c.of_target:
        return MACHINE
    return {"too_wet": WET, "too_warm": WARM}.get(harm_of(c), OTHER)


def grave(constraints: Sequence[Constraint]) -> Any:
    """Which constraints are kept before money is looked at."""
    return np.array([rank_of(c) != OTHER for c in constraints], bool)


def given_up(
    constraints: Sequence[Constraint], violations: Array, weights: Array, margin: float = 0.0
) -> list[Array]:
    """What is given up in hours of some weights, the gravest first: of violations (constraints, hours, …) rows (…).

    margin: kept free before every bound, in its scale.
    """
    ranks, share, found = np.array([rank_of(c) for c in constraints]), weights / weights.sum(), []
    for rank in (MACHINE, WET, WARM):
        over = violations[ranks == rank].max(axis=0, initial=-np.inf) + margin
        found.append(np.asarray(np.tensordot(weights, over > FEASIBLE, 1)))
        found.append(np.asarray(np.rint(np.tensordot(share, np.maximum(over, 0.0), 1) / NEARLY)))
    over = violations[ranks == OTHER].max(axis=0, initial=-np.inf) + margin
    found.append(np.asarray(np.rint(TWENTIETHS * np.tensordot(share, over > FEASIBLE, 1))))
    return found
