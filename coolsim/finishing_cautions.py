"""What to look at around a machine: in what is conditioned before it, coated and bagged after it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.both_units import temperature
from coolsim.case import Case
from coolsim.physics.bag import MIGRATION, MOULDS_POSSIBLE
from coolsim.physics.coating import MOST_OIL, MOST_OIL_EXPANDED, moisture_before
from coolsim.result import Result, Warning

SWEATS = "bags may sweat"  # how that caution begins
COOL_STEAM = (
    50.0  # °C of conditioned mash; below it nobody uses steam: 60–90 °C is common practice, no source
)
LIGHT = 500.0  # kg/m³ bulk below which pellets count as expanded; judged: floating 320–480, pressed 550–700


def around_the_machine(case: Case, result: Result) -> Iterator[Warning]:
    """Warnings of one case."""
    hot = case.conditioning.temperature
    if case.arrival is not None and hot is not None and hot < COOL_STEAM:
        yield Warning(
            "check",
            f"steam takes the mash to {temperature(hot)} only; 60 to 90 °C (140 to 194 °F) are common practice (no "
            "source). Was conditioning.temperature meant in another unit? Without steam leave it out.",
        )
    if result.coated is not None:
        yield from _coated(case, result)
    if result.bag is not None:
        yield from _bagged(result)


def _coated(case: Case, result: Result) -> Iterator[Warning]:
    told = result.coated
    assert told is not None
    oil, most = case.coating.coat.oil, _takes_up(case)
    if oil > most:
        yield Warning(
            "check",
            f"{100 * oil:.3g} % of oil is more than pellets of this density usually take up ({100 * most:.0f} %, "
            "judged): it may run off. Try it, or draw it in by vacuum.",
        )
    bears = case.coating.maximum_temperature
    hottest = max(float(result.after_equalising.temperature), float(told.temperature))
    if bears is not None and hottest > bears:
        yield Warning(
            "check",
            f"the coat meets pellets of {temperature(hottest, 1)}; its heat-sensitive additives bear "
            f"{temperature(bears, 1)}. Cool further first.",
        )
    wish = case.target.moisture
    if wish is not None:
        here = 100 * float(moisture_before(case.coating.coat, wish))
        text = (
            f"the target of {100 * wish:.4g} % is of the coated pellets: {here:.4g} % before they are coated."
        )
        yield Warning("note", text)
    coated, before = 100 * float(told.moisture_wb), 100 * float(told.moisture_before_wb)
    yield Warning(
        "note",
        f"{coated:.2f} % of moisture once coated is {before:.2f} % before it, at a water activity of "
        f"{float(told.water_activity):.2f}: oil hides moisture from the laboratory, not from moulds.",
    )


def _takes_up(case: Case) -> float:
    """Most oil that pellets take up: light ones have pores; judged."""
    return MOST_OIL_EXPANDED if case.feed.bulk_density < LIGHT else MOST_OIL


def _bagged(result: Result) -> Iterator[Warning]:
    bag = result.bag
    assert bag is not None
    if bool(bag.sweats):
        warmest = float(bag.warmest_pellet)
        cool = "" if np.isnan(warmest) else f" Bag at no more than {temperature(warmest, 1)}, or dry further."
        point, film = temperature(float(bag.dew_point), 1), temperature(float(bag.coldest_film), 1)
        grams, more = 1e3 * float(bag.condensate), 1e3 * MIGRATION
        yield Warning(
            "check",
            f"{SWEATS}: the gas in them has a dew point of {point}, the film gets as cold as {film}. The gas "
            f"alone holds {grams:.1f} g too much a bag; moisture that migrates may bring some {more:.0f} g to "
            f"each m² of film.{cool}",
        )
    activity = float(bag.water_activity_in_store)
    if activity > MOULDS_POSSIBLE >= float(result.in_store.water_activity):  # else it has been said
        yield Warning(
            "check",
            f"water activity {activity:.2f} in store (limit {MOULDS_POSSIBLE:.2f}): moulds are possible. "
            "Dry further.",
        )
