"""Whether a case can be: what the reader asks of a scenario, asked of numbers that were put together in Python.

The ranges are the reader's own (`schema`), in SI. It stands at the public doors only (`arguments`): studies ask the
functions behind them by the thousand, with cases that they made of a valid one.
"""

from __future__ import annotations

import dataclasses
import numbers
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np

from coolsim.case import case as cases
from coolsim.case.case import Air, Batch, Belt, Case, Cooler, Feed, Line, Material, Stage, Zone
from coolsim.physics.isotherm_checks import objection
from coolsim.physics.material_files import FAT, RANGES
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import schema, units, values
from coolsim.scenario.machine import HEAT_NEEDED, HEATED_ONLY, colder
from coolsim.scenario.reader import shown
from coolsim.scenario.values import ends
from coolsim.simulate import capacities
from coolsim.support.errors import Fault

MACHINES = (Cooler, Batch, Belt, Line)
_KINDS = ("quantity", "number", "air ratio", "deviation", "price", "range", "choice")
_PREDICT = "ask case by case, or coolsim.predict, which takes them in all numbers"
_NO_ARRAY = f"no array is taken here: {_PREDICT}"
_IN_AIR_ONLY = f"arrays are for `air` only here: {_PREDICT}"
# What a number may have been meant in, by what it measures: factor and zero of that unit, in SI.
_SLIPS: Mapping[str, tuple[tuple[float, float], ...]] = {
    units.FRACTION.name: ((0.01, 0.0),),
    units.TEMPERATURE.name: ((1.0, -273.15), (1 / 1.8, -32 / 1.8)),
    units.LENGTH.name: ((1e-3, 0.0), (1e-2, 0.0)),
    units.VOLUME_FLOW.name: ((1 / 3600, 0.0),),
    units.MASS_FLOW.name: ((1 / 3600, 0.0),),
    units.PRESSURE.name: ((1e3, 0.0), (1e2, 0.0)),
    units.TIME.name: ((60.0, 0.0), (3600.0, 0.0)),
}
LEAST_PERCENT = 2.0  # what is less was meant as it stands: nobody has air of 1.3 %


@dataclass(frozen=True)
class _Wanted:
    """What one field of a data class may hold."""

    name: str
    low: float
    high: float
    kind: str
    choices: tuple[str, ...]
    unit: str
    measures: str  # name of the dimension
    optional: bool
    single: bool = True  # one number, not a pair or a word


def faults_of(case: Case, air: Any = None, arrays: bool = False, air_arrays: bool = False) -> Iterator[Fault]:
    """Yield every fault of a case, and of the air that is to take the place of its own."""
    shapes: dict[str, tuple[int, ...]] = {}
    look = _Look(arrays, shapes, _IN_AIR_ONLY if air_arrays else _NO_ARRAY)
    at = _Look(arrays or air_arrays, shapes)
    yield from _all_of(case, look, at, air)
    try:
        np.broadcast_shapes(*shapes.values())
    except ValueError:
        found = ", ".join(f"{key} of {shape}" for key, shape in list(shapes.items())[:6])
        yield Fault("", "arrays", found, "arrays of a case broadcast with each other: give them one shape")


def faults_of_field(key: str, value: Any, kind: type, name: str, arrays: bool) -> Iterator[Fault]:
    """Yield what is wrong with a value, called `key`, that stands for a field of a data class such as Air."""
    (wanted,) = [one for one in _wanted(kind, kind.__name__.lower()) if one.name == name]
    yield from _Look(arrays, {}).field(key, value, wanted)


def _all_of(case: Case, look: _Look, at: _Look, air: Any) -> Iterator[Fault]:
    yield from look.one("feed", case.feed, Feed)
    yield from at.one("air", case.air, Air)
    if air is not None:
        yield from at.one("air", air, Air)
    yield from look.one("material", case.material, Material)
    yield from _of_material(case.material, look) if isinstance(case.material, Material) else ()
    for name, kind in cases.TABLES.items():
        yield from look.one(name, getattr(case, name), kind)
    yield from _of_air_path("", case.fan, case.duct)
    yield from _of_sizing(case.sizing, look) if isinstance(case.sizing, cases.Sizing) else ()
    yield from _of_card(case.card, look) if isinstance(case.card, cases.CardData) else ()
    yield from _of_around(case, look)
    outside = case.air.temperature if air is None and isinstance(case.air, Air) else None
    if isinstance(case.cooler, Line):
        yield from _of_line(case.cooler, look, outside)
    else:
        yield from _of_machine("cooler", case.cooler, look, outside)


@dataclass(frozen=True)
class _Look:
    """How data classes are looked at: whether arrays may stand in them, and the shapes of those that do."""

    arrays: bool
    shapes: dict[str, tuple[int, ...]]
    refusal: str = _NO_ARRAY

    def one(self, place: str, value: Any, kind: type | tuple[type, ...], table: str = "") -> Iterator[Fault]:
        """Yield the faults of the fields of a data class; `table` is that of the schema, if not the place."""
        if not isinstance(value, kind):
            kinds = kind if isinstance(kind, tuple) else (kind,)
            allowed = f"needs a {' or '.join(k.__name__ for k in kinds)} of coolsim.case.case"
            yield Fault("", place, in_words(value), allowed)
            return
        own: Any = type(value)
        for wanted in _wanted(own, table or place):
            number = getattr(value, wanted.name)
            if number is None and wanted.optional:
                continue
            if type(number) is float and wanted.single and wanted.low <= number <= wanted.high:
                continue  # nearly all of them
            yield from self.field(f"{place}.{wanted.name}", number, wanted)

    def field(self, key: str, value: Any, wanted: _Wanted) -> Iterator[Fault]:
        """Yield what is wrong with the value of a field."""
        if wanted.kind == "choice":
            if value not in wanted.choices:
                yield Fault("", key, shown(value), f"allowed: {', '.join(wanted.choices)}")
            return
        if wanted.kind == "range":
            if not isinstance(value, tuple | list) or len(value) != 2:
                yield Fault("", key, in_words(value), "needs a pair (lowest, highest)")
                return
            single = dataclasses.replace(wanted, kind="quantity", optional=False)
            faults = [f for end in value for f in _Look(False, {}).field(key, end, single)]
            if not faults and value[0] > value[1]:
                faults = [Fault("", key, in_words(value), "the lowest comes first")]
            yield from faults
            return
        array = _numbers(value)
        if array is None or not array.size:
            found = "an array without entries" if array is not None else in_words(value)
            yield Fault("", key, found, f"needs a number{_range(wanted)}")
            return
        if array.ndim:
            if not self.arrays:
                yield Fault("", key, f"an array of {array.size}", self.refusal)
                return
            self.shapes[key] = array.shape
        slack = 1e-9 * max(abs(wanted.low), abs(wanted.high))  # as the reader has it
        wrong = ~((array >= wanted.low - slack) & (array <= wanted.high + slack))
        if wrong.any():
            place = int(np.flatnonzero(wrong)[0])
            worst = float(array.reshape(-1)[place])
            found = f"{worst:.6g}" + (f" (entry {place} of {array.size}, from 0)" if array.ndim else "")
            yield Fault("", key, found, f"allowed is{_range(wanted)}{_meant(worst, wanted)}")


def _numbers(value: Any) -> Any:
    """A number, or numbers, as an array; None where it is none."""
    if isinstance(value, numbers.Real) and not isinstance(value, bool | np.bool_):
        try:
            return np.asarray(float(value))
        except (OverflowError, ValueError):
            return None
    if not isinstance(value, np.ndarray | list | tuple) and not hasattr(value, "__array__"):
        return None
    try:
        array = np.asarray(value)
        return array.astype(float) if array.dtype.kind in "iuf" else None
    except (ValueError, TypeError):  # ragged lists
        return None


def _range(wanted: _Wanted) -> str:
    unit = "" if wanted.unit == "-" else f" {wanted.unit}"
    return f" {wanted.low:.6g} to {wanted.high:.6g}{unit}"


def _meant(value: float, wanted: _Wanted) -> str:
    """Say which number of the range this one may have been, in another unit."""
    if wanted.measures == units.FRACTION.name and value < LEAST_PERCENT:
        return ""
    for factor, zero in _SLIPS.get(wanted.measures, ()):
        guess = factor * value + zero
        if wanted.low < guess <= wanted.high and value != 0.0:
            return f"; did you mean {guess:.6g}?"
    return ""


def in_words(value: Any) -> str:
    """Return what was given in place of a number, or of an object, in words."""
    if value is None:
        return "nothing"
    if isinstance(value, str | int | float | bool | tuple | list):
        return shown(value)
    return f"an object of type {type(value).__name__}"


@cache
def _wanted(kind: type, table: str) -> tuple[_Wanted, ...]:
    """What the fields of a data class may hold, by the keys of a table of the schema."""
    found = []
    for field in dataclasses.fields(kind):
        key = schema.find(f"{table}.{field.name}")
        if field.name == "depth_deviation_length":
            wanted = _Wanted(field.name, 0.0, 8.0, "quantity", (), "m", units.LENGTH.name, True)
        elif key is None or key.kind not in _KINDS or field.name == "arrangement":
            continue
        else:
            low, high = (0.0, 0.0) if key.kind == "choice" else ends(key)
            if (table, field.name) == ("material.diffusivity", "at_moisture"):
                high /= 1.0 - high  # of the dry weight there, of the wet in a scenario
            measures = key.dimension.name if key.dimension else ""
            wanted = _Wanted(
                field.name,
                low,
                high,
                key.kind,
                key.choices,
                field.metadata.get("unit", "-"),
                measures,
                field.default is None,
                key.kind not in ("range", "choice"),
            )
        found.append(wanted)
    return tuple(found)


# -- what stands inside, and what must fit together


def _of_material(material: Material, look: _Look) -> Iterator[Fault]:
    law, isotherm = material.diffusivity, material.isotherm
    if not isinstance(law, cases.Diffusivity):
        yield Fault("", "material.diffusivity", in_words(law), "needs a Diffusivity of coolsim.case.case")
    else:
        yield from look.one("material.diffusivity", law, cases.Diffusivity)
    if not isinstance(isotherm, cases.Isotherm) or isotherm.equation not in EQUATIONS:
        found = in_words(getattr(isotherm, "equation", isotherm))
        allowed = f"needs an Isotherm of coolsim.case.case; equations: {', '.join(EQUATIONS)}"
        yield Fault("", "material.isotherm", found, allowed)
        return
    wanted = EQUATIONS[isotherm.equation].constants
    if not isinstance(isotherm.constants, tuple) or len(isotherm.constants) != len(wanted):
        allowed = f"{isotherm.equation} has the constants {', '.join(wanted)}"
        yield Fault("", "material.isotherm.constants", in_words(isotherm.constants), allowed)
        return
    numbers_of = (*isotherm.constants, isotherm.fat, isotherm.scale)
    faults: list[Fault] = []
    for value, bare in zip(numbers_of, _of_isotherm(isotherm.equation)):
        if not (type(value) is float and bare.low <= value <= bare.high):
            faults += look.field(f"material.isotherm.{bare.name}", value, bare)
    yield from faults
    if not faults and all(map(_is_number, numbers_of)) and (wrong := _objection(isotherm)):
        yield Fault(
            "", "material.isotherm.constants", wrong, "no solid does that: check them and their order"
        )


_objection = lru_cache(maxsize=64)(objection)  # the same few materials are asked for again and again


@cache
def _of_isotherm(equation: str) -> tuple[_Wanted, ...]:
    """What the constants of an isotherm may be, its fat and its scale."""
    anything = ends(schema.constant("A"))
    ranges = [(name, anything) for name in EQUATIONS[equation].constants]
    ranges += [("fat", FAT), ("scale", RANGES["isotherm_scale"])]
    return tuple(_Wanted(name, *range_, "number", (), "-", "", False) for name, range_ in ranges)


def _of_machine(place: str, machine: Any, look: _Look, outside: Any) -> Iterator[Fault]:
    if not isinstance(machine, (Cooler, Batch, Belt)):
        yield from look.one(place, machine, MACHINES)
        return
    yield from look.one(place, machine, MACHINES, "cooler")
    inlet: Any = getattr(machine, "inlet_air_temperature", None)
    if isinstance(machine, Cooler) and machine.airflow is not None and machine.air_ratio is not None:
        found = f"{in_words(machine.air_ratio)} beside an airflow"
        yield Fault("", f"{place}.air_ratio", found, "give one of airflow and air_ratio: they say the same")
    if isinstance(machine, Batch) and inlet is None and machine.heater_power is None:
        yield Fault("", f"{place}.inlet_air_temperature", "nothing", HEAT_NEEDED)
    if isinstance(machine, Belt):
        yield from _of_zones(place, machine.zones, look, outside)
    if _is_number(inlet) and _is_number(outside) and colder(inlet, outside):
        yield _cold(f"{place}.inlet_air_temperature", inlet, outside)


def _of_zones(place: str, zones: Any, look: _Look, outside: Any) -> Iterator[Fault]:
    if not isinstance(zones, tuple | list) or not zones:
        yield Fault("", f"{place}.zones", in_words(zones), "needs a tuple of one Zone or more")
        return
    for k, zone in enumerate(zones, 1):
        yield from look.one(f"{place}.zone.{k}", zone, Zone, "cooler.zone")
        inlet: Any = getattr(zone, "inlet_air_temperature", None)
        if isinstance(zone, Zone) and inlet is None and np.any(zone.recirculation):
            yield Fault("", f"{place}.zone.{k}.recirculation", in_words(zone.recirculation), HEATED_ONLY)
        if _is_number(inlet) and _is_number(outside) and colder(inlet, outside):
            yield _cold(f"{place}.zone.{k}.inlet_air_temperature", inlet, outside)


def _of_line(line: Line, look: _Look, outside: Any) -> Iterator[Fault]:
    if not isinstance(line.stages, tuple | list) or not line.stages:
        yield Fault("", "cooler.stages", in_words(line.stages), "needs a tuple of two or more Stage")
        return
    for k, stage in enumerate(line.stages, 1):
        place = f"stage.{k}"
        yield from look.one(place, stage, Stage, "stage")
        if not isinstance(stage, Stage):
            continue
        if stage.air is not None:
            yield from look.one(f"{place}.air", stage.air, Air, "air")
        own = getattr(stage.air, "temperature", outside) if outside is not None else None
        yield from _of_machine(place, stage.cooler, look, own)
        for name in ("fan", "duct", "schedule", "limits"):
            yield from look.one(f"{place}.{name}", getattr(stage, name), cases.TABLES[name], name)
        yield from _of_air_path(f"{place}.", stage.fan, stage.duct)


def _of_air_path(place: str, fan: Any, duct: Any) -> Iterator[Fault]:
    for key, value, read in (
        ("fan.curve", getattr(fan, "curve", None), values.curve),
        ("duct.pressure_loss", getattr(duct, "pressure_loss", None), values.loss),
    ):
        definition = schema.find(key)
        if value is None or definition is None:
            continue
        try:
            read(value, definition, _in_si)
        except units.Misread as error:
            yield Fault("", f"{place}{key}", in_words(value), f"needs {error} (here as bare numbers, in SI)")


def _in_si(value: Any, _dimension: Any) -> float:
    if not _is_number(value) or not np.isfinite(float(value)):
        raise units.Misread("numbers")
    return float(value)


def _of_sizing(sizing: Any, look: _Look) -> Iterator[Fault]:
    products, weathers = sizing.product or (), sizing.weather or ()
    yield from _of_list("sizing.product", products, cases.Product, look)
    yield from _of_list("sizing.weather", weathers, cases.DesignWeather, look)
    for k, product in enumerate(products if _is_list(products) else (), 1):
        if isinstance(product, cases.Product):
            yield from look.one(f"sizing.product.{k}", product.feed, Feed, "feed")
    for k, weather in enumerate(weathers if _is_list(weathers) else (), 1):
        if isinstance(weather, cases.DesignWeather) and weather.air is not None:
            yield from look.one(f"sizing.weather.{k}", weather.air, Air, "air")


def _of_card(card: Any, look: _Look) -> Iterator[Fault]:
    weathers = card.weather or ()
    yield from _of_list("card.weather", weathers, cases.DesignWeather, look, "card.weather")
    for k, weather in enumerate(weathers if _is_list(weathers) else (), 1):
        if isinstance(weather, cases.DesignWeather):
            yield from look.one(f"card.weather.{k}", weather.air, Air, "air")


def _of_around(case: Case, look: _Look) -> Iterator[Fault]:
    """What is before the cooler and the machines of the line: each by itself, then together."""
    faults: list[Fault] = []
    ingredients = getattr(case.recipe, "ingredient", ())
    faults += _of_list("recipe.ingredient", ingredients, cases.Ingredient, look, "recipe.ingredient")
    faults += _of_list("equipment", case.equipment, cases.Equipment, look, "equipment")
    for k, entry in enumerate(case.equipment if _is_list(case.equipment) else (), 1):
        catch = getattr(entry, "catch", None)
        faults += _of_pairs(f"equipment.{k}.catch", catch, "equipment.catch", values.catch)
    if isinstance(case.shift, cases.Shift):
        faults += _of_pairs("shift.breaks", case.shift.breaks or None, "shift.breaks", values.breaks)
    if not faults and case.equipment and isinstance(case.cooler, MACHINES):
        faults += [Fault("", *objection_) for objection_ in capacities.objections(case)]
    yield from faults


def _is_list(value: Any) -> bool:
    return isinstance(value, tuple | list)


def _of_list(place: str, several: Any, kind: type, look: _Look, table: str = "") -> Iterator[Fault]:
    """Yield the faults of entries of one kind; `table` is that of the schema, if it is not their place."""
    if not _is_list(several):
        yield Fault("", place, in_words(several), f"needs a tuple of {kind.__name__} of coolsim.case.case")
        return
    for k, entry in enumerate(several, 1):
        yield from look.one(f"{place}.{k}", entry, kind, table)


def _of_pairs(key: str, value: Any, name: str, read: Callable[..., Any]) -> Iterator[Fault]:
    definition = schema.find(name)
    if value is None or definition is None:
        return
    try:
        read(value, definition, _in_si)
    except units.Misread as error:
        yield Fault("", key, in_words(value), f"needs {error} (here as bare numbers, in SI)")


def _is_number(value: Any) -> bool:
    return isinstance(value, numbers.Real) and not isinstance(value, bool)


def _cold(key: str, inlet: Any, outside: Any) -> Fault:
    allowed = f"outside air ({float(outside):.6g} °C) is heated to this: no less, or leave it out"
    return Fault("", key, f"{float(inlet):.6g}", allowed)
