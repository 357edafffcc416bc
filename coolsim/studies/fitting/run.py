"""The door: a scenario and trials of its line in, its own numbers out."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from pathlib import Path
from types import MappingProxyType

import numpy as np

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.physics.correlations import Correlation, among
from coolsim.physics.correlations import correlation as correlated
from coolsim.physics.materials import Material, Provenance
from coolsim.scenario.readings import WITHIN
from coolsim.scenario.trials import Trials, read_trials
from coolsim.studies.fitting import cautions, diagnostics, experiment_design
from coolsim.studies.fitting.answer import Exit, FitAnswer, Fitted, Reading
from coolsim.studies.fitting.estimate import Estimate, Problem, estimated, intervals
from coolsim.studies.fitting.march_model import put
from coolsim.studies.fitting.model import ModelReadings, line_of, model_readings, pivot, pivoted
from coolsim.studies.fitting.parameters import USUAL, Parameter, parameters_of
from coolsim.studies.fitting.unevenness import unevenness_of
from coolsim.support.errors import Fault, InputError, joined_to
from coolsim.support.fields import Array
from coolsim.support.progress import Progress, in_steps, tells


@takes_a_case
@tells
def fit(
    case: Case,
    trials: Trials | str | os.PathLike[str],
    free: Sequence[str] = USUAL,
    *,
    priors: bool = True,
    progress: Progress = None,
) -> FitAnswer:
    """Find the numbers of a line that explain its trials, with their intervals.

    trials: a CSV file as `coolsim fit --help` describes, or Trials of `coolsim.studies.fitting.trials_of`.
    free: names of studies.fitting.parameters.PARAMETERS; of a stage of a line with its number,
    stage.1.airflow_factor.
    priors: published ranges count, as what is known beforehand.
    progress: who hears how far it is, as `coolsim.support.progress` says.

    Raises InputError for a file with faults (all of them), for trials that cannot be what
    they say and for trials that do not settle the numbers; NotConverged where the model or the search fails.
    """
    chosen, given = _free_and_trials(case, trials, free)
    diagnostics.refuse_impossible(case, given, chosen)
    used = diagnostics.once_each(given)
    problem = posed(case, used, chosen, priors)
    before = model_readings(problem.line, problem.before)
    diagnostics.refuse_units(used, before)
    diagnostics.refuse_unsettled(problem, before)
    with in_steps(3) as step:
        step("fitting the trials")
        found = estimated(problem, before)
        diagnostics.refuse_misfit(problem, found)
        step("how far off they may be")
        ends = intervals(problem, found)
        fitted = fitted_case(case, used, problem, found, ends)
        step("what to measure next")
        measures = experiment_design.next_measures(case, problem, found)
    values = [p.value(theta) for p, theta in zip(chosen, found.theta(problem))]
    return FitAnswer(
        case=fitted,
        trials=len(used),
        file=given.name,
        parameters=tuple(_fitted(case, problem, found, ends)),
        correlation=correlation(found.covariance),
        readings=tuple(_readings(problem, before, found)),
        scatter=found.scatter,
        priors=priors,
        suspects=diagnostics.suspects(problem, found),
        alike=diagnostics.alike(problem, found),
        before=_exit(case, problem, problem.before, np.eye(len(chosen))),
        after=_exit(case, problem, found.theta(problem), found.covariance),
        next=measures,
        warnings=cautions.warnings(given, used, problem, before, found, ends),
        unevenness=unevenness_of(used, [(p.name, float(x)) for p, x in zip(chosen, values)]),
    )


def _free_and_trials(
    case: Case, trials: Trials | str | os.PathLike[str], free: Sequence[str]
) -> tuple[tuple[Parameter, ...], Trials]:
    """The free numbers and the trials; raises InputError with the faults of both."""
    chosen, given, faults = None, None, list[Fault]()
    with joined_to(faults):
        chosen = chosen_parameters(free, case)
    with joined_to(faults):
        given = trials if isinstance(trials, Trials) else read_trials(case, trials)
    if chosen is None or given is None:
        raise InputError(faults)
    return chosen, given


def chosen_parameters(free: Sequence[str], case: Case) -> tuple[Parameter, ...]:
    """The numbers of some names; raises InputError for names that are none, and for none at all."""
    known, free = parameters_of(case), list(dict.fromkeys(free))
    unknown = [name for name in free if name not in known]
    allowed = f"allowed: {', '.join(known)}"
    faults = [Fault("", "--free", f'"{name}"', allowed) for name in unknown]
    if not free:
        faults.append(Fault("", "--free", "no name", f"{allowed}; {', '.join(USUAL)} if left out"))
    if faults:
        raise InputError(faults)
    return tuple(known[name] for name in free)


def posed(case: Case, trials: Trials, free: Sequence[Parameter], priors: bool = True) -> Problem:
    """The question as the search sees it."""
    before = np.array([p.theta(p.before(case)) for p in free])
    spread = np.array([p.spread(case) for p in free])
    return Problem(line_of(trials, free), trials, before, spread, priors)


def correlation(covariance: Array) -> Array:
    deviation = np.sqrt(np.diag(covariance))
    return covariance / np.outer(deviation, deviation)


def _fitted(case: Case, problem: Problem, found: Estimate, ends: Array) -> list[Fitted]:
    fitted, deviation = [], np.sqrt(np.diag(found.covariance))
    for k, p in enumerate(problem.line.free):
        low, high, whose = p.range(case)
        low, high = max(low, p.limits[0]), min(high, p.limits[1])
        value, lowest, highest = (
            float(p.value(problem.before[k] + problem.spread[k] * u)) for u in (found.u[k], *ends[k])
        )
        learned = float(np.clip(1 - deviation[k], 0.0, 1.0))
        fitted.append(
            Fitted(
                p.name,
                value,
                lowest,
                highest,
                p.unit,
                p.before(case),
                low,
                high,
                whose,
                learned,
                p.of_material,
            )
        )
    return fitted


def _readings(problem: Problem, before: ModelReadings, found: Estimate) -> list[Reading]:
    """Every reading that was taken, with what the model says of it; its interval is the free numbers' alone."""
    trials, slopes = problem.trials, found.modelled.by_theta[:, :, 0] * problem.spread[:, None]
    variance = np.einsum("qft,fg,qgt->qt", slopes, found.covariance, slopes)
    within, readings = WITHIN * np.sqrt(variance), []
    for t, label in enumerate(trials.labels):
        for q, name in enumerate(trials.quantities):
            if np.isfinite(trials.measured[q, t]):
                after = float(found.modelled.readings[q, 0, t])
                readings.append(
                    Reading(
                        trial=label,
                        quantity=name,
                        measured=float(trials.measured[q, t]),
                        within=float(WITHIN * trials.deviation[q, t]),
                        before=float(before.readings[q, 0, t]),
                        after=after,
                        low=after - float(within[q, t]),
                        high=after + float(within[q, t]),
                    )
                )
    return readings


def _exit(case: Case, problem: Problem, theta: Array, covariance: Array) -> Exit:
    """The exit of the scenario itself, and how far the free numbers leave it open."""
    at = model_readings(experiment_design.at_scenario(case, problem), theta)
    slopes = at.by_theta[:2, :, 0, 0] * problem.spread
    moisture, temperature = WITHIN * np.sqrt(np.einsum("qf,fg,qg->q", slopes, covariance, slopes))
    M, T = at.readings[:2, 0, 0]
    return Exit(float(M), float(moisture), float(T), float(temperature))


def _correlation(material: Material, problem: Problem, found: Estimate) -> Correlation | None:
    """How the material's numbers err together: those of this fit, and apart from them those of an earlier one.

    What they share with numbers of the line (false air, …) is in their ranges, but is not told on: those numbers
    do not go with the material.
    """
    free = [k for k, p in enumerate(problem.line.free) if p.of_material]
    names = [_NUMBER.get(problem.line.free[k].name, problem.line.free[k].name) for k in free]
    earlier = (
        [] if material.correlation is None else [n for n in material.correlation.names if n not in names]
    )
    R = np.eye(len(names) + len(earlier))
    R[: len(names), : len(names)] = correlation(found.covariance)[np.ix_(free, free)]
    R[len(names) :, len(names) :] = among(material.correlation, earlier)
    return correlated([*names, *earlier], R) if len(R) > 1 else None


# Of a parameter's values: the number of a material whose source and range they become.
_NUMBER = {"isotherm_shift": "isotherm_scale"}


def fitted_case(case: Case, trials: Trials, problem: Problem, found: Estimate, ends: Array) -> Case:
    """The scenario's case with the fitted material, its ranges the intervals; the line's numbers put in too."""
    names = [p.name for p in problem.line.free]
    value, low, high = (
        {n: float(p.value(t)) for n, p, t in zip(names, problem.line.free, theta)}
        for theta in (
            found.theta(problem),
            *(problem.before + problem.spread * ends[:, side] for side in (0, 1)),
        )
    )
    base = pivoted([case], pivot(trials.cases))[0] if "moisture_slope" in names else case
    material, law, isotherm = base.material, base.material.diffusivity, base.material.isotherm
    law = dataclasses.replace(
        law,
        value=value.get("diffusivity", law.value),
        activation_energy=value.get("activation_energy", law.activation_energy),
        moisture_slope=value.get("moisture_slope", law.moisture_slope),
    )
    scale = isotherm.scale
    provenance = dict(material.provenance)
    for name, p in zip(names, problem.line.free):
        if p.of_material:
            key, ends_of = _NUMBER.get(name, name), (low[name], high[name])
            if name == "isotherm_shift":
                ends_of = (scale * (1 + low[name]), scale * (1 + high[name]))
            source = f"fitted to {len(trials)} trials of {Path(trials.name).name}"
            provenance[key] = Provenance(source, False, *ends_of)
    material = dataclasses.replace(
        material,
        correlation=_correlation(material, problem, found),
        diffusivity=law,
        isotherm=dataclasses.replace(isotherm, scale=scale * (1 + value.get("isotherm_shift", 0.0))),
        specific_heat=value.get("specific_heat", material.specific_heat),
        provenance=MappingProxyType(provenance),
    )
    fitted = dataclasses.replace(case, material=material)
    for p in problem.line.free:
        if not p.of_material:
            fitted = put(fitted, p.name, value[p.name])
    return fitted
