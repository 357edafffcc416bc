"""What is printed of the feed before the machine: from place to place, where it follows from what is before."""

from __future__ import annotations

from coolsim.case.case import Case, Line
from coolsim.output.page import Page, grid
from coolsim.scenario import units as u
from coolsim.simulate.upstream import COOLER
from coolsim.support.visible import visible


def coming(case: Case, page: Page) -> str:
    """The feed from place to place; nothing where it was typed alone."""
    if case.arrival is None:
        return ""
    feed, states = case.feed, case.arrival.states
    here, last = _fed(case), states[-1]
    each = [(here if s.place == COOLER else s.place, s.moisture, s.temperature) for s in states]
    if (feed.moisture, feed.temperature) != (last.moisture, last.temperature):
        each.append((f"{here}, as typed", feed.moisture, feed.temperature))
    rows = [(place, page.number(M, u.FRACTION, 2), page.number(T, u.TEMPERATURE, 1)) for place, M, T in each]
    return grid(("what comes in", "moisture", "temperature"), rows, page)


def _fed(case: Case) -> str:
    """What the machine is called that is fed."""
    if isinstance(case.cooler, Line):
        return visible(case.cooler.stages[0].name)
    return "cooler" if case.cooler.arrangement == "counter-flow" else "dryer"
