"""Many cases: those that a case with arrays stands for, and those of one form or kind put together."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Cooler
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.simulate.pellet_spread import with_equal_pellets
from coolsim.simulate.result_building import interleave
from coolsim.support.errors import NotConverged
from coolsim.support.fields import entry, shapes

_OF_ARRAYS = (
    "material",
    "feed",
    "cooler",
    "fan",
    "duct",
)  # whose numbers may be arrays, beside those of the air


def holds_arrays(case: Case) -> bool:
    """Whether a case has arrays where it cannot be laid out as it is: dryers and fans hold single numbers."""
    names = ("fan", "duct") if isinstance(case.cooler, Cooler) else _OF_ARRAYS
    return any(True for name in names for _ in shapes(getattr(case, name)))


def one_by_one(case: Case, outside: Air) -> Iterator[Case]:
    """The cases that a case with arrays stands for, one per entry."""
    parts = {name: getattr(case, name) for name in _OF_ARRAYS} | {"air": outside}
    shape = np.broadcast_shapes(*shapes(tuple(parts.values())))
    case = dataclasses.replace(case, arrival=None)  # its feed is that of the air
    for k in range(math.prod(shape)):
        yield dataclasses.replace(case, **{name: entry(part, k, shape) for name, part in parts.items()})


def comparable(results: list[Result]) -> list[Result]:
    """Results of several kinds, to be put together: where some tell what is between their pellets, all do."""
    if all(result.between_pellets is None for result in results):
        return results
    return [with_equal_pellets(result) for result in results]


def by_form(cases: list[Case], work: Callable[[list[Case]], Any]) -> Any:
    """`work` on the cases of each form of isotherm, its answers put together in the order of the cases."""
    return grouped(cases, lambda c: c.material.isotherm.equation, work)


def grouped(
    cases: list[Case],
    name: Callable[[Case], str],
    work: Callable[[list[Case]], Any],
    made_alike: Callable[[list[Any]], list[Any]] = list,
) -> Any:
    """`work` on the cases of each name, its answers put together (after `made_alike`) in the order of the cases."""
    if not cases:
        raise ValueError("no case to predict")
    names = np.array([name(c) for c in cases])
    groups = [np.flatnonzero(names == one) for one in np.unique(names)]
    results = []
    for index in groups:
        try:
            results.append(work([cases[i] for i in index]))
        except NotConverged as error:
            raise NotConverged(error.reason, index[error.failed], error.best) from None
    return results[0] if len(groups) == 1 else interleave(made_alike(results), groups)
