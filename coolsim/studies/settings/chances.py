"""How likely settings keep every wish and limit: today's and those of an answer, by the same samples."""

from __future__ import annotations

import dataclasses

from coolsim.case import Case
from coolsim.errors import InputError
from coolsim.requirements import Constraint, Verdict, speeds, verdicts_of
from coolsim.result import Result
from coolsim.studies.settings.answer import SettingsAnswer, Stand
from coolsim.studies.uncertainty import all_kept, chances, needed_unknowns, sampled, varying

SAMPLES, SEED = 128, 2203  # polynomials through them tell a chance to half a percent


def counted(case: Case, there: Case) -> list[Constraint]:
    """What counts of settings of a case: nothing of a fan whose speed is set, since it keeps that in any air."""
    by_speed = case.cooler.arrangement == "counter-flow" and len(set(speeds(case))) == 1
    return varying(there, opened=not by_speed)


def with_chances(case: Case, answer: SettingsAnswer) -> SettingsAnswer:
    """The answer with the chance of each verdict and of all, and today's; as it is where everything is exact."""
    there = Stand(answer.case, answer.result, answer.cost, answer.verdicts)
    there, now = (_of(case, stand) for stand in (there, answer.now))
    if there.chance is None or now.chance is None:
        return answer
    gain = dataclasses.replace(answer.gain, chance=there.chance - now.chance)
    return dataclasses.replace(answer, verdicts=there.verdicts, chance=there.chance, now=now, gain=gain)


def _of(case: Case, stand: Stand) -> Stand:
    verdicts, chance = judged(case, stand.case, stand.result)
    return dataclasses.replace(stand, verdicts=verdicts, chance=chance)


def judged(case: Case, there: Case, result: Result) -> tuple[tuple[Verdict, ...], float | None]:
    """Verdicts on a case set so, each with its chance, and the chance of all; none where everything is exact."""
    try:
        needed_unknowns(there)
    except InputError:
        return verdicts_of(there, result), None
    s = sampled(there, SAMPLES, SEED, counted(case, there))
    return verdicts_of(there, result, chances(s)), float(all_kept(s).mean())
