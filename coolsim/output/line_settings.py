"""What to set on a line: text and JSON, machine by machine, then what they give and cost together."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from coolsim.case import Case
from coolsim.machines.lines import machines
from coolsim.output import dryer_settings, lines, tables
from coolsim.output import json as as_json
from coolsim.output import settings as of_coolers
from coolsim.output.page import Page, joined, table, wrapped
from coolsim.requirements import is_dryer
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.studies.line.answer import LineSettings, StageSettings
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.settings.find import AtLimit, Reached


def advised(case: Case, advice: Advice, page: Page) -> str:
    """Return the answer to what to set on a line; where the target is out of reach, that comes first."""
    answer: LineSettings = advice.answer
    parts = [
        tables.heading(case.title, page),
        "" if answer.met else _out_of_reach(answer, page),
        *(_dial_in(one, stage, answer.met, page) for one, stage in zip(machines(case), answer.stages)),
        tables.answer(answer.result, page),
        tables.warnings(answer.result, page, tables.LEVELS[:1]),
        tables.verdict(case, answer.result, page),
        tables.stage_limits(answer.result, page),
        lines.stages(answer.result, page),
        of_coolers.costs(case, answer.cost, page),
        _by_stage(answer, page),
        "".join(wrapped(text, page) for text in _sentences(case, advice, page)),
        tables.warnings(answer.result, page, tables.LEVELS[1:]),
    ]
    return joined(parts)


def _dialled(one: Case, settings: Any, page: Page) -> Iterator[tuple[str, str, bool]]:
    """What is dialled in on a machine: label, value, and whether its limits open it."""
    limits = one.limits.given()
    if is_dryer(one):
        for label, value, keys in dryer_settings.dialled(one, settings, page):
            yield label, value, any(key in limits for key in keys)
    else:
        for label, value, knob in of_coolers.dialled(one, settings, page):
            yield label, value, any(key in limits for key in of_coolers.OPENED_BY[knob])


def _dial_in(one: Case, stage: StageSettings, met: bool, page: Page) -> str:
    rows = [
        (label, value, "" if open_ else "as given")
        for label, value, open_ in _dialled(one, stage.settings, page)
    ]
    title = f"{'Set' if met else 'Nearest settings'}: {stage.name}"
    text = table([(title, "", ""), *rows], page, right=(1,), bold=tuple(range(len(rows) + 1)))
    zones = dryer_settings.zones(stage.settings, page) if is_dryer(one) else ""
    return joined([text, zones]) if zones else text


def _by_stage(answer: LineSettings, page: Page) -> str:
    """Return which stage takes out how much of the water, and what it costs."""
    water, money = sum(s.water for s in answer.stages), answer.cost.total
    rows = [
        (
            s.name,
            page.number(s.water, u.MASS_FLOW, 1),
            _share(s.water, water),
            of_coolers.money(s.electricity + s.heat),
            _share(s.electricity + s.heat, money),
        )
        for s in answer.stages
    ]
    titles = ("part of each", "takes out", "of the water", "energy per hour", "of the cost")
    return table([titles, *rows], page, right=(1, 2, 3, 4), bold=(0,))


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole > 0 else "-"


def _sentences(case: Case, advice: Advice, page: Page) -> Iterator[str]:
    answer: LineSettings = advice.answer
    at = [*_stated(answer.binding, "", page)]
    at += [text for stage in answer.stages for text in _stated(stage.binding, f"{stage.name}: ", page)]
    if at:
        yield f"At their limits: {'; '.join(at)}."
    if advice.window is None:
        yield "No settings keep the limits of the machines, whatever the target."
    for word, end in zip(("Driest", "Wettest"), advice.window or ()):
        at_ends = "; ".join(_in_a_line(case, end, page))
        yield f"{word} exit within the machines' limits: {100 * end.moisture_wb:.2f} % at {at_ends}."


def _stated(limits: tuple[AtLimit, ...], prefix: str, page: Page) -> Iterator[str]:
    for limit in limits:
        name = limit.limit.partition(",")[0]
        shown = dryer_settings if name in dryer_settings.SHOWN else of_coolers
        yield f"{prefix}{shown.at_limit(limit, page)}"


def _in_a_line(case: Case, end: Reached, page: Page) -> Iterator[str]:
    """What is dialled in on each machine, of all that its limits open."""
    for one, stage, settings in zip(machines(case), case.cooler.stages, end.settings):
        shown = [f"{label} {value}" for label, value, open_ in _dialled(one, settings, page) if open_]
        if shown:
            yield f"{stage.name} {', '.join(shown)}"


def _out_of_reach(answer: LineSettings, page: Page) -> str:
    missed = [*_stated(answer.broken, "", page)]
    missed += [text for stage in answer.stages for text in _stated(stage.broken, f"{stage.name}: ", page)]
    return of_coolers.out_of_reach("; ".join(missed), page, chance=False)


# ---- JSON -----------------------------------------------------------------------------------------------


def document(case: Case, advice: Advice, scenario: str, version: str) -> dict[str, Any]:
    """Return what `settings --json` writes of a line: predict's groups, and the settings of each stage."""
    answer: LineSettings = advice.answer
    settings = [_stage(stage) for stage in answer.stages]
    driest, wettest = advice.window or (None, None)
    written = as_json.document(case, answer.result, scenario, version) | {
        "settings": settings,
        "cost": as_json.where_known(answer.cost, "cost") | {"currency": case.costs.currency},
        "binding": as_json.at_limits(answer.binding),
        "reachable": {"driest": _end(case, driest), "wettest": _end(case, wettest)},
    }
    if not answer.met:
        nearest = [{"stage": s["stage"], "settings": s["settings"]} for s in settings]
        written |= {
            "nearest": {"settings": nearest, "pellets_out": written["pellets_out"]},
            "broken": as_json.at_limits(answer.broken),
        }
    return written


def _stage(stage: StageSettings) -> dict[str, Any]:
    return {
        "stage": stage.name,
        "settings": as_json.where_known(stage.settings, "settings"),
        "water_kg_h": 3600.0 * stage.water,
        "cost": {"electricity": stage.electricity, "heat": stage.heat},
        "binding": as_json.at_limits(stage.binding),
        "broken": as_json.at_limits(stage.broken),
    }


def _end(case: Case, end: Reached | None) -> dict[str, Any] | None:
    if end is None:
        return None
    names = (stage.name for stage in case.cooler.stages)
    return {
        "moisture_wb": end.moisture_wb,
        "settings": [
            {"stage": name, "settings": as_json.where_known(one, "settings")}
            for name, one in zip(names, end.settings)
        ],
    }
