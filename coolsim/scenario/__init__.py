"""Scenario files: TOML text ↔ `Case`. Units, validation and faults live here and nowhere else."""

from __future__ import annotations

from coolsim.scenario.echo import inputs, template, typed_as
from coolsim.scenario.edit import load, load_with, loads, parse_setting, replace
from coolsim.scenario.source import Source

__all__ = [
    "Source",
    "inputs",
    "load",
    "load_with",
    "loads",
    "parse_setting",
    "replace",
    "template",
    "typed_as",
]
