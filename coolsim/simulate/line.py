"""Machines in a row: each stage's exit, with the moisture inside its pellets, is the next one's feed.

Between two stages pellets may stand (model.stand_by). What is handed on is moisture by share of a pellet's volume
and enthalpy; both arrive to the last digit, whatever the meshes. Dry solid is the same in all stages: dryers that
work in batches are taken to keep up (simulate.schedule says whether they do). What shrank in a dryer stays so.

Lines
-----
`line.run` goes stage by stage, all lines of one kind side by side. `model.leaving.Leaving` is what a stage hands
on: moisture in shells, enthalpy, ⟨Q⟩, how much the pellets shrank. It reaches the next bed as `Bed.fed`, told by
share of a pellet's volume, because the cooler's sphere and the dryer's body have different radii but the same
surface per volume. `pellet_shells.on_shells` carries it between meshes: PCHIP through the water within each share
of the volume, so the mean is exact. Enthalpy is handed on with the ⟨Q⟩ it was made of, so it is the same on every
mesh. `model.stand_by` evens out a profile behind a closed surface with scipy's LSODA. `scenario.stages` reads
each `[[stage]]` as the scenario of that machine alone and puts its faults under the stage's keys
(`schema.base_of`, `in_stage` translate).

Checks: a cooler cut in two, the upper part in the air that leaves the lower, is one cooler (to 0.004 point;
handed on without its profile it would be off by 0.03 to 0.07); a batch that is turned over, cut in two, is one
batch; a closed parabola against its series.

Dead end: handing on a mixed bed's own mean of ⟨Q⟩. The mean pellet then sets free the heat that dry pellets would
give if they took water from wet ones, which they do not do: 20 K in a bed of 1 to 19 %. Its temperature is handed
on instead, and the balance of the line counts from there.

Weak: pellets of a mixed bed are one mean pellet (evening out warms it about 1 K less than each alone, in a bed of
6 points from bottom to top); none of them loses heat or exchanges water with others while it stands; what flashes
between stages flashes evenly over the pellet; `feed.bulk_density` of later stages follows from the dry solid, so
a bin that settles is not known. Errors of the stages are added up, which bounds them where no stage makes an
error of its feed larger.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from types import MappingProxyType
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line, Stage
from coolsim.case.result import Accuracy, Result, StageRun, Warning
from coolsim.case.streams import Air
from coolsim.case.tables import FanData
from coolsim.model import leaving, stand_by
from coolsim.model.drying import Solution
from coolsim.model.leaving import Leaving
from coolsim.physics import air
from coolsim.simulate import dryer_phases, dryer_simulation, fan_system
from coolsim.simulate.cautions import cautions, worst_first
from coolsim.simulate.dryer_phases import COUNTER_FLOW, gathered
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.inputs import Inputs, bed_of, gather, unevenness
from coolsim.simulate.line_cautions import of_stand_by, of_uneven_feed
from coolsim.simulate.result_building import first
from coolsim.simulate.uneven_beds import leaving_of_dryers
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array, Number

LINE = "line"
NOT_TYPED: Mapping[str, Any] = MappingProxyType({})  # a stage by itself is no scenario

# Coolers side by side, laid out as given: their answer, floats for one of them if so asked, and what leaves them.
Cool = Callable[[list[Case], Inputs, bool], tuple[Result, Leaving]]
# Dryers side by side, and whether arrays are wanted even of one of them: as dryer_simulation.solved.
Dry = Callable[[list[Case], Inputs, bool], tuple[Result, list[Solution]]]


def kind(case: Case) -> str:
    """Cases of one kind can stand side by side in one solve; a line's stages are the same, one by one."""
    if not isinstance(case.cooler, Line):
        return dryer_phases.kind(case) + unevenness(case.cooler)
    stages = (
        f"{s.name}: {dryer_phases.kind(dataclasses.replace(case, cooler=s.cooler))}{unevenness(s.cooler)}"
        for s in case.cooler.stages
    )
    equation = case.material.isotherm.equation
    return f"{LINE} {equation} {'; '.join(stages)}"


def in_air(case: Case, weather: Air | None) -> list[Case]:
    """The line in each state of air; stages that state their own air keep it."""
    if weather is None:
        return [case]
    columns = (weather.temperature, weather.relative_humidity, weather.pressure)
    T, RH, p = (np.ravel(x) for x in np.broadcast_arrays(*columns))
    return [dataclasses.replace(case, air=Air(*map(float, state))) for state in zip(T, RH, p)]


def run(cases: Sequence[Case], scalar: bool, cool: Cool, dry: Dry = dryer_simulation.solved) -> Result:
    """Predict lines of one kind; `scalar` gives floats (and warnings) for the one case that there is."""
    cases = in_air_each(cases)
    pellets: Leaving | None = None
    inner: list[StageRun] = []
    gaps: list[tuple[Array, Array]] = []
    now = list(cases)
    for k, stage in enumerate(cases[0].cooler.stages):
        seconds = np.array([c.cooler.stages[k].stand_by for c in cases], float)
        if pellets is not None:
            now = _fed(cases, now, pellets)
            pellets = stand_by.after_standing(pellets, seconds)
            now = [_at(c, float(T)) for c, T in zip(now, pellets.temperature)]
        now = [by_itself(line, c, k) for line, c in zip(cases, now)]
        with _named(stage, k):
            result, after = _machine(now, pellets, scalar, cool, dry)
        gaps.append(_gap(pellets, after, result))
        inner.append(_stage_run(stage, seconds, pellets, now[0], result, scalar))
        pellets = after
    last = dataclasses.replace(inner[-1].result, accuracy=_accuracy(inner, gaps, scalar), stages=tuple(inner))
    return dataclasses.replace(last, warnings=warnings(last)) if scalar else last


def _machine(
    cases: list[Case], pellets: Leaving | None, scalar: bool, cool: Cool, dry: Dry
) -> tuple[Result, Leaving]:
    """One stage of all lines."""
    is_dryer = dryer_phases.kind(cases[0]) != COUNTER_FLOW
    inputs = gathered(cases) if is_dryer else gather(cases)
    inputs = dataclasses.replace(inputs, shape=() if scalar else (len(cases),))
    if pellets is not None:
        inputs = dataclasses.replace(inputs, fed=_after_flash(inputs, pellets).fed)
    if not is_dryer:
        return cool(cases, inputs, scalar)
    result, solutions = dry(cases, inputs, not scalar)
    return result, leaving_of_dryers(inputs, solutions)


def _after_flash(inputs: Inputs, pellets: Leaving) -> Leaving:
    """Pellets so hot and wet that they would boil lose water evenly, as at a die (physics.pellet.flash)."""
    flashes = inputs.flashed_temperature != inputs.feed_temperature
    if not flashes.any():
        return pellets
    Q = bed_of(inputs).bound_water(inputs.flashed_moisture_db)[0]
    mean = np.where(flashes, inputs.flashed_moisture_db, pellets.mean)
    return leaving.fitted(pellets, mean, np.where(flashes, Q, pellets.bound_heat))


def _fed(lines: Sequence[Case], before: list[Case], pellets: Leaving) -> list[Case]:
    """The cases with what left the stage before as their feed."""
    cases = []
    for line, case, X, T, size in zip(lines, before, pellets.mean, pellets.temperature, pellets.size):
        dry_solid = line.feed.throughput * (1 - line.feed.moisture)
        dry_density = case.feed.bulk_density * (1 - case.feed.moisture)
        feed = dataclasses.replace(
            line.feed,
            diameter=case.feed.diameter * float(size),
            length=case.feed.length * float(size),
            throughput=dry_solid * (1 + float(X)),
            temperature=float(T),
            moisture=float(X / (1 + X)),
            bulk_density=dry_density * (1 + float(X)) / float(size) ** 3,
        )
        cases.append(dataclasses.replace(case, feed=feed))
    return cases


def _at(case: Case, temperature: float) -> Case:
    return dataclasses.replace(case, feed=dataclasses.replace(case.feed, temperature=temperature))


def by_itself(line: Case, fed: Case, k: int) -> Case:
    """Stage k of a line as a case of its own, with the feed it has."""
    stage = line.cooler.stages[k]
    return dataclasses.replace(
        line,
        title=f"{line.title}: {stage.name}",
        feed=fed.feed,
        air=stage.air or line.air,
        cooler=stage.cooler,
        fan=stage.fan,
        duct=stage.duct,
        schedule=stage.schedule,
        limits=stage.limits,
        arrival=None,  # what its pellets bring is known
        source=NOT_TYPED,
        plus_minus=NOT_TYPED,
    )


@contextmanager
def _named(stage: Stage, k: int) -> Iterator[None]:
    """Let faults and failures of a stage say which it is."""
    try:
        yield
    except NotConverged as error:
        raise NotConverged(f'stage "{stage.name}": {error.reason}', error.failed, error.best) from None
    except InputError as error:
        keys = (f"stage.{k + 1}.{f.key.removeprefix('cooler.')}" for f in error.faults)
        raise InputError(
            [Fault(f.where, key, f.found, f.allowed) for f, key in zip(error.faults, keys)]
        ) from None


def at_its_fans(case: Case, result: Result) -> Case:
    """The line with the airflow and inlet air that its fans settled at in its prediction, and without the fans."""
    stages = []
    for stage, told in zip(case.cooler.stages, result.stages):
        outcome, cooler = told.result, stage.cooler
        if outcome.fan is not None:
            outside = float((stage.air or case.air).temperature)
            stage = dataclasses.replace(
                stage, cooler=fan_system.settled_cooler(cooler, outside, outcome), fan=FanData()
            )
        stages.append(stage)
    return dataclasses.replace(case, cooler=Line(tuple(stages)))


# ---- What is told of it ---------------------------------------------------------------------------------


def _stage_run(
    stage: Stage, seconds: Array, pellets: Leaving | None, case: Case, result: Result, scalar: bool
) -> StageRun:
    if pellets is None:
        M = result.feed_in.moisture_wb
        outer = inner = M / (1 - M)
    else:
        outer, inner = pellets.moisture[-1], pellets.moisture[0]
    stood: Number = seconds
    if scalar:
        stood, outer, inner = (float(np.ravel(x)[0]) for x in (seconds, outer, inner))
    return StageRun(stage.name, stood, outer, inner, result, case)


def _gap(pellets: Leaving | None, after: Leaving, result: Result) -> tuple[Array, Array]:
    """What is lost on the way from the stage before: water in kg per kg of dry solid, heat as a share of 1 K in it.

    What flashes off on the way is told by `feed_in` and is no loss.
    """
    if pellets is None:
        return np.zeros_like(after.mean), np.zeros_like(after.mean)
    flash = np.atleast_1d(result.feed_in.flash_loss_wb) > 0
    capacity = after.bed.specific_heat + air.HEAT_CAPACITY_WATER * after.entered_moisture
    water = pellets.mean - after.entered_moisture
    heat = (pellets.enthalpy - after.entered_enthalpy) / capacity
    return np.where(flash, 0.0, np.abs(water)), np.where(flash, 0.0, np.abs(heat))


def _accuracy(stages: list[StageRun], gaps: list[tuple[Array, Array]], scalar: bool) -> Accuracy:
    """Sums over the line: what is wrong in one stage is carried on, and no stage makes it larger.

    Water counts as a share of what enters the line: a dryer can leave next to none to measure the next stage by.
    """
    each = [s.result.accuracy for s in stages]
    entering = [_water(s.result) for s in stages]
    water = sum(np.abs(a.water_imbalance) * X / entering[0] for a, X in zip(each, entering))
    water = water + sum(g[0] / entering[0] for g in gaps)
    energy = sum(np.abs(a.energy_imbalance) for a in each) + sum(g[1] for g in gaps)
    moisture = sum(a.moisture_error_wb for a in each)
    temperature = sum(a.temperature_error for a in each)
    whole = Accuracy(*(np.atleast_1d(np.asarray(x, float)) for x in (water, energy, moisture, temperature)))
    return first(whole) if scalar else whole


def _water(result: Result) -> Number:
    """What a stage's imbalance is a share of, kg per kg of dry solid: water that came with the feed or the air."""
    M = result.feed_in.moisture_wb
    return np.maximum(M / (1 - M), result.pellets_out.moisture_db)


def warnings(result: Result) -> tuple[Warning, ...]:
    """What to look at in each stage, under its name; what is true of several is said once."""
    last = result.stages[-1]
    return without_repeats(
        (run.name, warning)
        for run in result.stages
        for warning in (
            *of_stand_by(run),
            *(() if run is last else of_uneven_feed(run)),
            *cautions(run.case, run.result, bagged=run is last),
        )
    )


def without_repeats(each: Iterable[tuple[str, Warning]]) -> tuple[Warning, ...]:
    """Warnings of stages, each with the names of all stages that it is of; the worst first."""
    found: dict[tuple[str, str], list[str]] = {}
    for name, warning in each:
        found.setdefault((warning.level, warning.text), []).append(name)
    every = [Warning(level, f"{', '.join(names)}: {text}") for (level, text), names in found.items()]
    return tuple(worst_first(every))
