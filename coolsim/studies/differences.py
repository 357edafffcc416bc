"""The numbers of a case that may be moved a little, on any machine, and what its exit does then.

A cooler has exact slopes (studies.sensitivity); a dryer or a line has none: theirs are central differences of
predictions side by side. Steps are about what instruments err by: ten times smaller ones would show the steps in
time, which each case takes as it needs. Where a number can move only one way (no recirculation, a heater that is
off), three predictions on that side give the slope there.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Batch, Belt, Case, Line
from coolsim.case.result import Result
from coolsim.machines import dryers as dials
from coolsim.machines.counterflow import CounterFlow
from coolsim.model import drying
from coolsim.model.march import STEP_TOLERANCE
from coolsim.model.solve import Resolution
from coolsim.simulate import dryer_simulation, line
from coolsim.simulate.inputs import gather
from coolsim.simulate.prediction import by_form, cooling, on_one_thread, predict_inputs
from coolsim.simulate.upstream import recipe_moisture
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array, with_number

# Meshes on which cases that differ little are predicted alike. Never refined: a mesh that changes from one case to
# the next would put steps into what they differ by.
# Of a cooler right to 0.001 point and 0.02 K on thirty settings. Of a dryer right to 0.001 point and 0.001 K on
# seven of eight settings of a batch, to 0.02 point and 0.03 K on the driest; eight shells for twelve are off by up
# to 0.04 point and save a tenth. Steps in time are finer than a prediction's: as each case takes its own, a batch
# that is cooled would scatter by 0.007 K, with these by 0.0004 K, at a third more time.
COOLING = Resolution(16, 12, refinements=0, estimate=False)
DRYING = drying.Resolution(8, 12, refinements=0, step_tolerance=STEP_TOLERANCE / 3, estimate=False)

Moving = Callable[[Case, float], Case]


@dataclass(frozen=True)
class Movable:
    """A number of a case, or several that go together, and how far it is moved to see what follows."""

    move: Moving  # the case with so much added to it
    value: float
    step: float
    low: float = -np.inf  # beyond which it has no meaning
    high: float = np.inf

    def offsets(self) -> tuple[float, ...]:
        """What is added to it: either way, or twice one way where the other is barred."""
        h = self.step
        if self.value - h < self.low:
            return (0.0, h, 2 * h)
        return (0.0, -h, -2 * h) if self.value + h > self.high else (-h, h)

    def slope(self, outcomes: Sequence[Any]) -> Any:
        """The slope from what came of the offsets; right to the second order."""
        h = self.step
        if len(outcomes) == 2:
            return (outcomes[1] - outcomes[0]) / (2 * h)
        way = 1.0 if self.value - h < self.low else -1.0
        return way * (4 * outcomes[1] - 3 * outcomes[0] - outcomes[2]) / (2 * h)


def _added(path: str) -> Moving:
    def move(case: Case, by: float) -> Case:
        data: Any = case
        for name in path.split("."):
            data = getattr(data, name)
        return with_number(case, path, float(data) + by)

    return move


# Numbers of feed, air and material: their paths, and steps: absolute, or (negative) as a share of the value.
_SHARED: Mapping[str, tuple[str, float]] = {
    "ambient_temperature": ("air.temperature", 0.5),
    "relative_humidity": ("air.relative_humidity", 0.02),
    "pressure": ("air.pressure", 500.0),
    "throughput": ("feed.throughput", -0.02),
    "feed_moisture": ("feed.moisture", 0.002),
    "feed_temperature": ("feed.temperature", 1.0),
    "diameter": ("feed.diameter", -0.02),
    "length": ("feed.length", -0.02),
    "bulk_density": ("feed.bulk_density", -0.01),
    "void_fraction": ("feed.void_fraction", -0.01),
    "specific_heat": ("material.specific_heat", -0.02),
    "conductivity": ("material.conductivity", -0.05),
    "diffusivity": ("material.diffusivity.value", -0.05),
    "activation_energy": ("material.diffusivity.activation_energy", 500.0),
    "moisture_slope": ("material.diffusivity.moisture_slope", 0.5),
    "isotherm_scale": ("material.isotherm.scale", 0.005),
}
# Numbers of a machine that stand in it by their names, where it has them; steps as above.
_OF_MACHINES: Mapping[str, float] = {
    "bed_depth": -0.02,
    "floor_area": -0.02,
    "belt_width": -0.02,
    "duration": -0.02,
    "cooling_time": -0.02,
    "reverse_every": -0.02,
    "recirculation": 0.02,
}
_SHARES = ("relative_humidity", "recirculation")  # from 0 to 1


def movable(case: Case, result: Result | None = None) -> dict[str, Movable]:
    """What may be moved of a case: of its feed, air and material, and of its machine.

    Of a line, numbers of a stage go by its key in the scenario: stage.1.airflow. result: of the case, from which
    the airflow behind a stated air ratio is read; else it is estimated.
    """
    found = {name: _plain(case, path, name, step) for name, (path, step) in _SHARED.items()} | _before(case)
    if not isinstance(case.cooler, Line):
        return found | of_machine(case, result)
    for k in range(len(case.cooler.stages)):
        run = result.stages[k].result if result is not None else None
        one = line.by_itself(case, case, k)
        own = of_machine(one, run)
        found |= {
            f"stage.{k + 1}.{name}": dataclasses.replace(m, move=_in_stage(k, m.move))
            for name, m in own.items()
        }
    return found


def _before(case: Case) -> dict[str, Movable]:
    """What may be moved before the machine: moisture of the mash, water and temperature of the conditioner."""
    if case.arrival is None or not case.recipe.ingredient:
        return {}
    moisture = recipe_moisture(case.recipe)
    found = {"mash_moisture": Movable(_moister_mash, moisture, 0.002)}
    steam = case.conditioning
    if steam:
        water = float(steam.water or 0.0)
        found["conditioning_water"] = Movable(partial(_conditioned, "water"), water, 0.002, low=0.0)
    if steam.temperature is not None:
        found["conditioning_temperature"] = Movable(
            partial(_conditioned, "temperature"), float(steam.temperature), 1.0
        )
    return found


def _moister_mash(case: Case, by: float) -> Case:
    """All ingredients moister by as much."""
    ingredients = tuple(dataclasses.replace(i, moisture=i.moisture + by) for i in case.recipe.ingredient)
    return dataclasses.replace(case, recipe=dataclasses.replace(case.recipe, ingredient=ingredients))


def _conditioned(key: str, case: Case, by: float) -> Case:
    """More water in the conditioner, or hotter mash behind it."""
    now = getattr(case.conditioning, key) or 0.0
    return dataclasses.replace(case, conditioning=dataclasses.replace(case.conditioning, **{key: now + by}))


def of_machine(case: Case, result: Result | None = None) -> dict[str, Movable]:
    """What may be moved of a machine alone: its air, its bed, its time."""
    cooler, flow = case.cooler, airflow_of(case, result)
    found = {"airflow": Movable(_more_air, flow, 0.02 * flow)}
    if not isinstance(cooler, Batch | Belt):
        found["airflow"] = Movable(partial(_more_air, now=flow), flow, 0.02 * flow)
    for name, step in _OF_MACHINES.items():
        if getattr(cooler, name, None) is not None and (name == "recirculation" or getattr(cooler, name) > 0):
            found[name] = _plain(case, f"cooler.{name}", name, step)
    inlet, outside = _inlet(case), float(np.max(case.air.temperature))
    if inlet is not None:
        found["inlet_air_temperature"] = Movable(warmer, max(inlet, outside), 1.0, low=outside)
    return found


def _plain(case: Case, path: str, name: str, step: float) -> Movable:
    data: Any = case
    for part in path.split("."):
        data = getattr(data, part)
    value = float(data)
    low, high = (0.0, 1.0) if name in _SHARES else (-np.inf, np.inf)
    return Movable(_added(path), value, step if step > 0 else -step * abs(value), low, high)


def _in_stage(k: int, move: Moving) -> Moving:
    """What is done to a machine alone, done to stage k of a line."""

    def moved(case: Case, by: float) -> Case:
        there, stages = move(line.by_itself(case, case, k), by), list(case.cooler.stages)
        stages[k] = dataclasses.replace(stages[k], cooler=there.cooler, fan=there.fan, duct=there.duct)
        return dataclasses.replace(case, cooler=Line(tuple(stages)))

    return moved


def staged(k: int | None, move: Moving) -> Moving:
    """A move of a machine by itself (None), or of stage k of a line, counted from 0."""
    return move if k is None else _in_stage(k, move)


# ---- A machine's air ------------------------------------------------------------------------------------


def airflow_of(case: Case, result: Result | None = None) -> float:
    """Airflow of a machine [m³/s]; of a belt that of all zones."""
    cooler = case.cooler
    if isinstance(cooler, Batch | Belt):
        return float(dials.now(case)["airflow"])
    if cooler.airflow is not None:
        return float(cooler.airflow)
    if result is not None:
        return float(np.ravel(result.bed.face_velocity)[0]) * float(cooler.floor_area)
    inputs = gather([case])
    return float(inputs.dry_air[0] * inputs.outside_volume[0])


def with_more_air(case: Case, times: float) -> Case:
    """A machine with its airflow, of all zones alike, times a factor; a stated air ratio stays one."""
    cooler = case.cooler
    if isinstance(cooler, Batch | Belt):
        return dials.with_settings(case, {"airflow": times * dials.now(case)["airflow"]})
    name = "airflow" if cooler.airflow is not None else "air_ratio"
    return with_number(case, f"cooler.{name}", times * getattr(cooler, name))


def _more_air(case: Case, by: float, now: float | None = None) -> Case:
    """More air in all, its shares of the zones as they were."""
    return with_more_air(case, 1 + by / (airflow_of(case) if now is None else now))


def _inlet(case: Case) -> float | None:
    """What the hottest heater of a machine aims at; of a cooler without one, the air outside; else None."""
    cooler = case.cooler
    if isinstance(cooler, Batch | Belt):
        return dials.now(case).get(dials.HOT)
    T = cooler.inlet_air_temperature
    return float(np.max(case.air.temperature)) if T is None else T


def warmer(case: Case, by: float) -> Case:
    """Warmer air from every heater; none blows air in colder than outside."""
    inlet = _inlet(case)
    if inlet is None:
        return case
    if isinstance(case.cooler, Batch | Belt):
        return dials.with_settings(case, {dials.HOT: inlet + by})
    return CounterFlow(case).at({dials.HOT: inlet + by})


# ---- Predictions side by side ---------------------------------------------------------------------------


def predicted_alike(
    cases: Sequence[Case], cool: Resolution = COOLING, dry: drying.Resolution = DRYING
) -> Iterator[tuple[NDArray[np.intp], Result]]:
    """Predict cases on meshes that stay; kind by kind, which those are and their result.

    Raises NotConverged, whose `failed` are places among the cases.
    """
    kinds = np.array([line.kind(case) for case in cases])
    for one in np.unique(kinds):
        at = np.flatnonzero(kinds == one)
        try:
            yield at, _of_a_kind([cases[int(k)] for k in at], cool, dry)
        except NotConverged as error:
            raise NotConverged(error.reason, at[np.asarray(error.failed, int)], error.best) from None


def _of_a_kind(cases: list[Case], cool: Resolution, dry: drying.Resolution) -> Result:
    with on_one_thread():
        if isinstance(cases[0].cooler, Line):
            return line.run(cases, False, cooling(cool), partial(dryer_simulation.solved, resolution=dry))
        if isinstance(cases[0].cooler, Batch | Belt):
            return dryer_simulation.dry(cases, None, many=True, resolution=dry)
        return by_form(cases, lambda some: predict_inputs(gather(some), cool))


Reading = Callable[[Sequence[Case], Result], Array]  # of cases of one kind: (what is read, cases)


def outcomes(
    cases: Sequence[Case], read: Reading, cool: Resolution = COOLING, dry: drying.Resolution = DRYING
) -> Array:
    """What is read of predictions, (what is read, cases)."""
    parts = [
        (at, read([cases[int(k)] for k in at], result)) for at, result in predicted_alike(cases, cool, dry)
    ]
    whole = np.empty((len(parts[0][1]), len(cases)))
    for at, some in parts:
        whole[:, at] = some
    return whole


def slopes(cases: Sequence[Case], moved: Sequence[Sequence[Movable | None]], read: Reading) -> Array:
    """Slopes of what is read (what is read, numbers, cases) by numbers of each case, all predicted side by side."""
    return slopes_from(outcomes(moved_cases(cases, moved), read), moved)


def moved_cases(cases: Sequence[Case], moved: Sequence[Sequence[Movable | None]]) -> list[Case]:
    """Each case with each of its numbers moved, number by number; None has nothing to be moved."""
    pairs = [(case, m) for case, numbers in zip(cases, moved) for m in numbers if m is not None]
    return [m.move(case, by) for case, m in pairs for by in m.offsets()]


def slopes_from(found: Array, moved: Sequence[Sequence[Movable | None]]) -> Array:
    """Slopes (what is read, numbers, cases) from what was read of `moved_cases`; 0 where nothing is moved."""
    result, at = np.zeros((len(found), len(moved[0]), len(moved))), 0
    for k, numbers in enumerate(moved):
        for j, m in enumerate(numbers):
            if m is not None:
                count = len(m.offsets())
                result[:, j, k] = m.slope([found[:, at + i] for i in range(count)])
                at += count
    return result
