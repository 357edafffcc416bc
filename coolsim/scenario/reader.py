"""What was typed → SI values, collecting every fault of the file rather than the first.

pydantic was tried for this: it skips the checks between fields (exactly one of …, wet bulb above dry
bulb) as soon as one field fails, so a person would learn of the second half of the faults only after
mending the first. Hence a collector of our own, driven by the table in `schema`.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from coolsim.scenario import plus_minus, schema, units
from coolsim.scenario.plus_minus import PlusMinus
from coolsim.scenario.schema import Key
from coolsim.scenario.source import Source
from coolsim.scenario.units import Misread
from coolsim.scenario.values import READERS
from coolsim.support.errors import Fault

LONGEST_SHOWN = 60  # characters of a found value in a message


@dataclass
class Collector:
    """The values read so far, by dotted key, and every fault found on the way."""

    source: Source
    values: dict[str, Any] = field(default_factory=dict)
    plus_minus: dict[str, PlusMinus] = field(default_factory=dict)  # of the values that carry one
    faults: list[Fault] = field(default_factory=list)

    def fault(self, key: str, found: str, allowed: str) -> None:
        """Note that `key` is wrong."""
        self.faults.append(Fault(self.source.where(key), key, found, allowed))

    def wrong(self, key: str, allowed: str) -> None:
        """Note that what was typed for `key` is wrong."""
        self.fault(key, shown(self.source.value(key)), allowed)

    def has(self, *keys: str) -> bool:
        """Return whether all these keys were given (or defaulted) and are right."""
        return all(key in self.values for key in keys)

    def table(self, name: str) -> Mapping[str, Any]:
        """Return what was typed in a table, or nothing."""
        typed = self.source.value(name)
        return typed if isinstance(typed, Mapping) else {}

    def in_order(self) -> list[Fault]:
        """Return the faults in the order of the file."""
        return sorted(self.faults, key=lambda fault: self.source.line(fault.key))


def shown(value: Any, depth: int = 3) -> str:
    """Return a typed value as it looks in TOML, on one line, safe for a terminal, and not endless."""
    if isinstance(value, str):
        text = json.dumps(value[:LONGEST_SHOWN], ensure_ascii=False)
        if len(value) > LONGEST_SHOWN:
            return f"{_printable(text)[:LONGEST_SHOWN]}… ({len(value)} characters)"
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, list | tuple):
        inner = [shown(item, depth - 1) for item in value[:4]] if depth else ["…"] * bool(value)
        text = "[" + ", ".join(inner) + (", …]" if len(value) > 4 else "]")
    elif isinstance(value, int) and abs(value) > 10**20:  # Python refuses to print thousands of digits
        text = "a huge integer"
    else:
        text = str(value)
    text = _printable(text)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}… ({len(text)} characters)"


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def text_of(key: str, value: float) -> str:
    """Return a value in SI as a person would type it for this key."""
    definition = schema.find(key)
    assert definition is not None and definition.dimension is not None
    return units.text_of(value, definition.dimension, definition.unit("si"))


def read(source: Source) -> Collector:
    """Return the values of a scenario in SI and all faults of single keys and groups."""
    collector = Collector(source)
    _top_level(collector)
    return _read(collector, tuple(schema.TABLES))


def read_part(source: Source, tables: tuple[str, ...]) -> Collector:
    """Return the values of some tables of a scenario and their faults, as `read` does of all."""
    return _read(Collector(source), tables)


def _read(collector: Collector, tables: tuple[str, ...]) -> Collector:
    for name in tables:
        _table(collector, name)
    for group in schema.GROUPS:
        if group.members[0].rpartition(".")[0] in tables:
            _group(collector, group)
    _defaults(collector, tables)
    return collector


def is_available(source: Source) -> bool:
    """Return whether the cooler is of an arrangement that can be computed."""
    arrangement = source.value("cooler.arrangement")
    return arrangement is None or arrangement in schema.TABLES["cooler"].keys["arrangement"].choices


def arrangement_of(source: Source) -> str:
    """Return the arrangement that was typed, or the one without a name."""
    typed = source.value("cooler.arrangement")
    return typed if isinstance(typed, str) and typed in schema.ARRANGEMENTS else "counter-flow"


def _goes_with(source: Source, table: str, key: str) -> bool:
    """Return whether a key has a meaning in the arrangement that was typed."""
    return table != "cooler" or not is_available(source) or key in schema.ARRANGEMENTS[arrangement_of(source)]


def follows(source: Source, key: str) -> bool:
    """Return whether a key that was left out follows from another table."""
    return key in schema.FOLLOWS and isinstance(source.value(schema.FOLLOWS[key]), tuple)


def _is_read(source: Source, table: str) -> bool:
    """Return whether what a table lacks or has too much is of interest, or the table is the fault itself."""
    if table.startswith("cooler"):
        return is_available(source)
    return not table.startswith("material") or source.value("feed.material") == schema.CUSTOM


def _top_level(collector: Collector) -> None:
    known = [name for name in schema.TABLES if "." not in name]
    for name, value in collector.source.items():
        if name == "title":
            _value(collector, "title", value, schema.TITLE)
        elif name not in known:
            collector.fault(_safe(name), "an unknown name", _nearest(name, [*known, "title"]))


def _table(collector: Collector, name: str) -> None:
    table = schema.TABLES[name]
    typed = collector.source.value(name)
    if table.listed:
        own = name == "equipment" or ("." in name and _goes_with(collector.source, *name.rsplit(".", 1)))
        if typed is not None and own:  # stages are read with their machines
            read_list(collector, name, typed)
        return
    if typed is None:
        if table.required:
            collector.fault(name, "no such table", f"a scenario needs [{name}]: {table.meaning}")
        return
    if not isinstance(typed, Mapping):
        collector.fault(name, shown(typed), f"[{name}] is a table: {table.meaning}")
        return
    subtables = {other.rpartition(".")[2] for other in schema.TABLES if other.rpartition(".")[0] == name}
    for key, value in typed.items():
        definition = schema.find(f"{name}.{key}")
        known = definition or key in subtables
        if known and not _goes_with(collector.source, name, key):
            arrangement = arrangement_of(collector.source)
            allowed = ", ".join(schema.ARRANGEMENTS[arrangement])
            collector.wrong(
                f"{name}.{key}", f'it does not go with arrangement = "{arrangement}"; allowed: {allowed}'
            )
        elif definition:
            _value(collector, f"{name}.{key}", value, definition)
        elif not known and _is_read(collector.source, name):
            collector.fault(f"{name}.{_safe(key)}", "an unknown key", _nearest(key, table.keys, name))
    for key, definition in table.keys.items():
        wanted = definition.required and _goes_with(collector.source, name, key)
        wanted = wanted and not follows(collector.source, f"{name}.{key}")
        if wanted and key not in typed and _is_read(collector.source, name):
            example = f"{key} = {definition.example}"
            collector.fault(f"{name}.{key}", "nothing", f"it is needed, such as {example}")


def read_list(collector: Collector, name: str, typed: Any) -> None:
    """Read a [[list of tables]], but for the keys of a table that they vary: these are read with it."""
    table = schema.TABLES[name]
    if not isinstance(typed, tuple) or not typed or not all(isinstance(entry, Mapping) for entry in typed):
        named = ", each with a name" if "name" in table.keys else ""
        found = shown(typed) if typed else "an empty list"
        collector.fault(name, found, f"needs one or more [[{name}]]{named}: {table.meaning}")
        return
    for number, entry in enumerate(typed, 1):
        _entry_of_list(collector, name, f"{name}.{number}", entry)
    _different_names(collector, [f"{name}.{number}.name" for number in range(1, len(typed) + 1)])


def _entry_of_list(collector: Collector, name: str, place: str, entry: Mapping[str, Any]) -> None:
    table, known = schema.TABLES[name], schema.keys_of_entries(name)
    for key, value in entry.items():
        if key in table.keys:
            _value(collector, f"{place}.{key}", value, table.keys[key])
        elif key not in known and _is_read(collector.source, name) and not _within_stage(name, key):
            nearest = _nearest(key, known, table.varies or name)
            collector.fault(f"{place}.{_safe(key)}", "an unknown key", nearest)
    for key, definition in table.keys.items():
        if key not in entry and definition.default is not None:
            collector.values[f"{place}.{key}"] = READERS[definition.kind](definition.default, definition)
        elif key not in entry and definition.required and _is_read(collector.source, name):
            example = f"{key} = {definition.example}"
            collector.fault(f"{place}.{key}", "nothing", f"it is needed, such as {example}")


def _within_stage(name: str, key: str) -> bool:
    """Return whether a stage may have this table of its own."""
    return name == "stage" and key in (*schema.WITHIN_STAGE, "zone")


def _different_names(collector: Collector, places: list[str]) -> None:
    """Object to a name that an earlier table of the same list has."""
    names: dict[Any, str] = {}
    for place in places:
        label = collector.values.get(place)
        if label is not None and names.setdefault(label, place) != place:
            collector.wrong(place, f"{names[label]} has this name: give each its own")


def _safe(name: str) -> str:
    return shown(name)[1:-1] if name.isprintable() and len(name) <= LONGEST_SHOWN else shown(name)


def _nearest(name: str, known: Iterable[str], table: str = "") -> str:
    """Say what an unknown name was probably meant to be."""
    if f"{table}.{name}" in schema.MOVED:
        return f"it is {schema.MOVED[f'{table}.{name}']}"
    known = list(known)
    homes = [other for other, key, _ in schema.walk() if key == name and other != table]
    if homes:
        return f"it belongs in [{homes[0]}]"
    near = difflib.get_close_matches(name[:LONGEST_SHOWN], known, 1, 0.5)
    if near:
        return f"did you mean {near[0]}?"
    return f"allowed: {', '.join(known)}"


def _value(collector: Collector, key: str, value: Any, definition: Key) -> None:
    try:
        collector.values[key] = READERS[definition.kind](
            _centre(collector, key, value, definition), definition
        )
    except Misread as error:
        allowed = str(error)
        collector.fault(key, shown(value), allowed if allowed.startswith("allowed") else f"needs {allowed}")


def _centre(collector: Collector, key: str, value: Any, definition: Key) -> Any:
    """Return a value without its ±, which is noted; both its ends must be in the key's range."""
    parted = (
        plus_minus.parted(value) if isinstance(value, str) and definition.kind in _WITH_PLUS_MINUS else None
    )
    if parted is None:
        return value
    if not plus_minus.may_carry_one(key):
        tables = ", ".join(f"[{name}]" for name in plus_minus.TABLES)
        but = f" (not {', '.join(plus_minus.NOT)})" if key.startswith("recipe") else ""
        raise Misread(f"a quantity without ±: only those of {tables} may carry one{but}")
    for share in (-1.0, 1.0):
        READERS[definition.kind](parted.at(share), definition)
    collector.plus_minus[key] = parted
    return parted.at(0.0)


_WITH_PLUS_MINUS = ("quantity", "air ratio")


def _group(collector: Collector, group: schema.Group) -> None:
    source = collector.source
    if group.arrangement and group.arrangement != arrangement_of(source):
        return
    given = [member for member in group.members if source.value(member) is not None]
    table = group.members[0].partition(".")[0]
    names = " or ".join(_relative(member, table) for member in group.members)
    if len(given) > 1:
        found = " and ".join(
            f"{_relative(member, table)} = {shown(source.value(member))}" for member in given
        )
        collector.fault(given[1], found, f"give one of {names}: they say the same thing")
        return
    present = isinstance(source.value(table), Mapping) and _is_read(source, table)
    if group.required and present and not given and not follows(source, group.members[0]):
        example = schema.find(group.members[0])
        assert example is not None
        found = f"none of {names}"
        collector.fault(group.members[0], found, f"exactly one is needed, such as {example.example}")


def _relative(member: str, table: str) -> str:
    return member.removeprefix(f"{table}.")


def _defaults(collector: Collector, tables: tuple[str, ...]) -> None:
    """Fill in the defaults of the tables that were given."""
    for table, name, key in schema.walk():
        dotted = f"{table}.{name}"
        if (
            table not in tables
            or key.default is None
            or not isinstance(collector.source.value(table), Mapping)
        ):
            continue
        if not _goes_with(collector.source, table, name):
            continue
        rivals = next((g.members for g in schema.GROUPS if dotted in g.members), (dotted,))
        if all(collector.source.value(rival) is None for rival in rivals):
            collector.values[dotted] = READERS[key.kind](key.default, key)
