"""How sure a year is, as text and as JSON."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from coolsim.output.cost_tables import mass_unit
from coolsim.output.json import group
from coolsim.output.page import Page, joined, table, wrapped
from coolsim.output.uncertainties import LEAST_SHOWN, rows_of, share_text
from coolsim.scenario import units as u
from coolsim.studies.propagation.answer import Interval
from coolsim.studies.years import Seasons
from coolsim.studies.years.propagation import YearUncertainty
from coolsim.support.fields import written_name

Row = tuple[str, str, str]


def summary(seasons: Seasons, names: dict[str, str], page: Page) -> str:
    """Return, of each strategy that is told how sure it is, its intervals and what leaves them open."""
    found = [(names[s.name], s.sure) for s in seasons.strategies if s.sure is not None]
    parts = [
        part
        for name, sure in found
        for part in (_intervals(name, sure, seasons, page), _contributors(sure, seasons, page))
    ]
    return joined([*parts, "".join(wrapped(line, page) for line in _words(found[0][1]))]) if found else ""


def _intervals(name: str, sure: YearUncertainty, seasons: Seasons, page: Page) -> str:
    title = (f"Hours of the year, how sure: {name}", "19 times in 20", "middle")
    return table([title, *_rows(sure, seasons, page)], page, right=(1, 2), bold=(0,))


def _rows(sure: YearUncertainty, seasons: Seasons, page: Page) -> Iterator[Row]:
    for one in sums(seasons, page):
        x = getattr(sure, one.name, None)
        if isinstance(x, Interval):
            low, middle, high = (
                f"{one.factor * value:.{one.digits}f}" for value in (x.low, x.middle, x.high)
            )
            yield one.label, f"{low} – {high}", middle


@dataclass(frozen=True)
class Sum:
    """A sum of a year: how it is called, its field of a Tally and of a YearUncertainty, and how it is shown."""

    label: str
    name: str
    factor: float = 1.0
    digits: int = 0


def sums(seasons: Seasons, page: Page) -> Iterator[Sum]:
    """What a year adds up, in the order in which it is told; what none of its strategies has is left out."""
    case, totals = seasons.case, [s.total for s in seasons.strategies]
    large, small = mass_unit(page), "lb" if page.units == "us" else "kg"

    def weight(label: str, name: str, unit: str) -> Sum:
        per_kg = 1.0 / u.convert(1.0, f"{unit.replace(' ', '_')}/h", u.MASS_FLOW) / 3600.0
        return Sum(f"{label}, {unit}", name, per_kg)

    yield Sum("within target and limits", "within")
    yield Sum("too wet (moulds may grow)", "too_wet")
    if case.target.tolerance is not None:
        yield Sum("too dry", "too_dry")
    yield Sum(f"too warm{' (or sweating in the bag)' if case.target.no_sweating else ''}", "too_warm")
    if any(t.over_limit for t in totals):
        uneven = ", or uneven" if case.target.maximum_deviation is not None else ""
        yield Sum(f"a limit of the machine broken{uneven}", "over_limit")
    if any(t.not_computed for t in totals):
        yield Sum("not computed", "not_computed")
    if any(s.reachable is not None for s in seasons.strategies):
        yield Sum("out of reach of any settings", "reachable")
    yield weight("product", "product", large)
    yield weight("of it too wet", "product_too_wet", large)
    yield weight("weight given away", "given_away", small)
    yield Sum("electricity, kWh", "electricity")
    if any(t.heat > 0 for t in totals):
        yield Sum("heat, kWh", "heat")
    if case.costs:
        yield Sum(f"cost{f' in {case.costs.currency}' if case.costs.currency else ''}, all three", "cost")
    yield Sum("mean exit moisture, %", "moisture_wb", 100, 2)


def _contributors(sure: YearUncertainty, seasons: Seasons, page: Page) -> str:
    shown = {"within_share": "hours within", "moisture_share": "moisture"}
    if seasons.case.costs:
        shown["cost_share"] = "cost"
    summary = [c for c in sure.contributors if max(getattr(c, x) for x in shown) >= LEAST_SHOWN]
    rows = [row for c in summary for row in rows_of(c.parts, [getattr(c, x) for x in shown], page)]
    left = [max(1.0 - sum(getattr(c, x) for c in summary), 0.0) for x in shown]
    rows.append(("together, and all others", "", *map(share_text, left)))
    titles = ("what leaves it open", "19 times in 20", *shown.values())
    return table([titles, *rows], page, right=range(1, len(titles)), bold=(0,))


def _words(sure: YearUncertainty) -> Iterator[str]:
    yield (
        "Shares are of the variance. What carries no ± in the scenario counts as exact, the weather too; the model "
        "itself, and how well a sample stands for the line, are not in it. Where a chart is followed, what is set "
        "is off as the scenario's own settings are."
    )
    if sure.left_out:
        yield f"Not counted: the ± of {', '.join(sure.left_out)}, which is of a single day."
    if any(len(c.parts) > 1 for c in sure.contributors):
        yield "Numbers of one fit err together, as the material's [correlation] says: their share is that of all."
    if sure.unsolved:
        yield f"{sure.unsolved} of {sure.samples + sure.unsolved} samples could not be solved."


def written(sure: YearUncertainty) -> dict[str, Any]:
    """Return what stands below "uncertainty" in a strategy's JSON; every interval in the unit of its name."""
    document: dict[str, Any] = {}
    for field in dataclasses.fields(sure):
        value, factor = getattr(sure, field.name), field.metadata["factor"]
        if isinstance(value, Interval):
            scaled = Interval(*(factor * x for x in (value.low, value.middle, value.high)))
            document[written_name(field)] = group(scaled, field.name)
    shares = ("within_share", "moisture_share", "cost_share")
    document["contributors"] = [
        {"name": c.name, "parts": [group(known, "parts") for known in c.parts]}
        | {name: getattr(c, name) for name in shares}
        for c in sure.contributors
    ]
    document["left_out"] = list(sure.left_out)
    for name in ("samples", "unsolved", "moisture_error"):
        document[name] = getattr(sure, name)
    return document
