"""What is printed and written of a plan: steps of the line, the shift, coat and bag."""

from __future__ import annotations

import dataclasses
from typing import Any

from coolsim.output import tables, verdicts
from coolsim.output.cost_tables import mass_unit, per_mass
from coolsim.output.finishing import finishing
from coolsim.output.json import feed_as_json, finishing_as_json, group, head
from coolsim.output.page import Page, grid, joined, table, wrapped
from coolsim.output.upstream import coming
from coolsim.scenario import units as u
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.planning.answer import EquipmentPlan, Plan
from coolsim.support.visible import visible


def planned(plan: Plan, page: Page) -> str:
    """Return a plan as text."""
    case, result = plan.case, plan.result
    names = [run.name for run in result.stages]
    parts = [tables.heading(case.title, page), tables.first(plan, page)]
    parts += [tables.warnings(plan, page, tables.LEVELS[:1]), of_the_line(plan, page)]
    parts += [tables.answer(result, page), verdicts.verdict_tables(verdicts_of(case, result), page, names)]
    parts += [finishing(case, result, page), tables.warnings(plan, page, tables.LEVELS[1:])]
    return joined(parts)


def of_the_line(plan: Plan, page: Page) -> str:
    """What a plan adds to a prediction: what comes in, steps, shift, cost."""
    parts = [wrapped(first(plan, page), page, "bold"), coming(plan.case, page), steps(plan, page)]
    return joined([*parts, shift(plan, page), cost(plan, page)])


def first(plan: Plan, page: Page) -> str:
    """What to know before all numbers, in a sentence or two."""
    rate = page.number(plan.throughput, u.MASS_FLOW, 0)
    held = "" if plan.bottleneck is None else f"; {visible(plan.bottleneck)} holds it back"
    load = max((e.load or 0.0 for e in plan.equipment), default=0.0)
    if 0 < load < 0.999:
        held = f"; {visible(str(plan.bottleneck))} has the highest load, {100 * load:.0f} %"
    s = plan.shift
    bags = "" if s.bags is None else f" in {s.bags} bags"
    bagged = page.number(s.bagged, u.MASS, 0)
    return f"The line takes {rate} of feed{held}. A shift gives {bagged}{bags}."


def steps(plan: Plan, page: Page) -> str:
    """The steps of the line in order."""
    return grid(
        ("the line", "can take", "load", "took", "batches", "waits before it"),
        [_row(e, page) for e in plan.equipment],
        page,
    )


def _row(e: EquipmentPlan, page: Page) -> tuple[str, ...]:
    waits = (
        "-"
        if e.heap < 0.5 or e.waits < 1
        else f"{page.number(e.waits, u.TIME, 0)}, {page.number(e.heap, u.MASS, 0)}"
    )
    return (
        visible(e.name),
        "what comes" if e.capacity is None else page.number(e.capacity, u.MASS_FLOW, 0),
        "-" if e.load is None else f"{100 * e.load:.0f} %",
        page.number(e.enters, u.MASS, 0),
        "-" if e.batches is None else str(e.batches),
        waits,
    )


def shift(plan: Plan, page: Page) -> str:
    """What a shift gives."""
    s = plan.shift
    assumed = " (assumed)" if plan.case.shift.hours is None else ""
    hours = f"{s.hours / 3600:.4g} h{assumed}"
    if s.work < s.hours:
        hours += f", {s.work / 3600:.4g} h without breaks"
    rows = [
        ("a shift", ""),
        ("hours", hours),
        ("batches", str(s.batches) if s.batches else "-"),
        ("mash in" if plan.case.recipe.ingredient else "feed in", page.number(s.input, u.MASS, 0)),
        *([("steam", page.number(s.steam, u.MASS, 0))] if s.steam else []),
        ("water taken off", page.number(s.water_lost, u.MASS, 1)),
        ("bagged", page.number(s.bagged, u.MASS, 0)),
        *([("bags", str(s.bags))] if s.bags is not None else []),
        ("still in the line", page.number(s.left_in_line, u.MASS, 0)),
        ("bagged in a year" + (" (days assumed)" if s.assumed else ""), page.number(s.per_year, u.MASS, 0)),
    ]
    return table(rows, page, right=(1,), bold=(0,))


def cost(plan: Plan, page: Page) -> str:
    """What a shift costs."""
    told = plan.shift.cost
    if told is None:
        return ""
    currency = plan.case.costs.currency

    def money(x: float) -> str:
        return f"{x:.2f} {currency}".rstrip()

    rows = [
        ("what it costs", "a shift"),
        ("electricity", money(told.electricity)),
        ("heat, steam's too" if plan.shift.steam else "heat", money(told.heat)),
        ("weight given away", money(told.overdried_feed)),
        *([("ingredients", money(told.ingredients))] if told.ingredients else []),
        ("all of these", money(told.total)),
        *(
            [(f"per {mass_unit(page)} bagged", money(told.per_tonne * per_mass(page)))]
            if told.per_tonne is not None
            else []
        ),
        *([("per bag", money(told.per_bag))] if told.per_bag is not None else []),
        *([("per batch", money(told.per_batch))] if told.per_batch is not None else []),
    ]
    return table(rows, page, right=(1,), bold=(0,))


def document(plan: Plan, scenario: str, version: str) -> dict[str, Any]:
    """Return what `plan --json` writes."""
    case, s = plan.case, plan.shift
    told: dict[str, Any] = group(dataclasses.replace(s, cost=None), "shift") or {}
    return {
        **head(case, scenario, version),
        "feed": feed_as_json(case),
        "pellets_out": group(plan.result.pellets_out, "pellets_out"),
        "equipment": [group(e, "equipment") for e in plan.equipment],
        "bottleneck": plan.bottleneck,
        "verdicts": verdicts.as_json(verdicts_of(case, plan.result)),
        "shift": told | {"cost": group(s.cost, "cost")},
        "currency": case.costs.currency or None,
        **finishing_as_json(plan.result),
        "warnings": [{"level": w.level, "text": w.text} for w in plan.warnings],
    }
