"""How sure the answer of a dryer is: what only dryers have, as rows of text and as JSON."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from coolsim.scenario import units as u
from coolsim.support.fields import written_name

if TYPE_CHECKING:
    from coolsim.studies.propagation.answer import Interval, Uncertainty

# Field, how it is called, its dimension, digits behind the point.
_QUANTITIES = (
    ("deviation_wb", "spread over the bed (st. dev.)", u.FRACTION, 2),
    ("evaporation", "water taken out", u.MASS_FLOW, 0),
    ("heat", "heat to the air, per batch (belt: hour)", u.ENERGY, 1),
)


def rows(found: Uncertainty) -> list[tuple[str, Interval, u.Dimension, int]]:
    """What is known of a dryer beside its exit: label, interval, dimension, digits; nothing of a cooler."""
    known = (
        (label, getattr(found, name), dimension, digits) for name, label, dimension, digits in _QUANTITIES
    )
    return [row for row in known if row[1] is not None]


def written(found: Uncertainty) -> dict[str, Any]:
    """The same, in the units of its names."""
    document = {}
    for name, *_ in _QUANTITIES:
        interval, field = getattr(found, name), type(found).__dataclass_fields__[name]
        if interval is not None:
            ends = dataclasses.asdict(interval)
            document[written_name(field)] = {
                end: value * field.metadata["factor"] for end, value in ends.items()
            }
    return document
