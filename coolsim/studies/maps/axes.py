"""What may be moved on a page: what comes in, the air outside, and what may be set, each between two ends."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.case.result import Result
from coolsim.machines import Machine, Setting, machine_of
from coolsim.studies import ranges
from coolsim.support.fields import Array

FEED, OUTSIDE, HUMIDITY = "feed_moisture", "outside_temperature", "outside_humidity"
WEATHER = (OUTSIDE, HUMIDITY)
HOT = "inlet_air_temperature"
AROUND = (0.75, 1.25)  # of what stands there, where [limits] opens nothing: looked at, not allowed
STEPS: Mapping[str, float] = {FEED: 0.001, OUTSIDE: 0.5, HUMIDITY: 0.01}  # of the page's sliders


@dataclass(frozen=True)
class Axis:
    """Something that may be moved: between what, in which steps, where it stands, and how outcomes follow it."""

    key: str  # FEED, one of WEATHER, or that of a setting
    quantity: Quantity
    label: str
    low: float
    high: float
    now: float
    step: float
    opened: bool = True  # False: looked at, though nothing opens it
    usual: float | None = None  # how far it goes by itself to either side; None of what is set
    heats: bool = False  # counts by how much warmer it is than the air outside, at least nothing

    @property
    def is_set(self) -> bool:
        """Whether an operator sets it; else it comes as it comes."""
        return self.key != FEED and self.key not in WEATHER

    @property
    def form(self) -> str:
        """How a value becomes a coordinate along which outcomes are near to smooth."""
        if self.heats:
            return "above_outside"
        name = self.quantity.name
        if name in _LOGARITHMIC:
            return "logarithm"
        return "circulated" if name == "recirculation" else "itself"

    def forth(self, value: Array, outside: Array) -> Array:
        """Values as coordinates."""
        if self.heats:
            return np.asarray(np.maximum(value - outside, 0.0))
        return np.asarray(_FORTH[self.form](value))

    def back(self, share: Array) -> Array:
        """Values at shares of the way along its coordinate: 0 to 1, and a little beyond where that can be."""
        if self.heats:
            return np.asarray(self.low + share * (self.high - self.low))
        low, high = (_FORTH[self.form](np.asarray(end)) for end in (self.low, self.high))
        return np.clip(
            _BACK[self.form](low + share * (high - low)), *_CAN_BE.get(self.key.rpartition(".")[2], _ANY)
        )


_LOGARITHMIC = ("airflow", "fan_speed", "bed_depth", "residence_time", "duration", "batch_mass", "belt_speed")
_ANY = -np.inf, np.inf
_CAN_BE = {HUMIDITY: (0.01, 0.999), "recirculation": (0.0, 0.98), "fan_speed": (0.01, 1.0)}
_FORTH: Mapping[str, Callable[[Any], Any]] = {
    "itself": np.asarray,
    "logarithm": np.log,
    "circulated": lambda r: -np.log(1 - r),
}
_BACK: Mapping[str, Callable[[Any], Any]] = {
    "itself": np.asarray,
    "logarithm": np.exp,
    "circulated": lambda x: 1 - np.exp(-x),
}


def axes_of(case: Case, result: Result) -> tuple[Axis, ...]:
    """What may be moved of a case, given its prediction."""
    ends, air = ranges.looked_at(case), case.air
    now = (
        (FEED, ranges.FEED, case.feed.moisture),
        (OUTSIDE, ranges.WARMTH, air.temperature),
        (HUMIDITY, ranges.HUMIDITY, air.relative_humidity),
    )
    come = [
        Axis(key, q := QUANTITIES[name], q.label, *ends[name], float(x), STEPS[key], usual=ranges.half(name))
        for key, name, x in now
    ]
    hot = ends[ranges.WARMTH][1]
    machine = machine_of(case)
    at = machine.read(case, result)
    opened = [s for s in machine.settings if s.varies]
    some = opened or [s for s in machine.settings if np.isfinite(at.get(s.key, np.nan))]
    return (*come, *(_set(s, at[s.key], hot, bool(opened)) for s in some))


def _set(s: Setting, now: float, hottest: float, opened: bool) -> Axis:
    low, high = (s.low, s.high) if opened else (AROUND[0] * now, AROUND[1] * now)
    if np.isfinite(now):
        low, high = min(low, now), max(high, now)
    else:
        now = 0.5 * (low + high)
    least, most = _CAN_BE.get(s.quantity.name, _ANY)
    low, high = max(low, least), min(high, most)
    step = s.step if np.isfinite(s.step) and s.step else 0.005 * now
    heats = s.quantity.name == HOT and low < hottest
    return Axis(s.key, s.quantity, s.label, low, high, now, step, opened, heats=heats)


def coordinates(axes: tuple[Axis, ...], values: Array) -> Array:
    """Values (axes, N) as coordinates (axes, N)."""
    outside = values[[axis.key for axis in axes].index(OUTSIDE)]
    return np.array([axis.forth(row, outside) for axis, row in zip(axes, values)])


def case_at(
    machine: Machine, axes: tuple[Axis, ...], values: Array, by: Mapping[str, str] | None = None
) -> Case:
    """The case of a machine with its axes at values (axes,); `by` names what stands in a key's place."""
    known = dict(zip((axis.key for axis in axes), map(float, values)))
    case = machine.case
    air = dataclasses.replace(case.air, temperature=known.pop(OUTSIDE), relative_humidity=known.pop(HUMIDITY))
    # Its feed stays what it is: it is what is moved, and no longer follows from what is before the machine.
    there = dataclasses.replace(case, air=air, arrival=None)
    return machine_of(there).at({(by or {}).get(key, key): x for key, x in known.items()})
