"""Which floor to take: the smallest that runs nearly as cheaply as the cheapest.

Running counts as the mean over products and weathers, each alike: the cost per tonne, or the energy [kWh/t] where
nothing has a price. Taken is the smallest floor whose running is no more than `sizing.above_least` above the
least, or no more than the price of 0.25 kWh/t: where little is left to save, floor that saves a large part of it is
still not worth its steel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import ENERGY_ALONE, KILOWATT_HOUR
from coolsim.support.fields import Array

NO_REASON = 0.25  # kWh/t that are never a reason for more floor; judgement: a quarter of a usual cooler's fan


@dataclass(frozen=True)
class Enough:
    """The first of some floors, from small to large, that runs cheaply enough."""

    first: int
    share: float  # of the way from the floor before it (in logarithms of running) at which that is so
    most: float  # that running may cost, per tonne


def price_of_energy(case: Case) -> float:
    """What a kWh of electricity costs (1, where nothing has a price)."""
    return float(KILOWATT_HOUR * (case.costs or ENERGY_ALONE).electricity)


def enough(case: Case, running: Array) -> Enough:
    """Of floors that run at so much per tonne (floors,) the first that is cheap enough."""
    least = float(running.min())
    most = least + max((case.sizing.above_least or 0.0) * least, NO_REASON * price_of_energy(case))
    k = int(np.argmax(running <= most))
    share = float(np.log(running[k - 1] / most) / np.log(running[k - 1] / running[k])) if k else 1.0
    return Enough(k, share, most)
