"""Scenario files: TOML text ↔ `Case`. Units, validation and faults live here and nowhere else."""

from __future__ import annotations

from coolsim.scenario.echo import inputs, typed_as, typed_back
from coolsim.scenario.edit import bounds, load, load_with, loads, parse_setting, replace, retyped
from coolsim.scenario.source import Source, files_of
from coolsim.scenario.templates import template

__all__ = [
    "Source",
    "bounds",
    "files_of",
    "inputs",
    "load",
    "load_with",
    "loads",
    "parse_setting",
    "replace",
    "retyped",
    "template",
    "typed_as",
    "typed_back",
]
