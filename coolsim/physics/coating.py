"""Coating: oil, water and powder on dried pellets, forward and backward.

Shares are of the pellets' mass before coating. Oil and powder bring no water and take none up (judgement): moisture
per solid that sorbs, and with it the water activity, changes only by the water of a slurry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from coolsim.physics import air, pellet
from coolsim.physics.sorption import Isotherm, bound_water_heat
from coolsim.support.fields import Number

OIL_CAPACITY = float(pellet.specific_heat({"fat": 1.0}, 40.0))  # J/(kg K), fat by Choi & Okos at 40 °C
# Above it oil runs off unless it is drawn in by vacuum: pressed pellets, expanded ones. Common practice, no source.
MOST_OIL, MOST_OIL_EXPANDED = 0.08, 0.30


@dataclass(frozen=True)
class Coat:
    """What goes on: shares of the mass before, and temperatures [°C]. Numbers, or arrays that broadcast."""

    oil: Any = 0.0
    water: Any = 0.0
    powder: Any = 0.0
    oil_temperature: Any = 40.0
    water_temperature: Any = 20.0
    powder_temperature: Any = 20.0

    @property
    def grown(self) -> Number:
        """Mass after coating per mass before."""
        return 1 + self.oil + self.water + self.powder


def moisture_after(coat: Coat, moisture: Number) -> Number:
    """Moisture [kg/kg wet] of coated pellets from that before. Mass balance.

    >>> round(float(moisture_after(Coat(oil=0.05), 0.12)), 4)  # by hand: .12/1.05
    0.1143
    """
    return (moisture + coat.water) / coat.grown


def moisture_before(coat: Coat, moisture: Number) -> Number:
    """Moisture [kg/kg wet] before coating that gives this one after it: the way back.

    >>> round(float(moisture_before(Coat(oil=0.25), 0.12)), 6)  # model page: 12 % with 25 % of oil is 15 % before
    0.15
    """
    return moisture * coat.grown - coat.water


def sorbing_moisture(coat: Coat, moisture_db: Number) -> Number:
    """Water of coated pellets per kg of the dry solid there was before [kg/kg]: what the isotherm asks for."""
    return moisture_db + coat.water * (1 + moisture_db)


def sorbing_moisture_before(coat: Coat, moisture_db: Number) -> Number:
    """Moisture before coating [kg/kg dry] from that of `sorbing_moisture`."""
    return (moisture_db - coat.water) / (1 + coat.water)


def temperature_after(
    coat: Coat, isotherm: Isotherm, specific_heat: Number, moisture_db: Number, temperature: Number
) -> Number:
    """Temperature [°C] once pellets and coat are as warm as each other: enthalpies add, no water leaves.

    Bound water counts as in `pellet.enthalpy`; powder has the specific heat of the dry solid.
    """
    X, c_w = moisture_db, air.HEAT_CAPACITY_WATER
    wet, after = 1 + X, sorbing_moisture(coat, X)
    Q, Q_after = bound_water_heat(isotherm, X), bound_water_heat(isotherm, after)
    brought = wet * (
        coat.oil * OIL_CAPACITY * coat.oil_temperature
        + coat.water * c_w * coat.water_temperature
        + coat.powder * specific_heat * coat.powder_temperature
    )
    capacity = specific_heat + c_w * after + wet * (coat.oil * OIL_CAPACITY + coat.powder * specific_heat)
    return (pellet.enthalpy(specific_heat, X, temperature, Q) + brought + Q_after) / capacity


def temperature_before(
    coat: Coat, isotherm: Isotherm, specific_heat: Number, moisture_db: Number, temperature: Number
) -> Number:
    """Temperature [°C] before coating that gives this one after it, at a moisture before: the way back."""
    cold = temperature_after(coat, isotherm, specific_heat, moisture_db, 0.0)
    per_kelvin = temperature_after(coat, isotherm, specific_heat, moisture_db, 1.0) - cold
    return (temperature - cold) / per_kelvin
