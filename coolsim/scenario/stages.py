"""A line's [[stage]] tables: each is read as a scenario of that machine alone, so checks between keys hold."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import Any

from coolsim.case.case import Case, Line, Stage
from coolsim.case.tables import TABLES, Limits
from coolsim.scenario import reader, schema, source
from coolsim.scenario.change import changed
from coolsim.scenario.keys.machine import WITHIN_STAGE
from coolsim.scenario.reader import Collector
from coolsim.scenario.source import Source
from coolsim.scenario.units import Misread
from coolsim.support.errors import InputError

OWN = tuple(name for name in WITHIN_STAGE if name != "air")  # of a machine, never of a line
OF_LINE = {"conditioning_water", "conditioning_temperature"}  # keys of [limits] that are of no stage
SIZING = "sizing"  # of the line, but what it asks is of one stage


def line_from(typed: Source, one: Callable[[Source], Case]) -> Case:
    """Return the line that `typed` describes, its machines by `one`; raises InputError with every fault."""
    c = Collector(typed)
    entries = typed.value("stage")
    reader.read_list(c, "stage", entries)
    if not isinstance(entries, tuple) or not all(isinstance(entry, Mapping) for entry in entries):
        raise InputError(c.in_order())
    if len(entries) == 1:
        c.fault("stage", "one of them", "a line has two or more [[stage]]: call a machine alone [cooler]")
    _of_machines(c)
    known = {(f.key, f.found, f.allowed) for f in c.faults}
    cases = [_case(c, k, entry, one, known) for k, entry in enumerate(entries, 1)]
    sized = _sized(c, entries)
    whole = _whole(c, entries, sized or 1, one, known) if entries else None
    _of_what_is_fed(c, entries, cases)
    if c.faults:
        raise InputError(c.in_order())
    assert whole is not None
    stages = tuple(_stage(c, k, case) for k, case in enumerate(cases, 1) if case is not None)
    none: dict[str, Any] = {name: TABLES[name]() for name in OWN}
    of_line = {name: value for name, value in whole.limits.given().items() if name in OF_LINE}
    none["limits"] = Limits(**of_line)
    known_to = _known_to(entries, whole, cases)
    sizing = dataclasses.replace(whole.sizing, stage=stages[sized - 1].name) if sized else whole.sizing
    return dataclasses.replace(
        whole, cooler=Line(stages), source=typed, plus_minus=known_to, sizing=sizing, **none
    )


def _sized(c: Collector, entries: tuple[Mapping[str, Any], ...]) -> int | None:
    """Return the number of the stage that [sizing] is of, if there is any."""
    if SIZING not in c.source or not entries:
        return None
    names = [str(entry.get("name")) for entry in entries]
    table = c.source.value(SIZING)
    stated = table.get("stage") if isinstance(table, Mapping) else None
    if names.count(str(stated)) == 1:
        return names.index(str(stated)) + 1
    allowed = f"of a line one stage is sized, the others stay: give its name ({', '.join(names)})"
    c.fault("sizing.stage", "nothing" if stated is None else reader.shown(stated), allowed)
    return None


def _whole(
    c: Collector,
    entries: tuple[Mapping[str, Any], ...],
    k: int,
    one: Callable[[Source], Case],
    known: set[Any],
) -> Case | None:
    """Return what the line has as a whole: read with one of its stages, in the air of the line."""
    entry = {key: value for key, value in entries[k - 1].items() if key != "air"}
    of_line, own = c.source.value("limits"), entry.get("limits", {})
    if isinstance(of_line, Mapping) and of_line.keys() <= OF_LINE and isinstance(own, Mapping):
        entry["limits"] = {**own, **of_line}
    return _case(c, k, entry, one, known, sizing=True)


def _known_to(
    entries: tuple[Mapping[str, Any], ...], whole: Case, cases: list[Case | None]
) -> Mapping[str, Any]:
    """What was typed with a ±, by its key in the line."""
    found = {key: known for key, known in whole.plus_minus.items() if not key.startswith("cooler.")}
    for k, (entry, case) in enumerate(zip(entries, cases), 1):
        if case is not None:
            found |= {_key(key, f"stage.{k}", entry): known for key, known in case.plus_minus.items()}
    return MappingProxyType(found)


def _of_machines(c: Collector) -> None:
    """Object to tables beside the stages that belong to one of them."""
    limits = c.source.value("limits")
    of_line = isinstance(limits, Mapping) and limits.keys() <= OF_LINE
    for name in ("cooler", *OWN):
        if name in c.source and not (name == "limits" and of_line):
            where = (
                "its keys go into a [[stage]]"
                if name == "cooler"
                else f"give it to its stage, as [stage.{name}]"
            )
            c.fault(name, f"a [{name}] table beside [[stage]]", f"{where}: a line has several machines")


def _case(
    c: Collector,
    k: int,
    entry: Mapping[str, Any],
    one: Callable[[Source], Case],
    known: set[Any],
    sizing: bool = False,
) -> Case | None:
    """Return the case of one stage; its faults go to the collector under the stage's keys, each of them once."""
    try:
        return one(_alone(c.source, entry, sizing))
    except InputError as error:
        for fault in error.faults:
            found = _key(fault.key, f"stage.{k}", entry), fault.found, fault.allowed
            if found not in known:
                known.add(found)
                c.fault(*found)
        return None


def _key(key: str, place: str, entry: Mapping[str, Any]) -> str:
    """Return where a fault of a machine alone stands in the line."""
    table, _, name = key.partition(".")
    if key == "cooler":
        return place
    if table in ("cooler", *OWN) and name not in OF_LINE:
        return schema.in_stage(place, key)
    own = entry.get("air")
    if table == "air" and isinstance(own, Mapping) and name in own:
        return f"{place}.{key}"
    return key


def _alone(line: Source, entry: Mapping[str, Any], sizing: bool) -> Source:
    """Return the scenario of one stage by itself, with or without the [sizing] of the line."""
    left_out = ("stage", "cooler", *OWN, SIZING)
    typed = {name: value for name, value in line.items() if name not in left_out}
    stated = line.value(SIZING)
    if sizing and isinstance(stated, Mapping):
        typed[SIZING] = {key: value for key, value in stated.items() if key != "stage"}
    elif sizing and stated is not None:
        typed[SIZING] = stated
    typed["cooler"] = {k: v for k, v in entry.items() if k in schema.TABLES["cooler"].keys or k == "zone"}
    typed |= {name: entry[name] for name in OWN if name in entry}
    alone = Source(line.name, line.folder, source.frozen(typed), MappingProxyType({}), MappingProxyType({}))
    own = entry.get("air")
    if own is None:
        return alone
    if not isinstance(own, Mapping) or not isinstance(alone.value("air"), Mapping):
        return dataclasses.replace(alone, typed=source.frozen(typed | {"air": own}))
    return changed(alone, {f"air.{k}": v for k, v in own.items()}, "")


def _of_what_is_fed(c: Collector, entries: tuple[Mapping[str, Any], ...], cases: list[Case | None]) -> None:
    """Object to what counts by feed that is known only once the stage before has been predicted."""
    first = "stage.1.stand_by"
    if entries and "stand_by" in entries[0]:
        c.wrong(first, "the first stage takes [feed], whose moisture is even: leave it out")
    shrinks = False
    for k, (entry, case) in enumerate(zip(entries, cases), 1):
        limits = entry.get("limits")
        for key in sorted(OF_LINE & limits.keys()) if isinstance(limits, Mapping) else ():
            c.wrong(
                f"stage.{k}.limits.{key}", "it is of no machine: put it below [limits], beside the [[stage]]"
            )
        if k > 1:
            for key, words in _by_feed(entry, shrinks):
                c.wrong(f"stage.{k}.{key}", words)
        shrinks = shrinks or (case is not None and getattr(case.cooler, "shrinkage", 0.0) > 0)


def _by_feed(entry: Mapping[str, Any], shrinks: bool) -> Iterator[tuple[str, str]]:
    if "batch_mass" in entry:
        yield "batch_mass", "after another stage give bed_depth: what it weighs hangs on that stage"
    if _by_volume(entry.get("air_ratio")):
        yield "air_ratio", "after another stage give airflow, or kg of dry air per kg that enters this stage"
    limits = entry.get("limits")
    ranges = limits if isinstance(limits, Mapping) else {}
    for key, typed in (("residence_time", entry), ("limits.residence_time", ranges)):
        if shrinks and "residence_time" in typed:
            yield key, "after a dryer whose pellets shrink give bed_depth"


def _by_volume(air_ratio: Any) -> bool:
    key = schema.TABLES["cooler"].keys["air_ratio"]
    try:
        read = reader.READERS[key.kind](air_ratio, key)
    except Misread:
        return False  # the reader has said so
    return read.volume is not None


def _stage(c: Collector, k: int, case: Case) -> Stage:
    entry = c.source.value(f"stage.{k}")
    return Stage(
        c.values[f"stage.{k}.name"],
        case.cooler,
        c.values.get(f"stage.{k}.stand_by", 0.0),
        case.air if "air" in entry else None,
        **{name: getattr(case, name) for name in OWN},
    )
