"""Whether numbers of a case can be: each field of a data class against what its key in a scenario allows."""

from __future__ import annotations

import dataclasses
import numbers
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from coolsim.scenario import schema, units
from coolsim.scenario.reader import shown
from coolsim.scenario.values import ends
from coolsim.support.errors import Fault

_KINDS = ("quantity", "number", "air ratio", "deviation", "price", "range", "choice")
_PREDICT = "ask case by case, or coolsim.predict, which takes them in all numbers"
NO_ARRAY = f"no array is taken here: {_PREDICT}"
IN_AIR_ONLY = f"arrays are for `air` only here: {_PREDICT}"
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
class Wanted:
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


@dataclass(frozen=True)
class Checker:
    """How data classes are looked at: whether arrays may stand in them, and the shapes of those that do."""

    arrays: bool
    shapes: dict[str, tuple[int, ...]]
    refusal: str = NO_ARRAY

    def one(self, place: str, value: Any, kind: type | tuple[type, ...], table: str = "") -> Iterator[Fault]:
        """Yield the faults of the fields of a data class; `table` is that of the schema, if not the place."""
        if not isinstance(value, kind):
            kinds = kind if isinstance(kind, tuple) else (kind,)
            allowed = f"needs a {' or '.join(k.__name__ for k in kinds)} of {kinds[0].__module__}"
            yield Fault("", place, in_words(value), allowed)
            return
        own: Any = type(value)
        for wanted in wanted_of(own, table or place):
            number = getattr(value, wanted.name)
            if number is None and wanted.optional:
                continue
            if type(number) is float and wanted.single and wanted.low <= number <= wanted.high:
                continue  # nearly all of them
            yield from self.field(f"{place}.{wanted.name}", number, wanted)

    def field(self, key: str, value: Any, wanted: Wanted) -> Iterator[Fault]:
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
            faults = [f for end in value for f in Checker(False, {}).field(key, end, single)]
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


def _range(wanted: Wanted) -> str:
    unit = "" if wanted.unit == "-" else f" {wanted.unit}"
    return f" {wanted.low:.6g} to {wanted.high:.6g}{unit}"


def _meant(value: float, wanted: Wanted) -> str:
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
def wanted_of(kind: type, table: str) -> tuple[Wanted, ...]:
    """What the fields of a data class may hold, by the keys of a table of the schema."""
    found = []
    for field in dataclasses.fields(kind):
        key = schema.find(f"{table}.{field.name}")
        if field.name == "depth_deviation_length":
            wanted = Wanted(field.name, 0.0, 8.0, "quantity", (), "m", units.LENGTH.name, True)
        elif key is None or key.kind not in _KINDS or field.name == "arrangement":
            continue
        else:
            low, high = (0.0, 0.0) if key.kind == "choice" else ends(key)
            if (table, field.name) == ("material.diffusivity", "at_moisture"):
                high /= 1.0 - high  # of the dry weight there, of the wet in a scenario
            measures = key.dimension.name if key.dimension else ""
            wanted = Wanted(
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
