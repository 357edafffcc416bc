"""What a weather file says, as frozen arrays: one entry per usable row."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Air
from coolsim.support.display import Displayed
from coolsim.support.fields import Array, documented

DAY = 86_400  # s


@dataclass(frozen=True)
class Remark:
    """What was done with some rows of a weather file, and by which rule."""

    kind: str = documented("-", "left out, repaired, absent (times without a row) or note")
    count: int = documented("-", "how many rows or times")
    lines: tuple[int, ...] = documented("-", "their lines in the file; of absent times, the line before")
    found: str = documented("-", "what was found")
    rule: str = documented("-", "what was done about it")


@dataclass(frozen=True, repr=False)
class Weather(Displayed):
    """Outside air over time, in the order of time; arrays (rows,)."""

    name: str = documented("-", "the file, as it was named")
    place: str = documented("-", "the station, where the file names one")
    time: NDArray[np.datetime64] = documented("-", "begin of each interval, local time as in the file")
    utc_offset: Array = documented("h", "local time ahead of UTC; nan where the file does not say")
    step: float = documented("h", "length of each interval")
    temperature: Array = documented("°C", "dry bulb")
    relative_humidity: Array = documented("-", "relative humidity (over ice below 0 °C)")
    pressure: Array = documented("Pa", "barometric pressure")
    line: NDArray[np.intp] = documented("-", "line of each row in the file")
    remarks: tuple[Remark, ...] = documented("-", "what was left out, repaired or absent")

    def __len__(self) -> int:
        return len(self.time)

    @property
    def air(self) -> Air:
        """The states as `coolsim.predict(case, air=...)` takes them."""
        return Air(self.temperature, self.relative_humidity, self.pressure)

    @property
    def month(self) -> NDArray[np.intp]:
        """Calendar month of each row, 1–12."""
        return self.time.astype("datetime64[M]").astype(int) % 12 + 1

    def rows(self, which: Any) -> Weather:
        """The same record with only some rows: a mask or indices."""
        arrays = ("time", "utc_offset", "temperature", "relative_humidity", "pressure", "line")
        return dataclasses.replace(self, **{name: getattr(self, name)[which] for name in arrays})

    def between(self, hours: tuple[float, float] | None) -> Weather:
        """Only the intervals that begin between two times of day [s after midnight]; past midnight if reversed."""
        if hours is None:
            return self
        begin, end = hours
        clock = (self.time - self.time.astype("datetime64[D]")).astype("timedelta64[s]").astype(float)
        inside = (clock >= begin) & (clock < end) if begin < end else (clock >= begin) | (clock < end)
        return self.rows(inside)
