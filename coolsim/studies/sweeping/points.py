"""The cases of a grid: read from the scenario as if each had been typed.

Reading a scenario takes a millisecond, as long as predicting a cooler's exit. Where the keys of a cooler change
different numbers of its case, each value is read once and the cases are put together; a time in the bed and the
throughput both change the depth, so every pair of these is read. Some points are read in any case and compared.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case, Cooler
from coolsim.scenario import retyped
from coolsim.scenario.validation import faults_of
from coolsim.studies.sweeping.answer import Swept
from coolsim.support.errors import InputError
from coolsim.support.fields import with_number

FEW = 64  # points that are read one by one
COMPARED, SEED = 12, 1998
ORIGIN = "sweep()"
Report = Callable[[int], None]
_OF_THE_TEXT = ("source", "plus_minus")


def points_of(case: Case, axes: Sequence[Swept]) -> tuple[list[Case | None], dict[int, str]]:
    """The case of every point, None where no scenario can be so, and why not."""
    grid = list(itertools.product(*(axis.typed for axis in axes)))
    keys = [axis.key for axis in axes]

    def read(values: Sequence[Any]) -> Case:
        return retyped(case, dict(zip(keys, values)), ORIGIN)

    if len(grid) > FEW and isinstance(case.cooler, Cooler) and case.arrival is None:
        found = _put_together(axes, grid, read)
        if found is not None:
            return found
    cases: list[Case | None] = []
    refused: dict[int, str] = {}
    for k, values in enumerate(grid):
        try:
            cases.append(read(values))
        except InputError as error:
            cases.append(None)
            refused[k] = str(error.faults[0])
    if len(refused) == len(grid):
        read(grid[0])  # says all that is wrong
    return cases, refused


def _put_together(
    axes: Sequence[Swept], grid: Sequence[tuple[Any, ...]], read: Callable[[Sequence[Any]], Case]
) -> tuple[list[Case | None], dict[int, str]] | None:
    """The cases from one reading per value; None where keys change the same numbers."""
    first = [axis.typed[0] for axis in axes]
    try:
        base = read(first)
        changes = [
            [_changes(base, read([*first[:k], value, *first[k + 1 :]])) for value in axis.typed]
            for k, axis in enumerate(axes)
        ]
    except InputError:
        return None
    places = [{path for change in each for path in change} for each in changes]
    if any(one & other for one, other in itertools.combinations(places, 2)):
        return None
    cases: list[Case | None] = []
    for parts in itertools.product(*changes):
        one = base
        for path, value in itertools.chain.from_iterable(part.items() for part in parts):
            one = with_number(one, path, value)
        cases.append(one)
    some = np.random.default_rng(SEED).choice(len(grid), COMPARED - 1, replace=False)
    for k in (len(grid) - 1, *some):
        try:
            if _changes(cases[k], read(grid[k])):
                return None
        except InputError:
            return None
    refused = {k: str(fault) for k, one in enumerate(cases) for fault in itertools.islice(faults_of(one), 1)}  # type: ignore[arg-type]
    return [None if k in refused else one for k, one in enumerate(cases)], refused


def _changes(base: Any, other: Any) -> dict[str, Any]:
    """What differs between two cases, by dotted path; of what is not made alike, the whole."""
    return dict(_differences(base, other, ""))


def _differences(one: Any, other: Any, path: str) -> Iterator[tuple[str, Any]]:
    if dataclasses.is_dataclass(one) and type(one) is type(other):
        for f in dataclasses.fields(one):
            if path or f.name not in _OF_THE_TEXT:
                yield from _differences(getattr(one, f.name), getattr(other, f.name), f"{path}{f.name}.")
    elif one != other:
        yield path.removesuffix("."), other
