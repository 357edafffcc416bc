"""Machines as the search sees them: coolers and lines side by side, and what became of them.

Rows of arrays stand in the order of ROWS, for a line once for each stage. Heat and electricity are per kg of wet
feed.

Settings of lines
-----------------
`machines/lines.py` has each stage as a case of its own and the settings of all, called by number and name
("1.inlet_air_temperature"); here lines stand side by side: the outcomes of a dryer for each
stage, and a cooler's fan. Heat and electricity are per kg of the line's wet feed, so that stages add up.
Constraints of a stage carry its number ("2.lift_off"); wishes are of what leaves the last.

A batch's time is a knob like any other: a line is marched to its end, so one march does not tell of shorter ones.
A fan that decides its stage's airflow is refused: each try would have to settle. More than eight open settings
are refused: the survey has 2^settings corners. The rough mesh is within a tenth of a point of the full one here,
so one or two corrections do. Measured on two shared cores: three knobs of `dryer-then-cooler.toml` in 6 s, 4 of
them for predictions (68 on the rough mesh, 6 on the full one); four or five knobs take 10 or 18 s of processor
time. The cheapest of a dense grid, bisected to its target, is met to 0.2 %, nearly all of it moisture kept back
as margin (`SearchProblem.margin` of 0.01: 1e-5).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from coolsim.case.case import Case, Line
from coolsim.case.quantities import READABLE
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines.base import FULL, QUICK, UNCHECKED, one
from coolsim.machines.conditioner import ranges as conditioner_ranges
from coolsim.machines.conditioner import steam_per_feed
from coolsim.machines.counterflow import CounterFlow
from coolsim.machines.dryers import running_cost
from coolsim.machines.lines import machines, ranges, with_settings
from coolsim.machines.plant import Plant, Tried, Weighed, outcome_of
from coolsim.machines.plant_ranges import knob_range
from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.model.leaving import Leaving
from coolsim.model.solve import Resolution
from coolsim.simulate import dryer_simulation, line
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.inputs import Inputs, gather, with_even_bed
from coolsim.simulate.prediction import cooling
from coolsim.simulate.requirements import is_dryer, predicted_state
from coolsim.studies.optimise import march_outcomes as marches
from coolsim.studies.optimise.batching import Mesh, Request
from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.optimise.problem import DRYERS, SearchProblem, corners_and_faces
from coolsim.studies.outcome_rows import combined
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

OF_COOLERS = tuple(q.name for q in READABLE if q.only_of == "coolers")
ROWS = (*OUTCOMES, *OF_COOLERS)
MESHES: dict[Mesh, tuple[drying.Resolution, Resolution]] = {  # of dryers and of coolers
    "rough": (marches.ROUGH, QUICK),
    "quick": (marches.QUICK, UNCHECKED),
    "full": (dryer_simulation.DEFAULT, FULL),
}
PLAIN = (*marches.PLAIN, *OF_COOLERS)  # fitted as they are


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
    """The machine of a case as the search for settings sees it."""
    if isinstance(case.cooler, Line):
        return _of_line(case)
    return _of_cooler(case) if case.cooler.arrangement == "counter-flow" else DRYERS


def _of_line(case: Case) -> SearchProblem:
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


# ---- A cooler alone -------------------------------------------------------------------------------------

OF_COOLER = (*ROWS, "bed_depth", "feed_moisture", "running_cost")
# Values along each knob of a survey, and the degree of the polynomials, by how many knobs vary: predictions of even
# beds on a rough mesh are cheap, and outcomes are bent along the airflow.
COUNTS = {1: (13, 13), 2: (7, 5), 3: (7, 4), 4: (6, 4)}  # of the airflow, of others; of more knobs (4, 4)
# Of a search for the wettest feed, which hangs little on the others: of its moisture, along which outcomes are
# nearly straight, too. With (9, 5) and degree 6 it moves by 1.5e-5 kg/kg.
FOR_FEED, OF_FEED, FEED_DEGREE = (6, 4), 3, 5
COOLER_DEGREE = {1: 9, 2: 6, 3: 5, 4: 4}  # of more knobs 3
EXACT = 5e-7  # of a bound's scale, half of what counts as kept: predictions of a steady bed repeat to less


def _of_cooler(case: Case) -> SearchProblem:
    """A cooler as the search for settings sees it, in one weather or in many."""
    columns = np.broadcast_arrays(*(getattr(case.air, f.name) for f in dataclasses.fields(Air)))
    first = dataclasses.replace(case, air=Air(*(float(np.ravel(column)[0]) for column in columns)))
    costly = (row(0, name) for name in ("moisture", "heat", "fan"))
    return SearchProblem(
        lambda one: knob_range(one) | conditioner_ranges(one),
        lambda one, knobs: CounterFlow(one).at(knobs),
        OF_COOLER.index,
        tuple(costly),
        tuple(map(OF_COOLER.index, (*PLAIN, "feed_moisture"))),
        whole=lambda outcomes: outcomes[: len(OUTCOMES)],
        solve=solver_of_coolers(Plant(first)),
        nodes=_grid_of_nodes,
        along=("airflow", "inlet_air_temperature"),
        margin=EXACT,
        corrections=8,
        more_boxes=8,
        steady=True,
    )


def _grid_of_nodes(names: tuple[str, ...], whole: bool) -> tuple[Array, int]:
    """Chebyshev's points along each knob, all combined, for the whole box; few of a small one."""
    d = len(names)
    if not whole or not d:
        return corners_and_faces(names, whole)
    for_feed = "feed_moisture" in names
    of_air, of_others = FOR_FEED if for_feed else COUNTS.get(d, (4, 4))
    counts = {"airflow": of_air, "feed_moisture": OF_FEED}
    axes = [chebyshev.chebpts1(counts.get(name, of_others)) for name in names]
    return combined(axes), FEED_DEGREE if for_feed else COOLER_DEGREE.get(d, 3)


def solver_of_coolers(plant: Plant) -> Callable[[list[Request]], list[Any]]:
    """How coolers that differ from a plant's in their knobs, their feed and weather are solved side by side."""

    def solve(asked: list[Request]) -> list[Any]:
        mesh, cases = asked[0].mesh, [a.case for a in asked]
        per_wet = np.array([1 - c.feed.moisture for c in cases])
        steam = steam_per_feed(cases)
        now = in_air_each([with_even_bed(c) for c in cases] if mesh == "rough" else cases)
        inputs = gather(now)
        state, solved = _run_coolers(plant, inputs, MESHES[mesh][1])
        found: list[Any] = [None] * len(cases)
        if state is None:
            return found
        some = take(inputs, solved)
        outside = some.outside_temperature
        bare = _of_coolers(plant, some, state, state.result, per_wet[solved], outside)
        rows = np.vstack([bare, some.bed_depth, 1 - per_wet[solved], np.zeros(len(solved))])
        rows[row(0, "heat")] += steam[solved]
        bill = running_cost(plant.case, dict(zip(OUTCOMES, rows)))
        rows[-1] = bill.electricity + bill.heat
        for n, k in enumerate(solved):
            found[k] = marches.Predicted(one(state.result, n), rows[:, n]) if mesh == "full" else rows[:, [n]]
        return found

    return solve


def _run_coolers(plant: Plant, inputs: Inputs, mesh: Resolution) -> tuple[Tried | None, NDArray[np.intp]]:
    """What becomes of coolers, and of which; None where none can be solved."""
    every = np.arange(len(inputs.radius))
    try:
        return plant.run(inputs, mesh), every
    except NotConverged as error:
        good = np.setdiff1d(every, error.failed)
    return (plant.run(take(inputs, good), mesh) if len(good) else None), good


# ---- Lines ----------------------------------------------------------------------------------------------


def solver(case: Case) -> Callable[[list[Request]], list[Any]]:
    """How lines that differ from `case` in their knobs are solved: as `batching.answered` asks for it."""
    plants = [None if is_dryer(one) else Plant(one) for one in machines(case)]

    def solve(asked: list[Request]) -> list[Any]:
        mesh = asked[0].mesh
        return _solved([a.case for a in asked], plants, mesh)

    return solve


def _solved(cases: list[Case], plants: list[Plant | None], mesh: Mesh) -> list[Any]:
    """Outcomes of each line (outcomes, 1), or of the full mesh a `marches.Predicted`; None where one fails."""
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
    return [marches.Predicted(one(result, k), outcomes[:, k]) for k in range(len(cases))]


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
        weighed = plant.standing(inputs, outcome_of(result))
        blocks.append(_of_coolers(plant, inputs, weighed, result, per_wet, outside))
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
    energy = result.energy
    assert energy is not None
    if cases[0].cooler.arrangement == "batch":  # whose energy is of a batch
        solid = inputs.bulk_density * inputs.bed_depth * inputs.floor_area * (1 - inputs.moisture_wb)
    else:
        solid = 3600.0 * inputs.dry_solid
    heat, fan = (each / solid * per_wet for each in (energy.heat, energy.fan))
    return marches.outcome_rows(
        predicted_state(result, outside, cases[0]), "dryers", ROWS, heat=heat, fan=fan
    )


def _of_coolers(
    plant: Plant, inputs: Inputs, weighed: Weighed, result: Result, per_wet: Array, outside: Array
) -> Array:
    state = dataclasses.replace(
        predicted_state(result, outside, plant.case),
        fan_speed=np.nan_to_num(weighed.settings.fan_speed),
        off_curve=weighed.off_curve,
    )
    heat, fan = (each / inputs.dry_solid * per_wet for each in (weighed.heat, weighed.power))
    return marches.outcome_rows(state, "coolers", ROWS, heat=heat, fan=fan)
