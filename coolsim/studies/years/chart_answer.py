"""A settings chart as it is answered: bands of the weather, dials, and what to set in each band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.machines import Setting
from coolsim.support.fields import Array, documented

AS_THEY_ARE = "settings as they are"
CHART = "settings chart"
HEATED = "settings chart, inlet air heated"
FEED = "settings chart, feed moisture adjusted"
MOST_BANDS = 8


@dataclass(frozen=True)
class Bands:
    """Edges of the bands; the lowest and the highest band are open to what was never seen."""

    temperature: Array = documented("°C", "edges of temperature, ascending")
    relative_humidity: Array = documented("-", "edges of relative humidity, ascending")

    def cell(self, temperature: Array, humidity: Array) -> NDArray[np.intp]:
        """Number of the cell of each state; a state on an edge belongs to the band above."""
        i, j = (
            np.searchsorted(edges[1:-1], values, side="right")
            for edges, values in ((self.temperature, temperature), (self.relative_humidity, humidity))
        )
        return np.asarray(i * (len(self.relative_humidity) - 1) + j)


@dataclass(frozen=True)
class Dial:
    """One thing to set, in each cell."""

    setting: Setting = documented("-", "what is set, and in which steps")
    values: Array = documented("as the quantity", "to be set, (temperature bands, humidity bands)")
    sought: Array = documented(
        "as what is varied", "the same, of a fan's speed the airflow that it stands for and that is kept"
    )


@dataclass(frozen=True)
class Chart:
    """What to set in each cell: arrays (temperature bands, humidity bands), nan where no hour fell."""

    bands: Bands = documented("-", "edges of the bands")
    hours: Array = documented("h", "hours of the weather in the cell")
    met: Array = documented("-", "share of them that meet target and limits with these settings")
    fan_speed: Array = documented("-", "fan speed in the cell's typical hour (nan without a fan)")
    airflow: Array = documented("m³/s", "airflow, as volume of outside air")
    bed_depth: Array = documented("m", "bed depth")
    residence_time: Array = documented("s", "time in the bed")
    inlet_air_temperature: Array = documented("°C", "heat the inlet air to this (nan: as it comes)")
    feed_moisture: Array = documented(
        "kg/kg wet", "moisture of the feed that this is for", json="feed_moisture_wb"
    )
    required_feed_moisture: Array = documented(
        "kg/kg wet",
        "wettest feed that can meet the target in all of its hours; of dryers and lines in the hardest of them",
        json="required_feed_moisture_wb",
    )
    recirculation: Array | None = documented(
        "-", "share of the exhaust blown in again; of a batch dryer", default=None
    )
    belt_speed: Array | None = documented(
        "m/s", "of a belt dryer", json="belt_speed_m_min", factor=60.0, default=None
    )
    dials: tuple[Dial, ...] = documented(
        "-", "of dryers and lines: everything that [limits] opens, one by one", default=()
    )


def bands_of(temperature: Array, humidity: Array, most: int = MOST_BANDS) -> Bands:
    """Return at most 8 × 8 bands: in whole degrees and 5 %, finer where hours are many."""
    return Bands(_edges(temperature, 1.0, most), _edges(humidity, 0.05, most))


def _edges(values: Array, unit: float, most: int) -> Array:
    """Edges that part hours and range alike: half by how many hours there are, half by how far apart they are."""
    low, high = np.floor(values.min() / unit), np.ceil(values.max() / unit - 1e-9)
    if high <= low:
        high = low + 1
    at = np.linspace(low, high, 513)
    share = np.searchsorted(np.sort(values), at * unit, side="right") / len(values)
    both = 0.5 * share + 0.5 * np.linspace(0, 1, len(at))
    inner = np.interp(np.arange(1, most) / most, both, at)
    return np.unique(np.rint(np.concatenate([[low], np.clip(inner, low, high), [high]]))) * unit
