"""`Case` → text: every input after defaults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line, Stage
from coolsim.case.machine import Batch
from coolsim.case.table import Table
from coolsim.case.tables import TABLES as CASE_TABLES
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import schema, units
from coolsim.scenario.keys.base import Key
from coolsim.scenario.schema import GROUPS, TABLES
from coolsim.scenario.stages import OWN
from coolsim.simulate import capacities
from coolsim.simulate.upstream import DIE


@dataclass(frozen=True)
class _Style:
    system: str
    digits: int


_MATERIAL = ("specific_heat", "conductivity", "bulk_density", "void_fraction")


def inputs(case: Case, system: str = "si", digits: int = 12) -> dict[str, str]:
    """Return every input of `case` after defaults, as text with practical units, by dotted key.

    Derived inputs are given in their one stored form: pressure for altitude, relative humidity for wet
    bulb, bed depth for residence time. `system` is "si" or "us". Material numbers are listed for library
    materials too. Twelve `digits` read back to the same case; fewer are for people.
    """
    return dict(_entries(case, _Style(system, digits)))


SET = ("cooler.", "fan.speed", "stage.", "conditioning.")  # keys of what may be set


def typed_back(before: Case, after: Case, digits: int = 9) -> dict[str, str]:
    """Return the keys and texts that make of a case the same set otherwise, as `--set` and replace() take them."""
    was, now = (inputs(case, digits=digits) for case in (before, after))
    changed = {key: text for key, text in now.items() if was.get(key) != text}
    found = {k: text for k, text in changed.items() if k.startswith(SET) or k.endswith("fan.speed")}
    if not any(key.startswith("conditioning.") for key in found):
        return found
    return found | _typed_of_feed(before, after, changed, digits)


def _typed_of_feed(before: Case, after: Case, changed: Mapping[str, str], digits: int) -> dict[str, str]:
    """What was typed of a feed that follows its conditioner now, and is not what it was: typed values win."""
    typed, known = getattr(before.source, "value", lambda key: None), after.arrival
    keys = ["feed.throughput", "feed.temperature", "feed.moisture"]
    if typed("feed.moisture") is None and typed("feed.moisture_dry_basis") is None:
        keys.pop()
    wins = {k for k in keys if k == "feed.moisture" or typed(k) is not None}
    if _at_another_pace(after):
        wins.add("feed.throughput")
    found = {k: changed[k] for k in keys if k in changed and k in wins}
    at_die = {"feed.moisture": "typed_moisture", "feed.temperature": "typed_temperature"}
    for key, name in at_die.items():
        if known is None or getattr(known, name) is None:
            continue
        state = next(s for s in known.states if s.place == DIE)
        value = getattr(state, key.removeprefix("feed."))
        found[key] = _shown(value, TABLES["feed"].keys[key.removeprefix("feed.")], _Style("si", digits))
    return found


def _at_another_pace(case: Case) -> bool:
    """Whether a throughput that is left out would be read as another: of a catch, which is held wet.

    A batch is the same at any.
    """
    caught = any(one.catch is not None for one in case.equipment)
    pace = capacities.bottleneck(case) if caught and not isinstance(case.cooler, Batch) else None
    return pace is not None and abs(pace / case.feed.throughput - 1) > 1e-6


def typed_as(case: Case, key: str) -> str:
    """Return what was typed for an input: itself, or the member of its group that it follows from."""
    value = getattr(case.source, "value", lambda key: None)
    place, base = schema.base_of(key)
    members = [schema.in_stage(place, m) for group in GROUPS if base in group.members for m in group.members]
    for member in (key, *members):
        typed = value(member)
        if isinstance(typed, str):
            return typed if member == key else f"{member.rpartition('.')[2]} {typed}"
    return ""


def _entries(case: Case, style: _Style) -> Iterator[tuple[str, str]]:
    yield "feed.material", case.material.name
    alone = () if isinstance(case.cooler, Line) else (("cooler", case.cooler),)
    for table, data in (("feed", case.feed), ("air", case.air), *alone):
        yield from _numbers(data, table, table, style)
    yield from _zones(case.cooler, "cooler", style)
    for number, stage in enumerate(getattr(case.cooler, "stages", ()), 1):
        yield from _stage(stage, f"stage.{number}", style)
    yield from _material(case, style)
    for table in CASE_TABLES:
        yield from _rows(table, getattr(case, table), style)
    for table, listed in (("recipe.ingredient", case.recipe.ingredient), ("equipment", case.equipment)):
        for number, entry in enumerate(listed, 1):
            for key, text in _numbers(entry, table, f"{table}.{number}", style):
                priced = key.endswith(".price")
                yield key, text.replace(" /", f" {case.costs.currency}/") if priced else text


def _zones(cooler: Any, place: str, style: _Style) -> Iterator[tuple[str, str]]:
    for number, zone in enumerate(getattr(cooler, "zones", ()), 1):
        yield from _numbers(zone, "cooler.zone", f"{place}.zone.{number}", style)


def _stage(stage: Stage, place: str, style: _Style) -> Iterator[tuple[str, str]]:
    """Every number of a machine of a line."""
    for key, text in _numbers(stage, "stage", place, style):
        if stage.stand_by or key != f"{place}.stand_by":
            yield key, text
    yield from _numbers(stage.cooler, "cooler", place, style)
    yield from _zones(stage.cooler, place, style)
    if stage.air is not None:
        yield from _numbers(stage.air, "air", f"{place}.air", style)
    for table in OWN:
        for key, text in _rows(table, getattr(stage, table), style):
            yield f"{place}.{key}", text


def _numbers(data: Any, table: str, place: str, style: _Style) -> Iterator[tuple[str, str]]:
    """What a data class holds of the keys of a table."""
    for name, key in TABLES[table].keys.items():
        value, length = getattr(data, name, None), getattr(data, f"{name}_length", None)
        if length is not None:
            yield f"{place}.{name}", units.text_of(length, units.LENGTH, _length_unit(style), style.digits)
        elif value is not None:
            yield f"{place}.{name}", _shown(value, key, style)


def _length_unit(style: _Style) -> str:
    return "in" if style.system == "us" else "cm"


def _material(case: Case, style: _Style) -> Iterator[tuple[str, str]]:
    for name in _MATERIAL:
        yield f"material.{name}", _shown(getattr(case.material, name), TABLES["material"].keys[name], style)
    for name, share in case.material.composition.items():
        yield f"material.composition.{name}", _shown(share, TABLES["material.composition"].keys[name], style)
    isotherm, diffusivity = case.material.isotherm, case.material.diffusivity
    yield "material.sorption.equation", isotherm.equation
    for name, constant in zip(EQUATIONS[isotherm.equation].constants, isotherm.constants):
        yield f"material.sorption.{name}", f"{constant:.{style.digits}g}"
    if isotherm.fat:
        yield "material.sorption.fat", _shown(isotherm.fat, TABLES["material.sorption"].keys["fat"], style)
    if isotherm.scale != 1.0:  # of materials in files only; not a key of a scenario
        yield "material.sorption.scale", f"{isotherm.scale:.{style.digits}g}"
    for name, key in TABLES["material.diffusivity"].keys.items():
        value = getattr(diffusivity, name)
        if name == "at_moisture":
            value = value / (1.0 + value)  # stored on dry basis, written wet
        yield f"material.diffusivity.{name}", _shown(value, key, style)


def _rows(table: str, values: Table, style: _Style) -> Iterator[tuple[str, str]]:
    currency = getattr(values, "currency", "")
    for name, value in values.given().items():
        key = schema.find(f"{table}.{name}")
        if f"{table}.{name}" in schema.TABLES and schema.TABLES[f"{table}.{name}"].varies:
            yield from _listed(f"{table}.{name}", value, style)
        elif isinstance(value, Mapping):
            yield from ((f"{table}.{name}.{column}", str(unit)) for column, unit in value.items())
        elif key is not None:
            text = _shown(value, key, style)
            yield f"{table}.{name}", text.replace(" /", f" {currency}/") if key.kind == "price" else text


def _listed(name: str, entries: tuple[Any, ...], style: _Style) -> Iterator[tuple[str, str]]:
    """Every number of the products or weathers of a size or a card."""
    base = TABLES[name].varies
    for number, entry in enumerate(entries, 1):
        place = f"{name}.{number}"
        yield f"{place}.name", entry.name
        if base == "feed":
            yield f"{place}.material", entry.material.name
        for key, definition in TABLES[base].keys.items():
            value = getattr(getattr(entry, base), key, None)
            if value is not None:
                yield f"{place}.{key}", _shown(value, definition, style)


def _shown(value: Any, key: Key, style: _Style) -> str:
    """Return a stored value as text."""
    unit = key.unit(style.system)
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return str(value).lower()
    if key.kind == "hours":
        return " to ".join(f"{int(s // 3600):02d}:{int(s % 3600 // 60):02d}" for s in value)
    if key.kind in ("curve", "loss", "catch", "breaks"):
        return _points(value, key, style)
    if key.dimension is None:
        return f"{value:.{style.digits}g}"
    if np.ndim(value):
        low, high = (
            units.text_of(float(f(value)), key.dimension, unit, style.digits) for f in (np.min, np.max)
        )
        return f"{low} to {high}" if key.kind == "range" else f"{np.size(value)} values, {low} to {high}"
    return units.text_of(float(value), key.dimension, unit, style.digits)


def _points(value: Any, key: Key, style: _Style) -> str:
    """Return the points of a curve, or the one of a pressure loss, as text."""
    assert key.dimension is not None and key.second is not None
    dimensions = (key.dimension, key.second, units.FRACTION)
    points = value if isinstance(value[0], tuple) else (value,)
    texts = (
        " ".join(
            units.text_of(x, d, d.us if style.system == "us" else d.si, style.digits)
            for x, d in zip(point, dimensions)
        )
        for point in points
    )
    return "; ".join(texts)
