"""What becomes of the pellets that leave: coated, bagged and stored. Told of evened-out pellets; nothing is solved.

A case without [coating] and [bag] has neither. Of many cases every number is an array, as of the result.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.line_parts import Coating
from coolsim.case.result import Bagged, Coated, Result
from coolsim.physics import bag, coating
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.physics.coating import Coat
from coolsim.physics.sorption import equilibrium_moisture, water_activity
from coolsim.physics.store import Store
from coolsim.support.fields import Number


def finished(case: Case, result: Result) -> Result:
    """The result of a case, or of one in many states of air, with what its coating and its bag make of it."""
    if not (case.coating or case.bag):
        return result
    out, store = result.after_equalising.temperature, result.in_store.temperature
    X, T = result.pellets_out.moisture_db, out
    coated = coated_of(case, X, T, store) if case.coating else None
    warm = T if coated is None else coated.temperature
    if coated is None and case.bag.coat is not None:
        coat, material = case.bag.coat, case.material
        warm = coating.temperature_after(coat, material.isotherm, material.specific_heat, X, T)
    bagged = bagged_of(case, X, warm, store) if case.bag else None
    return dataclasses.replace(result, coated=coated, bag=bagged)


def finished_each(cases: Sequence[Case], result: Result) -> Result:
    """The same of several cases: those that share their tables and material side by side."""
    first = cases[0]
    if not any(c.coating or c.bag for c in cases):
        return result
    alike = all(
        (c.coating, c.bag, c.material.isotherm) == (first.coating, first.bag, first.material.isotherm)
        and c.material.specific_heat == first.material.specific_heat
        for c in cases
    )
    if not alike or not all(np.ndim(c.material.specific_heat) == 0 for c in cases):
        return result  # of cases of several kinds it is not told
    airs = [[getattr(c.air, f.name) for c in cases] for f in dataclasses.fields(first.air)]
    outside = dataclasses.replace(first.air, **_columns(first.air, airs))
    return finished(dataclasses.replace(first, air=outside), result)


def store_of(case: Case) -> Store:
    """The store in which a case's water activity is judged."""
    return Store(case.material.isotherm, case.target.water_activity_at)


def _columns(air: Any, columns: Sequence[Sequence[float]]) -> dict[str, Any]:
    return {f.name: np.array(c, float) for f, c in zip(dataclasses.fields(air), columns)}


def coated_of(case: Case, X: Number, T: Number, store: Number) -> Coated:
    """Pellets of X [kg/kg dry] and T [°C] once coated; their water activity at the temperature of the store."""
    coat, material, wet = case.coating.coat, case.material, X / (1 + X)
    return Coated(
        moisture_wb=coating.moisture_after(coat, wet),
        water_activity=water_activity(material.isotherm, coating.sorbing_moisture(coat, X), store),
        temperature=coating.temperature_after(coat, material.isotherm, material.specific_heat, X, T),
        moisture_before_wb=wet,
    )


def bagged_of(case: Case, X: Number, T: Number, store: Number) -> Bagged:
    """Pellets that were X [kg/kg dry] before coating, bagged at T [°C]."""
    coat, isotherm = _coat_in_bag(case), case.material.isotherm
    after, cold = coating.sorbing_moisture(coat, X), coldest_film(case)
    vapour = bag.vapour_pressure(isotherm, after, T)
    point = bag.dew_point(vapour)
    in_store_at = store if case.bag.store_temperature is None else case.bag.store_temperature
    mass = np.nan if case.bag.mass is None else case.bag.mass
    volume = bag.gas_volume(mass, case.feed.bulk_density, case.feed.void_fraction)
    return Bagged(
        dew_point=point,
        coldest_film=cold + 0.0 * point,
        warmest_pellet=bag.warmest_pellet(isotherm, after, cold),
        temperature=T,
        water_activity_in_store=bag.store_activity(isotherm, after, in_store_at),
        condensate=bag.gas_condensate(vapour, T, cold, volume),
        sweats=point > cold,
    )


def _coat_in_bag(case: Case) -> Coat:
    """What is on the pellets of a bag, be it that the target is already one of pellets without it."""
    return case.coating.coat if case.bag.coat is None else case.bag.coat


def coldest_film(case: Case) -> Number:
    """How cold [°C] the film of a bag gets in its first two days: as typed, or the air outside."""
    return case.air.temperature if case.bag.coldest_store is None else case.bag.coldest_store


def once_coated(case: Case, activity: Number, store: Number) -> Number:
    """Water activity of coated pellets that had `activity` before, both at the temperature of the store [°C]."""
    coat, isotherm = _coat_in_bag(case), case.material.isotherm
    if not coat.water:
        return activity
    before = equilibrium_moisture(isotherm, activity, store)
    return water_activity(isotherm, coating.sorbing_moisture(coat, before), store)


def headspace_dew_point(case: Case, moisture_wb: Number, temperature: Number) -> Number:
    """Dew point [°C] of a bag of pellets that leave with a moisture and temperature: what a search asks for.

    Of a case without a bag nobody asks it: the temperature stands in its row of outcomes, and costs nothing.
    """
    if not case.bag:
        return temperature
    X, coat, material = moisture_wb / (1 - moisture_wb), _coat_in_bag(case), case.material
    T = temperature
    if coat != Coat():
        T = coating.temperature_after(coat, material.isotherm, material.specific_heat, X, T)
    vapour = bag.vapour_pressure(material.isotherm, coating.sorbing_moisture(coat, X), T)
    return bag.dew_point(vapour)


def headspace_dew_points(cases: Sequence[Case], moisture_wb: Number, temperature: Number) -> Any:
    """The same of several cases that differ in the numbers of their materials, each (cases,)."""
    found = np.empty(len(cases))
    M, T = (np.broadcast_to(x, found.shape) for x in (moisture_wb, temperature))
    of = np.unique([id(c.material) for c in cases], return_inverse=True)[1]
    for k in range(of.max(initial=-1) + 1):
        at = np.flatnonzero(of == k)
        found[at] = headspace_dew_point(cases[int(at[0])], M[at], T[at])
    return found


# ---- Wishes on coated pellets, as wishes on those that leave the machine ---------------------------------


def before_coating(case: Case) -> Callable[[str, Number], Number]:
    """Turns a bound on a quantity of coated pellets into one on the pellets that leave the machine.

    Moisture and water activity exactly; above_ambient at the target's moisture, or else at the feed's.
    """
    coat, material = case.coating.coat, case.material
    target = case.target.moisture

    def turned(quantity: str, bound: Number) -> Number:
        if not case.coating:
            return bound
        if quantity == "moisture":
            return coating.moisture_before(coat, bound)
        if quantity == "water_activity":
            return _activity_before(case, coat, bound)
        if quantity == "above_ambient":
            M = case.feed.moisture if target is None else coating.moisture_before(coat, target)
            outside = case.air.temperature
            T = coating.temperature_before(
                coat, material.isotherm, material.specific_heat, M / (1 - M), outside + bound
            )
            return T - outside
        return bound

    return turned


def target_moisture(case: Case) -> Any:
    """The target's moisture as one of the pellets that leave the machine [kg/kg wet]; None where there is none."""
    target = case.target.moisture
    return None if target is None else coating.moisture_before(case.coating.coat, target)


def uncoated(case: Case) -> Case:
    """The case with its target as one of the pellets that leave the machine, and without the coat.

    What is sold weighs more once coated, so its price goes up by that. Bags are of coated pellets as before.
    """
    if not case.coating:
        return case
    turned, target, coat = before_coating(case), case.target, case.coating.coat

    def of(quantity: str, bound: Any) -> Any:
        return None if bound is None else turned(quantity, bound)

    activity = target.maximum_water_activity
    if activity is None and target and coat.water:  # kept though nobody typed it (`requirements.wishes_of`)
        activity = MOULDS_ACTIVE
    target = dataclasses.replace(
        target,
        moisture=target_moisture(case),
        tolerance=None if target.tolerance is None else target.tolerance * coat.grown,
        maximum_water_activity=of("water_activity", activity),
        maximum_above_ambient=of("above_ambient", target.maximum_above_ambient),
    )
    price = case.costs.feed
    costs = case.costs if price is None else dataclasses.replace(case.costs, feed=price * coat.grown)
    bag_ = dataclasses.replace(case.bag, coat=coat) if case.bag else case.bag
    return dataclasses.replace(case, target=target, costs=costs, coating=Coating(), bag=bag_)


def _activity_before(case: Case, coat: Coat, bound: Number) -> Number:
    """Water activity before coating of pellets that have `bound` after it, at the temperature of the store."""
    if not coat.water:
        return bound
    T = store_of(case).temperature(case.air.temperature)
    after = equilibrium_moisture(case.material.isotherm, bound, T)
    before = np.maximum(coating.sorbing_moisture_before(coat, after), 0.0)
    return water_activity(case.material.isotherm, before, T)
