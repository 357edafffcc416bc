"""Scenario files: TOML text ↔ `Case`. Units, validation and faults live here and nowhere else."""

from __future__ import annotations

from coolsim.scenario.echo import inputs, template
from coolsim.scenario.edit import load, loads, parse_setting, replace
from coolsim.scenario.source import Source

__all__ = ["Source", "inputs", "load", "loads", "parse_setting", "replace", "template"]
