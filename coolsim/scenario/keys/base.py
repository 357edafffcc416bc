"""What one key of a scenario is, and tables and groups of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.case.quantities import Maximum, Quantity
from coolsim.scenario.units import DIMENSIONS, TEMPERATURE, Dimension


@dataclass(frozen=True)
class Key:
    """One key of a scenario: how it is read, what is allowed, how it is shown."""

    kind: str  # a key of reader.READERS
    meaning: str  # the comment that `coolsim new` writes
    example: str  # as TOML
    dimension: Dimension | None = None
    low: str = ""
    high: str = ""
    hint: str = ""  # what may have happened when the number is out of range
    required: bool = False
    default: Any = None
    si: str = ""  # units for showing, where the dimension's usual ones do not suit
    us: str = ""
    choices: tuple[str, ...] = ()
    second: Dimension | None = None  # of a pair or curve whose second entry measures something else

    def unit(self, system: str) -> str:
        """Return the unit in which the key is shown ("" for what has none)."""
        if self.dimension is None:
            return ""
        return (self.us or self.dimension.us) if system == "us" else (self.si or self.dimension.si)


@dataclass(frozen=True)
class Table:
    """One table of a scenario."""

    meaning: str
    keys: Mapping[str, Key]
    required: bool = False
    listed: bool = False  # a [[list of tables]]
    varies: str = ""  # of such a list: the table whose keys each of them may change


@dataclass(frozen=True)
class Group:
    """Keys that say the same thing in different ways."""

    members: tuple[str, ...]
    required: bool = True
    arrangement: str = ""  # for which alone it counts


def quantity(dimension: Dimension, example: str, low: str, high: str, meaning: str, **more: Any) -> Key:
    return Key("quantity", meaning, f'"{example}"', dimension, low, high, **more)


def pair(dimension: Dimension, example: str, low: str, high: str, meaning: str, **more: Any) -> Key:
    return Key("range", meaning, example, dimension, low, high, **more)


def maximum(q: Quantity, of: Maximum) -> Key:
    """The key that bounds a quantity from above, as its row says."""
    if q.dimension == "number":
        return Key("number", of.meaning, of.example, low=of.low, high=of.high)
    dimension = DIMENSIONS[q.dimension]
    hint = FAHRENHEIT if dimension is TEMPERATURE else ""
    return quantity(dimension, of.example, of.low, of.high, of.meaning, hint=hint, si=q.si, us=q.us)


FAHRENHEIT = "was it meant as degF?"
METRES = "check the unit: mm, m or in?"
MOISTURE = "moisture is a share of the wet weight, dry solid is never nothing"
SMALL = {"si": "mm", "us": "in"}
DEPTH = {"us": "in"}
