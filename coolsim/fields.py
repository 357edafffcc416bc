"""What every public data class is made of: a field that carries its unit, symbol and meaning."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Number: TypeAlias = Any  # a float, or a float64 array: one per case
Array: TypeAlias = NDArray[np.float64]


def documented(
    unit: str, meaning: str, symbol: str = "", default: Any = ..., json: str = "", factor: float = 1.0
):
    """Return a dataclass field that carries its unit, meaning and symbol.

    `json` and `factor` give the name and the practical unit under which a result is written out
    (0.333 kg/s → "mass_flow_kg_h": 1200); without `json` the field's own name is used.
    """
    metadata = {"unit": unit, "meaning": meaning, "symbol": symbol, "json": json, "factor": factor}
    if default is ...:
        return field(metadata=metadata)
    if isinstance(default, Mapping):
        return field(default_factory=lambda: default, metadata=metadata)
    return field(default=default, metadata=metadata)


def numbers(data: Any, path: str = "") -> dict[str, float]:
    """Every number of nested data classes, and of tuples of them, by its dotted path."""
    found: dict[str, float] = {}
    for f in dataclasses.fields(data):
        value, place = getattr(data, f.name), f"{path}{f.name}"
        if dataclasses.is_dataclass(value):
            found |= numbers(value, f"{place}.")
        elif isinstance(value, float):
            found[place] = value
        elif isinstance(value, tuple):
            for k, member in enumerate(value):
                if dataclasses.is_dataclass(member):
                    found |= numbers(member, f"{place}.{k}.")
    return found


def with_number(data: Any, path: str, value: Any) -> Any:
    """Nested data classes with one number changed, by its dotted path."""
    name, _, rest = path.partition(".")
    if isinstance(data, tuple):
        k = int(name)
        return (*data[:k], with_number(data[k], rest, value), *data[k + 1 :])
    inner = with_number(getattr(data, name), rest, value) if rest else value
    return dataclasses.replace(data, **{name: inner})
