"""What stands before every public function that is asked with a case: can it be, and are the other arguments of the
kind that they are taken for? What they may be beyond that (a chance from 50 %) says the function itself.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import numbers
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Air, Case
from coolsim.model.solve import Resolution
from coolsim.scenario.validation import faults_of, faults_of_field, in_words
from coolsim.scenario.weather.record import Weather
from coolsim.support.errors import Fault, InputError

FINEST = 256  # cells and shells: 20 s and 2 GB for one case


def checked(function: Callable[..., Any], arrays: bool = False) -> Callable[..., Any]:
    """Return a public function that raises InputError, at once and with every fault, where it cannot be answered.

    arrays: whether it takes arrays in every number of a case, or in `air` only.
    """
    signature = inspect.signature(function)
    has_air = "air" in signature.parameters

    @functools.wraps(function)
    def door(*args: Any, **kwargs: Any) -> Any:
        try:
            given = signature.bind(*args, **kwargs).arguments
        except TypeError:
            return function(*args, **kwargs)  # which says it in Python's words
        case = given.get("case")
        faults = list(faults_of(case, given.get("air"), arrays, has_air)) if isinstance(case, Case) else []
        if isinstance(case, Sequence) and not isinstance(case, str | bytes):
            for k, one in enumerate(case):
                if isinstance(one, Case):
                    faults += [dataclasses.replace(f, where=f"case {k} (from 0)") for f in faults_of(one)]
        for name, look in _LOOKS.items():
            if name in given:
                faults += look(name, given[name])
        if faults:
            raise InputError(faults)
        return function(*args, **kwargs)

    door.__module__ = "coolsim"  # where other processes find it, and not the function behind it
    return door


def _whole(name: str, value: Any, low: int = 0, high: int | None = None) -> Iterator[Fault]:
    fits = isinstance(value, numbers.Integral) and not isinstance(value, bool)
    if not (fits and low <= value and (high is None or value <= high)):
        yield Fault(
            "", name, in_words(value), f"needs a whole number from {low} {f'to {high}' if high else 'on'}"
        )


def _flag(name: str, value: Any) -> Iterator[Fault]:
    if not isinstance(value, bool | np.bool_):
        yield Fault("", name, in_words(value), "needs True or False")


def _flag_or_none(name: str, value: Any) -> Iterator[Fault]:
    if not (value is None or isinstance(value, bool | np.bool_)):
        yield Fault("", name, in_words(value), "needs True, False or None")


def _progress(name: str, value: Any) -> Iterator[Fault]:
    if not (value is None or isinstance(value, bool | np.bool_) or callable(value)):
        yield Fault("", name, in_words(value), "needs a function of (done, of, what), True, False or None")


def _samples(name: str, value: Any) -> Iterator[Fault]:
    if value is not None and not isinstance(value, numbers.Integral):
        yield Fault("", name, in_words(value), "needs a whole number, such as 512, or None")


def _chance(name: str, value: Any) -> Iterator[Fault]:
    number: Any = value
    fits = isinstance(value, numbers.Real) and not isinstance(value, bool) and not abs(number) > 1e9
    if value is not None and not fits:
        yield Fault("", name, in_words(value), "needs a number, such as 0.9, or None")


def _resolution(name: str, value: Any) -> Iterator[Fault]:
    if not isinstance(value, Resolution):
        yield Fault(
            "", name, in_words(value), "needs a Resolution of coolsim.model.solve, such as Resolution(32, 24)"
        )
        return
    yield from _whole(f"{name}.cells", value.cells, 2, FINEST)
    yield from _whole(f"{name}.shells", value.shells, 2, FINEST)
    yield from _whole(f"{name}.refinements", value.refinements, 0, 8)


def _names(name: str, value: Any) -> Iterator[Fault]:
    alone = isinstance(value, str) or not isinstance(value, Sequence)
    if alone or not all(isinstance(one, str) for one in value):
        yield Fault("", name, in_words(value), 'needs a list of names, such as ["diffusivity"]')


def _name_or_names(name: str, value: Any) -> Iterator[Fault]:
    if not (value is None or isinstance(value, str)):
        yield from _names(name, value)


def _weather(name: str, value: Any) -> Iterator[Fault]:
    """A record that was changed in Python: arrays of one length, in the ranges of air."""
    if value is None:
        return
    if not isinstance(value, Weather):
        yield Fault(
            "", name, in_words(value), "needs a Weather, which is read first: coolsim.load_weather(path)"
        )
        return
    time = value.time
    if not isinstance(time, np.ndarray) or time.dtype.kind != "M" or time.ndim != 1 or not time.size:
        yield Fault("", f"{name}.time", in_words(time), "needs an array of times (numpy datetime64)")
        return
    for field in ("temperature", "relative_humidity", "pressure"):
        values = getattr(value, field)
        faults = list(faults_of_field(f"{name}.{field}", values, Air, field, arrays=True))
        yield from faults
        if not faults and np.shape(values) != time.shape:
            found = f"an array of shape {np.shape(values)}"
            yield Fault("", f"{name}.{field}", found, f"needs one number for each of the {len(time)} times")


_LOOKS: Mapping[str, Callable[[str, Any], Iterator[Fault]]] = {
    **dict.fromkeys(("band", "priors", "direct", "chart", "uncertainty", "on_dial"), _flag),
    "profile": _flag_or_none,
    "progress": _progress,
    "samples": _samples,
    "seed": _whole,
    "chance": _chance,
    "resolution": _resolution,
    "by": _name_or_names,
    "free": _names,
    "weather": _weather,
}
