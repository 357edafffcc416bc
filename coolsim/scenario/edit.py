"""The doors: read a scenario from a file or a text, and read it again with some keys changed."""

from __future__ import annotations

import dataclasses
import difflib
import math
import os
from collections.abc import Mapping, Sequence
from typing import Any

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.scenario import schema, source, units
from coolsim.scenario.build import case_from
from coolsim.scenario.change import changed
from coolsim.scenario.echo import inputs
from coolsim.scenario.keys.feed import CUSTOM
from coolsim.scenario.keys.machine import WITHIN_STAGE
from coolsim.scenario.reader import shown
from coolsim.scenario.source import Source
from coolsim.scenario.units import known_system
from coolsim.scenario.values import ends
from coolsim.support import toml_text
from coolsim.support.errors import Fault, InputError, joined_to
from coolsim.support.toml_text import NestedTooDeeply, check_depth


def load(path: str | os.PathLike[str], *, units: str = "si") -> Case:
    """Return the case that the scenario file `path` describes.

    units: "si" or "us", in which steps of dials, sizes and motors are to be round numbers, whatever is typed.
    Raises InputError with every fault of the file, each with its line.
    """
    known_system(units)
    return dataclasses.replace(case_from(source.read_file(path)), units=units)


def load_with(path: str | os.PathLike[str], settings: Sequence[str], units: str = "si") -> Case:
    """Return the case of a file with settings such as "feed.moisture=15 %" applied, as `--set` gives them.

    Raises InputError with every fault of the file and of the settings together.
    """
    before, changes, faults = source.read_file(path), {}, list[Fault]()
    for setting in settings:
        with joined_to(faults):
            key, value = parse_setting(setting)
            changes[key] = value
    return dataclasses.replace(_case_from(before, changes, "--set", faults), units=units)


def loads(text: str, name: str = "scenario", *, units: str = "si") -> Case:
    """Return the case that a scenario's text describes; `name` stands for the file in messages."""
    known_system(units)
    return dataclasses.replace(case_from(source.parse(text, name)), units=units)


@takes_a_case
def replace(case: Case, changes: Mapping[str, Any], origin: str = "replace()") -> Case:
    """Return the case with some keys of its scenario changed, as if the file had said so.

    `changes` maps keys to what a scenario would hold: {"cooler.airflow": "1800 m3/h"}. Setting one key of
    an exactly-one group (moisture or moisture_dry_basis, airflow or air_ratio, …) removes the others.
    The case may be one that an answer holds, such as that of a fit with its material, or that was changed in Python
    to what a scenario can say too.
    Raises InputError with every fault; `origin` stands for the file in messages about changed keys.
    """
    found = _case_from(_source_of(as_typed(case)), changes, origin, [])
    found = dataclasses.replace(found, units=case.units)
    return found if found.material.name != case.material.name else _carried(case, found)


def retyped(case: Case, changes: Mapping[str, Any], origin: str = "") -> Case:
    """Return what the scenario of a case describes with some keys changed, without what was changed in Python."""
    return dataclasses.replace(_case_from(_source_of(case), changes, origin, []), units=case.units)


def _case_from(before: Source, changes: Mapping[str, Any], origin: str, faults: list[Fault]) -> Case:
    """Return the changed case; raises InputError with `faults`, unknown keys and what the reader finds."""
    if not isinstance(changes, Mapping) or not all(isinstance(key, str) for key in changes):
        found = f"an object of type {type(changes).__name__} that does not map keys to values"
        allowed = 'needs keys of the scenario and what it would hold: {"cooler.airflow": "1800 m3/h"}'
        raise InputError([*faults, Fault(origin, "changes", found, allowed)])
    wrong = {key: _unknown(key, origin, before) for key in changes if schema.find(key) is None}
    wrong |= {key: _deep(key, origin) for key, value in changes.items() if _is_deep(value)}
    faults = faults + list(wrong.values())
    try:
        case = case_from(changed(before, {k: v for k, v in changes.items() if k not in wrong}, origin))
    except InputError as error:
        raise InputError(faults + error.faults) from None
    if faults:
        raise InputError(faults)
    return case


def parse_setting(text: str) -> tuple[str, Any]:
    """Return (key, value) of "feed.moisture=15 %" as typed on a command line; raises InputError.

    Quotes around the value may be left out; lists and bare numbers are read as TOML.
    """
    key, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not key or not value:
        allowed = 'write key=value, such as --set feed.moisture="15 %"'
        raise InputError([Fault("--set", key or "setting", shown(text), allowed)])
    definition = schema.find(key)
    bare = definition is not None and definition.kind in ("number", "flag")
    if not bare and value[0] not in "\"'[":
        return key, value
    try:
        return key, toml_text.loads(f"value = {value}")["value"]
    except ValueError:
        return key, value  # the reader will say what it wanted


def _unknown(key: str, origin: str, before: Source) -> Fault:
    if key in schema.MOVED:
        allowed = f"it is {schema.MOVED[key]}"
    elif key.startswith("stage."):
        allowed = _of_a_stage(key, before)
    else:
        known = [f"{table}.{name}" for table, name, _ in schema.walk()] + ["title"]
        homes = [name for name in known if name.rpartition(".")[2] == key]
        guess = homes[0] if homes else _near(key, known)
        allowed = f"did you mean {guess}?" if guess else "a key is table.name, such as feed.moisture"
    return Fault(origin, shown(key)[1:-1], "an unknown key", allowed)


def _deep(key: str, origin: str) -> Fault:
    return Fault(origin, shown(key)[1:-1], str(NestedTooDeeply()), "needs one value, or a short list")


def _is_deep(value: Any) -> bool:
    try:
        check_depth(value)
    except NestedTooDeeply:
        return True
    return False


def _near(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name[:60], known, 1, 0.6)
    return near[0] if near else ""


def _of_a_stage(key: str, before: Source) -> str:
    """Say how a key of a stage is written: with the stage's number, and a key that a stage has."""
    _, stage, name = (*key.split(".", 2), "")[:3]
    listed = before.value("stage")
    entries = listed if isinstance(listed, tuple) else ()
    labels = [str(entry.get("name")) for entry in entries if isinstance(entry, Mapping)]
    meant = _near(stage, labels)
    number = stage if stage.isdecimal() else str(labels.index(meant) + 1) if meant else "1"
    inside = [f"{table}.{k}" for table in WITHIN_STAGE for k in schema.TABLES[table].keys]
    known = [*schema.keys_of_entries("stage"), *inside]
    near = name if name in known else _near(name, known)
    elsewhere = [f"{table}.{k}" for table, k, _ in schema.walk() if k == name and table not in WITHIN_STAGE]
    if elsewhere and not near:
        return f"a stage has no such key; did you mean {elsewhere[0]}?"
    named = "; ".join(f"{k} is {label}" for k, label in enumerate(labels, 1))
    by_number = f" (stages go by number{': ' + named if named else ''})"
    if not near:
        return f"a stage has the keys of [cooler], such as stage.{number}.bed_depth{by_number}"
    return f"did you mean stage.{number}.{near}?{'' if stage.isdecimal() else by_number}"


def _source_of(case: Case) -> Source:
    if isinstance(case.source, Source):
        return case.source
    found = "a case that was not read from a scenario"
    raise InputError([Fault("", "replace", found, "use dataclasses.replace for a case built in Python")])


def is_as_typed(case: Case) -> bool:
    """Whether a case is what its scenario says; one that was set in Python, as by find_settings, is not."""
    try:
        return _read(case) == case
    except (InputError, ValueError):  # no scenario, or arrays, which none holds
        return False


ALIKE = 1e-9  # of a number: what is left of it on its way through a text


def as_typed(case: Case) -> Case:
    """The case with a scenario that describes it: what was set in Python since it was read is typed into it.

    So may the case of an answer be changed on. Raises InputError where no scenario can say what was changed.
    """
    before, read = _source_of(case), _read(case)
    try:
        if read == case:
            return case
    except ValueError:  # arrays in it, which a scenario never holds
        raise _beyond_words("arrays in place of numbers") from None
    was, now = inputs(read), inputs(case)
    set_so = {
        key: _with_its_plus_minus(case, key, text)
        for key, text in now.items()
        if was.get(key) != text and not (key.startswith("material.") and not _custom(case))
    }
    try:
        found = case_from(changed(before, set_so, "what was set in Python"))
    except InputError as error:
        raise InputError([*_beyond_words(f"{', '.join(set_so)} set so").faults, *error.faults]) from None
    found = _carried(case, found)
    if not _alike(found, case):
        raise _beyond_words("a case changed in Python after it was read")
    return found


def _carried(case: Case, found: Case) -> Case:
    """What goes along though no scenario says it: numbers of a library material that were fitted, and margins."""
    read = _read(case).material
    names = [f.name for f in dataclasses.fields(read)]
    fitted = {n: x for n in names if (x := getattr(case.material, n)) != getattr(read, n)}
    material = dataclasses.replace(found.material, **fitted) if fitted else found.material
    return dataclasses.replace(found, material=material, safety_margins=case.safety_margins, units=case.units)


def _read(case: Case) -> Case:
    """What the scenario of a case says, read anew."""
    return dataclasses.replace(case_from(_source_of(case)), units=case.units)


def _custom(case: Case) -> bool:
    """Whether the numbers of the material stand in the scenario itself."""
    return bool(_source_of(case).value("feed.material") == CUSTOM)


def _with_its_plus_minus(case: Case, key: str, text: str) -> str:
    """A number as text; one whose key was typed with a ± is known as well as that, wherever it is set."""
    known, definition = case.plus_minus.get(key), schema.find(key)
    if known is None or definition is None or definition.dimension is None:
        return text
    value = units.shown(units.read(text, definition.dimension), definition.dimension, known.unit)
    return f"{value:.12g} ± {known.half:.12g} {known.unit}"


def _beyond_words(found: str) -> InputError:
    allowed = "use dataclasses.replace for it too: no scenario can say what was changed"
    return InputError([Fault("", "replace", found, allowed)])


_OF_THE_TEXT = ("source", "plus_minus", "arrival", "safety_margins")  # of a Case, besides what is asked


def _alike(one: Any, other: Any) -> bool:
    """Whether two cases ask the same, but for what a number loses on its way through a text."""
    if dataclasses.is_dataclass(one):
        names = [f.name for f in dataclasses.fields(one) if f.name not in _OF_THE_TEXT]
        return type(one) is type(other) and all(_alike(getattr(one, n), getattr(other, n)) for n in names)
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(_alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=ALIKE, abs_tol=ALIKE**2)
    return bool(one == other)


def bounds(key: str, unit: str) -> tuple[float, float]:
    """Return the range that a key's quantity may have, in a unit (of an air ratio: above nothing)."""
    definition = schema.find(key)
    assert definition is not None and definition.dimension is not None
    if definition.kind != "quantity":
        return 0.0, math.inf
    dimension = definition.dimension
    low, high = ends(definition)
    return units.shown(low, dimension, unit), units.shown(high, dimension, unit)
