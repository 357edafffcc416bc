"""What stands behind a ± in a scenario: "14 ± 0.3 %" is 14 %, known to 0.3 points (half of a 95 % interval)."""

from __future__ import annotations

import re
from dataclasses import dataclass

from coolsim.scenario.units import LONGEST_QUANTITY, Misread, split

NUMBERED = re.compile(r"\.[0-9]+$")
SIGN = re.compile(r"±|\+/-|\+-")
TABLES = (
    "feed",
    "air",
    "cooler",
    "material",
    "material.diffusivity",
    "recipe",
    "recipe.ingredient",
    "conditioning",
    "die",
    "way",
)  # whose single quantities may carry one
NOT = ("recipe.ingredient.share",)  # but for these: shares add up


def may_carry_one(key: str) -> bool:
    """Whether a key's quantity may carry a ±; entries of lists go by their numbers.

    >>> may_carry_one("recipe.ingredient.2.moisture"), may_carry_one("recipe.ingredient.2.share")
    (True, False)
    """
    table, _, name = key.rpartition(".")
    table = NUMBERED.sub("", table)
    return table in TABLES and f"{table}.{name}" not in NOT


@dataclass(frozen=True)
class PlusMinus:
    """A quantity in the unit that it was typed in."""

    value: float
    half: float
    unit: str

    def at(self, share: float) -> str:
        """The quantity, moved by a share of its ±, as text that may be typed."""
        return f"{self.value + share * self.half:.15g} {self.unit}"


def parted(text: str) -> PlusMinus | None:
    """Part a quantity from its ±; None where it has none. Raises Misread."""
    if len(text) > 2 * LONGEST_QUANTITY or not SIGN.search(text):  # a longer one is refused as it is
        return None
    allowed = 'one ± between number and unit, such as "14 ± 0.3 %": half of a 95 % interval, in the same unit'
    parts = SIGN.split(text)
    if len(parts) != 2:
        raise Misread(allowed)
    value, own = split(parts[0])
    half, unit = split(parts[1])
    if not unit or own not in ("", unit) or not half > 0.0:
        raise Misread(allowed)
    return PlusMinus(value, half, unit)
