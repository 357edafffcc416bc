"""What is bounded, set or told, once each: its names, its dimension, how many digits a person reads, and its limit.

Printers, JSON, reports, pictures, limits and error messages read this table and nothing else. A dimension is called
by its name in `scenario.units.DIMENSIONS`, where unit strings live.

A limit is a row with `at_most`, what a scenario's key `maximum_NAME` says, and `read`, where the number stands in a
`MachineState`. Predictions, marches and searches fill such states; the key, what must be kept, the outcomes that
searches fit, verdicts, JSON, pictures and `explain` follow from the row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from coolsim.support.fields import Number, documented

Kind: TypeAlias = Literal["dryers", "coolers"]


@dataclass(frozen=True)
class MachineState:
    """What limits read of a machine, whoever knows it: a prediction, a march so far, the polynomials of a search.

    In SI; of many states arrays. What a machine does not have is None, and nan what is not known.
    """

    moisture: Number  # of the pellets that leave, kg/kg wet
    temperature: Number  # °C, likewise
    even_temperature: Number  # °C, once evened out inside
    water_activity: Number  # in store, as it is judged
    outside_temperature: Number  # °C, of the air outside
    exhaust_temperature: Number  # °C; of dryers of the mean air while they dry
    exhaust_relative_humidity: Number
    lift_off: Number  # highest velocity as a share of what lifts the bed
    pressure_drop: Number  # Pa, highest, of the bed
    dew_point_in_bag: Callable[[Number, Number], Number]  # °C, of pellets of a moisture, kg/kg wet, and °C
    hottest: Number | None = None  # °C, of a dryer's layers
    deviation: Number | None = None  # kg/kg wet, standard deviation over a dryer's bed
    fan_speed: Number | None = None  # of a cooler's fan, share of full
    off_curve: Number | None = None  # how far off the falling side of its curve, ≤ 0 on it

    @property
    def above_ambient(self) -> Number:
        """How much warmer the pellets are than the air outside [K]."""
        return self.temperature - self.outside_temperature

    @property
    def headspace_dew_point(self) -> Number:
        """Dew point in the bag of the pellets [°C]."""
        return self.dew_point_in_bag(self.moisture, self.even_temperature)


@dataclass(frozen=True)
class Maximum:
    """What the key `maximum_NAME` of a scenario says of a quantity, which must not exceed it."""

    table: str  # that the key stands in: "target", or "limits" of the machine
    meaning: str  # as `coolsim new` and `explain` write it
    example: str  # with its unit, as all three that follow
    low: str
    high: str
    assumed: float | None = None  # kept where nobody typed it, of a limit of the machine
    because: str = ""  # why that
    most: float = math.inf  # more is no limit, whatever is typed


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
    read: str = ""  # its name in a `MachineState`; "" of what is not bounded
    at_most: Maximum | None = None
    only_of: Literal["", "dryers", "coolers"] = ""  # which alone have it

    @property
    def called(self) -> str:
        """What it is called in a sentence."""
        return self.words or self.name.replace("_", " ")

    @property
    def key(self) -> str:
        """The key of its table that bounds it."""
        return f"maximum_{self.name}"

    @property
    def may_be_negative(self) -> bool:
        """Whether it has no logarithm."""
        return self.dimension in ("temperature", "difference") or self.name == "fan_curve"

    def on(self, state: MachineState) -> bool:
        """Whether a machine has such a thing."""
        return bool(self.read) and getattr(state, self.read) is not None

    def of(self, state: MachineState) -> Any:
        """Where it stands; raises LookupError of a machine that has no such thing."""
        value = getattr(state, self.read) if self.read else None
        if value is None:
            raise LookupError(f"{self.name} is nothing that this machine has")
        return value


def _table(*quantities: Quantity) -> Mapping[str, Quantity]:
    return {q.name: q for q in quantities}


LIFT_OFF = 0.7  # of the velocity that lifts the bed, where no limit is typed; common practice
LIFTED = 1.0  # more is no limit, whatever is typed: the bed lifts
THICK_FOG = 1.1  # relative humidity of an exhaust; assumed: beyond, drops carry more than a slip of the model
_DEPTH = {"unit": "m", "si": "cm", "us": "in"}

QUANTITIES: Mapping[str, Quantity] = _table(
    # what leaves
    Quantity("moisture", "moisture", "fraction", 2, scale=0.01, read="moisture"),
    Quantity("temperature", "temperature", "temperature", 1, "degC", 5.0, read="temperature"),
    Quantity(
        "above_ambient",
        "above the air outside",
        "difference",
        1,
        "K",
        5.0,
        words="above the air outside",
        read="above_ambient",
        at_most=Maximum(
            "target", "pellets may leave this much warmer than the air outside", "6 K", "0 K", "100 K"
        ),
    ),
    Quantity(
        "water_activity",
        "water activity in store",
        "number",
        3,
        scale=0.05,
        read="water_activity",
        at_most=Maximum("target", "in store, a bare number; 0.70 is kept if left out", "0.65", "0.01", "1"),
    ),
    Quantity(
        "headspace_dew_point",
        "dew point in the bag",
        "temperature",
        1,
        "degC",
        5.0,
        words="dew point in the bag",
        read="headspace_dew_point",
    ),
    Quantity(
        "deviation",
        "deviation over the bed",
        "fraction",
        2,
        scale=0.01,
        points=True,
        read="deviation",
        at_most=Maximum(
            "target",
            "of a dryer: standard deviation of moisture over the bed, points",
            "1.5 %",
            "0.01 %",
            "30 %",
        ),
        only_of="dryers",
    ),
    # what the machine stands
    Quantity(
        "pellet_temperature",
        "hottest pellets",
        "temperature",
        1,
        "degC",
        5.0,
        read="hottest",
        at_most=Maximum("limits", "of the hottest pellets in a dryer", "85 degC", "0 degC", "200 degC"),
        only_of="dryers",
    ),
    Quantity(
        "lift_off",
        "air speed, share of lifting speed",
        "fraction",
        0,
        scale=0.2,
        words="lift-off",
        read="lift_off",
        at_most=Maximum(
            "limits",
            "highest velocity as a share of what lifts the bed",
            "70 %",
            "1 %",
            "200 %",
            assumed=LIFT_OFF,
            because="common practice, no source",
            most=LIFTED,
        ),
    ),
    Quantity(
        "exhaust_relative_humidity",
        "humidity of the exhaust air",
        "fraction",
        1,
        scale=0.1,
        read="exhaust_relative_humidity",
        at_most=Maximum(
            "limits",
            "above it the exhaust wets the duct",
            "92 %",
            "1 %",
            "100 %",
            assumed=THICK_FOG,
            because="thick fog, assumed",
            most=THICK_FOG,
        ),
    ),
    Quantity(
        "bed_pressure_drop",
        "pressure drop",
        "pressure",
        0,
        "Pa",
        500.0,
        us_digits=2,
        read="pressure_drop",
        at_most=Maximum("limits", "what the fan can pull", "2500 Pa", "1 Pa", "50 kPa"),
    ),
    Quantity(
        "fan_curve",
        "falling side of the fan's curve",
        "number",
        2,
        scale=0.5,
        read="off_curve",
        only_of="coolers",
    ),
    # what is set
    Quantity("fan_speed", "fan speed", "fraction", 1, scale=0.1, read="fan_speed", only_of="coolers"),
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

READABLE = tuple(q for q in QUANTITIES.values() if q.read)  # what may be bounded, in the order of the table
LIMITED = tuple((q, q.at_most) for q in READABLE if q.at_most)  # what has a key that bounds it from above


def maximum(quantity: str, unit: str, symbol: str = "") -> Any:
    """The documented field of a table of a case for the key that bounds a quantity from above."""
    at_most = QUANTITIES[quantity].at_most
    assert at_most is not None
    return documented(unit, at_most.meaning, symbol, default=None)


def called(words: str) -> Quantity:
    """The quantity that a sentence calls so; raises KeyError."""
    return _CALLED[words]


_CALLED = {q.called: q for q in QUANTITIES.values()}
