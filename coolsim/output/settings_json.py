"""An answer of settings as JSON, the same keys for all machines."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from coolsim.case.case import Case
from coolsim.machines.conditioner import KEYS
from coolsim.output import json as as_json
from coolsim.output import lever_tables, verdicts
from coolsim.output.quantities import at_limits, written
from coolsim.scenario import inputs, typed_back

if TYPE_CHECKING:
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.settings.answer import LeastBed, Reached, SettingsAnswer, StageSettings


def document(case: Case, advice: Advice, scenario: str, version: str) -> dict[str, Any]:
    """Return what `settings --json` writes: predict's groups at the settings, and what is particular to it."""
    answer = advice.answer
    driest, wettest = advice.window or (None, None)
    need = answer.required_feed_moisture
    found = as_json.document(answer.case, answer.result, scenario, version) | {
        "inputs": inputs(case),
        **of_settings(case, answer),
        "reachable": {"driest": _end(case, driest), "wettest": _end(case, wettest)},
        "required_feed_moisture_wb": None if need is None or math.isnan(need) else need,
        "one_step": [as_json.group(step, "one_step") for step in answer.one_step],
        "levers": [] if advice.levers is None else lever_tables.as_json(advice.levers),
        "smallest_changes": [
            {"change": change.change, "to": change.to, "unit": change.unit}
            for change in answer.smallest_changes
        ],
        "now": {
            "settings": _settings(case, answer.now_settings),
            "pellets_out": as_json.group(answer.now.result.pellets_out, "pellets_out"),
            "cost": as_json.where_known(answer.now.cost, "cost"),
            "met": answer.now.met,
            "verdicts": verdicts.as_json(answer.now.verdicts),
            "chance": answer.now.chance,
        },
        "chance": answer.chance,
        "gain": as_json.group(answer.gain, "gain"),
    }
    if not answer.met:
        nearest = {"settings": found["settings"], "pellets_out": found["pellets_out"]}
        found |= {"nearest": nearest, "broken": at_limits(answer.broken)}
    return found


def of_settings(case: Case, answer: SettingsAnswer) -> dict[str, Any]:
    """What is set, what it costs, how it stands, and the keys that set it."""
    return {
        "settings": [_stage(stage) for stage in answer.stages]
        if answer.stages
        else as_json.where_known(answer.settings, "settings"),
        "set": typed_back(case, answer.case),
        "conditioner": list(_of_conditioner(answer)),
        "cost": as_json.where_known(answer.cost, "cost") | {"currency": case.costs.currency},
        "exact_cost": answer.exact_cost,
        "choices": [as_json.group(one, "choices") for one in answer.choices],
        "binding": at_limits(answer.binding),
        "least_bed": _least_bed(answer.least_bed),
        "verdicts": verdicts.as_json(answer.verdicts),
    }


def _of_conditioner(answer: SettingsAnswer) -> Iterator[dict[str, Any]]:
    """What is set on the conditioner, in the units of JSON: water as a share of the mash."""
    for one in answer.chosen:
        if one.setting.key in KEYS:
            (now, unit), (to, _) = (written(one.setting.quantity, x) for x in (one.now, one.to))
            opened = one.setting.opened
            yield {"name": one.setting.key, "now": now, "to": to, "unit": unit, "opened": opened}


def _least_bed(least: LeastBed | None) -> dict[str, Any] | None:
    if least is None:
        return None
    each = [
        {"name": c.setting.key, "least": value, "without": written(c.setting.quantity, c.to)[0], "unit": unit}
        for c in least.chosen
        for value, unit in [written(c.setting.quantity, c.now)]
    ]
    return {"cost_per_hour": least.cost_per_hour, "kept_without": least.kept_without, "at": each}


def _settings(case: Case, settings: Any) -> Any:
    if not isinstance(settings, tuple):
        return as_json.where_known(settings, "settings")
    names = (stage.name for stage in case.cooler.stages)
    return [
        {"stage": name, "settings": as_json.where_known(one, "settings")}
        for name, one in zip(names, settings)
    ]


def _stage(stage: StageSettings) -> dict[str, Any]:
    return {
        "stage": stage.name,
        "settings": as_json.where_known(stage.settings, "settings"),
        "water_kg_h": 3600.0 * stage.water,
        "cost": {"electricity": stage.electricity, "heat": stage.heat},
        "binding": at_limits(stage.binding),
        "broken": at_limits(stage.broken),
    }


def _end(case: Case, end: Reached | None) -> dict[str, Any] | None:
    return (
        None if end is None else {"moisture_wb": end.moisture_wb, "settings": _settings(case, end.settings)}
    )
