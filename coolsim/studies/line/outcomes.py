"""Lines side by side, and what became of them: the outcomes of each machine, stage by stage.

Rows of arrays stand in the order of ROWS, once for each stage. Heat and electricity are per kg of the line's wet
feed.

Settings of lines
-----------------
`machines/lines.py` has each stage as a case of its own and the settings of all, called by number and name
("1.inlet_air_temperature"); `studies/line/outcomes.py` lines side by side: the outcomes of a dryer for each
stage, and a cooler's fan, and the `SearchProblem` that the search of dryers takes (ranges, how it is set, which
outcomes cost, how it is solved). Heat and electricity are per kg of the line's wet feed, so that stages add up.
Constraints of a stage carry its number ("2.lift_off"); wishes are of what leaves the last.

A batch's time is a knob like any other: a line is marched to its end, so one march does not tell of shorter ones.
A fan that decides its stage's airflow is refused: each try would have to settle. More than eight open settings
are refused: the survey has 2^settings corners. The rough mesh is within a tenth of a point of the full one here,
so one or two corrections do. Measured on two shared cores: three knobs of `dryer-then-cooler.toml` in 6 s, 4 of
them for predictions (68 on the rough mesh, 6 on the full one); four or five knobs take 10 or 18 s of processor
time. The cheapest of a dense grid, bisected to its target, is met to 0.2 %, nearly all of it moisture kept back
as margin (`survey.MARGIN` of 0.01: 1e-5).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines.base import one
from coolsim.machines.conditioner import steam_per_feed
from coolsim.machines.lines import machines, ranges, with_settings
from coolsim.machines.plant import Plant, outcome_of
from coolsim.model import drying
from coolsim.model.leaving import Leaving
from coolsim.model.solve import Resolution
from coolsim.simulate import dryer_simulation, line
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.finishing import headspace_dew_point
from coolsim.simulate.inputs import Inputs, with_even_bed
from coolsim.simulate.prediction import ROUGH, cooling
from coolsim.simulate.requirements import SWEATING, is_dryer
from coolsim.studies.drying import course
from coolsim.studies.drying.batching import Mesh, Request
from coolsim.studies.drying.course import OUTCOMES
from coolsim.studies.drying.problem import SearchProblem
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

ROWS = (
    *OUTCOMES,
    "fan_speed",
    "fan_curve",
)  # the last two of coolers: share of full, and how far off the curve
MESHES: dict[Mesh, tuple[drying.Resolution, Resolution]] = {  # of dryers and of coolers
    "rough": (course.ROUGH, ROUGH),
    "quick": (course.QUICK, Resolution(estimate=False)),
    "full": (dryer_simulation.DEFAULT, Resolution()),
}
# Fitted as they are; the others as logarithms.
PLAIN = ("temperature", "above_ambient", "pellet_temperature", "fan_speed", "fan_curve")


def row(stage: int, name: str) -> int:
    """Number of an outcome of a stage, counted from 0."""
    return stage * len(ROWS) + ROWS.index(name)


def of_whole_line(outcomes: Array) -> Array:
    """Outcomes (stages·ROWS, …) as of one machine (OUTCOMES, …): the last one's, with heat and fans of all."""
    by_stage = outcomes.reshape(-1, len(ROWS), *outcomes.shape[1:])
    whole = by_stage[-1, : len(OUTCOMES)].copy()
    for name in ("heat", "fan"):
        whole[OUTCOMES.index(name)] = by_stage[:, OUTCOMES.index(name)].sum(axis=0)
    return whole


def problem_of(case: Case) -> SearchProblem:
    """A line as the search for settings sees it. A batch's time is a knob like any other here."""
    stages = range(len(case.cooler.stages))
    energies = (row(k, name) for k in stages for name in ("heat", "fan"))
    plain = (row(k, name) for k in stages for name in PLAIN)

    def of(key: str) -> int:
        """What is of no stage is of what leaves the last."""
        place, _, name = key.rpartition(".")
        return row(int(place) - 1 if place else stages[-1], name)

    costly = (row(stages[-1], "moisture"), *energies)
    return SearchProblem(ranges, with_settings, of, costly, tuple(plain), of_whole_line, solver(case))


def solver(case: Case) -> Callable[[list[Request]], list[Any]]:
    """How lines that differ from `case` in their knobs are solved: as `batching.answered` asks for it."""
    plants = [None if is_dryer(one) else Plant(one) for one in machines(case)]

    def solve(asked: list[Request]) -> list[Any]:
        mesh = asked[0].mesh
        return _solved([a.case for a in asked], plants, mesh)

    return solve


def _solved(cases: list[Case], plants: list[Plant | None], mesh: Mesh) -> list[Any]:
    """Outcomes of each line (outcomes, 1), or of the full mesh a `course.Predicted`; None where one fails."""
    try:
        result, outcomes = _run(cases, plants, mesh)
    except NotConverged as error:
        good = np.setdiff1d(np.arange(len(cases)), error.failed)
        found: list[Any] = [None] * len(cases)
        if len(good) < len(cases):
            some = _solved([cases[k] for k in good], plants, mesh) if len(good) else []
            for k, found_one in zip(good, some):
                found[k] = found_one
        return found
    if mesh != "full":
        return list(np.moveaxis(outcomes, -1, 0)[..., None])
    return [course.Predicted(one(result, k), outcomes[:, k]) for k in range(len(cases))]


def _run(cases: list[Case], plants: list[Plant | None], mesh: Mesh) -> tuple[Result, Array]:
    """Predict lines of one kind: their answer, and outcomes (stages·ROWS, cases)."""
    of_dryers, of_coolers = MESHES[mesh]
    per_wet = np.array(
        [1 - c.feed.moisture for c in cases]
    )  # dry solid per wet feed of the line, as it was asked
    cases = [with_even_bed(case) for case in cases] if mesh == "rough" else cases
    steam, cases = steam_per_feed(cases), in_air_each(cases)
    outside = np.array([float(c.air.temperature) for c in cases])  # of the line, whatever air a stage draws
    blocks: list[Array] = []
    predicted = cooling(of_coolers)

    def cool(some: list[Case], inputs: Inputs, scalar: bool) -> tuple[Result, Leaving]:
        result, left = predicted(some, inputs, scalar)
        plant = plants[len(blocks)]
        assert plant is not None
        blocks.append(_of_coolers(plant, inputs, result, per_wet, outside))
        return result, left

    def dry(some: list[Case], inputs: Inputs, many: bool) -> tuple[Result, list[drying.Solution]]:
        result, solutions = dryer_simulation.solved(some, inputs, many, of_dryers)
        blocks.append(_of_dryers(some, inputs, result, per_wet, outside))
        return result, solutions

    with on_one_thread():
        result = line.run(cases, False, cool, dry)
    outcomes = np.concatenate(blocks)
    outcomes[row(0, "heat")] += steam
    return result, outcomes


def _of_dryers(cases: list[Case], inputs: Inputs, result: Result, per_wet: Array, outside: Array) -> Array:
    energy, spread = result.energy, result.spread
    assert energy is not None and spread is not None
    if cases[0].cooler.arrangement == "batch":  # whose energy is of a batch
        solid = inputs.bulk_density * inputs.bed_depth * inputs.floor_area * (1 - inputs.moisture_wb)
    else:
        solid = 3600.0 * inputs.dry_solid
    known = _machine(cases[0], result, outside) | {
        "pellet_temperature": spread.hottest,
        "deviation": spread.deviation_wb,
        "heat": energy.heat / solid * per_wet,
        "fan": energy.fan / solid * per_wet,
    }
    return _rows(known, len(cases))


def _of_coolers(plant: Plant, inputs: Inputs, result: Result, per_wet: Array, outside: Array) -> Array:
    weighed = plant.standing(inputs, outcome_of(result))
    known = _machine(plant.case, result, outside) | {
        "heat": weighed.heat / inputs.dry_solid * per_wet,
        "fan": weighed.power / inputs.dry_solid * per_wet,
        "fan_speed": np.nan_to_num(weighed.settings.fan_speed),
        "fan_curve": weighed.off_curve,
    }
    return _rows(known, len(inputs.radius))


def _machine(case: Case, result: Result, outside: Array) -> dict[str, Any]:
    """What any machine has."""
    out, even = result.pellets_out, result.after_equalising
    return {
        SWEATING: headspace_dew_point(case, out.moisture_wb, even.temperature),
        "moisture": result.pellets_out.moisture_wb,
        "temperature": result.pellets_out.temperature,
        "above_ambient": result.pellets_out.temperature - outside,
        "water_activity": result.in_store.water_activity,
        "exhaust_relative_humidity": result.air_out.relative_humidity,
        "lift_off": result.bed.lift_off,
        "bed_pressure_drop": result.bed.pressure_drop,
    }


def _rows(known: dict[str, Any], count: int) -> Array:
    """Rows (ROWS, cases); nothing in those that a machine does not have."""
    return np.array([np.broadcast_to(known.get(name, 0.0), count) for name in ROWS], float)
