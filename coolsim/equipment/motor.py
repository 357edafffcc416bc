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

ROUNDING = 1e-9  # 4 kW with a rounding error is no more than 4 kW


def next_iec_rating(power: Number) -> Number:
    """Smallest standard motor [W] whose rated shaft power is at least a power [W]; nan stays nan.

    Raises InputError above the largest.

    >>> float(next_iec_rating(4200.0))
    5500.0
    """
    power = np.asarray(power, float)
    ratings = 1e3 * np.array(IEC_RATINGS)
    if np.any(power > ratings[-1] * (1.0 + ROUNDING)):
        found = f"{np.nanmax(power) / 1e3:.4g} kW at the shaft"
        allowed = f"standard motors end at {IEC_RATINGS[-1]:.0f} kW: use several fans"
        raise InputError([Fault("", "fan", found, allowed)])
    index = np.searchsorted(ratings * (1.0 + ROUNDING), power)
    return np.where(np.isnan(power), np.nan, ratings[np.minimum(index, ratings.size - 1)])[()]
