"""What an answer of `find_settings` still needs before a person reads it.

The prediction at the settings with its band and warnings, words for what fan and prices leave assumed, and
whether a heater would help. Nothing is searched here: every state looked at is one that was found.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.machines.assumptions import assumptions
from coolsim.machines.conditioner import ranges
from coolsim.simulate.cautions import worst_first
from coolsim.simulate.prediction import at_its_fan, input_band
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.lever_study import Levers, levers
from coolsim.studies.settings.answer import Reached, SettingsAnswer
from coolsim.studies.settings.chances import with_chances
from coolsim.studies.settings.find import find_settings
from coolsim.studies.settings.heated_inlet import Heated, heated_inlet
from coolsim.support.display import Displayed
from coolsim.support.fields import documented


@dataclass(frozen=True, repr=False)
class Advice(Displayed):
    """An answer as a person reads it."""

    answer: SettingsAnswer = documented("-", "whose result has the band and all warnings")
    window: tuple[Reached, Reached] | None = documented(
        "-", "driest and wettest exit; None where no settings keep the machine's limits"
    )
    heated: Heated | None = documented("-", "where moisture is out of reach: what heated inlet air would do")
    levers: Levers | None = documented("-", "how far each thing alone moves the exit of today", default=None)


def window_of(answer: SettingsAnswer) -> tuple[Reached, Reached] | None:
    """Driest and wettest exit; None where no settings keep the machine's limits."""
    window = (answer.driest, answer.wettest)
    return None if any(np.isnan(end.moisture_wb) for end in window) else window


def advise(
    case: Case,
    answer: SettingsAnswer | None = None,
    *,
    chances: bool = False,
    moved: Levers | None = None,
) -> Advice:
    """What to say about the cheapest settings of a case, which are found if they were not yet.

    chances: also how likely they keep everything, and today's. moved: the levers of today, where they are known.
    """
    if answer is None:
        answer = find_settings(case)
    result = answer.result
    band = input_band(at_its_fan(answer.case, result=result), result)
    warnings = (*result.warnings, *assumptions(answer.case, result))
    warnings = tuple(worst_first(warnings))
    result = dataclasses.replace(result, input_band=band, warnings=warnings)
    known = {v.constraint.full_name: v.chance for v in answer.verdicts if v.chance is not None}
    found = dataclasses.replace(answer, result=result, verdicts=verdicts_of(answer.case, result, known))
    found = with_chances(case, found) if chances and found.chance is None else found
    conditioned = answer.case if ranges(case) else case
    heated = heated_inlet(conditioned, answer.broken, answer.settings)
    return Advice(found, window_of(answer), heated, moved or levers(case, answer.now.result))
