"""What a sweep is asked: keys and their values, checked before anything is computed."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.scenario import retyped, schema, units
from coolsim.scenario.plus_minus import SIGN
from coolsim.scenario.schema import Key
from coolsim.scenario.units import Misread
from coolsim.scenario.validation import in_words
from coolsim.scenario.values import READERS
from coolsim.studies.sweeping.answer import Swept
from coolsim.support.errors import Fault, InputError

MOST = 100_000  # points
_OF_ONE = ("quantity", "air_ratio", "deviation", "price")  # kinds of one number with a unit


def grid_of(case: Case, values: Any, given_in: Mapping[str, str] | None) -> tuple[Swept, ...]:
    """The axes that were asked for; raises InputError with every fault of keys, values and units."""
    if not isinstance(values, Mapping) or not values or not all(isinstance(key, str) for key in values):
        allowed = 'needs keys of the scenario and their values: {"cooler.airflow": ["900 m3/h", "1200 m3/h"]}'
        raise InputError([Fault("", "values", in_words(values), allowed)])
    in_units = {} if given_in is None else given_in
    faults = list(_of_units(in_units, values))
    axes = []
    for key, listed in values.items():
        axis, wrong = _axis(case, key, listed, in_units.get(key, "") if isinstance(in_units, Mapping) else "")
        axes.append(axis)
        faults += wrong
    count = math.prod(len(axis.typed) for axis in axes if axis is not None)
    if not faults and count > MOST:
        faults.append(
            Fault("", "values", f"a grid of {count} points", f"at most {MOST}: take fewer of each key")
        )
    if faults:
        raise InputError(faults)
    return tuple(axis for axis in axes if axis is not None)


def _of_units(given_in: Any, values: Mapping[str, Any]) -> Iterator[Fault]:
    if not isinstance(given_in, Mapping):
        yield Fault("", "units", in_words(given_in), 'needs a unit for each key: {"cooler.airflow": "m3/h"}')
        return
    for key in given_in:
        if key not in values and (
            not isinstance(key, str) or schema.find(key) is None
        ):  # units serve many sweeps
            yield Fault("", "units", in_words(key), f"it is not varied; these are: {', '.join(values)}")


def _axis(case: Case, key: str, listed: Any, unit: str) -> tuple[Swept | None, list[Fault]]:
    definition = schema.find(key)
    if definition is None:
        return None, _unknown(case, key)
    if isinstance(listed, str | bytes | Mapping) or not isinstance(listed, Sequence | np.ndarray):
        return None, [Fault("", key, in_words(listed), "needs a list of values, or an array of numbers")]
    if np.ndim(listed) > 1 and isinstance(listed, np.ndarray):
        return None, [Fault("", key, f"an array of shape {np.shape(listed)}", "needs an array with one axis")]
    if not len(listed):
        return None, [Fault("", key, "an empty list", "needs at least one value")]
    typed, faults = [], []
    for value in listed:
        try:
            text = _typed(value, definition, unit)
            centre = SIGN.split(text)[0] if isinstance(text, str) and definition.kind in _OF_ONE else text
            READERS[definition.kind](
                f"{centre}{_unit_after(text)}" if centre is not text else text, definition
            )
            typed.append(text)
        except Misread as error:
            allowed = str(error)
            words = allowed if allowed.startswith("allowed") else f"needs {allowed}"
            faults.append(Fault("", key, in_words(value), words))
    twice = [one for k, one in enumerate(typed) if one in typed[:k]]
    if twice:
        faults.append(Fault("", key, f"{in_words(twice[0])} twice", "each value once"))
    return (None if faults else _swept(key, typed, definition)), faults


def _unknown(case: Case, key: str) -> list[Fault]:
    """In the words with which a scenario's reader refuses a key."""
    try:
        retyped(case, {key: "1"}, "")
    except InputError as error:
        found = [f for f in error.faults if f.found == "an unknown key"]
        if found:
            return found
    near = difflib.get_close_matches(key, [f"{table}.{name}" for table, name, _ in schema.walk()], 1)
    return [Fault("", key, "an unknown key", f"did you mean {near[0]}?" if near else "a key is table.name")]


def _typed(value: Any, definition: Key, unit: str) -> Any:
    """A value as a scenario holds it: numbers of a quantity are in the unit named, or in SI."""
    if isinstance(value, np.generic):
        value = value.item()
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or definition.dimension is None:
        if isinstance(value, float) and value.is_integer() and definition.kind == "number":
            return int(value)
        return value
    if not math.isfinite(value):
        raise Misread("a number of finite size")
    if unit:
        return f"{value:.15g} {unit}"
    dimension = definition.dimension
    return f"{units.shown(float(value), dimension, definition.unit('si')):.15g} {definition.unit('si')}"


def _unit_after(text: str) -> str:
    """The unit of a quantity with a ±."""
    return f" {units.split(SIGN.split(text)[-1])[1]}"


def _swept(key: str, typed: Sequence[Any], definition: Key) -> Swept:
    """The values as numbers in one unit, where they are numbers."""
    if all(isinstance(one, bool) or not isinstance(one, str | int | float) for one in typed):
        return Swept(key, tuple(typed), np.array([str(one) for one in typed]), "")
    if definition.dimension is None:
        numeric = all(isinstance(one, int | float) for one in typed)
        numbers = np.array(typed, float) if numeric else None
        return Swept(key, tuple(typed), numbers if numeric else np.array(list(map(str, typed))), "", numbers)
    if definition.kind not in _OF_ONE or any(SIGN.search(one) for one in typed):
        return Swept(key, tuple(typed), np.array(list(map(str, typed))), "")
    parts = [units.split(one) for one in typed]
    names = {unit for _, unit in parts}
    values, unit = np.array([number for number, _ in parts]), parts[0][1]
    try:
        stored = np.array([units.read(one, definition.dimension) for one in typed])
    except Misread:  # a price with its currency, an air ratio by volume
        return Swept(key, tuple(typed), values if len(names) == 1 else np.array(list(typed)), unit)
    if len(names) > 1:
        unit = definition.unit("si")
        values = np.array([units.shown(float(x), definition.dimension, unit) for x in stored])
    return Swept(key, tuple(typed), values, unit, stored)
