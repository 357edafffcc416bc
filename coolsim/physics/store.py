"""The store in which the water activity of pellets is judged.

Laboratories measure at 25 °C; in a warmer store the same feed is more active (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.physics import sorption
from coolsim.physics.sorption import Isotherm
from coolsim.support.fields import Array

LABORATORY = 25.0  # °C
LEAST = 1e-6  # water activity and moisture [kg/kg dry] within which one is turned into the other


def store_temperature(stated: Any, outside: Any) -> Any:
    """Temperature [°C] at which water activity is judged: as stated; where that is nan, the warmer of 25 °C and the
    air outside."""
    return np.where(np.isnan(stated), np.maximum(LABORATORY, outside), stated)


@dataclass(frozen=True)
class Store:
    """Where the water activity of one feed is judged: a kink in the weather, where the air outside gets warmer.

    The moisture of pellets that are as active there has no kink: maps and years are made of that.
    """

    isotherm: Isotherm
    stated: float | None  # °C

    def temperature(self, outside: Any) -> Any:
        """Temperature [°C] of the store, in the weather outside [°C]."""
        return store_temperature(np.nan if self.stated is None else self.stated, outside)

    def moisture(self, activity: Array, outside: Array) -> Array:
        """Moisture [kg/kg dry] of pellets that are as active there."""
        inside = np.clip(activity, LEAST, 1 - LEAST)
        return np.asarray(sorption.equilibrium_moisture(self.isotherm, inside, self.temperature(outside)))

    def activity(self, moisture: Array, outside: Array) -> Array:
        """Water activity there of pellets with a moisture [kg/kg dry]."""
        above = np.maximum(moisture, LEAST)
        return np.asarray(sorption.water_activity(self.isotherm, above, self.temperature(outside)))
