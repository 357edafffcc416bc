"""What is printed and written of coated and bagged pellets."""

from __future__ import annotations

import math

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.output.page import Page, joined, table
from coolsim.scenario import units as u


def finishing(case: Case, result: Result, page: Page) -> str:
    """Return tables of coat and bag, where the case has them."""
    return joined([_coated(case, result, page), _bag(result, page)])


def _coated(case: Case, result: Result, page: Page) -> str:
    told = result.coated
    if told is None:
        return ""
    coat = case.coating.coat
    parts = ((coat.oil, "oil"), (coat.water, "water"), (coat.powder, "powder"))
    what = ", ".join(f"{100 * share:.3g} % {name}" for share, name in parts if share) or "nothing"
    rows = [
        (f"coated with {what}", ""),
        ("moisture, once coated", page.number(told.moisture_wb, u.FRACTION, 2)),
        ("moisture before", page.number(told.moisture_before_wb, u.FRACTION, 2)),
        ("water activity", f"{float(told.water_activity):.3f}"),
        ("temperature", page.number(told.temperature, u.TEMPERATURE, 1)),
    ]
    return table(rows, page, right=(1,), bold=(0,))


def _bag(result: Result, page: Page) -> str:
    bag = result.bag
    if bag is None:
        return ""
    warmest = float(bag.warmest_pellet)
    rows = [
        ("in the bag", ""),
        ("bagged at", page.number(bag.temperature, u.TEMPERATURE, 1)),
        ("dew point of its gas", page.number(bag.dew_point, u.TEMPERATURE, 1)),
        ("coldest film", page.number(bag.coldest_film, u.TEMPERATURE, 1)),
        ("may sweat?", "yes" if bool(bag.sweats) else "no"),
        (
            "warmest to bag at",
            "none" if math.isnan(warmest) else page.number(warmest, u.TEMPERATURE, 1),
        ),
        ("water activity in store", f"{float(bag.water_activity_in_store):.3f}"),
    ]
    return table(rows, page, right=(1,), bold=(0,))
