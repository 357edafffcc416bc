"""How sure a year is, as text and as JSON."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
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
    title = (f"How sure: {name}", "19 times in 20", "middle")
    return table([title, *_rows(sure, seasons, page)], page, right=(1, 2), bold=(0,))


def _rows(sure: YearUncertainty, seasons: Seasons, page: Page) -> Iterator[Row]:
    us, target = page.units == "us", seasons.case.target
    mass, small = mass_unit(page).replace(" ", "_"), "lb" if us else "kg"

    def row(label: str, x: Interval, factor: float = 1.0, digits: int = 0) -> Row:
        low, middle, high = (f"{factor * value:.{digits}f}" for value in (x.low, x.middle, x.high))
        return label, f"{low} – {high}", middle

    def weight(label: str, x: Interval, unit: str) -> Row:
        return row(
            f"{label}, {unit.replace('_', ' ')}", x, 1 / u.convert(1.0, f"{unit}/h", u.MASS_FLOW) / 3600
        )

    yield row("hours within target and limits", sure.within)
    yield row("too wet (moulds may grow)", sure.too_wet)
    if target.tolerance is not None:
        yield row("too dry", sure.too_dry)
    if target.maximum_above_ambient is not None:
        yield row("too warm", sure.too_warm)
    yield weight("product", sure.product, mass)
    yield weight("weight given away", sure.given_away, small)
    yield row("electricity, kWh", sure.electricity)
    if sure.heat.high > 0:
        yield row("heat, kWh", sure.heat)
    if seasons.case.costs:
        currency = seasons.case.costs.currency
        yield row(f"cost{f' in {currency}' if currency else ''}", sure.cost)
    yield row("mean exit moisture, %", sure.moisture_wb, 100, 2)


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
