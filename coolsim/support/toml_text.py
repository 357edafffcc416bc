"""TOML text, as scenarios and material files are written in it: what it holds, and on which line each key stands.

Every step takes time in proportion to the text, whatever the text: a lone quote, a thousand dots or brackets are
read once. What nests deeper than anything we read is refused, before it exhausts the stack.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

DEEPEST = 12  # tables and lists in one another; a zone's fan curve in a stage of a line has seven

# Strings and comments; the end of a string may be missing, so that nothing is looked at twice. No possessive
# quantifiers (*+): Python 3.11.2, which Debian 12 has, takes some of them wrongly.
_OPAQUE = re.compile(
    r'"""(?:[^"\\]|\\[\s\S]|"(?!""))*(?:"{3,5}|\\?\Z)'
    r"|'''(?:[^']|'(?!''))*(?:'{3,5}|\Z)"
    r'|"(?:[^"\\\n]|\\.)*\\?"?'
    r"|'[^'\n]*'?"
    r"|#[^\n]*"
)


class NestedTooDeeply(ValueError):
    """A value inside more tables and lists than anything has that we read; says which line, if it is known."""

    def __init__(self, line: int = 0):
        super().__init__("brackets nested too deeply")
        self.line = line


def loads(text: str) -> dict[str, Any]:
    """Return what a TOML text holds; raises ValueError where it is broken, NestedTooDeeply where it is deep."""
    for number, line in enumerate(_masked(text).split("\n"), 1):
        # before tomllib sees them: it takes the square of the number of dots in a key
        if line.partition("=")[0].count(".") > DEEPEST:
            raise NestedTooDeeply(number)
    try:
        typed = tomllib.loads(text)
    except RecursionError:
        raise NestedTooDeeply from None
    check_depth(typed)
    return typed


def check_depth(value: Any) -> None:
    """Raise NestedTooDeeply where tables and lists stand in one another without end, or nearly."""
    waiting = [(value, 0)]
    while waiting:
        inner, depth = waiting.pop()
        if depth > DEEPEST:
            raise NestedTooDeeply
        if isinstance(inner, Mapping):
            waiting += ((item, depth + 1) for item in inner.values())
        elif isinstance(inner, list | tuple):
            waiting += ((item, depth + 1) for item in inner)


def find_lines(text: str) -> dict[str, int]:
    """Return the line of every table and key of a TOML text (tomllib tells no positions).

    >>> find_lines('[feed]\\nlength = "4 mm"')
    {'feed': 1, 'feed.length': 2}

    A [[table]] is numbered from 1: "sizing.product.2.moisture". What stands in one follows it:

    >>> list(find_lines('[[stage]]\\n[[stage]]\\n[stage.fan]\\n[[stage.zone]]'))
    ['stage', 'stage.1', 'stage.2', 'stage.2.fan', 'stage.2.zone', 'stage.2.zone.1']
    """
    found: dict[str, int] = {}
    count: dict[str, int] = {}
    table, depth = "", 0
    lines = zip(text.split("\n"), _masked(text).split("\n"))
    for number, (typed, bare) in enumerate(lines, 1):
        if not depth and bare.lstrip().startswith("["):
            start = bare.index("[")
            listed = bare.startswith("[[", start)
            name = _dotted(typed, bare, start + 1 + listed, bare.find("]"))
            table = _numbered(name, count)
            found.setdefault(table, number)
            if listed:
                count[table] = count.get(table, 0) + 1
                table = f"{table}.{count[table]}"
                found[table] = number
            continue
        if not depth and "=" in bare:
            name = _dotted(typed, bare, 0, bare.index("="))
            found.setdefault(f"{table}.{name}" if table else name, number)
        # the bracket of a header never comes here, so what is open is a list over several lines
        depth = max(0, depth + bare.count("[") - bare.count("]"))
    return found


def _masked(text: str) -> str:
    """Return the text with its strings and comments blanked, every character and line where it was."""
    return _OPAQUE.sub(lambda m: re.sub(r"[^\n]", " " if m[0][0] == "#" else "x", m[0]), text)


def _numbered(table: str, count: Mapping[str, int]) -> str:
    """Return the name of a table with the number of each [[table]] around it."""
    numbered, *rest = table.split(".")
    for part in rest:
        numbered += f".{count[numbered]}.{part}" if numbered in count else f".{part}"
    return numbered


def _dotted(typed: str, bare: str, start: int, end: int) -> str:
    """Return a dotted name that stands between two places of a line, without quotes and spaces."""
    parts = []
    for part in bare[start:end].split("."):
        parts.append(typed[start : start + len(part)].strip().strip("\"'"))
        start += len(part) + 1
    return ".".join(parts)
