"""What is bounded, set or told, once each: its names, its dimension and how many digits a person reads.

Printers, JSON, reports, pictures, limits and error messages read this table and nothing else. A dimension is called
by its name in `scenario.units.DIMENSIONS`, where unit strings live.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One thing that has a number, stored in SI."""

    name: str  # in JSON and Python
    label: str  # as a person reads it in a table
    dimension: str  # "number": a bare one
    digits: int  # behind the point, in the units shown
    unit: str = ""  # in JSON, as `scenario.units` writes it; "" for fractions and bare numbers
    scale: float = 1.0  # a difference that counts as large: breaches of different kinds are compared in it
    si: str = ""  # shown in this unit, where the dimension's usual one does not suit
    us: str = ""
    us_digits: int | None = None  # where they differ from those of SI
    points: bool = False  # a difference of moistures, told in points
    words: str = ""  # in a sentence and as the limit of an answer; the name in plain words if left out

    @property
    def called(self) -> str:
        """What it is called in a sentence."""
        return self.words or self.name.replace("_", " ")


def _table(*quantities: Quantity) -> Mapping[str, Quantity]:
    return {q.name: q for q in quantities}


_DEPTH = {"unit": "m", "si": "cm", "us": "in"}

QUANTITIES: Mapping[str, Quantity] = _table(
    # what leaves
    Quantity("moisture", "moisture", "fraction", 2, scale=0.01),
    Quantity("temperature", "temperature", "temperature", 1, "degC", 5.0),
    Quantity(
        "above_ambient", "above the air outside", "difference", 1, "K", 5.0, words="above the air outside"
    ),
    Quantity("water_activity", "water activity in store", "number", 3, scale=0.05),
    Quantity(
        "headspace_dew_point",
        "dew point in the bag",
        "temperature",
        1,
        "degC",
        5.0,
        words="dew point in the bag",
    ),
    Quantity("deviation", "deviation over the bed", "fraction", 2, scale=0.01, points=True),
    # what the machine stands
    Quantity("exhaust_relative_humidity", "humidity of the exhaust air", "fraction", 1, scale=0.1),
    Quantity("lift_off", "air speed, share of lifting speed", "fraction", 0, scale=0.2, words="lift-off"),
    Quantity("bed_pressure_drop", "pressure drop", "pressure", 0, "Pa", 500.0, us_digits=2),
    Quantity("pellet_temperature", "hottest pellets", "temperature", 1, "degC", 5.0),
    Quantity("fan_curve", "falling side of the fan's curve", "number", 2, scale=0.5),
    # what is set
    Quantity("fan_speed", "fan speed", "fraction", 1, scale=0.1),
    Quantity("airflow", "airflow", "volume_flow", 0, "m3/h"),
    Quantity("air_ratio", "dry air per wet feed", "air_ratio", 2, "kg/kg"),
    Quantity("bed_depth", "depth of the bed", "length", 1, **_DEPTH),  # type: ignore[arg-type]
    Quantity("residence_time", "time in the bed", "time", 1, "s", words="time in the bed"),
    Quantity("inlet_air_temperature", "inlet air", "temperature", 1, "degC", words="inlet air temperature"),
    Quantity("duration", "drying time", "time", 1, "s", words="drying time"),
    Quantity("cooling_time", "cooling time", "time", 1, "s"),
    Quantity("reverse_every", "air changes sides every", "time", 1, "s", words="time between reversals"),
    Quantity("mixing", "turning of the pellets", "number", 0, words="turning of the pellets"),
    Quantity("recirculation", "recirculation", "fraction", 0),
    Quantity("batch_mass", "mass of a batch", "mass", 1, "kg", us_digits=0),
    Quantity(
        "conditioning_water", "water in the conditioner", "fraction", 1, words="water in the conditioner"
    ),
    Quantity(
        "conditioning_temperature",
        "temperature in the conditioner",
        "temperature",
        1,
        "degC",
        words="temperature in the conditioner",
    ),
    Quantity("belt_speed", "belt speed", "speed", 3, "m/min", si="m/min", us="ft/min", us_digits=2),
    # what is built
    Quantity("floor_area", "floor area", "area", 2, "m2", us_digits=1),
    Quantity("zone_length", "length of a zone", "length", 2, "m", si="m", us="ft"),
    # what comes in
    Quantity("feed_moisture", "feed moisture", "fraction", 1),
    Quantity("feed_temperature", "feed temperature", "temperature", 1, "degC"),
    Quantity("air_temperature", "air outside", "temperature", 1, "degC"),
    Quantity("relative_humidity", "humidity outside", "fraction", 0),
    # what other questions bound
    Quantity("cost", "cost", "number", 2),
    Quantity("running_cost", "running cost", "number", 2),
)


def called(words: str) -> Quantity:
    """The quantity that a sentence calls so; raises KeyError."""
    return _CALLED[words]


_CALLED = {q.called: q for q in QUANTITIES.values()}
