"""One value as it was typed → SI: a reader for each kind of key; what is wrong is raised as Misread."""

from __future__ import annotations

import datetime
import itertools
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from coolsim.scenario import units
from coolsim.scenario.keys.base import Key
from coolsim.scenario.units import Misread

Entry = Callable[[Any, units.Dimension | None], float]


def _quantity(value: Any, key: Key) -> float:
    assert key.dimension is not None
    number = units.read(_string(value, key), key.dimension)
    return within(number, key)


def _string(value: Any, key: Key) -> str:
    """Return a quantity's text, or say that a unit in quotes is missing."""
    if isinstance(value, str):
        return value
    assert key.dimension is not None
    dimension = key.dimension
    allowed = f'{dimension.name} with its unit in quotes, such as "{dimension.example}"'
    if isinstance(value, int | float) and not isinstance(value, bool):
        if dimension is units.FRACTION and 0 < value < 1:
            allowed += f'; did you mean "{100 * value:g} %"?'
        else:
            allowed += ": a bare number does not say in which unit"
    raise Misread(allowed)


def within(number: float, key: Key) -> float:
    """Return the number if it is in the key's range; raises Misread with the range."""
    low, high = ends(key)
    slack = 1e-9 * max(abs(low), abs(high))  # 100 degC typed as 212 degF is no more than 100 degC
    if low - slack <= number <= high + slack:
        return min(max(number, low), high)
    hint = f"; {key.hint}" if key.hint else ""
    raise Misread(f"allowed is {key.low} to {key.high}{hint}")


def ends(key: Key) -> tuple[float, float]:
    """Return the lowest and highest number that a key may have, in SI."""
    return _bound(key.low, key), _bound(key.high, key)


def _bound(text: str, key: Key) -> float:
    if key.dimension is None:
        return float(text)
    if key.kind == "price":
        return units.read_price(text, key.dimension)[0]
    return units.read(text, key.dimension)


def _number(value: Any, key: Key) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Misread(f"a bare number without quotes or unit, such as {key.example}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise Misread(f"a finite number, such as {key.example}")
    return within(number, key)


def _text(value: Any, key: Key) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 200 or not _is_printable(value):
        raise Misread(f"text of one line in quotes, such as {key.example}")
    return value


def _is_printable(text: str) -> bool:
    """Whether a text is one line of what can be shown; bytes of a file name that is not UTF-8 are, escaped."""
    return all(letter.isprintable() or "\udc80" <= letter <= "\udcff" for letter in text)


def _choice(value: Any, key: Key) -> str:
    if value in key.choices:
        return value
    hint = f" ({key.hint})" if key.hint else ""
    raise Misread("allowed: " + ", ".join(f'"{choice}"' for choice in key.choices) + hint)


def _range(value: Any, key: Key) -> tuple[float, float]:
    if not isinstance(value, tuple) or len(value) != 2:
        raise Misread(f"a pair [lowest, highest], such as {key.example}")
    low, high = (_quantity(item, key) for item in value)
    if low > high:
        raise Misread("a pair [lowest, highest]: the first is above the second")
    return low, high


@dataclass(frozen=True)
class AirRatio:
    """Air per feed: kg dry air per kg wet feed, or m³ of outside air per kg wet feed."""

    mass: float | None = None
    volume: float | None = None


def _air_ratio(value: Any, key: Key) -> AirRatio:
    assert key.second is not None and key.dimension is not None
    text = _string(value, key)
    try:
        volume = units.read(text, key.second)
    except Misread:
        return AirRatio(mass=within(units.read(text, key.dimension), key))
    if volume <= 0.0:
        raise Misread("more than no air at all")
    return AirRatio(volume=volume)


@dataclass(frozen=True)
class Deviation:
    """A standard deviation: as a share of the mean, or in the unit of what deviates."""

    share: float | None = None
    length: float | None = None


def _deviation(value: Any, key: Key) -> Deviation:
    assert key.second is not None and key.dimension is not None
    text = _string(value, key)
    try:
        length = units.read(text, key.second)
    except Misread:
        try:
            share = units.read(text, key.dimension)
        except Misread:
            raise Misread('a share of the mean, such as "10 %", or a length, such as "3 cm"') from None
        return Deviation(share=within(share, key))
    if length < 0.0:
        raise Misread("a length of 0 or more")
    return Deviation(length=length)


@dataclass(frozen=True)
class Price:
    """A price per stored unit and the currency it was typed in ("" for none)."""

    value: float
    currency: str


def _price(value: Any, key: Key) -> Price:
    assert key.dimension is not None
    price, currency = units.read_price(_string(value, key), key.dimension)
    return Price(within(price, key), currency)


def curve(value: Any, key: Key, entry: Entry | None = None) -> tuple[tuple[float, ...], ...]:
    """Return the points of a curve in SI; `entry` reads one number of a point (as typed, with its unit)."""
    entry = entry or _entry
    example = f"points such as {key.example}"
    if not isinstance(value, tuple) or len(value) < 2 or not all(isinstance(p, tuple) for p in value):
        raise Misread(f"two or more {example}")
    if {len(point) for point in value} not in ({2}, {3}):
        raise Misread(f"{example}: all of two entries, or all of three (the third an efficiency)")
    dimensions = (key.dimension, key.second, units.FRACTION)
    points = tuple(tuple(entry(item, d) for item, d in zip(point, dimensions)) for point in value)
    if any(after[0] <= before[0] for before, after in itertools.pairwise(points)):
        raise Misread(f"{example}: each airflow above the one before")
    if any(point[0] < 0.0 or point[1] < 0.0 for point in points):
        raise Misread(f"{example}: none of them negative")
    if points[-1][1] >= points[-2][1]:
        raise Misread(f"{example}: the pressure falls towards the last of them, where the fan is to run")
    if any(not 0.0 < point[2] <= 1.0 for point in points if len(point) == 3):
        raise Misread("efficiencies above 0 % and up to 100 %")
    return points


def loss(value: Any, key: Key, entry: Entry | None = None) -> tuple[float, ...]:
    """Return a pressure and the airflow at which it is lost, in SI; `entry` as of `curve`."""
    entry = entry or _entry
    if not isinstance(value, tuple) or len(value) != 2:
        raise Misread(f"a pair [pressure, at this airflow], such as {key.example}")
    pressure, airflow = (entry(item, d) for item, d in zip(value, (key.dimension, key.second)))
    if pressure < 0.0 or airflow <= 0.0:
        raise Misread(f"a pressure of 0 Pa or more and an airflow above 0 m3/h, such as {key.example}")
    return pressure, airflow


def _entry(value: Any, dimension: units.Dimension | None) -> float:
    assert dimension is not None
    return units.read(_string(value, Key("quantity", "", "", dimension)), dimension)


def catch(value: Any, key: Key, entry: Entry | None = None) -> tuple[float, ...]:
    """Return a mass and the time in which it was caught, in SI; `entry` as of `curve`."""
    entry = entry or _entry
    if not isinstance(value, tuple) or len(value) != 2:
        raise Misread(f"a pair [mass, in this time], such as {key.example}")
    mass, seconds = (entry(item, d) for item, d in zip(value, (key.dimension, key.second)))
    if mass <= 0.0 or seconds <= 0.0:
        raise Misread(f"a mass and a time above nothing, such as {key.example}")
    return mass, seconds


def breaks(value: Any, key: Key, entry: Entry | None = None) -> tuple[tuple[float, ...], ...]:
    """Return when each break begins in the shift and how long it lasts, in SI; `entry` as of `curve`."""
    entry = entry or _entry
    example = f"pairs [after, how long], such as {key.example}"
    if not isinstance(value, tuple) or not all(isinstance(p, tuple) and len(p) == 2 for p in value):
        raise Misread(example)
    found = tuple(tuple(entry(item, d) for item, d in zip(p, (key.dimension, key.second))) for p in value)
    if any(begin < 0.0 or length <= 0.0 for begin, length in found):
        raise Misread(f"{example}: none before the shift begins, each longer than nothing")
    if any(after[0] < before[0] + before[1] for before, after in itertools.pairwise(found)):
        raise Misread(f"{example}: each after the one before has ended")
    return found


def _flag(value: Any, key: Key) -> bool:
    if not isinstance(value, bool):
        raise Misread("true or false, without quotes")
    return value


def _hours(value: Any, key: Key) -> tuple[float, ...]:
    allowed = f"a pair of times of day, such as {key.example}"
    if not isinstance(value, tuple) or len(value) != 2:
        raise Misread(allowed)
    begin, end = (_clock(item, allowed) for item in value)
    if begin == end:
        raise Misread(f"{allowed}: the two are the same")
    return begin, end


def _clock(value: Any, allowed: str) -> float:
    """Return a time of day in seconds after midnight; "24:00" is the end of the day."""
    if isinstance(value, datetime.time):
        return value.hour * 3600.0 + value.minute * 60.0 + value.second
    match = re.fullmatch(r"([0-9]{1,2}):([0-5][0-9])", value) if isinstance(value, str) else None
    if not match or int(match[1]) * 60 + int(match[2]) > 24 * 60:
        raise Misread(allowed)
    return int(match[1]) * 3600.0 + int(match[2]) * 60.0


def _unit(value: Any, key: Key) -> str:
    assert key.dimension is not None
    if not isinstance(value, str):
        raise Misread(f"a unit in quotes, such as {key.example}")
    units.convert(1.0, value.strip(), key.dimension)
    return value.strip()


READERS: Mapping[str, Callable[[Any, Key], Any]] = {
    "quantity": _quantity,
    "number": _number,
    "text": _text,
    "choice": _choice,
    "range": _range,
    "air ratio": _air_ratio,
    "deviation": _deviation,
    "price": _price,
    "curve": curve,
    "loss": loss,
    "catch": catch,
    "breaks": breaks,
    "flag": _flag,
    "hours": _hours,
    "unit": _unit,
}
