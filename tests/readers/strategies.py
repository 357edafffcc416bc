"""Inputs as people, spreadsheets and slips of the hand make them: what the fuzz of the readers draws from."""

from __future__ import annotations

from coolsim.scenario import template

COOLER, BATCH, BELT, LINE = map(template, ("counter-flow", "batch", "belt", "line"))
