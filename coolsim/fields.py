"""What every public data class is made of: a field that carries its unit, symbol and meaning."""

from __future__ import annotations

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
