"""A scenario with some keys changed, as if the file had said so: by `--set`, replace() or a [[list of tables]]."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any

from coolsim.scenario import schema, source
from coolsim.scenario.keys.feed import CUSTOM
from coolsim.scenario.reader import shown
from coolsim.scenario.source import Source
from coolsim.support.errors import Fault, InputError


def changed(before: Source, changes: Mapping[str, Any], origin: str) -> Source:
    """Return a scenario with (known) keys changed and their rivals removed."""
    typed = source.thawed(before.typed)
    for key in changes:
        for rival in _rivals(key, changes):
            _remove(typed, rival)
    for key, value in changes.items():
        _set(typed, key, source.frozen(value), origin)
    lines = {key: line for key, line in before.lines.items() if key not in changes}
    overrides = dict(before.overrides) | dict.fromkeys(changes, origin)
    return dataclasses.replace(
        before,
        typed=source.frozen(typed),
        lines=MappingProxyType(lines),
        overrides=MappingProxyType(overrides),
    )


def variants(before: Source, name: str) -> Iterator[tuple[str, Source]]:
    """Yield (place, scenario) for each table of the list `name`, such as "sizing.product.2".

    Each is the part of the scenario that the list varies, with the keys of that table put into it; nothing, where
    either of them is not what it should be (the reader has said so).
    """
    listed, base = before.value(name), schema.TABLES[name].varies
    if not isinstance(listed, tuple) or not isinstance(before.value(base), Mapping):
        return
    known, part = schema.TABLES[base].keys, _part(before, base)
    for number, entry in enumerate(listed, 1):
        if not isinstance(entry, Mapping):
            continue
        place = f"{name}.{number}"
        changes = {f"{base}.{key}": value for key, value in entry.items() if key in known}
        varied = changed(_of_its_material(part, entry), changes, "")
        lines = dict(varied.lines) | {
            key: before.line(f"{place}.{key.rpartition('.')[2]}") for key in changes
        }
        yield (
            place,
            dataclasses.replace(varied, lines=MappingProxyType(lines), overrides=part.overrides),
        )


def varied_tables(name: str) -> tuple[str, ...]:
    """Tables that the entries of a list bear on: the one they vary, and the material that a feed names."""
    base = schema.TABLES[name].varies
    return tuple(t for t in schema.TABLES if t == base or (base == "feed" and t.startswith("material")))


def _part(before: Source, base: str) -> Source:
    """The scenario without the tables that have no bearing on `base`: each entry of a list copies the rest."""
    others = {base, "material"}
    typed = {table: value for table, value in before.typed.items() if table in others}
    lines = {key: line for key, line in before.lines.items() if key.partition(".")[0] in others}
    overrides = {key: who for key, who in before.overrides.items() if key.partition(".")[0] in others}
    return dataclasses.replace(
        before,
        typed=MappingProxyType(typed),
        lines=MappingProxyType(lines),
        overrides=MappingProxyType(overrides),
    )


def _of_its_material(before: Source, entry: Mapping[str, Any]) -> Source:
    """Another material does not have the bulk numbers that were typed for the first."""
    if entry.get("material", before.value("feed.material")) == before.value("feed.material"):
        return before
    typed = source.thawed(before.typed)
    for name in ("bulk_density", "void_fraction"):
        _remove(typed, f"feed.{name}")
    return dataclasses.replace(before, typed=source.frozen(typed))


def _rivals(key: str, changes: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the keys that `key` replaces, except those changed with it (the reader objects to both)."""
    stage, alone = schema.base_of(key)
    if stage:
        rivals = (m for group in schema.GROUPS if alone in group.members for m in group.members)
        return tuple(m for m in (schema.in_stage(stage, rival) for rival in rivals) if m not in changes)
    place, _, name = key.rpartition(".")
    listed = schema.TABLES.get(place.rpartition(".")[0])
    base = f"{listed.varies}.{name}" if listed and listed.varies else key
    groups = (group.members for group in schema.GROUPS if base in group.members)
    members = [f"{place}.{m.rpartition('.')[2]}" if base != key else m for group in groups for m in group]
    if key == "feed.material" and changes[key] != CUSTOM:
        members.append("material")  # another material replaces the scenario's own
    return tuple(member for member in members if member not in changes)


def _set(typed: Any, key: str, value: Any, origin: str) -> None:
    *tables, name = key.split(".")
    for table in tables:
        inner = _inside(typed, table) if isinstance(typed, list) else typed.setdefault(table, {})
        if not isinstance(inner, dict) and not (isinstance(inner, list) and table != tables[-1]):
            found = f"{len(typed)} of them" if isinstance(typed, list) else shown(inner)
            what = f"{table} is a table"
            if isinstance(typed, list):
                what = "no table of this number: they are counted from 1, and added in the file"
            elif isinstance(inner, list):
                what = f"say which one by its number: {'.'.join(tables)}.1.{name}"
            raise InputError([Fault(origin, key, found, what)])
        typed = inner
    typed[name] = value


def _remove(typed: Any, key: str) -> None:
    *tables, name = key.split(".")
    for table in tables:
        typed = _inside(typed, table) if isinstance(typed, list) else typed.get(table, {})
        if not isinstance(typed, dict | list):
            return
    if isinstance(typed, dict):
        typed.pop(name, None)


def _inside(listed: list[Any], number: str) -> Any:
    """The table of a [[list of tables]], numbered from 1; None if there is none."""
    return listed[int(number) - 1] if number.isdecimal() and 1 <= int(number) <= len(listed) else None
