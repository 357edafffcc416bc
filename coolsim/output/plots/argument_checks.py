"""What stands before every picture: is it given what it draws, and a case that can be?"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Iterator, Mapping
from typing import Any, ParamSpec, TypeVar

from coolsim.scenario.validation import faults_of, in_words
from coolsim.support.errors import Fault, InputError

P = ParamSpec("P")
R = TypeVar("R")
# What pictures are given, by the name of its class, and where it comes from. By name, since the classes of some
# answers load a second of libraries that no picture needs.
_FROM: Mapping[str, str] = {
    "Result": "coolsim.predict(case)",
    "Case": 'coolsim.load("scenario.toml")',
    "Material": 'coolsim.load_material("pig-pellets")',
    "FitAnswer": 'coolsim.fit(case, "trials.csv")',
    "Plan": "coolsim.plan(case)",
    "SizeAnswer": "coolsim.size(case)",
    "Seasons": "coolsim.seasons(case)",
    "Sweep": 'coolsim.sweep(case, {"cooler.airflow": ["900 m3/h", "1200 m3/h"]})',
    "Levers": "coolsim.levers(case)",
    "LeverMap": "coolsim.studies.lever_study.lever_map(levers, result)",
}


def drawn(picture: Callable[P, R], arrays: bool) -> Callable[P, R]:
    """Return a picture that raises InputError, at once and with every fault, where it is given something else.

    arrays: whether its case may hold them, as one that was predicted with them does.
    """
    signature = inspect.signature(picture)
    wanted = {
        name: (kind, parameter.default is None)
        for name, parameter in signature.parameters.items()
        if (kind := str(parameter.annotation).partition(" ")[0]) in _FROM
    }

    @functools.wraps(picture)
    def door(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            given = signature.bind(*args, **kwargs).arguments
        except TypeError:
            return picture(*args, **kwargs)  # which says it in Python's words
        faults = list(_faults(given, wanted, arrays))
        if faults:
            raise InputError(faults)
        return picture(*args, **kwargs)

    return door


def _faults(given: dict[str, Any], wanted: dict[str, tuple[str, bool]], arrays: bool) -> Iterator[Fault]:
    for name, (kind, optional) in wanted.items():
        value: Any = given.get(name)
        if value is None and optional:
            continue
        if all(base.__name__ != kind for base in type(value).__mro__):
            yield Fault("", name, in_words(value), f"needs a {kind}, such as that of {_FROM[kind]}")
        elif kind == "Case":
            yield from faults_of(value, arrays=arrays, air_arrays=arrays)
