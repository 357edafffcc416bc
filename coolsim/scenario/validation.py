"""Whether a case can be: what the reader asks of a scenario, asked of numbers that were put together in Python.

The ranges are the reader's own (`schema`), in SI. It stands at the public doors only (`arguments`): studies ask the
functions behind them by the thousand, with cases that they made of a valid one.
"""

from __future__ import annotations

import numbers
from collections.abc import Callable, Iterator
from functools import cache, lru_cache
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line, Stage
from coolsim.case.line_parts import Equipment, Ingredient, Shift
from coolsim.case.machine import Batch, Belt, Cooler, Zone
from coolsim.case.streams import Air, Feed
from coolsim.case.tables import TABLES, CardData, DesignWeather, Product, Sizing
from coolsim.physics.isotherm_checks import objection
from coolsim.physics.material_files import FAT, RANGES
from coolsim.physics.materials import Diffusivity, Isotherm, Material
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import schema, units, values
from coolsim.scenario.machine import HEAT_NEEDED, HEATED_ONLY, colder
from coolsim.scenario.number_checks import IN_AIR_ONLY, NO_ARRAY, Checker, Wanted, in_words, wanted_of
from coolsim.scenario.values import ends
from coolsim.simulate import capacities
from coolsim.support.errors import Fault

MACHINES = (Cooler, Batch, Belt, Line)


def faults_of(case: Case, air: Any = None, arrays: bool = False, air_arrays: bool = False) -> Iterator[Fault]:
    """Yield every fault of a case, and of the air that is to take the place of its own."""
    shapes: dict[str, tuple[int, ...]] = {}
    checker = Checker(arrays, shapes, IN_AIR_ONLY if air_arrays else NO_ARRAY)
    air_checker = Checker(arrays or air_arrays, shapes)
    yield from _all_of(case, checker, air_checker, air)
    try:
        np.broadcast_shapes(*shapes.values())
    except ValueError:
        found = ", ".join(f"{key} of {shape}" for key, shape in list(shapes.items())[:6])
        yield Fault("", "arrays", found, "arrays of a case broadcast with each other: give them one shape")


def faults_of_field(key: str, value: Any, kind: type, name: str, arrays: bool) -> Iterator[Fault]:
    """Yield what is wrong with a value, called `key`, that stands for a field of a data class such as Air."""
    (wanted,) = [one for one in wanted_of(kind, kind.__name__.lower()) if one.name == name]
    yield from Checker(arrays, {}).field(key, value, wanted)


def _all_of(case: Case, checker: Checker, air_checker: Checker, air: Any) -> Iterator[Fault]:
    yield from checker.one("feed", case.feed, Feed)
    yield from air_checker.one("air", case.air, Air)
    if air is not None:
        yield from air_checker.one("air", air, Air)
    yield from checker.one("material", case.material, Material)
    yield from _of_material(case.material, checker) if isinstance(case.material, Material) else ()
    for name, kind in TABLES.items():
        yield from checker.one(name, getattr(case, name), kind)
    yield from _of_air_path("", case.fan, case.duct)
    yield from _of_sizing(case.sizing, checker) if isinstance(case.sizing, Sizing) else ()
    yield from _of_card(case.card, checker) if isinstance(case.card, CardData) else ()
    yield from _of_around(case, checker)
    outside = case.air.temperature if air is None and isinstance(case.air, Air) else None
    if isinstance(case.cooler, Line):
        yield from _of_line(case.cooler, checker, outside)
    else:
        yield from _of_machine("cooler", case.cooler, checker, outside)


# -- what stands inside, and what must fit together


def _of_material(material: Material, checker: Checker) -> Iterator[Fault]:
    law, isotherm = material.diffusivity, material.isotherm
    if not isinstance(law, Diffusivity):
        yield Fault("", "material.diffusivity", in_words(law), "needs a Diffusivity of {kinds[0].__module__}")
    else:
        yield from checker.one("material.diffusivity", law, Diffusivity)
    if not isinstance(isotherm, Isotherm) or isotherm.equation not in EQUATIONS:
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
            faults += checker.field(f"material.isotherm.{bare.name}", value, bare)
    yield from faults
    if not faults and all(map(_is_number, numbers_of)) and (wrong := _objection(isotherm)):
        yield Fault(
            "", "material.isotherm.constants", wrong, "no solid does that: check them and their order"
        )


_objection = lru_cache(maxsize=64)(objection)  # the same few materials are asked for again and again


@cache
def _of_isotherm(equation: str) -> tuple[Wanted, ...]:
    """What the constants of an isotherm may be, its fat and its scale."""
    anything = ends(schema.constant("A"))
    ranges = [(name, anything) for name in EQUATIONS[equation].constants]
    ranges += [("fat", FAT), ("scale", RANGES["isotherm_scale"])]
    return tuple(Wanted(name, *range_, "number", (), "-", "", False) for name, range_ in ranges)


def _of_machine(place: str, machine: Any, checker: Checker, outside: Any) -> Iterator[Fault]:
    if not isinstance(machine, (Cooler, Batch, Belt)):
        yield from checker.one(place, machine, MACHINES)
        return
    yield from checker.one(place, machine, MACHINES, "cooler")
    inlet: Any = getattr(machine, "inlet_air_temperature", None)
    if isinstance(machine, Cooler) and machine.airflow is not None and machine.air_ratio is not None:
        found = f"{in_words(machine.air_ratio)} beside an airflow"
        yield Fault("", f"{place}.air_ratio", found, "give one of airflow and air_ratio: they say the same")
    if isinstance(machine, Batch) and inlet is None and machine.heater_power is None:
        yield Fault("", f"{place}.inlet_air_temperature", "nothing", HEAT_NEEDED)
    if isinstance(machine, Belt):
        yield from _of_zones(place, machine.zones, checker, outside)
    if _is_number(inlet) and _is_number(outside) and colder(inlet, outside):
        yield _cold(f"{place}.inlet_air_temperature", inlet, outside)


def _of_zones(place: str, zones: Any, checker: Checker, outside: Any) -> Iterator[Fault]:
    if not isinstance(zones, tuple | list) or not zones:
        yield Fault("", f"{place}.zones", in_words(zones), "needs a tuple of one Zone or more")
        return
    for k, zone in enumerate(zones, 1):
        yield from checker.one(f"{place}.zone.{k}", zone, Zone, "cooler.zone")
        inlet: Any = getattr(zone, "inlet_air_temperature", None)
        if isinstance(zone, Zone) and inlet is None and np.any(zone.recirculation):
            yield Fault("", f"{place}.zone.{k}.recirculation", in_words(zone.recirculation), HEATED_ONLY)
        if _is_number(inlet) and _is_number(outside) and colder(inlet, outside):
            yield _cold(f"{place}.zone.{k}.inlet_air_temperature", inlet, outside)


def _of_line(line: Line, checker: Checker, outside: Any) -> Iterator[Fault]:
    if not isinstance(line.stages, tuple | list) or not line.stages:
        yield Fault("", "cooler.stages", in_words(line.stages), "needs a tuple of two or more Stage")
        return
    for k, stage in enumerate(line.stages, 1):
        place = f"stage.{k}"
        yield from checker.one(place, stage, Stage, "stage")
        if not isinstance(stage, Stage):
            continue
        if stage.air is not None:
            yield from checker.one(f"{place}.air", stage.air, Air, "air")
        own = getattr(stage.air, "temperature", outside) if outside is not None else None
        yield from _of_machine(place, stage.cooler, checker, own)
        for name in ("fan", "duct", "schedule", "limits"):
            yield from checker.one(f"{place}.{name}", getattr(stage, name), TABLES[name], name)
        yield from _of_air_path(f"{place}.", stage.fan, stage.duct)


def _of_air_path(place: str, fan: Any, duct: Any) -> Iterator[Fault]:
    for key, value, read in (
        ("fan.curve", getattr(fan, "curve", None), values.curve),
        ("duct.pressure_loss", getattr(duct, "pressure_loss", None), values.loss),
    ):
        yield from _of_pairs(f"{place}{key}", value, key, read)


def _in_si(value: Any, _dimension: Any) -> float:
    if not _is_number(value) or not np.isfinite(float(value)):
        raise units.Misread("numbers")
    return float(value)


def _of_sizing(sizing: Any, checker: Checker) -> Iterator[Fault]:
    products, weathers = sizing.product or (), sizing.weather or ()
    yield from _of_list("sizing.product", products, Product, checker)
    yield from _of_list("sizing.weather", weathers, DesignWeather, checker)
    for k, product in enumerate(products if _is_list(products) else (), 1):
        if isinstance(product, Product):
            yield from checker.one(f"sizing.product.{k}", product.feed, Feed, "feed")
    for k, weather in enumerate(weathers if _is_list(weathers) else (), 1):
        if isinstance(weather, DesignWeather) and weather.air is not None:
            yield from checker.one(f"sizing.weather.{k}", weather.air, Air, "air")


def _of_card(card: Any, checker: Checker) -> Iterator[Fault]:
    weathers = card.weather or ()
    yield from _of_list("card.weather", weathers, DesignWeather, checker, "card.weather")
    for k, weather in enumerate(weathers if _is_list(weathers) else (), 1):
        if isinstance(weather, DesignWeather):
            yield from checker.one(f"card.weather.{k}", weather.air, Air, "air")


def _of_around(case: Case, checker: Checker) -> Iterator[Fault]:
    """What is before the cooler and the machines of the line: each by itself, then together."""
    faults: list[Fault] = []
    ingredients = getattr(case.recipe, "ingredient", ())
    faults += _of_list("recipe.ingredient", ingredients, Ingredient, checker, "recipe.ingredient")
    faults += _of_list("equipment", case.equipment, Equipment, checker, "equipment")
    for k, entry in enumerate(case.equipment if _is_list(case.equipment) else (), 1):
        catch = getattr(entry, "catch", None)
        faults += _of_pairs(f"equipment.{k}.catch", catch, "equipment.catch", values.catch)
    if isinstance(case.shift, Shift):
        faults += _of_pairs("shift.breaks", case.shift.breaks or None, "shift.breaks", values.breaks)
    if not faults and case.equipment and isinstance(case.cooler, MACHINES):
        faults += [Fault("", *objection_) for objection_ in capacities.objections(case)]
    yield from faults


def _is_list(value: Any) -> bool:
    return isinstance(value, tuple | list)


def _of_list(place: str, several: Any, kind: type, checker: Checker, table: str = "") -> Iterator[Fault]:
    """Yield the faults of entries of one kind; `table` is that of the schema, if it is not their place."""
    if not _is_list(several):
        yield Fault("", place, in_words(several), f"needs a tuple of {kind.__name__} of {kind.__module__}")
        return
    for k, entry in enumerate(several, 1):
        yield from checker.one(f"{place}.{k}", entry, kind, table)


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
