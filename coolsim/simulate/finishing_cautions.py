"""What to look at around a machine: in what is conditioned before it, coated and bagged after it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result, Warning
from coolsim.physics.bag import MIGRATION, MOULDS_ACTIVE, MOULDS_POSSIBLE
from coolsim.physics.coating import MOST_OIL, MOST_OIL_EXPANDED
from coolsim.physics.sorption import EQUATIONS
from coolsim.simulate.finishing import before_coating, once_coated
from coolsim.support.dual_units import difference, temperature

SWEATS = "bags may sweat"  # how that caution begins
MOULDY = "moulds are active. Do not bag; dry further."  # how the caution against moulds ends
CLOSE_TO_MOULDS = 0.65  # water activity in store; common practice keeps below it, no source
FAR_POINTS, FAR_KELVIN = (
    0.02,
    15.0,
)  # kg/kg wet and K, typed less computed; judged: steam and way leave half open
FAR_BELOW = (
    20.0  # K below the temperatures of an isotherm's fit; judged: there water activities come out too low
)
COOL_STEAM, USUAL_MASH = 50.0, (60.0, 90.0)  # °C of conditioned mash; common practice, no source
LIGHT = 500.0  # kg/m³ bulk below which pellets count as expanded; judged: floating 320–480, pressed 550–700


def activity_in_store(case: Case, result: Result) -> float:
    """Water activity in store by which pellets are judged, of coated pellets once they are coated."""
    store = result.in_store
    return float(once_coated(case, store.water_activity, store.temperature))


def beyond(activity: float, limit: float) -> str:
    """A water activity with as many digits as tell it from its limit.

    >>> beyond(0.734, 0.7), beyond(0.704, 0.7)
    ('0.73', '0.704')
    """
    return next(
        (text for n in (2, 3, 4) if (text := f"{activity:.{n}f}") != f"{limit:.{n}f}"), f"{activity:.5f}"
    )


def around_the_machine(case: Case, result: Result) -> Iterator[Warning]:
    """Warnings of one case."""
    hot = case.conditioning.temperature
    if case.arrival is not None and hot is not None and hot < COOL_STEAM:
        yield Warning(
            "check",
            f"steam takes the mash to {temperature(hot)} only; {temperature.between(*USUAL_MASH)} are common "
            "practice (no source). Was conditioning.temperature meant in another unit? Without steam leave it out.",
        )
    if case.arrival is not None and case.recipe.ingredient and case.recipe.temperature is None:
        words = "the mash is taken to be as warm as the air outside, and not frozen."
        yield Warning("note", f"recipe.temperature is not given: {words}")
    yield from _far_from_its_recipe(case)
    if result.coated is not None:
        yield from _coated(case, result)
    if result.bag is not None:
        yield from _bagged(case, result)


def _far_from_its_recipe(case: Case) -> Iterator[Warning]:
    """What was typed of the feed and cannot be of this recipe: one of the two is wrong."""
    known = case.arrival
    if known is None or not case.recipe.ingredient:
        return
    M = float(known.moisture_offset or known.die_moisture_offset)
    T = float(known.temperature_offset or known.die_temperature_offset)
    typed_M = case.feed.moisture if known.typed_moisture is None else known.typed_moisture
    typed_T = case.feed.temperature if known.typed_temperature is None else known.typed_temperature
    each = (
        ("moisture", f"{100 * typed_M:.1f} %", M, f"{100 * abs(M):.1f} points", FAR_POINTS),
        ("temperature", temperature(typed_T), T, difference(abs(T)), FAR_KELVIN),
    )
    for name, typed, off, gap, far in each:
        if abs(off) > far:
            side = "above" if off > 0 else "below"
            yield Warning(
                "check",
                f"the feed's {name} as typed, {typed}, is {gap} {side} what recipe, conditioning, die and way make "
                "it. Measure it again, and where feed.sampled_at says; else what is before it is not as typed.",
            )


def _coated(case: Case, result: Result) -> Iterator[Warning]:
    coated = result.coated
    assert coated is not None
    oil, most = case.coating.coat.oil, _takes_up(case)
    if oil > most:
        yield Warning(
            "check",
            f"{100 * oil:.3g} % of oil is more than pellets of this density usually take up ({100 * most:.0f} %, "
            "judged): it may run off. Try it, or draw it in by vacuum.",
        )
    bears = case.coating.maximum_temperature
    hottest = max(float(result.after_equalising.temperature), float(coated.temperature))
    if bears is not None and hottest > bears:
        yield Warning(
            "check",
            f"the coat meets pellets of {temperature(hottest, 1)}; its heat-sensitive additives bear "
            f"{temperature(bears, 1)}. Cool further first.",
        )
    yield from _of_wishes(case)
    after, before = 100 * float(coated.moisture_wb), 100 * float(coated.moisture_before_wb)
    yield Warning(
        "note",
        f"{after:.2f} % of moisture once coated is {before:.2f} % before it, at a water activity of "
        f"{float(coated.water_activity):.2f}: oil hides moisture from the laboratory, not from moulds.",
    )


def _of_wishes(case: Case) -> Iterator[Warning]:
    """Wishes of coated pellets with what they are before: verdicts are on what leaves the machine."""
    turned, target, more = before_coating(case), case.target, []

    def before(name: str, wish: float) -> float:
        return float(turned(name, wish))

    activity, warm = target.maximum_water_activity, target.maximum_above_ambient
    if case.coating.coat.water and target:
        activity = MOULDS_ACTIVE if activity is None else activity
        more.append(
            f"a water activity of {activity:.2f} in store is {before('water_activity', activity):.3f} before"
        )
    if warm is not None:
        here = before("above_ambient", warm)
        more.append(f"{difference(warm, 1)} above the air outside is {difference(here, 1)} before")
    if target.moisture is not None:
        here = 100 * before("moisture", target.moisture)
        text = (
            f"the target of {100 * target.moisture:.4g} % is of the coated pellets: {here:.4g} % before they "
            "are coated."
        )
        yield Warning("note", text + (f" Likewise {', '.join(more)}." if more else ""))
    elif more:
        yield Warning("note", f"wishes are of the coated pellets: {', '.join(more)}.")


def _takes_up(case: Case) -> float:
    """Most oil that pellets take up: light ones have pores; judged."""
    return MOST_OIL_EXPANDED if case.feed.bulk_density < LIGHT else MOST_OIL


def _bagged(case: Case, result: Result) -> Iterator[Warning]:
    bag = result.bag
    assert bag is not None
    if bool(bag.sweats):
        gap = float(bag.dew_point) - float(bag.coldest_film)
        digits = 1 if gap >= 0.1 else 3
        point, film = (temperature(float(x), digits) for x in (bag.dew_point, bag.coldest_film))
        grams, more = 1e3 * float(bag.condensate), 1e3 * MIGRATION
        yield Warning(
            "check",
            f"{SWEATS}: the gas in them has a dew point of {point}, the film gets as cold as {film}. The gas "
            f"alone holds {grams:.1f} g too much a bag; moisture that migrates may bring some {more:.0f} g to "
            f"each m² of film. {_against_sweating(case, float(bag.warmest_pellet), point)}",
        )
    activity, judged = float(bag.water_activity_in_store), activity_in_store(case, result)
    if activity > MOULDS_ACTIVE >= judged:
        told = beyond(activity, MOULDS_ACTIVE)
        text = f"water activity {told} in the store of [bag] (limit {MOULDS_ACTIVE:.2f}): {MOULDY}"
        yield Warning("check", text)
    elif activity > MOULDS_POSSIBLE and judged <= CLOSE_TO_MOULDS:  # else it has been said
        yield Warning(
            "check",
            f"water activity {activity:.2f} in store: below {MOULDS_ACTIVE:.2f}, from where moulds are active, but "
            f"a few grow from {MOULDS_POSSIBLE:.2f} on. Dry further, or sell soon.",
        )
    yield from _extrapolated(case, result)


def _against_sweating(case: Case, warmest: float, point: str) -> str:
    """What to do; the air outside cools nothing below itself."""
    if warmest >= float(case.air.temperature):
        cool = f"Bag at no more than {temperature(warmest, 1)}"
        return f"{cool}, dry further, or keep the store above {point} for two days."
    cold = "" if np.isnan(warmest) else f" They would have to be bagged at {temperature(warmest, 1)}."
    return (
        f"Keep the store above {point} for two days, or dry further: air outside cools them too little.{cold}"
    )


def _extrapolated(case: Case, result: Result) -> Iterator[Warning]:
    """A store or a film so cold that the isotherm is far from what it was fitted to."""
    bag, fit = result.bag, EQUATIONS[case.material.isotherm.equation]
    assert bag is not None
    stated = case.bag.store_temperature
    store = float(result.in_store.temperature if stated is None else stated)
    least = max(fit.fitted_temperature[0] - FAR_BELOW, 0.0)
    each = ((store, "water activity in store"), (float(bag.warmest_pellet), "warmest to bag at"))
    rough = [f"{words}, at {temperature(T)}" for T, words in each if least > T]
    if rough:
        yield Warning(
            "note",
            f"{' and '.join(rough)}: far below the temperatures of the isotherm, which is {fit.range_text}. Water "
            "activities come out too low there: pellets keep worse, and must be cooler, than this says.",
        )
