"""The rows of a weather file as numbers, before anything is judged."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from coolsim.scenario import schema, units
from coolsim.scenario.schema import Key
from coolsim.scenario.weather.record import Remark
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Rows:
    """A file's rows in its own order; numbers in SI, nan where the file has none."""

    name: str
    place: str
    line: NDArray[np.intp]
    time: NDArray[np.datetime64]
    utc_offset: Array
    columns: dict[str, Array]  # temperature, pressure, humidities; by the names of the keys of [air]
    usual_pressure: float  # of the station, for rows without
    remarks: list[Remark] = field(default_factory=list)


def air_key(name: str) -> Key:
    """Return the scenario's own key for a quantity of the air: its dimension and what is possible."""
    key = schema.find(f"air.{name}")
    assert key is not None and key.dimension is not None
    return key


def in_si(values: Array, unit: str, name: str) -> Array:
    """Return a column in SI; every unit of scenarios is a straight line."""
    dimension = air_key(name).dimension
    assert dimension is not None
    zero = units.convert(0.0, unit, dimension)
    return zero + (units.convert(1.0, unit, dimension) - zero) * values
