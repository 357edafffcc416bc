"""How likely settings keep every wish and limit: today's and those of an answer, by the same samples."""

from __future__ import annotations

import dataclasses
from typing import TypeAlias

from coolsim.case import Case
from coolsim.errors import InputError
from coolsim.requirements import Constraint, Verdict, speeds, verdicts_of
from coolsim.result import Result
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.studies.uncertainty import all_kept, chances, needed_unknowns, sampled, varying

SAMPLES, SEED = 128, 2203  # polynomials through them tell a chance to half a percent


def counted(case: Case, there: Case) -> list[Constraint]:
    """What counts of settings of a case: nothing of a fan whose speed is set, since it keeps that in any air."""
    by_speed = case.cooler.arrangement == "counter-flow" and len(set(speeds(case))) == 1
    return varying(there, opened=not by_speed)


Judged: TypeAlias = tuple[tuple[Verdict, ...], float | None]


def with_chances(case: Case, answer: SettingsAnswer) -> SettingsAnswer:
    """The answer with the chance of each verdict and of all, and today's; as it is where everything is exact."""
    states = (answer.case, answer.result), (answer.now.case, answer.now.result)
    return told(answer, *(judged(case, *state) for state in states))


def told(answer: SettingsAnswer, there: Judged, now: Judged) -> SettingsAnswer:
    """The answer with what `judged` says of its settings and of today's."""
    if there[1] is None or now[1] is None:
        return answer
    return dataclasses.replace(
        answer,
        verdicts=there[0],
        chance=there[1],
        now=dataclasses.replace(answer.now, verdicts=now[0], chance=now[1]),
        gain=dataclasses.replace(answer.gain, chance=there[1] - now[1]),
    )


def judged(case: Case, there: Case, result: Result) -> Judged:
    """Verdicts on a case set so, each with its chance, and the chance of all; none where everything is exact."""
    try:
        needed_unknowns(there)
    except InputError:
        return verdicts_of(there, result), None
    s = sampled(there, SAMPLES, SEED, counted(case, there))
    return verdicts_of(there, result, chances(s)), float(all_kept(s).mean())
