"""A scenario as it was typed: the file's text, its TOML, and the line on which each key stands."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.case.argument_checks import path_of
from coolsim.support import toml_text
from coolsim.support.errors import Fault, InputError
from coolsim.support.toml_text import NestedTooDeeply

LARGEST_FILE = 1_000_000  # bytes; a scenario has about 2000


@dataclass(frozen=True)
class Source(Mapping[str, Any]):
    """What was typed, nested as in the TOML, with where each key came from. Reads like a mapping."""

    name: str  # as the person wrote it: "scenarios/mine.toml"
    folder: str  # what relative paths inside the scenario are relative to
    typed: Mapping[str, Any]
    lines: Mapping[str, int]  # dotted key → line, from 1
    overrides: Mapping[str, str]  # dotted key → who set it ("--set")

    def __getitem__(self, key: str) -> Any:
        return self.typed[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self.typed)

    def __len__(self) -> int:
        return len(self.typed)

    def where(self, key: str) -> str:
        """Return "file:line" of a dotted key, or of the nearest table above it."""
        if key in self.overrides:
            return self.overrides[key]
        line = self.line(key)
        return f"{self.name}:{line}" if line else self.name

    def line(self, key: str) -> int:
        """Return the line of a dotted key, or of the nearest table above it, or 0."""
        while key:
            if key in self.lines:
                return self.lines[key]
            key = key.rpartition(".")[0]
        return 0

    def value(self, key: str) -> Any:
        """Return what was typed for a dotted key, or None."""
        value: Any = self.typed
        for part in key.split("."):
            if isinstance(value, tuple) and part.isdecimal() and 1 <= int(part) <= len(value):
                value = value[int(part) - 1]  # of a [[list of tables]], from 1
                continue
            if not isinstance(value, Mapping) or part not in value:
                return None
            value = value[part]
        return value


def files_of(case: Any) -> list[tuple[str, str]]:
    """Return the files that the scenario of a case names, weather and materials: (key, path)."""
    source = case.source
    if not isinstance(source, Source):
        return []
    named = [(key, value) for key, value in _strings(source.typed, "") if _names_a_file(key, value)]
    return [(key, str(Path(source.folder) / value)) for key, value in named]


def _names_a_file(key: str, value: str) -> bool:
    return key == "weather.file" or (key.rpartition(".")[2] == "material" and value.endswith(".toml"))


def _strings(value: Any, key: str) -> Iterator[tuple[str, str]]:
    """Every text that was typed, with its dotted key."""
    if isinstance(value, str):
        yield key, value
    elif isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _strings(inner, f"{key}.{name}" if key else name)
    elif isinstance(value, tuple):
        for number, inner in enumerate(value, 1):
            yield from _strings(inner, f"{key}.{number}")


def read_file(path: str | os.PathLike[str]) -> Source:
    """Return the scenario in the file `path`; raises InputError if there is none that can be read."""
    name = path_of(path, "scenario", "a scenario file")
    return parse(_text(name), name, str(Path(name).parent))


def parse(text: str, name: str, folder: str = ".") -> Source:
    """Return the scenario in `text`, called `name` in messages; raises InputError on broken TOML."""
    if not text.strip():
        raise _broken(name, "an empty file", "a scenario: `coolsim new FILE.toml` writes one to edit")
    try:
        typed = toml_text.loads(text)
    except NestedTooDeeply as error:
        where = f"{name}:{error.line}" if error.line else name
        raise _broken(where, str(error), "tables and short lists") from None
    except ValueError as error:  # TOMLDecodeError, or an integer of thousands of digits
        raise _not_toml(name, text, str(error)) from None
    return Source(
        name, folder, frozen(typed), MappingProxyType(toml_text.find_lines(text)), MappingProxyType({})
    )


def frozen(value: Any) -> Any:
    """Return nested dicts and lists as read-only mappings and tuples."""
    if isinstance(value, Mapping):
        return MappingProxyType({key: frozen(item) for key, item in value.items()})
    if isinstance(value, list | tuple):
        return tuple(frozen(item) for item in value)
    return value


def thawed(value: Any) -> Any:
    """Return a copy of nested read-only mappings and tuples as dicts and lists."""
    if isinstance(value, Mapping):
        return {key: thawed(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [thawed(item) for item in value]
    return value


def _broken(where: str, found: str, allowed: str) -> InputError:
    return InputError([Fault(where, "scenario", found, f"needs {allowed}")])


def _text(name: str) -> str:
    try:
        with Path(name).open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _broken(name, "no such file", "an existing file: `coolsim new FILE.toml` writes one") from None
    except IsADirectoryError:
        raise _broken(name, "a folder", "a TOML file") from None
    except (OSError, ValueError) as error:  # ValueError: a name with a NUL in it
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _broken(name, f"a file that cannot be read ({reason})", "a readable TOML file") from None
    if len(data) > LARGEST_FILE:
        raise _broken(name, f"more than {LARGEST_FILE} bytes", "a scenario, about 2000 bytes long")
    try:
        return data.decode("utf-8-sig")  # some editors put a byte-order mark in front
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{data[error.start]:02x}, which is not UTF-8"
        raise _broken(f"{name}:{line}", found, "a text file saved as UTF-8") from None


def _not_toml(name: str, text: str, error: str) -> InputError:
    match = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)", error)
    reason = error[: match.start()].strip() if match else error.split(";")[0]
    line = int(match[1]) if match and match[1] else len(text.splitlines()) if match else 0
    where = f"{name}:{line}" if line else name
    return _broken(where, f"broken TOML ({reason})", 'lines such as diameter = "4 mm" below a [table]')
