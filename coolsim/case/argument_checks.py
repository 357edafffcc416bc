"""What stands at the door of every public function that is asked with a case: is it one?"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, ParamSpec, TypeVar

from coolsim.case.case import Case
from coolsim.support.errors import Fault, InputError

P = ParamSpec("P")
R = TypeVar("R")


def takes_a_case(function: Callable[P, R]) -> Callable[P, R]:
    """Let a function raise InputError where its first argument, `case`, is no Case."""
    return _with_door(function, several=False)


def takes_cases(function: Callable[P, R]) -> Callable[P, R]:
    """Let a function raise InputError where its first argument, `case`, is no Case and no sequence of them."""
    return _with_door(function, several=True)


def _with_door(function: Callable[P, R], several: bool) -> Callable[P, R]:
    @functools.wraps(function)
    def door(*args: P.args, **kwargs: P.kwargs) -> R:
        given = args[0] if args else kwargs.get("case")
        # where it is left out, Python says so in its own words
        if not isinstance(given, Case) and (args or "case" in kwargs):
            faults = list(_faults(given, several))
            if faults:
                raise InputError(faults)
        return function(*args, **kwargs)

    return door


def path_of(given: Any, key: str, what: str) -> str:
    """Return the name of a file; raises InputError where what was given names none."""
    try:
        return os.fsdecode(given)
    except TypeError:
        allowed = f"needs the path of {what}, as text or as a Path"
        raise InputError([Fault("", key, _named(given), allowed)]) from None


def _faults(given: Any, several: bool) -> Iterator[Fault]:
    if several and isinstance(given, Sequence) and not isinstance(given, str | bytes):
        if not given:
            yield Fault("", "case", "an empty list", "needs a case, or one or more")
        for k, one in enumerate(given):
            if not isinstance(one, Case):
                yield Fault("", f"case {k} (from 0)", _named(one), _needed(one))
    else:
        yield Fault("", "case", _named(given), _needed(given))


def _named(given: Any) -> str:
    if isinstance(given, str | os.PathLike):
        return f'"{os.fspath(given)}"'
    return "nothing" if given is None else f"an object of type {type(given).__name__}"


def _needed(given: Any) -> str:
    name = f'"{os.fspath(given)}"' if isinstance(given, str | os.PathLike) else '"scenario.toml"'
    return f"needs a case, which is read first: case = coolsim.load({name})"
