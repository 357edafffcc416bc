"""A result as JSON: names and practical units come from the fields' own metadata, so they exist once."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import FanRun, Result, StageRun
from coolsim.equipment.operating_point import Status
from coolsim.output import verdicts
from coolsim.output.quantities import at_limits
from coolsim.scenario import inputs
from coolsim.simulate.verdicts import verdicts_of
from coolsim.support.fields import written_name
from coolsim.support.visible import HIDDEN

if TYPE_CHECKING:
    from coolsim.studies.sizing.answer import SizeAnswer

# The groups of a result that are written, in this order; the profile is for Python and plots.
GROUPS = (
    "feed_in",
    "pellets_out",
    "after_equalising",
    "in_store",
    "air_out",
    "bed",
    "accuracy",
    "input_band",
)


def head(case: Case, scenario: str, version: str) -> dict[str, Any]:
    """What the JSON of every question begins with."""
    return {"scenario": scenario, "title": case.title, "coolsim": version, "inputs": inputs(case)}


def document(case: Case, result: Result, scenario: str, version: str) -> dict[str, Any]:
    """Return what `predict --json` writes, for one case; raises ValueError where a number is not finite."""
    return {
        **head(case, scenario, version),
        **{name: group(getattr(result, name), name) for name in GROUPS},
        **_between_pellets(result),
        **_dryer_groups(result),
        **({"stages": [_stage(run) for run in result.stages]} if result.stages else {}),
        **({"fan": _fan(result.fan)} if result.fan else {}),
        **({} if case.arrival is None else {"feed": feed_as_json(case)}),
        **finishing_as_json(result),
        "verdicts": verdicts.as_json(verdicts_of(case, result)),
        "warnings": [{"level": warning.level, "text": warning.text} for warning in result.warnings],
    }


def feed_as_json(case: Case) -> dict[str, Any]:
    """The feed of a case, and what it was from place to place before the machine."""
    states = () if case.arrival is None else case.arrival.states
    return {
        "throughput_kg_h": 3600 * float(case.feed.throughput),
        "moisture_wb": float(case.feed.moisture),
        "temperature_C": float(case.feed.temperature),
        "before": [
            {"place": s.place, "moisture_wb": s.moisture, "temperature_C": s.temperature} for s in states
        ],
    }


def finishing_as_json(result: Result) -> dict[str, Any]:
    """The groups `coated` and `bag`, where there are any."""
    found: dict[str, Any] = {}
    if result.coated is not None:
        found["coated"] = where_known(result.coated, "coated")
    if result.bag is not None:
        found["bag"] = where_known(result.bag, "bag") | {"sweats": bool(result.bag.sweats)}
    return found


def _between_pellets(result: Result) -> dict[str, Any]:
    """How unlike the pellets are, where they are."""
    told = result.between_pellets
    return {} if told is None else {"between_pellets": _written(told, "between_pellets")}


def _dryer_groups(result: Result) -> dict[str, Any]:
    """What only dryers have: energy, spread, and the history as lists."""
    if result.energy is None:
        return {}
    written: dict[str, Any] = {name: group(getattr(result, name), name) for name in ("energy", "spread")}
    if result.schedule is not None:
        written["schedule"] = where_known(result.schedule, "schedule")
    if result.history is not None:
        written["history"] = {
            written_name(f): [
                _number(x, f.metadata["factor"], f"history.{f.name}") for x in getattr(result.history, f.name)
            ]
            for f in dataclasses.fields(result.history)
        }
    return written


def _stage(run: StageRun) -> dict[str, Any]:
    """A machine of a line: what it was fed, and the groups that it would have alone."""
    fed = {
        written_name(f): _number(getattr(run, f.name), 1.0, f"stages.{f.name}")
        for f in dataclasses.fields(run)
        if f.name not in ("result", "case")
    }
    result = run.result
    groups = {name: group(getattr(result, name), name) for name in GROUPS if name != "input_band"}
    fan = {"fan": _fan(result.fan)} if result.fan else {}
    return fed | groups | _between_pellets(result) | _dryer_groups(result) | fan


def size_document(case: Case, answer: SizeAnswer, scenario: str, version: str) -> dict[str, Any]:
    """Return what `size --json` writes; where no size serves all, `missed` says what it does not serve."""
    return {
        **head(case, scenario, version),
        **_written(answer, "size"),
        "currency": case.costs.currency if case.costs else None,
    }


def _written(data: Any, name: str) -> dict[str, Any]:
    """A data class with all that it holds, in the units of its names."""
    written: dict[str, Any] = {}
    for field in dataclasses.fields(data):
        value, label = getattr(data, field.name), f"{name}.{field.name}"
        key = written_name(field)
        if field.name == "case":
            continue  # its inputs stand above
        if field.name in ("binding", "broken", "limits"):
            written[key] = at_limits(value)
        elif field.name == "settings":
            written[key] = where_known(value, label)
        elif field.name == "verdicts":
            written[key] = verdicts.as_json(value)
        elif isinstance(value, Mapping):
            written[key] = dict(value)
        elif isinstance(value, tuple):
            written[key] = [_written(item, label) for item in value]
        elif isinstance(value, bool):
            written[key] = value
        elif dataclasses.is_dataclass(value):
            written[key] = _written(value, label)
        else:
            written[key] = _number(value, field.metadata["factor"], label)
    return written


def _fan(run: FanRun) -> dict[str, Any]:
    return where_known(run, "fan") | {"status": Status(int(run.status)).name.lower().replace("_", " ")}


def where_known(data: Any, name: str) -> dict[str, Any]:
    """A group with null for what there is not: a speed without a fan, a cost where the fan is off its curve."""
    numbers = {f.name: getattr(data, f.name) for f in dataclasses.fields(data)}
    unknown: dict[str, Any] = {
        n: None for n, x in numbers.items() if not isinstance(x, tuple) and math.isnan(x)
    }
    return group(dataclasses.replace(data, **unknown), name) or {}


def group(data: Any, name: str) -> dict[str, Any] | None:
    """Return one group of a result in the units of its names, at full precision (None for an absent one)."""
    if data is None:
        return None
    written = {}
    for field in dataclasses.fields(data):
        key = written_name(field)
        written[key] = _number(getattr(data, field.name), field.metadata["factor"], f"{name}.{field.name}")
    return written


def _number(value: Any, factor: float, name: str) -> Any:
    if value is None or isinstance(value, str | bool):
        return value
    if np.ndim(value) > 0:
        return [_number(item, factor, name) for item in value]
    number = float(value) * factor
    if not math.isfinite(number):
        raise ValueError(f"{name} is {number}: a result must be a number")
    return number


def text(document: Mapping[str, Any]) -> str:
    """Return a document as JSON text, ending in a newline."""
    return dumped(document, indent=2) + "\n"


def dumped(document: Mapping[str, Any], indent: int | None = None) -> str:
    """Return JSON in which what a terminal would obey is escaped, as is a byte of a name that is not UTF-8."""
    text = json.dumps(document, indent=indent, ensure_ascii=False, allow_nan=False)
    return HIDDEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
