"""What one comparison with a published measurement is, and how its difference is told."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coolsim.scenario.units import Dimension
from coolsim.support.fields import documented


@dataclass(frozen=True)
class Measure:
    """How a number of a comparison is shown: its dimension (None: a bare number), units and digits."""

    dimension: Dimension | None
    digits: int
    si: str = ""  # where the dimension's usual units do not suit
    us: str = ""
    us_digits: int | None = None


@dataclass(frozen=True)
class Computed:
    """A computed number with its band: what that which had to be assumed leaves open."""

    value: float
    low: float
    high: float

    @staticmethod
    def over(values: list[float], of: float | None = None) -> Computed:
        """Band of all `values`; the number itself is `of`, or the middle of the band."""
        low, high = min(values), max(values)
        return Computed(0.5 * (low + high) if of is None else of, low, high)


@dataclass(frozen=True)
class Comparison:
    """A published measurement beside what is computed of it. Nothing is tuned to any of them."""

    name: str = documented("-", "what is compared, in a few words")
    source: str = documented("-", "who measured it, and how that was seen")
    measured: tuple[float, float] = documented(
        "as the quantity, SI", "lowest and highest measured; equal where one number is given; inf: open"
    )
    said: str = documented("-", "what was measured, in words")
    assumed: str = documented("-", "what had to be assumed to compute it")
    computed: float = documented("as the quantity, SI", "what is computed")
    band: tuple[float, float] = documented(
        "as the quantity, SI", "lowest and highest computed, over what had to be assumed"
    )
    measure: Measure = documented("-", "how its numbers are shown")
    independent: bool = documented(
        "-", "false where the same source stands behind a default, so that it proves less", default=True
    )

    @property
    def difference(self) -> float:
        """Computed less measured, counted from the middle of what was measured, or from its only end."""
        low, high = self.measured
        if math.isinf(low) or math.isinf(high):
            end = high if math.isinf(low) else low
            return self.computed - end
        return self.computed - 0.5 * (low + high)

    @property
    def agreement(self) -> str:
        """within: the number lies in what was measured; overlaps: its band does; apart: neither."""
        low, high = self.measured
        if low <= self.computed <= high:
            return "within"
        return "overlaps" if self.band[0] <= high and low <= self.band[1] else "apart"


def compared(
    name: str,
    *,
    source: str,
    said: str,
    measured: tuple[float, float],
    assumed: str,
    computed: Computed,
    measure: Measure,
    independent: bool = True,
) -> Comparison:
    """Return a comparison; its parts by name, since many of them are texts."""
    band = (computed.low, computed.high)
    return Comparison(name, source, measured, said, assumed, computed.value, band, measure, independent)
