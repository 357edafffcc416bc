"""The one door to the models: predict(case) → Result.

Cases of one form of isotherm are laid side by side, cut into chunks of bounded memory and solved on all
processors. Numbers come back in the order of the cases.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import partial
from typing import Any, TypeAlias

import numpy as np

from coolsim.case.argument_checks import takes_cases
from coolsim.case.case import Case, Line
from coolsim.case.machine import Cooler
from coolsim.case.result import InputBand, Result
from coolsim.case.streams import Air
from coolsim.equipment.fan import fan_of
from coolsim.model import drying, leaving
from coolsim.model.bed import take
from coolsim.model.solve import Resolution, Solution
from coolsim.physics.correlations import among
from coolsim.simulate import dryer_simulation, fan_system, line, uneven_beds
from coolsim.simulate.assumed_ranges import root_of_squares, varied_cases, varied_numbers
from coolsim.simulate.cautions import cautions, worst_first
from coolsim.simulate.chunks import each_solved, on_one_thread
from coolsim.simulate.dryer_phases import COUNTER_FLOW, kind
from coolsim.simulate.feed_following import in_air, in_air_each
from coolsim.simulate.finishing import finished, finished_each
from coolsim.simulate.finishing_cautions import around_the_machine
from coolsim.simulate.inputs import Inputs, gather, with_even_bed
from coolsim.simulate.result_building import Part, build_result, first, interleave, part_of, with_profiles
from coolsim.simulate.side_by_side import by_form, comparable, grouped, holds_arrays, one_by_one
from coolsim.simulate.uneven_beds import UnevenBeds, columns_of_coolers, leaving_of_coolers
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array

DEFAULT = Resolution()
ROUGH = Resolution(8, 6, refinements=0, estimate=False)  # for air paths that are corrected afterwards
# Of what inputs leave open, by the difference to the case itself on the same mesh: bands of shipped coolers are
# within 0.002 point and 0.03 K of those on the full mesh, of dryers, which take their rough one, within 0.04 point
# and 0.06 K.
BAND = Resolution(12, 8, refinements=0, estimate=False)


@takes_cases
def predict(
    case: Case | Sequence[Case],
    *,
    air: Air | None = None,
    band: bool = False,
    profile: bool | None = None,
    resolution: Resolution = DEFAULT,
) -> Result:
    """Predict what leaves the cooler, dryer or line.

    case: one Case, or several (then every number of the result is an array over them). Numbers of feed, material,
        machine, fan and duct of one case may be arrays that broadcast with each other and with those of the air.
    air: replaces the outside air of a single case; its arrays give one answer per entry, from one solve.
    band: also run the case over the published range of every assumed material number (one answer only).
    profile: whether the answer has the states through the bed; if not said, up to 1000 answers have.
    resolution: cells and shells of the mesh; dryers choose their own, a rough one where fewer cells than by default
        are asked for and no error is estimated.

    Raises NotConverged, with the failed cases and the best iterate, if any case could not be solved.
    """
    result = _predicted(case, air, band, profile, resolution)
    if isinstance(case, Case):
        one = case if air is None else dataclasses.replace(case, air=air)
        result = dataclasses.replace(with_surroundings(one, result), case=one)
    else:
        result = dataclasses.replace(finished_each(list(case), result), case=tuple(case))
    kept = with_profiles(profile, np.size(result.pellets_out.moisture_wb))
    return result if kept else dataclasses.replace(result, profile=None)


def with_surroundings(case: Case, result: Result) -> Result:
    """The result of a case with what its coating and bag make of it, and with what to look at there."""
    result = finished(case, result)
    single = np.ndim(result.pellets_out.moisture_wb) == 0
    more = list(around_the_machine(case, result)) if single else []
    return (
        dataclasses.replace(result, warnings=tuple(worst_first([*result.warnings, *more])))
        if more
        else result
    )


def _predicted(
    case: Case | Sequence[Case], air: Air | None, band: bool, profile: bool | None, resolution: Resolution
) -> Result:
    """As `predict`, at times with profiles that were not asked for: cautions look at them."""
    case = in_air(case, air) if isinstance(case, Case) else in_air_each(case)
    if isinstance(case, Case):
        if holds_arrays(case):
            if band:
                raise TypeError("band=True takes one case in one state of air")
            cases = list(one_by_one(case, case.air if air is None else air))
            return _several(cases, resolution, with_profiles(profile, len(cases)))
        if isinstance(case.cooler, Line):
            return _through_line(case, air, band, resolution)
        if kind(case) != COUNTER_FLOW:
            return _one_dryer(case, air, band, resolution)
        inputs = gather([case], air)
        scalar = inputs.shape == ()
        inputs, result = _run(case, inputs, scalar, resolution, True if scalar else profile)
        if scalar:
            one = case if air is None else dataclasses.replace(case, air=air)
            one = _blown(one, inputs)
            result = dataclasses.replace(result, warnings=cautions(one, result))
            return dataclasses.replace(result, input_band=input_band(one, result)) if band else result
    else:
        if air is not None:
            raise TypeError("air replaces the air of one case; for several cases set it in each")
        result = _several(list(case), resolution, with_profiles(profile, len(case)))
    if band:
        raise TypeError("band=True takes one case in one state of air")
    return result


def _run(
    case: Case,
    inputs: Inputs,
    scalar: bool,
    resolution: Resolution,
    profile: bool | None = None,
    speeds: Array | None = None,
) -> tuple[Inputs, Result]:
    """Predict a case with its fan, if that is known: at its speed, where one is given in place of an airflow.

    speeds: of several cases on its air path, in place of its own.
    """
    path = fan_system.air_path(case)
    if path is None:
        if case.cooler.airflow is None and case.cooler.air_ratio is None:
            fan_of(case.fan)  # says that there is no curve
            raise InputError([Fault("", "cooler.airflow", "nothing", "give it, or [fan] with its speed")])
        return inputs, _solved(inputs, scalar, resolution, profile)

    def solve(some: Inputs) -> Result:
        return _solved(some, False, resolution, profile)

    set_to: Any = np.nan
    if np.isnan(inputs.dry_air).any():
        set_to = case.fan.speed if speeds is None else speeds
        inputs, result = fan_system.settled(path, set_to, inputs, lambda i: _solved(i, False, ROUGH), solve)
    else:
        inputs, result = fan_system.warmed(path, inputs, solve)
    result = fan_system.with_fan(path, inputs, result, set_to)
    return inputs, first(result) if scalar else result


def at_its_fan(case: Case, resolution: Resolution = DEFAULT, *, result: Result | None = None) -> Case:
    """The case with the airflow and inlet air that its fan settles at; as it is, where it states both.

    result: its prediction, where there is one already.
    """
    if isinstance(case.cooler, Line):
        alone = (line.by_itself(case, case, k) for k in range(len(case.cooler.stages)))
        asks = any(isinstance(one.cooler, Cooler) and _asks_its_fan(one) for one in alone)
        known = result or (predict(case, resolution=resolution) if asks else None)
        return line.at_its_fans(case, known) if asks and known else case
    if kind(case) != COUNTER_FLOW:
        return case
    if not _asks_its_fan(case):
        return case
    if result is not None and result.fan is not None:
        outside = float(case.air.temperature)
        return dataclasses.replace(case, cooler=fan_system.settled_cooler(case.cooler, outside, result))
    return _blown(case, _run(case, gather([case]), False, resolution)[0])


def _blown(case: Case, inputs: Inputs) -> Case:
    """The case with the airflow and inlet air that its fan settled at."""
    path = fan_system.air_path(case)
    if path is None or (case.cooler.airflow is not None and not path.heats):
        return case
    cooler = dataclasses.replace(
        case.cooler,
        airflow=float(inputs.dry_air[0] * inputs.outside_volume[0]),
        air_ratio=None,
        # without the fan's heat it follows the air outside, which a study may vary
        inlet_air_temperature=float(inputs.inlet_air_temperature[0])
        if path.heats
        else case.cooler.inlet_air_temperature,
    )
    return dataclasses.replace(case, cooler=cooler)


def predict_inputs(inputs: Inputs, resolution: Resolution = DEFAULT) -> Result:
    """Predict cases that are already laid side by side, for studies that try many settings of one case."""
    return _solved(inputs, False, resolution)


def _several(cases: list[Case], resolution: Resolution, profile: bool | None = None) -> Result:
    """Cases with any mix of arrangements and isotherms."""
    return grouped(cases, line.kind, lambda some: _of_one_kind(some, resolution, profile), comparable)


def _of_one_kind(cases: list[Case], resolution: Resolution, profile: bool | None) -> Result:
    """Coolers, or dryers that can stand side by side."""
    if isinstance(cases[0].cooler, Line):
        return _lines(cases, False, resolution)
    if kind(cases[0]) != COUNTER_FLOW:
        with on_one_thread():
            return dryer_simulation.dry(cases, None, many=True, resolution=_of_dryers(resolution))
    return by_form(cases, lambda some: _on_their_fans(some, gather(some), resolution, profile)[1])


def _on_their_fans(
    cases: list[Case], inputs: Inputs, resolution: Resolution, profile: bool | None = None
) -> tuple[Inputs, Result]:
    """Coolers as laid side by side, those on the same air path at once; how each fan runs is left out."""
    if not any(_asks_its_fan(c) for c in cases):
        return inputs, _solved(inputs, False, resolution, profile)
    paths = np.array([_air_path_of(c) for c in cases])
    groups = [np.flatnonzero(paths == one) for one in dict.fromkeys(paths)]
    laid_out, results = [], []
    for index in groups:
        speeds = np.array([cases[k].fan.speed or np.nan for k in index])
        try:
            now, result = _run(cases[index[0]], take(inputs, index), False, resolution, profile, speeds)
        except NotConverged as error:
            raise NotConverged(error.reason, index[np.asarray(error.failed, int)], error.best) from None
        laid_out.append(now)
        results.append(dataclasses.replace(result, fan=None))
    whole = {name: interleave([getattr(i, name) for i in laid_out], groups) for name in _SETTLED}
    return dataclasses.replace(inputs, **whole), interleave(results, groups)


_SETTLED = ("dry_air", "inlet_air_temperature")  # what a fan decides


def _air_path_of(case: Case) -> str:
    """What cases on the same air path have in common; and whether the fan decides their airflow."""
    flows = case.cooler.airflow is None and case.cooler.air_ratio is None
    return repr((dataclasses.replace(case.fan, speed=None), case.duct, flows))


def _of_dryers(resolution: Resolution) -> drying.Resolution:
    """Dryers choose their own mesh: a rough one where a rough one is asked for."""
    if resolution.estimate:
        return dryer_simulation.DEFAULT
    return dryer_simulation.SURVEY if resolution.cells < DEFAULT.cells else dryer_simulation.UNCHECKED


def _one_dryer(case: Case, air: Air | None, band: bool, resolution: Resolution) -> Result:
    """A dryer, in one state of air or many."""
    with on_one_thread():
        result = dryer_simulation.dry([case], air, resolution=_of_dryers(resolution))
    if np.ndim(result.pellets_out.moisture_wb) > 0:
        if band:
            raise TypeError("band=True takes one case in one state of air")
        return result
    one = case if air is None else dataclasses.replace(case, air=air)
    result = dataclasses.replace(result, warnings=cautions(one, result))
    return dataclasses.replace(result, input_band=input_band(one, result)) if band else result


def _through_line(case: Case, air: Air | None, band: bool, resolution: Resolution) -> Result:
    """A line, in one state of air or many."""
    cases = line.in_air(case, air)
    scalar = air is None or np.broadcast(air.temperature, air.relative_humidity, air.pressure).ndim == 0
    result = _lines(cases, scalar, resolution)
    if band and not scalar:
        raise TypeError("band=True takes one case in one state of air")
    return dataclasses.replace(result, input_band=input_band(cases[0], result)) if band else result


def _lines(cases: list[Case], scalar: bool, resolution: Resolution) -> Result:
    dry = partial(dryer_simulation.solved, resolution=_of_dryers(resolution))
    with on_one_thread():
        return line.run(cases, scalar, cooling(resolution), dry)


def cooling(resolution: Resolution) -> line.Cool:
    """How a line predicts its coolers."""

    def cool(some: list[Case], inputs: Inputs, scalar: bool) -> tuple[Result, leaving.Leaving]:
        if any(_asks_its_fan(c) for c in some):
            inputs = _on_their_fans(some, inputs, resolution)[0]
        path = fan_system.air_path(some[0]) if len(some) == 1 else None
        result, solutions = solved(inputs, scalar and path is None, resolution)
        if path is not None:
            result = fan_system.with_fan(path, inputs, result)
            result = first(result) if scalar else result
        return result, leaving_of_coolers(inputs, solutions)

    return cool


def _asks_its_fan(case: Case) -> bool:
    path, cooler = fan_system.air_path(case), case.cooler
    return (path is not None and path.heats) or (cooler.airflow is None and cooler.air_ratio is None)


def _solved(inputs: Inputs, scalar: bool, resolution: Resolution, profile: bool | None = None) -> Result:
    """Solve all cases, keeping no more of each chunk than goes into the answer; raises if one fails."""
    profiles, blocks = with_profiles(profile, len(inputs.radius)), uneven_beds.blocks(inputs)

    def answered(some: Inputs) -> _Answered:
        beds = columns_of_coolers(some)
        parts = each_solved(some, beds, resolution, lambda s: part_of(s, resolution, profiles))
        return _answered(some, beds, parts)

    if len(blocks) == 1:
        return _whole([answered(inputs)], blocks, scalar)
    each = []
    for block in blocks:
        try:
            each.append(answered(take(inputs, block)))
        except NotConverged as error:  # of what nobody need try
            raise NotConverged(error.reason, block[error.failed], error.best) from None
    return _whole(each, blocks, scalar)


def solved(inputs: Inputs, scalar: bool, resolution: Resolution = DEFAULT) -> tuple[Result, list[Solution]]:
    """Solve all cases and raise if one fails; `scalar` gives a result of floats. With the solutions behind it.

    They are those of the columns, column after column, where a bed is uneven.
    """
    profiles, beds = with_profiles(None, len(inputs.radius)), columns_of_coolers(inputs)
    solutions = each_solved(inputs, beds, resolution, lambda s: s)
    answered = _answered(inputs, beds, [part_of(s, resolution, profiles) for s in solutions])
    return _whole([answered], [np.arange(len(inputs.radius))], scalar), solutions


_Answered: TypeAlias = tuple[Result, Any, str]  # with which cases failed, and the trouble of the first


def _answered(inputs: Inputs, beds: UnevenBeds | None, parts: list[Part]) -> _Answered:
    failed = np.concatenate([part.index[~part.converged] for part in parts]) % len(inputs.radius)
    trouble = next((part.trouble for part in parts if part.trouble), "")
    return build_result(inputs, parts, beds), np.unique(failed), trouble


def _whole(each: list[_Answered], blocks: list[Any], scalar: bool) -> Result:
    """Blocks of cases as one result; raises NotConverged with it if a case failed."""
    result = each[0][0] if len(each) == 1 else interleave([result for result, _, _ in each], blocks)
    result = first(result) if scalar else result
    failed = np.concatenate([block[lost] for (_, lost, _), block in zip(each, blocks)])
    if len(failed):
        count = sum(map(len, blocks))
        who = "the case" if count == 1 else f"{len(failed)} of {count} cases"
        trouble = next(trouble for _, _, trouble in each if trouble)
        raise NotConverged(f"{who} did not converge; {trouble}", failed, result)
    return result


# ---- What the assumed numbers leave open --------------------------------------------------------------


def input_band(case: Case, result: Result) -> InputBand:
    """Exit over the ranges of the assumed numbers, each varied alone; all in one batch.

    Deviations are added as the root of their squares, since the numbers err independently of each other: their sum
    would be a pellet that nobody makes. Those of numbers that err together are added with their correlation.
    They are those of an even bed: of shipped scenarios within 0.007 point and 0.03 K of those of the uneven one, in
    less than half of the time, which for a dryer is most of it.
    """
    M, T = float(result.pellets_out.moisture_wb), float(result.pellets_out.temperature)
    cases = varied_cases(case)
    if not cases:
        return InputBand((M, M), (T, T))
    out = _several([with_even_bed(one) for one in (case, *cases)], BAND).pellets_out
    R = among(case.material.correlation, [name for name, *_ in varied_numbers(case)])
    wetter, warmer = (x[1:] - x[0] for x in (out.moisture_wb, out.temperature))
    return InputBand(root_of_squares(M, M + wetter, R), root_of_squares(T, T + warmer, R))
