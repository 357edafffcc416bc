"""Whether what must be kept is kept: the verdict on each wish and limit, of the worst tenth too."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.simulate.requirements import FEASIBLE, Constraint, constraints_of, values_of
from coolsim.support.display import Displayed
from coolsim.support.fields import documented


@dataclass(frozen=True, repr=False)
class Verdict(Displayed):
    """Whether one wish or limit is kept, and by how much."""

    constraint: Constraint = documented("-", "what must be kept")
    value: float = documented("as the quantity", "where it stands; nan where it is not known")
    worst: float | None = documented(
        "as the quantity", "of the wettest or warmest tenth of the pellets, where it differs", default=None
    )
    open_ends: tuple[float, float] | None = documented(
        "as the quantity", "lowest and highest that the inputs leave open, if asked", default=None
    )
    chance: float | None = documented("-", "probability that it is kept, if asked", default=None)

    @property
    def met(self) -> bool:
        """Whether it is kept, as predicted."""
        return bool(self.constraint.violation(self.value) <= FEASIBLE)

    @property
    def margin(self) -> float:
        """How far the value is from the bound, below 0 where it is passed."""
        return float(self.constraint.margin(self.value))

    @property
    def certain(self) -> bool:
        """Whether it is kept at both ends of what the inputs leave open, as far as that was asked."""
        ends = self.open_ends or ()
        return self.met and all(self.constraint.violation(end) <= FEASIBLE for end in ends)


def judged_constraints(case: Case) -> list[Constraint]:
    """What a verdict is given on: the bounds themselves, without the room that a search keeps below them."""
    free = dataclasses.replace(case, safety_margins={}) if case.safety_margins else case
    return [c for c in constraints_of(free) if not (c.assumed and c.quantity.name.startswith("fan"))]


def verdicts_of(
    case: Case, result: Result, chances: Mapping[str, float] | None = None
) -> tuple[Verdict, ...]:
    """The verdict on everything that a case must keep; `chances` by their full names.

    It is on the bounds themselves: the room that a search keeps below them is no part of it.
    """
    outside, constraints = float(case.air.temperature), judged_constraints(case)
    values = values_of(constraints, result, outside, case)
    return tuple(
        Verdict(
            c,
            float(values[c.key]),
            _worst(c, result, outside),
            _open(c, result, outside),
            (chances or {}).get(c.full_name),
        )
        for c in constraints
    )


@dataclass(frozen=True)
class Tenth:
    """The worst tenth of a quantity, where pellets are unlike."""

    name: str = documented("-", "what it is called in a table of outcomes")
    of: str = documented("-", "the quantity that it is a value of")
    who: str = documented("-", "as a person reads it beside that of all pellets")
    read: Callable[[Result], Any] = documented("-", "how it is read from a result")


_WETTEST = "wettest tenth"
# By what a wish bounds; of what is bounded by how much warmer it is than the air outside, its temperature.
TENTHS: Mapping[str, Tenth] = {
    "moisture": Tenth(
        "wettest_tenth",
        "moisture",
        _WETTEST,
        lambda r: r.between_pellets.wettest_tenth.moisture_wb,  # type: ignore[union-attr]
    ),
    "above_ambient": Tenth(
        "warmest_tenth",
        "temperature",
        "warmest tenth",
        lambda r: r.between_pellets.warmest_tenth.temperature,  # type: ignore[union-attr]
    ),
    "water_activity": Tenth(
        "wettest_activity", "water_activity", _WETTEST, lambda r: r.in_store.of_wettest_tenth
    ),
}


def _worst(c: Constraint, result: Result, outside: float) -> float | None:
    """The wettest or warmest tenth beside a wish, where pellets are unlike."""
    tenth = TENTHS.get(c.quantity.name)
    if result.between_pellets is None or c.sense < 0 or tenth is None:
        return None
    return float(tenth.read(result)) - (outside if c.quantity.name == "above_ambient" else 0.0)


def _open(c: Constraint, result: Result, outside: float) -> tuple[float, float] | None:
    """What the assumed numbers leave open of a wish, if that was asked."""
    band = result.input_band
    if band is None or c.place:
        return None
    if c.quantity.name == "moisture":
        return tuple(map(float, band.moisture_wb))  # type: ignore[return-value]
    if c.quantity.name == "above_ambient":
        return tuple(float(end) - outside for end in band.temperature)  # type: ignore[return-value]
    return None
