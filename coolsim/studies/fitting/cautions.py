"""What to look at before the numbers of a fit are used, in words."""

from __future__ import annotations

import numpy as np

from coolsim.case.result import Warning
from coolsim.scenario.readings import WITHIN
from coolsim.scenario.trials import Trials
from coolsim.studies.fitting.diagnostics import distinct_settings
from coolsim.studies.fitting.estimate import Estimate, Problem
from coolsim.studies.fitting.model import Said, said
from coolsim.support import dual_units
from coolsim.support.fields import Array

WIDER, WORSE = 0.02, 0.005  # shares of an interval, and of a misfit, that are a matter of numbers only


def warnings(
    given: Trials, used: Trials, problem: Problem, before: Said, found: Estimate, ends: Array
) -> tuple[Warning, ...]:
    """What to look at before the numbers are used."""
    said_so = [*_worse(problem, before, found), *_wider(problem, ends)]
    if len(used) < len(given):
        text = f"{len(given) - len(used)} of {len(given)} trials repeat another to the last digit and count once."
        said_so.append(Warning("check", text))
    if distinct_settings(used) == 1 and len(used) > 1:
        text = (
            "All trials were at the same settings: they settle the exit there, hardly the numbers behind it."
        )
        said_so.append(Warning("check", text))
    count, free = len(used), len(problem.line.free)
    if problem.priors and count < free:
        trials = f"{count} trial{'s' if count > 1 else ''}"
        text = f"{trials} for {free} numbers: published ranges decide what they leave open."
        said_so.append(Warning("check", text))
    if found.scatter > 1.0:
        text = (
            f"Readings scatter {found.scatter:.1f} times as widely as their ± says: intervals are widened to "
            "match. Look at the trials that are furthest off, at the ± you gave, and at what varied unseen, the "
            "feed first."
        )
        said_so.append(Warning("check", text))
    for k, p in enumerate(problem.line.free):
        if problem.priors and abs(found.u[k]) > 2.5:
            text = f"{p.name} lies outside its published range: is something else off, such as the feed's moisture?"
            said_so.append(Warning("check", text))
    if used.assumed:
        usual = {
            "moisture": "exit moisture ± 0.2 point",
            "temperature": f"exit temperature ± {dual_units.difference(0.5, 1)}",
            "exhaust_temperature": f"exhaust ± {dual_units.difference(1.0, 1)}",
            "exhaust_relative_humidity": "its humidity ± 3 points",
        }
        told = list(dict.fromkeys(usual[q.rpartition(".")[2]] for q in used.assumed))
        text = f"Where no ± is given, usual instruments are taken: {', '.join(told)}."
        said_so.append(Warning("note", text))
    if given.marks:
        said_so.append(Warning("note", f"The file of trials has {given.marks}: found in it and read so."))
    if not used.doubt.any():
        text = "What was set counts as exact: give feed.moisture ± [%] and the like where it is not."
        said_so.append(Warning("note", text))
    return tuple(said_so)


def _wider(problem: Problem, ends: Array) -> list[Warning]:
    """Numbers that were known better before the trials than by them."""
    wide = (ends[:, 1] - ends[:, 0]) / (2 * WITHIN)
    names = [p.name for p, times in zip(problem.line.free, wide) if times > 1 + WIDER]
    if not names:
        return []
    of, are = ("the interval of", "is") if len(names) == 1 else ("the intervals of", "are")
    why = (
        "the trials contradict what was known: look at their units, and at what varied unseen"
        if problem.priors
        else "leave --no-priors out, or measure at other settings"
    )
    text = (
        f"{of[0].upper()}{of[1:]} {' and '.join(names)} {are} wider by these trials than before them: {why}."
    )
    return [Warning("check", text)]


def _worse(problem: Problem, before: Said, found: Estimate) -> list[Warning]:
    """Whether the fit, or its material by itself, as a file holds it, explains the trials worse than before."""
    was, found_off = _off(problem, before), _off(problem, found.said)
    if found_off > was * (1 + WORSE):
        text = (
            f"The fitted numbers explain the trials worse than those before: readings are off by {found_off:.2f} "
            f"times their ± in place of {was:.2f}. Keep what you had, and look at the trials."
        )
        return [Warning("check", text)]
    of_line = [k for k, p in enumerate(problem.line.free) if not p.of_material]
    if not of_line or len(of_line) == len(problem.line.free):
        return []
    theta = found.theta(problem)
    theta[of_line] = problem.before[of_line]
    alone = _off(problem, said(problem.line, theta, slopes=False))
    if alone <= was * (1 + WORSE):
        return []
    names = " and ".join(problem.line.free[k].name for k in of_line)
    text = (
        f"The fitted material by itself, without {names}, explains the trials worse than the material before: "
        f"readings are off by {alone:.2f} times their ± in place of {was:.2f} (with {names}: {found_off:.2f}). "
        f"Use it only where {names} {'is' if len(of_line) == 1 else 'are'} put in, too."
    )
    return [Warning("check", text)]


def _off(problem: Problem, there: Said) -> float:
    """How far readings are off, root mean square, as a share of their ±."""
    trials = problem.trials
    miss = (trials.measured - there.readings[:, 0]) / (WITHIN * trials.deviation)
    return float(np.sqrt(np.nanmean(miss**2)))
