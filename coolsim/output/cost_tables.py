"""What it costs, as tables: electricity, heat and weight given away, of a whole and of the stages of a line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from coolsim.case.case import Case
from coolsim.output.page import Page, table
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.case.costs import Cost
    from coolsim.studies.settings.answer import SettingsAnswer


def costs(case: Case, cost: Cost, page: Page, steam: bool = False) -> str:
    """Return what settings cost; `steam`: the conditioner's counts among the heat."""
    currency = case.costs.currency
    rows = [("electricity", cost.electricity)]
    if case.costs.heat is not None or cost.heat > 0.0:
        rows.append(("heat, steam's too" if steam else "heat", cost.heat))
    rows += [("weight given away", cost.overdried_feed), ("total", cost.total)]
    share = cost.per_tonne / cost.total if cost.total else 0.0
    columns = [
        summed([hourly for _, hourly in rows]),
        summed([hourly * share * per_mass(page) for _, hourly in rows]),
    ]
    shown = [(label, *cells) for (label, _), *cells in zip(rows, *columns)]
    titles = (f"Cost in {currency}" if currency else "Cost", "per hour", f"per {mass_unit(page)}")
    return table([titles, *shown], page, right=(1, 2), bold=(0, len(shown)))


def summed(amounts: Sequence[float]) -> list[str]:
    """Return amounts, the last of which is the sum of the others, so that they add up as printed.

    >>> summed([0.2034, 0.0, 0.0, 0.2034]), summed([0.0379, 2.244, 0.004, 2.2859])
    (['0.203', '0', '0', '0.203'], ['0.04', '2.25', '0.00', '2.29'])
    """
    *parts, total = amounts
    if math.isnan(total):
        return [money(x) for x in amounts]
    text = money(total)
    digits = len(text.partition(".")[2])
    rounded = [round(x, digits) for x in parts]
    left = float(text) - sum(rounded)
    most = max(range(len(parts)), key=lambda k: (parts[k] - rounded[k]) * math.copysign(1.0, left))
    rounded[most] += left
    return [f"{x:.{digits}f}" if part else "0" for x, part in zip(rounded, parts)] + [text]


def money(amount: float) -> str:
    """Return an amount with three digits, and none behind the point where it is large.

    >>> money(0.033476), money(12.345), money(1234.5), money(0.0)
    ('0.0335', '12.3', '1234', '0')
    """
    if math.isnan(amount):
        return "unknown"
    if abs(amount) < 5e-4:  # less than any currency can show
        return "0"
    return f"{amount:.{max(0, 2 - math.floor(math.log10(abs(amount))))}f}"


def by_stage(answer: SettingsAnswer, page: Page) -> str:
    """Return which stage takes out how much of the water, and what it costs."""
    water, total = sum(s.water for s in answer.stages), answer.cost.total
    rows = [
        (
            s.name,
            page.number(s.water, u.MASS_FLOW, 1),
            _share(s.water, water),
            money(s.electricity + s.heat),
            _share(s.electricity + s.heat, total),
        )
        for s in answer.stages
    ]
    titles = ("part of each", "takes out", "of the water", "energy per hour", "of the cost")
    return table([titles, *rows], page, right=(1, 2, 3, 4), bold=(0,))


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole > 0 else "-"


def money_per(case: Case, page: Page) -> str:
    """What a cost per mass is called: by its currency, where one was named."""
    return f"{case.costs.currency or 'cost'}/{mass_unit(page)}"


def mass_unit(page: Page) -> str:
    """By which feed is priced."""
    return "short ton" if page.units == "us" else "t"


def per_mass(page: Page) -> float:
    """What a number per tonne is multiplied by to be per mass of this page."""
    return u.shown(1e-3, u.MASS_PRICE, f"/{mass_unit(page).replace(' ', '_')}")
