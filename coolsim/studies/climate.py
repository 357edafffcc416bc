"""What a record of weather asks of a cooler: the hours to design for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from coolsim.physics import air
from coolsim.scenario.weather import Weather
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array


def _ratio(w: Weather) -> Array:
    return np.asarray(
        air.humidity_ratio_from_relative_humidity(w.temperature, w.relative_humidity, w.pressure)
    )


MEASURES: dict[str, Callable[[Weather], Array]] = {
    "enthalpy": lambda w: np.asarray(air.enthalpy(w.temperature, _ratio(w))),
    "wet_bulb": lambda w: np.asarray(air.wet_bulb(w.temperature, _ratio(w), w.pressure)),
    "humidity_ratio": _ratio,
    "temperature": lambda w: w.temperature,
}


def design_weather(weather: Weather, percentile: float, by: str = "enthalpy", hours: int = 1) -> Weather:
    """Return the hours of a record that are nearest to a percentile of a measure of the air, nearest first.

    percentile: share of the hours, 0 to 1, that are no worse: 0.99 is exceeded in 1 % of them (88 h a year).
    by: "enthalpy", "wet_bulb" (these two rank hours nearly alike: heat that the air can still take up),
    "humidity_ratio" (drying) or "temperature" (cooling). The worst hour of one is not the worst of another.

    They are hours that were, so temperature and humidity go together as they did; between neighbours in rank the
    other quantity may differ by much, so ask for several `hours` and design for the worst of them.
    Raises InputError.
    """
    if by not in MEASURES:
        raise InputError([Fault("", "by", repr(by), f"allowed: {', '.join(MEASURES)}")])
    if not 0 <= percentile <= 1:
        raise InputError([Fault("", "percentile", f"{percentile:g}", "allowed is 0 to 1: 0.99 for 99 %")])
    if not 1 <= hours <= len(weather):
        raise InputError(
            [Fault("", "hours", f"{hours}", f"allowed is 1 to {len(weather)}, the rows there are")]
        )
    values = MEASURES[by](weather)
    distance = np.abs(values - np.quantile(values, percentile))
    return weather.rows(np.argsort(distance, kind="stable")[:hours])
