"""What a sweep answers: what was varied, every prediction, and what could not be predicted."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.result_building import pick
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, documented

# Pictures and tables stand above what they show: looked up by name, as in `coolsim.support.display`.
_PLOTS, _FRAMES = "coolsim.output.plots", "coolsim.output.frames"


@dataclass(frozen=True, repr=False)
class Swept(Displayed):
    """One key that was varied."""

    key: str = documented("-", "of the scenario")
    typed: tuple[Any, ...] = documented("-", "its values, as a scenario may hold them")
    values: Any = documented("as `unit`", "the same as an array of numbers in `unit`, or of words")
    unit: str = documented("-", "unit of the values; empty for bare numbers and words")
    stored: Array | None = documented("SI", "the same in SI; None of words", default=None)


@dataclass(frozen=True)
class Failure:
    """Points that could not be predicted, for one reason; their numbers are nan."""

    reason: str = documented("-", "what went wrong")
    count: int = documented("-", "at how many points")
    first: str = documented("-", "where first: the keys and values of that point")


@dataclass(frozen=True, repr=False)
class Sweep(Displayed):
    """The answer of `sweep`: a full grid, whose axes are the keys in the order in which they were given."""

    case: Case = documented("-", "the case whose keys were varied")
    swept: tuple[Swept, ...] = documented("-", "what was varied, an axis each")
    result: Result = documented(
        "-",
        "every prediction, a case per point of the grid, the last key varying fastest; nan where it failed",
    )
    outside: Array = documented("°C", "temperature outside at each point, in the same order")
    failures: tuple[Failure, ...] = documented("-", "what could not be predicted, and why", default=())

    @property
    def shape(self) -> tuple[int, ...]:
        """How many values each key has."""
        return tuple(len(axis.typed) for axis in self.swept)

    @property
    def failed(self) -> int:
        """How many points could not be predicted."""
        return sum(failure.count for failure in self.failures)

    def __getitem__(self, name: str) -> Array:
        """A number of the result on the grid, by its name in Python: sweep["pellets_out.moisture_wb"]."""
        columns = import_module(_FRAMES).of_result(self.result)
        if name not in columns:
            raise KeyError(f"{name!r} is none of {', '.join(columns)}")
        return np.asarray(columns[name].values).reshape(self.shape)

    def to_xarray(self) -> Any:
        """The grid as an xarray Dataset: dimensions are the keys, variables the numbers of the result.

        Keys are in the units in which they were given, numbers in SI and °C; each says so in `.attrs`. Needs
        xarray: pip install 'coolsim[notebooks]'.
        """
        return import_module(_FRAMES).dataset(self)

    def plot(
        self,
        quantity: str = "moisture",
        ax: Any = None,
        *,
        units: str = "si",
        at: Mapping[str, Any] | None = None,
    ) -> Any:
        """Draw what leaves over one or two keys; returns the axis.

        quantity: a name of `coolsim explain`, such as "moisture", "temperature" or "lift_off", or a number of the
        result by its name in Python ("air_out.temperature"). at: of more than two keys, the value at which each of
        the others is held.
        """
        return import_module(_PLOTS).sweep(self, quantity, ax, units=units, at=at)

    def at(self, held: Mapping[str, Any]) -> Sweep:
        """The part of the grid in which keys are held at one of their values, as it was given or as a number."""
        faults = [fault for key, value in held.items() for fault in self._faults(key, value)]
        if faults:
            raise InputError(faults)
        index = np.arange(self.outside.size).reshape(self.shape)
        for axis, one in reversed(list(enumerate(self.swept))):
            if one.key in held:
                index = np.take(index, _places(one, held[one.key])[0], axis=axis)
        rows = index.reshape(-1)
        stages = tuple(dataclasses.replace(run, result=pick(run.result, rows)) for run in self.result.stages)
        result = dataclasses.replace(pick(self.result, rows), stages=stages)
        kept = tuple(one for one in self.swept if one.key not in held)
        return Sweep(self.case, kept, result, self.outside[rows])

    def _faults(self, key: str, value: Any) -> list[Fault]:
        known = {one.key: one for one in self.swept}
        if key not in known:
            return [Fault("", "at", f'"{key}"', f"it was not varied; these were: {', '.join(known)}")]
        if not _places(known[key], value):
            return [
                Fault("", f"at {key}", f"{value}", f"its values are {', '.join(map(str, known[key].typed))}")
            ]
        return []


def _places(one: Swept, value: Any) -> list[int]:
    """Which of a key's values is meant: as it was typed, or a number in its unit or in SI; none where none is."""
    found = [k for k, typed in enumerate(one.typed) if value in (typed, str(typed))]
    number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    for numbers in (one.values, one.stored) if number and one.stored is not None else ():
        found += list(np.flatnonzero(np.isclose(numbers, value, rtol=1e-9, atol=0.0)))
    return found
