"""Finished sites in a folder, so that a run that was stopped goes on where it was.

A site is one npz file (numpy's own format) of arrays of numbers, by their dotted paths, and of all else as JSON;
nothing in it is ever executed. Its name is a hash of what was asked and of all that answers, this package's files
and the libraries that compute, so that changed code never finds old answers.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import io
import json
import os
import stat
import types
import typing
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.scenario.weather import Weather
from coolsim.studies.years.hours import Hours
from coolsim.studies.years.study import Strategy
from coolsim.support import files
from coolsim.support.errors import Fault, InputError

OPTION = "--resume"
_LIBRARIES = ("numpy", "scipy", "psychrolib")
_REST = "rest"  # of a file: what is no array, as JSON
_ARRAY = "array"  # there: stands for the array of that name
_KINDS = "fbi"  # of numbers: floats, flags, integers
_LEFT_OUT = ("weather", "sure")  # the weather is asked with; how sure is found anew


@functools.cache
def code() -> str:
    """Return a hash of everything that turns a case into an answer."""
    found, home = hashlib.sha256(), Path(__file__).parents[2]
    for path in sorted(home.rglob("*")):
        if path.suffix in (".py", ".toml", ".txt"):
            found.update(f"{path.relative_to(home)}\0{path.stat().st_size}\0".encode())
            found.update(path.read_bytes())
    found.update(repr([(name, version(name)) for name in _LIBRARIES]).encode())
    return found.hexdigest()


def path_of(folder: str | os.PathLike[str], case: Case, weather: Weather, direct: bool, chart: bool) -> Path:
    """Return where a site is kept; the title and the text of its scenario do not count, the weather's rows do."""
    import joblib

    asked = (dataclasses.replace(case, title="", source={}), weather, direct, chart)
    return Path(folder) / f"{hashlib.sha256(f'{code()}{joblib.hash(asked)}'.encode()).hexdigest()}.npz"


def keep(path: Path, strategies: tuple[Strategy, ...]) -> None:
    """Keep a finished site; raises NotWritten."""
    arrays: dict[str, Any] = {}
    arrays[_REST] = np.array(json.dumps(_taken_apart(strategies, "", arrays)))
    stream = io.BytesIO()
    np.savez_compressed(stream, **arrays)
    files.keep(path, stream.getvalue(), OPTION)


def check(folder: str | os.PathLike[str], kept: Iterable[Path]) -> None:
    """Raise InputError where sites cannot be kept in a folder, or one of them not under its name."""
    files.check([files.Output(OPTION, os.fspath(folder), folder=True)])
    taken = [path for path in kept if path.is_dir() and not path.is_symlink()]
    if taken:
        raise InputError(
            [Fault("", OPTION, f"{path}, a folder", "remove it, or name another") for path in taken]
        )


def find(path: Path, weather: Weather) -> tuple[Strategy, ...] | None:
    """Return a site that is kept, or None: also where the file is damaged, or was made by somebody else."""
    try:
        if not stat.S_ISREG(path.lstat().st_mode):  # nor a link, and a pipe would have us wait
            return None
        with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
            rest = json.loads(str(held[_REST]))
            return _put_together(tuple[Strategy, ...], rest, held, weather) or None
    except Exception:  # whatever bytes of somebody else make of the readers of zip, numpy and JSON
        return None


def _taken_apart(value: Any, path: str, arrays: dict[str, Any]) -> Any:
    """Return what is no array, as JSON holds it; arrays are noted by their path."""
    if isinstance(value, np.ndarray):
        if value.dtype.kind not in _KINDS:
            raise TypeError(f"{path} is an array of {value.dtype}")
        arrays[path] = value
        return {_ARRAY: path}
    if dataclasses.is_dataclass(value):
        return {
            name: _taken_apart(getattr(value, name), f"{path}.{name}", arrays) for name in _kept_of(value)
        }
    if isinstance(value, tuple):
        return [_taken_apart(inner, f"{path}.{k}", arrays) for k, inner in enumerate(value)]
    return value.item() if isinstance(value, np.generic) else value


def _put_together(kind: Any, rest: Any, arrays: Mapping[str, Any], weather: Weather) -> Any:
    """Build a value of a type from what was taken apart; raises TypeError or KeyError where that does not fit."""
    if isinstance(rest, Mapping) and set(rest) == {_ARRAY}:
        return _array(arrays[rest[_ARRAY]], rest[_ARRAY], len(weather))
    if typing.get_origin(kind) is typing.Literal and rest in typing.get_args(kind):
        return rest
    if typing.get_origin(kind) in (types.UnionType, typing.Union):  # such as Chart | None
        return None if rest is None else _put_together(typing.get_args(kind)[0], rest, arrays, weather)
    if dataclasses.is_dataclass(kind):
        hints, names = typing.get_type_hints(kind), _kept_of(kind)
        values = {name: _put_together(hints[name], rest[name], arrays, weather) for name in names}
        return kind(**values, **({"weather": weather} if kind is Hours else {}))  # type: ignore[operator]
    if typing.get_origin(kind) is tuple:
        inner = typing.get_args(kind)
        kinds = [inner[0]] * len(rest) if inner[-1] is ... else inner
        return tuple(_put_together(k, r, arrays, weather) for k, r in zip(kinds, rest, strict=True))
    if kind is not Any and not isinstance(rest, (float, int) if kind is float else kind):
        raise TypeError(f"{rest!r} is no {kind}")
    return rest


def _kept_of(kind: Any) -> list[str]:
    return [f.name for f in dataclasses.fields(kind) if f.name not in _LEFT_OUT]


def _array(values: Any, path: str, rows: int) -> Any:
    """Return an array that was kept; that of hours has one entry for each."""
    if values.dtype.kind not in _KINDS or (".hours." in path and values.shape != (rows,)):
        raise TypeError(f"{path}: {values.dtype}, {values.shape}")
    return values
