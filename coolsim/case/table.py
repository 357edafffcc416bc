"""What the tables of a case have in common.

Field names are the scenario's keys. A key that was left out is None (of what is listed: empty), and a table that
was left out is one with nothing in it, which is false: `if case.costs`. So nobody asks first whether it is there.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any, TypeAlias

Given: TypeAlias = Any  # a float; None where the key was left out, and for who reads it to mind
Range: TypeAlias = Any  # (lowest, highest), or None where the key was left out


class Table:
    """What all tables have in common."""

    def given(self) -> dict[str, Any]:
        """Keys that were given, in order, and their values."""
        values = ((f.name, getattr(self, f.name)) for f in dataclasses.fields(self))  # type: ignore[arg-type]
        return {name: value for name, value in values if not _is_nothing(value)}

    def __bool__(self) -> bool:
        return bool(self.given())


def _is_nothing(value: Any) -> bool:
    return value is None or (isinstance(value, str | tuple | Mapping) and not value)
