"""Standard motors."""

from __future__ import annotations

import numpy as np

from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Number

# kW, preferred outputs of IEC 60072-1 as motors of the trade have them (memory, high; the same row seen in
# the public help pages of a drive-design tool that quotes IEC; the standard itself was not seen).
IEC_RATINGS = (
    *(0.12, 0.18, 0.25, 0.37, 0.55, 0.75, 1.1, 1.5, 2.2, 3.0, 4.0, 5.5, 7.5, 11.0, 15.0, 18.5, 22.0, 30.0),
    *(37.0, 45.0, 55.0, 75.0, 90.0, 110.0, 132.0, 160.0, 200.0, 250.0, 280.0, 315.0, 355.0, 400.0, 450.0),
    500.0,
)

# hp, of NEMA MG 1 motors as the trade lists them (memory; the standard was not seen).
_BELOW_ONE, _TO_TEN = (1 / 4, 1 / 3, 1 / 2, 3 / 4), (1.0, 1.5, 2.0, 3.0, 5.0, 7.5, 10.0)
_TO_HUNDRED = (15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 75.0, 100.0)
_ABOVE = (125.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0, 450.0, 500.0, 600.0, 700.0)
NEMA_RATINGS = (*_BELOW_ONE, *_TO_TEN, *_TO_HUNDRED, *_ABOVE)
HORSEPOWER = 745.69987158227  # W
_RATINGS = {"si": (IEC_RATINGS, 1e3, "kW"), "us": (NEMA_RATINGS, HORSEPOWER, "hp")}

ROUNDING = 1e-9  # 4 kW with a rounding error is no more than 4 kW


def next_rating(power: Number, units: str = "si") -> Number:
    """Smallest standard motor [W] whose rated shaft power is at least a power [W]; nan stays nan.

    units: "si" takes the motors that are sold by kW, "us" those by horsepower. Raises InputError above the largest.

    >>> float(next_rating(4200.0)), round(float(next_rating(3700.0, "us")) / HORSEPOWER, 9)
    (5500.0, 5.0)
    """
    power = np.asarray(power, float)
    sold, unit, name = _RATINGS[units]
    ratings = unit * np.array(sold)
    if np.any(power > ratings[-1] * (1.0 + ROUNDING)):
        found = f"{np.nanmax(power) / unit:.4g} {name} at the shaft"
        allowed = f"standard motors end at {sold[-1]:.0f} {name}: use several fans"
        raise InputError([Fault("", "fan", found, allowed)])
    index = np.searchsorted(ratings * (1.0 + ROUNDING), power)
    return np.where(np.isnan(power), np.nan, ratings[np.minimum(index, ratings.size - 1)])[()]


def largest_rating(units: str = "si") -> float:
    """The largest standard motor [W]: above it, several fans are needed."""
    sold, unit, _ = _RATINGS[units]
    return float(unit * sold[-1])
