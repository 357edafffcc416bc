"""A result as JSON: names and practical units come from the fields' own metadata, so they exist once."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from typing import Any

from coolsim.case import Case
from coolsim.result import Result
from coolsim.scenario import inputs

# The groups of a result that are written, in this order; the profile is for Python and plots.
GROUPS = ("feed_in", "pellets_out", "after_equalising", "air_out", "bed", "accuracy", "input_band")


def document(case: Case, result: Result, scenario: str, version: str) -> dict[str, Any]:
    """Return what `predict --json` writes, for one case; raises ValueError where a number is not finite."""
    return {
        "scenario": scenario,
        "title": case.title,
        "coolsim": version,
        "inputs": inputs(case),
        **{name: group(getattr(result, name), name) for name in GROUPS},
        "warnings": [{"level": warning.level, "text": warning.text} for warning in result.warnings],
    }


def group(data: Any, name: str) -> dict[str, Any] | None:
    """Return one group of a result in the units of its names, at full precision (None for an absent one)."""
    if data is None:
        return None
    written = {}
    for field in dataclasses.fields(data):
        key = field.metadata["json"] or field.name
        written[key] = _number(getattr(data, field.name), field.metadata["factor"], f"{name}.{field.name}")
    return written


def _number(value: Any, factor: float, name: str) -> Any:
    if isinstance(value, tuple):
        return [_number(item, factor, name) for item in value]
    number = float(value) * factor
    if not math.isfinite(number):
        raise ValueError(f"{name} is {number}: a result must be a number")
    return number


def text(document: Mapping[str, Any]) -> str:
    """Return a document as JSON text, ending in a newline."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
