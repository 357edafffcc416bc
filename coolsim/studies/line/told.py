"""What the settings of a line still need before a person reads them: their band, and words for what is assumed."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from coolsim.case import Case
from coolsim.cautions import LEVELS
from coolsim.line import said_once
from coolsim.predict import input_band
from coolsim.result import Warning
from coolsim.studies.asked import is_dryer
from coolsim.studies.drying.find import keeping_up
from coolsim.studies.drying.find import unpriced as of_dryers
from coolsim.studies.line.answer import LineSettings
from coolsim.machines.lines import dialled, machines, ranges
from coolsim.studies.settings.advice import fan_words
from coolsim.studies.settings.advice import unpriced as of_coolers


def explained(case: Case, answer: LineSettings) -> LineSettings:
    """The answer with the band that its inputs leave open, and words for what prices and time leave out."""
    words = said_once(_words(case, answer))
    warnings = sorted((*answer.result.warnings, *words), key=lambda w: LEVELS.index(w.level))
    band = input_band(at_settings(case, answer), answer.result)
    result = dataclasses.replace(answer.result, input_band=band, warnings=tuple(warnings))
    return dataclasses.replace(answer, result=result)


def at_settings(case: Case, answer: LineSettings) -> Case:
    """The line with its machines set as an answer says."""
    knobs = {}
    for name in ranges(case):
        stage, _, knob = name.partition(".")
        knobs[name] = getattr(answer.stages[int(stage) - 1].settings, knob)
    return dialled(case, knobs)


def _words(case: Case, answer: LineSettings) -> Iterator[tuple[str, Warning]]:
    """What is assumed of each stage, with its name."""
    for one, run in zip(machines(case), answer.result.stages):
        of_dryer = is_dryer(one)
        found = (*of_dryers(one), *keeping_up(run.case)) if of_dryer else (*fan_words(one), *of_coolers(one))
        yield from ((run.name, warning) for warning in found)
