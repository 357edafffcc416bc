"""How much each exit changes with each input: slopes at a case.

Those of coolers come from the factors of their one solution; those of dryers and lines, which have no such factors,
are central differences of predictions side by side (studies.differences), right to about a hundredth of themselves.

A slope is local. It says what a degree or a tenth of a point does; it does not carry over a kink (air that
becomes warmer than the heater's setting, feed that begins to boil), nor far along a curve (airflow).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import fields
from functools import partial
from typing import Any

import numpy as np

from coolsim.case.argument_checks import takes_cases
from coolsim.case.case import Case, Line
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines.base import one
from coolsim.model import counterflow as cf
from coolsim.model.bed import take
from coolsim.model.counterflow import Problem, State
from coolsim.model.sensitivity import moved_either_way
from coolsim.model.solve import Resolution, Solution
from coolsim.physics import air as moist_air
from coolsim.physics import sorption
from coolsim.physics.sorption import Isotherm
from coolsim.simulate import line
from coolsim.simulate.cautions import cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.inputs import Inputs, Stated, bed_of, inputs_of, stated
from coolsim.simulate.prediction import DEFAULT, at_its_fan, predict, solved
from coolsim.simulate.result_building import exit_columns, first, mixed_columns
from coolsim.simulate.side_by_side import by_form
from coolsim.simulate.uneven_beds import columns_of_coolers
from coolsim.studies.differences import movable, slopes
from coolsim.studies.sensitivity_answer import INPUTS, NAMES, Sensitivities, Slopes
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, plain

STEP = 1e-5  # of an input's scale: h² of the central difference and rounding/h are then both below 1e-10
AT_ONCE = 2000  # cases times inputs evaluated side by side, for memory


_PLACES = {  # of inputs that are not plain fields of Stated
    "diffusivity": ("diffusivity", "value"),
    "activation_energy": ("diffusivity", "activation_energy"),
    "moisture_slope": ("diffusivity", "moisture_slope"),
    "isotherm_scale": ("isotherm", "scale"),
}
_SCALES = {  # of inputs whose own value says nothing of their size
    "inlet_air_temperature": 10.0,
    "ambient_temperature": 10.0,
    "feed_temperature": 10.0,
    "relative_humidity": 0.1,
    "moisture_slope": 10.0,
}
# Set after all else has followed from what is stated: an airflow, though the case may state an air ratio; and
# inlet air a little cooler than outside, since a slope has two sides though a heater has one.
_SET_LAST = ("airflow", "inlet_air_temperature")


@takes_cases
def sensitivities(
    case: Case | Sequence[Case],
    by: str | Sequence[str] | None = None,
    *,
    air: Air | None = None,
    resolution: Resolution = DEFAULT,
) -> Sensitivities:
    """Slopes of what leaves a machine by each of the inputs `by`, at a case or at several.

    by: names of Sensitivities; of what is set on a stage of a line its key, such as "stage.1.airflow". All that the
    machine has, if left out. `case`, `air` and `resolution` are those of `predict`, whose result comes along;
    several cases give arrays. Where a fan decides on airflow or inlet air, both are held at what it gives the case
    itself. Slopes of dryers and lines, and where the feed follows from what is before the machine (then they are
    slopes through all of it), take two predictions for each input, on a mesh of their own.
    Raises ValueError for a name that is none, InputError for an input that the machine does not have, and
    NotConverged where `predict` does.

    >>> import coolsim
    >>> case = coolsim.load("scenarios/humid-delta.toml")
    >>> slopes = coolsim.sensitivities(case, by=["feed_moisture"])
    >>> bool(slopes.feed_moisture.moisture_wb > 0)
    True
    """
    if not isinstance(case, Case) and air is not None:
        raise TypeError("air replaces the air of one case; for several cases set it in each")
    cases = [case] if isinstance(case, Case) else list(case)
    names = _names_asked_for(cases, by)
    settled = [at_its_fan(c, resolution) for c in cases]
    if not all(_is_exact(c) for c in cases):
        if air is not None:
            settled = line.in_air(settled[0], air)
        scalar = isinstance(case, Case) and (air is None or not _shape(air))
        return by_differences(settled, names, scalar, resolution)
    if not isinstance(case, Case):
        return by_form(settled, lambda some: _sensitivities(some, None, names, resolution)[0])
    answer, shape = _sensitivities(settled, air, names, resolution)
    if shape:
        return answer
    one, answer = settled[0] if air is None else dataclasses.replace(settled[0], air=air), first(answer)
    result = dataclasses.replace(answer.result, warnings=cautions(one, answer.result))
    return dataclasses.replace(answer, result=result)


def _names_asked_for(cases: Sequence[Case], by: str | Sequence[str] | None) -> tuple[str, ...]:
    """The names that are asked for; raises ValueError for one that is none, InputError where a machine lacks it."""
    each = [_names_of(case) for case in cases]
    shared = tuple(name for name in each[0] if all(name in names for names in each)) if each else ()
    if by is None:
        return shared
    asked = (by,) if isinstance(by, str) else tuple(dict.fromkeys(by))
    unknown = [name for name in asked if name.rpartition(".")[2] not in NAMES]
    if unknown or not asked:
        found = f"no input {', '.join(map(repr, unknown))}" if unknown else "by what?"
        raise ValueError(f"{found}; there are: {', '.join(shared or NAMES)}")
    faults = []
    for names in each:
        allowed = f"this machine has: {', '.join(names)}"
        faults += [Fault("", "by", f'"{name}"', allowed) for name in asked if name not in names]
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return asked


def _names_of(case: Case) -> tuple[str, ...]:
    return INPUTS if _is_exact(case) else tuple(movable(case))


def _is_exact(case: Case) -> bool:
    """Whether slopes of the solved bed are all that there is: of a cooler whose feed is as typed."""
    return case.cooler.arrangement == "counter-flow" and case.arrival is None


def _shape(air: Air) -> tuple[int, ...]:
    return np.broadcast_shapes(*(np.shape(getattr(air, f.name)) for f in fields(Air)))


# ---- Any machine, by differences ------------------------------------------------------------------------


def by_differences(
    cases: Sequence[Case], names: Sequence[str], scalar: bool = False, resolution: Resolution = DEFAULT
) -> Sensitivities:
    """Slopes of any machines by central differences; as floats of the one case, if `scalar`."""
    result = predict(cases[0] if scalar else list(cases), resolution=resolution)
    each = [result] if scalar else [one(result, k) for k in range(len(cases))]
    moved = [movable(case, alone) for case, alone in zip(cases, each)]
    most = max(_stages_of(case) for case in cases)
    read = partial(_read, most=most)
    table = slopes(cases, [[m[name] for name in names] for m in moved], read)
    table = table[..., 0] if scalar else table
    found: dict[int, dict[str, Any]] = {k: {} for k in range(most + 1)}
    for j, name in enumerate(names):
        stage, own = _placed(name)
        pellets, machine = table[:PELLETS, j], table[PELLETS:, j].reshape(most + 1, -1, *table.shape[2:])
        found[stage][own] = Slopes(*(plain(x) for x in (*pellets, *machine[stage])))
    runs = [dataclasses.replace(run.result, stages=()) for run in result.stages]
    stages = tuple(Sensitivities(run, **found[k]) for k, run in enumerate(runs, 1))
    return Sensitivities(result, **found[0], stages=stages)


def _stages_of(case: Case) -> int:
    return len(case.cooler.stages) if isinstance(case.cooler, Line) else 0


def _placed(name: str) -> tuple[int, str]:
    """The stage whose input it is, counted from 1 (0: the machine's own, or shared by all), and its name there."""
    _, _, own = name.rpartition(".")
    return (int(name.split(".")[1]) if own != name else 0), own


PELLETS = 3  # fields of Slopes that are of the pellets; the others are of a machine


def _read(cases: Sequence[Case], result: Result, most: int) -> Array:
    """What Slopes is of: pellets, the last machine, and each stage, of which there are `most` at most."""
    machines = [result, *(run.result for run in result.stages)]
    rows = [
        result.pellets_out.moisture_wb,
        result.pellets_out.temperature,
        result.after_equalising.water_activity,
    ]
    for r in machines:
        air, bed = r.air_out, r.bed
        rows += [air.temperature, air.humidity_ratio, air.relative_humidity, bed.pressure_drop, bed.lift_off]
    lacking = (most + 1 - len(machines)) * (len(fields(Slopes)) - PELLETS)
    return np.array(rows + lacking * [np.full_like(rows[0], np.nan)])


# ---- Coolers, exact -------------------------------------------------------------------------------------


def _sensitivities(
    cases: list[Case], weather: Air | None, by: Sequence[str], resolution: Resolution
) -> tuple[Sensitivities, tuple[int, ...]]:
    """Cases of one form of isotherm; also the shape of the outside air."""
    numbers, shape = stated(cases, weather)
    result, solutions = solved(inputs_of(numbers, shape), False, resolution)
    slopes = slopes_of(numbers, solutions, by)
    named: dict[str, Any] = {name: Slopes(*slopes[:, j]) for j, name in enumerate(by)}
    return Sensitivities(result, **named), shape


def slopes_of(numbers: Stated, solutions: Sequence[Solution], by: Sequence[str]) -> Array:
    """Slopes (exits in the order of Slopes, inputs, cases) at the solutions of what cases state."""
    if numbers.deviations is not None:
        return _slopes_of_columns(numbers, solutions, by)
    slopes = np.empty((len(fields(Slopes)), len(by), len(numbers.pressure)))
    with on_one_thread():
        for s in solutions:
            parts = -(-len(s.index) * len(by) // AT_ONCE)
            for some in np.array_split(np.arange(len(s.index)), max(parts, 1)):
                slopes[..., s.index[some]] = _slopes(take(s, some), take(numbers, s.index[some]), by)
    return slopes


def _slopes(solution: Solution, numbers: Stated, by: Sequence[str]) -> Array:
    """Slopes of the exits (exits, inputs, cases) at solved cases."""
    steps = np.array([STEP * _scale(numbers, name) for name in by])
    high, low = (bed_of(_moved(numbers, by, sign * steps)) for sign in (1.0, -1.0))
    above, below = moved_either_way(solution.problem, solution.state, high, low)
    return (_exits(*above) - _exits(*below)).reshape(-1, *steps.shape) / (2 * steps)


def _slopes_of_columns(numbers: Stated, solutions: Sequence[Solution], by: Sequence[str]) -> Array:
    """As slopes_of, of uneven beds: every column is moved, and what the columns give is mixed either way."""
    steps = np.array([STEP * _scale(numbers, name) for name in by])
    count, cases = steps.shape
    ways = [_moved(numbers, by, sign * steps) for sign in (1.0, -1.0)]
    beds = [columns_of_coolers(way) for way in ways]
    high, low = (bed_of(each.inputs) for each in beds if each is not None)
    raw: list[dict[str, Array]] = [{}, {}]
    with on_one_thread():
        for s in solutions:
            column, case = np.divmod(s.index, cases)
            at = (count * cases * column + case + cases * np.arange(count)[:, None]).reshape(-1)
            moved = moved_either_way(s.problem, s.state, take(high, at), take(low, at))
            for found, (problem, state) in zip(raw, moved):
                for name, values in exit_columns(problem, state, cf.outlet(problem, state)).items():
                    found.setdefault(name, np.empty(high.cases))[at] = values
    above, below = (
        _exit_numbers(mixed_columns(each, way, found), way.specific_heat, way.isotherm, way.pressure)
        for each, way, found in zip(beds, ways, raw)
        if each is not None
    )
    return (above - below).reshape(-1, *steps.shape) / (2 * steps)


def _scale(numbers: Stated, name: str) -> Array:
    """Natural size of an input, (cases,)."""
    if name in _SCALES:
        return np.full_like(numbers.pressure, _SCALES[name])
    if name == "airflow":
        inputs = inputs_of(numbers, ())
        return inputs.dry_air * inputs.outside_volume
    value: Any = numbers
    for part in _PLACES.get(name, (name,)):
        value = getattr(value, part)
    return value


def _moved(numbers: Stated, by: Sequence[str], steps: Array) -> Inputs:
    """Every case once per input, that input moved by its step: cases side by side, input after input."""
    count, cases = steps.shape
    apart = take(numbers, np.tile(np.arange(cases), count))
    changes = {}
    for j, name in enumerate(by):
        changes[name] = np.zeros(count * cases)
        changes[name][j * cases : (j + 1) * cases] = steps[j]
        if name not in _SET_LAST:
            apart = _added(apart, _PLACES.get(name, (name,)), changes[name])
    inputs = inputs_of(apart, (count * cases,))
    dry_air = changes.get("airflow", 0.0) / inputs.outside_volume
    return dataclasses.replace(
        inputs,
        dry_air=inputs.dry_air + dry_air,
        inlet_air_temperature=inputs.inlet_air_temperature + changes.get("inlet_air_temperature", 0.0),
    )


def _added(data: Any, place: tuple[str, ...], change: Array) -> Any:
    """A nested data class with a change added to the number at a place."""
    if not place:
        return data + change
    return dataclasses.replace(data, **{place[0]: _added(getattr(data, place[0]), place[1:], change)})


def _exits(problem: Problem, state: State) -> Array:
    """The numbers of Slopes at a state, (exits, cases)."""
    bed, columns = problem.bed, exit_columns(problem, state, cf.outlet(problem, state))
    return _exit_numbers(columns, bed.specific_heat, bed.isotherm, bed.pressure)


def _exit_numbers(c: dict[str, Array], specific_heat: Array, isotherm: Isotherm, pressure: Array) -> Array:
    """The numbers of Slopes of exit columns, (exits, cases)."""
    X, Y, T_air = c["X"], c["Y"], c["T_air"]
    T_even = (c["H"] + c["Q_even"]) / (specific_heat + moist_air.HEAT_CAPACITY_WATER * X)
    exits = Slopes(
        moisture_wb=X / (1 + X),
        temperature=c["T"],
        water_activity=sorption.water_activity(isotherm, X, T_even),
        exhaust_temperature=T_air,
        exhaust_humidity_ratio=Y,
        exhaust_relative_humidity=moist_air.relative_humidity(T_air, Y, pressure),
        pressure_drop=c["pressure_drop"],
        lift_off=c["lift_off"],
    )
    return np.array(dataclasses.astuple(exits))
