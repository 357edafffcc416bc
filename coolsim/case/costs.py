"""What running costs: electricity, heat and weight given away, each priced here and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case, Costs
from coolsim.physics.coating import moisture_before
from coolsim.support.display import Displayed
from coolsim.support.fields import Number, documented

HOUR, TONNE = 3600.0, 1000.0  # s, kg
KILOWATT_HOUR = 3.6e6  # J
# Where nothing has a price, energy stands for money: one per kWh.
ENERGY_ALONE = Costs(electricity=1 / KILOWATT_HOUR, heat=1 / KILOWATT_HOUR)


@dataclass(frozen=True, repr=False)
class Cost(Displayed):
    """Cost per hour, and per tonne of wet feed; in the scenario's currency."""

    electricity: Any = documented("1/h", "fan")
    heat: Any = documented("1/h", "heating the inlet air")
    overdried_feed: Any = documented("1/h", "weight given away by drying below the target moisture")
    total: Any = documented("1/h", "all of these")
    per_tonne: Any = documented("1/t", "all of these, per tonne of wet feed")


def weight_given_away(solid: Number, moisture: Number, target: Number) -> Any:
    """Saleable weight [kg/s] lost by drying below the target, of dry solid [kg/s]; below zero where it is wetter.

    >>> round(weight_given_away(0.88, 0.10, 0.12), 6)  # by hand: 0.88/0.88 − 0.88/0.90
    0.022222
    """
    return solid / (1 - target) - solid / (1 - moisture)


def given_away(case: Case, solid: Number, moisture: Number) -> Any:
    """Saleable weight [kg/s] that a case gives away by drying dry solid [kg/s] to a moisture; 0 without a target.

    The target is of the coated pellets where a coating is given, and what is sold weighs more by it.
    """
    if case.target.moisture is None:
        return 0.0
    coat = case.coating.coat
    return weight_given_away(solid, moisture, moisture_before(coat, case.target.moisture)) * coat.grown


def cost_of(prices: Costs, feed: Number, *, electricity: Number, heat: Number, given_away: Number) -> Cost:
    """Cost of a wet feed [kg/s] that takes electricity [W] and heat [W], and gives weight away [kg/s].

    What has no price costs nothing. Weight above the target moisture is nothing gained.
    """
    bill = [
        np.asarray(HOUR * amount * (price or 0.0))
        for amount, price in (
            (electricity, prices.electricity),
            (heat, prices.heat),
            (np.maximum(given_away, 0.0), prices.feed),
        )
    ]
    power, warmth, lost = (x[()] for x in np.broadcast_arrays(*bill))
    total = power + warmth + lost
    return Cost(power, warmth, lost, total, total * TONNE / (HOUR * feed))


@dataclass(frozen=True, repr=False)
class ShiftCost(Displayed):
    """Cost of a shift, in the scenario's currency."""

    electricity: float = documented("1", "all machines and fans")
    heat: float = documented("1", "of the air, and of the steam")
    overdried_feed: float = documented("1", "weight given away by drying below the target moisture")
    ingredients: float = documented("1", "of the mash, as far as they have a price")
    total: float = documented("1", "all of these")
    per_tonne: float | None = documented("1/t", "per tonne bagged; None where nothing is")
    per_bag: float | None = documented("1", "per bag, where [bag] says its mass")
    per_batch: float | None = documented("1", "per batch, where something works in batches")


def cost_of_shift(
    running: Cost, seconds: float, ingredients: float, bagged: float, bag: float | None, batches: float
) -> ShiftCost:
    """What a shift of `seconds` costs at a running cost [1/h], with ingredients, for `bagged` [kg] of feed."""
    each = (running.electricity, running.heat, running.overdried_feed)
    electricity, heat, overdried = (float(x) * seconds / HOUR for x in each)
    total = electricity + heat + overdried + ingredients
    per = total / bagged if bagged > 0 else None
    return ShiftCost(
        electricity,
        heat,
        overdried,
        ingredients,
        total,
        None if per is None else per * TONNE,
        None if per is None or bag is None else per * bag,
        total / batches if batches else None,
    )
