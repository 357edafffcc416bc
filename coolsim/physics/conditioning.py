"""Before the cooler: recipe, conditioning with steam and water, and the heat of the die.

One datum for the whole line, that of `physics.pellet.enthalpy`: liquid water at 0 °C, bound water below it by its
desorption heat. Moisture X is in kg per kg dry solid, temperatures in °C; scalars or arrays that broadcast.
"""

from __future__ import annotations

import numpy as np

from coolsim.physics import air
from coolsim.physics.pellet import enthalpy
from coolsim.physics.sorption import Isotherm, bound_water_heat
from coolsim.support.fields import Number

CONVERGED = 1e-14  # kg/kg dry of steam: a step of the iteration below is no more than that
MOST_STEPS = 100


def mixed_moisture(shares: Number, moistures: Number) -> Number:
    """Moisture [kg/kg wet] of a mash, from shares of its mass and their moistures (…, ingredients). Mass balance.

    >>> round(float(mixed_moisture(np.array([0.6, 0.4]), np.array([0.13, 0.08]))), 6)  # .078 + .032
    0.11
    """
    return (np.asarray(shares) * moistures).sum(axis=-1) / np.sum(shares, axis=-1)


def steam_enthalpy(pressure: Number, quality: Number) -> Number:
    """Enthalpy of wet steam [J/kg] at an absolute pressure [Pa]; quality is the share of it that is vapour.

    >>> round(float(steam_enthalpy(101325.0, 1.0)) / 1e3)  # steam tables: 2675.5 at 100 °C (seen)
    2687
    """
    T = air.saturation_temperature(pressure)
    return quality * air.vapour_enthalpy(T) + (1 - quality) * air.HEAT_CAPACITY_WATER * T


def free_steam(capacity: Number, before: Number, after: Number, of_steam: Number) -> Number:
    """Steam [kg] that warms a heat capacity [J/K] from `before` to `after` [°C] and stays in it as free water.

    m = C (T₁ − T₀)/(h_s − c_w T₁), h_s [J/kg] that of the steam. Energy balance.
    """
    return capacity * (after - before) / (of_steam - air.HEAT_CAPACITY_WATER * after)


def steam_taken(
    isotherm: Isotherm,
    specific_heat: Number,
    moisture: Number,
    before: Number,
    after: Number,
    of_steam: Number,
    water: Number = 0.0,
    of_water: Number = 0.0,
) -> Number:
    """Steam [kg per kg dry solid] that takes mash of `moisture` from `before` to `after` [°C], with added water.

    H(X, T₀) + w h_w + m h_s = H(X + w + m, T₁): so m is that of free water less what the bound water gives,
    m = m_free − (Q(X + w + m) − Q(X))/(h_s − c_w T₁). water: w [kg/kg dry], of_water: its enthalpy h_w [J/kg].
    """
    X, c_w = moisture, air.HEAT_CAPACITY_WATER
    left = of_steam - c_w * after
    cold = water * (c_w * after - of_water) / left
    free = free_steam(specific_heat + c_w * X, before, after, of_steam) + cold
    Q_0 = bound_water_heat(isotherm, X)
    steam = np.asarray(free, float)
    for _ in range(MOST_STEPS):  # what water gives when bound is a fifth of its heat: each step gains a digit
        wetter = np.maximum(X + water + steam, 1e-6)
        step = free - (bound_water_heat(isotherm, wetter) - Q_0) / left - steam
        steam = steam + step
        if np.all(np.abs(step) < CONVERGED):
            break
    return steam[()]


def wetted(
    isotherm: Isotherm,
    specific_heat: Number,
    moisture: Number,
    temperature: Number,
    water: Number,
    of_water: Number,
) -> Number:
    """Temperature [°C] of mash once water [kg/kg dry] of an enthalpy [J/kg] is in it, without steam."""
    wet = moisture + water
    H = (
        enthalpy(specific_heat, moisture, temperature, bound_water_heat(isotherm, moisture))
        + water * of_water
    )
    return (H + bound_water_heat(isotherm, wet)) / (specific_heat + air.HEAT_CAPACITY_WATER * wet)


def warmed(
    isotherm: Isotherm, specific_heat: Number, moisture: Number, temperature: Number, heat: Number
) -> Number:
    """Temperature [°C] of feed of a moisture once `heat` [J per kg wet] has stayed in it: what a die does.

    No water leaves here: what boils off afterwards is `physics.pellet.flash`.
    """
    Q = bound_water_heat(isotherm, moisture)
    H = enthalpy(specific_heat, moisture, temperature, Q) + heat * (1 + moisture)
    return (H + Q) / (specific_heat + air.HEAT_CAPACITY_WATER * moisture)
