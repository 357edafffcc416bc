"""Dryers, from cases to the Result a person reads: batches and belts, laid side by side where they can be.

A batch is one phase of model.drying, or two where it is cooled; a belt has one for each zone, and rides through it
at the speed that the throughput asks for. Its fans stand along the zone, so air is mixed across the belt and not
along it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.model import drying
from coolsim.model.bed import refuse_impossible, take
from coolsim.model.drying import Solution
from coolsim.simulate import schedule
from coolsim.simulate.dryer_course import for_curves, history_of, layers_of, mean_course
from coolsim.simulate.dryer_phases import gathered, phases_and_pellets
from coolsim.simulate.dryer_results import collected, result_of
from coolsim.simulate.inputs import Inputs, bed_of
from coolsim.simulate.result_building import first, pick
from coolsim.simulate.uneven_beds import UnevenBeds, apart, columns_of_dryers
from coolsim.support.errors import NotConverged

DEFAULT = drying.Resolution()
UNCHECKED = drying.Resolution(refinements=0, estimate=False)
# Right to a tenth of a point and some tenths of a kelvin, the same for cases that are alike: what is left of that,
# once one of them is predicted in full, is a twentieth of what unknown inputs leave open. With longer steps in time
# belts jump by a tenth of a kelvin where one step less is taken, and are hardly faster. Newton's steps end sooner
# than in predictions, a quarter of the time: the next one would move moisture by less than 1e-6.
SURVEY = drying.Resolution(4, 6, refinements=0, estimate=False, enough=1e-2)


def dry(
    cases: Sequence[Case],
    weather: Air | None,
    many: bool = False,
    resolution: drying.Resolution = DEFAULT,
) -> Result:
    """Predict dryers of one kind; floats for one case in one state of air, unless it is one of many."""
    return solved(cases, gathered(cases, weather), many, resolution)[0]


def solved(
    cases: Sequence[Case],
    inputs: Inputs,
    many: bool = False,
    resolution: drying.Resolution = DEFAULT,
) -> tuple[Result, list[Solution]]:
    """As `dry`, of inputs as gathered, and the solutions behind the answer."""
    cooler = cases[0].cooler
    refuse_impossible(bed_of(inputs), len(inputs.radius))
    phases, pellets, efficiency = phases_and_pellets(cases, inputs)
    beds = columns_of_dryers(inputs)
    if beds is None:
        solutions = drying.solve(bed_of(inputs), phases, pellets, resolution=resolution)
        columns = collected(len(inputs.radius), solutions, efficiency)
    else:
        each = beds.columns.case
        split, shapes = apart(beds, inputs, phases), take(pellets, each)
        solutions = drying.solve(bed_of(beds.inputs), split, shapes, resolution=resolution, shares=beds.solid)
        columns = collected(len(each), solutions, efficiency[each])
    scalar = not many and inputs.shape == () and len(cases) == 1
    result = result_of(cooler, inputs, phases, columns, beds)
    if scalar:
        result = alone(result, solutions, 0, beds)[2]
    result = schedule.within_capacity(
        dataclasses.replace(result, schedule=schedule.schedule_of(cases, result))
    )
    count = len(inputs.radius)
    failed = np.unique(np.concatenate([s.index[~s.converged] for s in solutions]) % count)
    if len(failed):
        raise NotConverged(_reason(solutions, len(failed), count), failed, result)
    return result, solutions


def each(cases: Sequence[Case]) -> list[Result]:
    """Predict dryers of one kind side by side, each as it would be alone."""
    inputs = gathered(cases)
    result, solutions = solved(cases, inputs, many=True)
    beds = columns_of_dryers(inputs)
    return [alone(result, solutions, k, beds)[2] for k in range(len(cases))]


def alone(
    result: Result, solutions: list[Solution], k: int, beds: UnevenBeds | None
) -> tuple[Solution, NDArray[np.intp], Result]:
    """One of many dryers: the solution it is part of and its place there, its floats and its course.

    Of an uneven bed the solution is that of the column that is as deep and quick as the mean.
    """
    who = np.array([k]) if beds is None else beds.who(k)
    parts = [next((s, np.flatnonzero(s.index == at)) for s in solutions if at in s.index) for at in who]
    courses = [(history_of(own), layers_of(own)) for own in (drying.part(s, at) for s, at in parts)]
    middle = len(who) // 2
    if beds is not None:
        flux = np.array([s.phases[0].air_flux[at[0]] for s, at in parts])
        courses[middle] = mean_course(courses, beds, k, flux)
    one = first(pick(result, np.array([k])))
    history, layers = courses[middle]
    return *parts[middle], dataclasses.replace(one, history=for_curves(history), layers=layers)


def _reason(solutions: list[Solution], failed: int, count: int) -> str:
    who = "the dryer" if count == 1 else f"{failed} of {count} dryers"
    return f"{who} did not converge: a step in time became too short"
