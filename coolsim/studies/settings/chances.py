"""How likely settings keep every wish and limit: today's and those of an answer, by the same samples."""

from __future__ import annotations

import dataclasses

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines.base import as_many
from coolsim.simulate.requirements import Constraint, speeds
from coolsim.simulate.verdicts import Verdict, verdicts_of
from coolsim.studies.propagation.chances import all_kept, chances
from coolsim.studies.propagation.samples import Sampled, sampled, varying
from coolsim.studies.propagation.unknowns import needed_unknowns
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.support.errors import InputError

SAMPLES, SEED = 128, 2203  # polynomials through them tell a chance to half a percent


def counted(case: Case, there: Case) -> list[Constraint]:
    """What counts of settings of a case: nothing of a fan whose speed is set, since it keeps that in any air."""
    by_speed = case.cooler.arrangement == "counter-flow" and len(set(speeds(case))) == 1
    return varying(there, opened=not by_speed)


def with_chances(
    case: Case, answer: SettingsAnswer, there: Sampled | None = None, seed: int = SEED
) -> SettingsAnswer:
    """The answer with the chance of each verdict and of all, and today's; as it is where everything is exact.

    there: samples at its settings, where they were taken already, and their seed. A part of them serves today's.
    """
    if there is None:
        try:
            needed_unknowns(answer.case)
        except InputError:
            return answer
        there = sampled(answer.case, SAMPLES, seed, counted(case, answer.case), known=as_many(answer.result))
    now = answer.now
    today = sampled(now.case, SAMPLES, seed, counted(case, now.case), there, as_many(now.result))
    chance, before = (float(all_kept(s).mean()) for s in (there, today))
    return dataclasses.replace(
        answer,
        verdicts=verdicts_of(answer.case, answer.result, chances(there)),
        chance=chance,
        now=dataclasses.replace(
            now, verdicts=verdicts_of(now.case, now.result, chances(today)), chance=before
        ),
        gain=dataclasses.replace(answer.gain, chance=chance - before),
    )


def judged(case: Case, result: Result) -> tuple[tuple[Verdict, ...], float | None]:
    """Verdicts on a case as it stands, each with its chance, and the chance of all; none where all is exact."""
    try:
        needed_unknowns(case)
    except InputError:
        return verdicts_of(case, result), None
    s = sampled(case, SAMPLES, SEED, counted(case, case), known=as_many(result))
    return verdicts_of(case, result, chances(s)), float(all_kept(s).mean())
