"""Sorption: the water activity of a moist solid, its slopes, its inverse and the heat that binds water.

The equations stand in `isotherms`; here they meet a material (fat that does not sorb, a scale for their
uncertainty) and the temperatures of a cooler. Departures from the printed forms keep a solver alive
where the fits say nothing:
- the temperature is held at the ends of the range that an equation stands for (above 100 °C, for the
  pasta sets above 90 °C; below −20 °C, where T + C of the ASABE forms would vanish): the slope with
  temperature is zero beyond;
- modified Chung–Pfost has a_w > 0 at M = 0; below M = 3 % it continues as a power law through the origin
  with equal value and slope;
- gab passes a_w = 1 in wet solid; above 0.9, where its measurements end, it continues toward 1 likewise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.physics.air import GAS_CONSTANT_WATER, ZERO_CELSIUS
from coolsim.physics.isotherms import EQUATIONS, WET_END
from coolsim.support.fields import Number, documented

REFERENCE_TEMPERATURE = 40.0  # °C, at which the heat of desorption is taken
LOWEST_TEMPERATURE = -20.0  # °C, held below; assumed: no fit reaches there, and T + C must stay positive
SMALLEST_SUM = 10.0  # °C, the least T + C of a set whose C is small; assumed
SMALLEST_MOISTURE = 1e-10  # M %, so that M^(n-1) stays finite at M = 0; a_w there is below 1e-7


@dataclass(frozen=True)
class Isotherm:
    """A sorption isotherm: equation, constants, fat that does not sorb, and a scale for its uncertainty.

    Constants, fat and scale may be arrays that broadcast with the moisture (cases along the last axis).
    """

    equation: str = documented("-", "a key of physics.sorption.EQUATIONS")
    constants: tuple[Any, ...] = documented("-", "constants of the equation, in its order")
    fat: Any = documented("kg/kg dry", "share of dry solid that takes up no water", default=0.0)
    scale: Any = documented("-", "moisture at equal water activity, relative to the equation", default=1.0)


# ---- What the models ask ------------------------------------------------------------------------------


def held_temperatures(isotherm: Isotherm) -> tuple[Any, float]:
    """Lowest and highest temperature [°C] at which the isotherm is evaluated; beyond, it is held."""
    equation = EQUATIONS[isotherm.equation]
    lowest: Any = LOWEST_TEMPERATURE
    if equation.sum_of_temperature_and is not None:
        lowest = np.maximum(lowest, SMALLEST_SUM - isotherm.constants[equation.sum_of_temperature_and])
    return lowest, equation.highest_temperature


def _percent_per_moisture(isotherm: Isotherm) -> Any:
    """M % of fat-free solid per kg/kg dry of the whole solid, and through the scale."""
    return 100.0 / ((1.0 - isotherm.fat) * isotherm.scale)


def _percent(isotherm: Isotherm, moisture: Any) -> Any:
    """M % of fat-free solid, never quite 0."""
    M = np.asarray(moisture) * _percent_per_moisture(isotherm)
    return M if (M.real >= SMALLEST_MOISTURE).all() else np.maximum(M, SMALLEST_MOISTURE)


def _held(isotherm: Isotherm, temperature: Any) -> tuple[Any, bool]:
    """Temperature at which the isotherm is evaluated, and whether any of it had to be held."""
    lowest, highest = held_temperatures(isotherm)
    T = np.asarray(temperature)
    if (T.real >= lowest).all() and (T.real <= highest).all():
        return T, False
    return np.minimum(np.maximum(T, lowest), highest), True


def water_activity(isotherm: Isotherm, moisture: Number, temperature: Number) -> Number:
    """Water activity [-] of solid at a moisture [kg/kg dry] and temperature [°C]. Sources: module.

    >>> corn = Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810))
    >>> round(float(water_activity(corn, 0.1650, 25.0)), 2)  # 14.17 % wet basis
    0.7
    """
    M = _percent(isotherm, moisture)
    T, _ = _held(isotherm, temperature)
    return EQUATIONS[isotherm.equation].activity(isotherm.constants, M, T)


def water_activity_and_slopes(
    isotherm: Isotherm, moisture: Number, temperature: Number
) -> tuple[Number, Number, Number]:
    """Water activity [-], ∂a_w/∂X [kg dry/kg] and ∂a_w/∂T [1/K] at X [kg/kg dry] and T [°C]."""
    M = _percent(isotherm, moisture)
    T, held = _held(isotherm, temperature)
    a_w, da_dM, da_dT = EQUATIONS[isotherm.equation].slopes(isotherm.constants, M, T)
    if held:
        da_dT = da_dT * (temperature == T)
    return a_w, da_dM * _percent_per_moisture(isotherm), da_dT


def equilibrium_moisture(isotherm: Isotherm, water_activity: Number, temperature: Number) -> Number:
    """Moisture [kg/kg dry] in equilibrium with a water activity [-], 0 ≤ a_w < 1, at a temperature [°C].

    >>> corn = Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810))
    >>> X = equilibrium_moisture(corn, 0.70, 25.0)
    >>> round(float(100 * X / (1 + X)), 2)  # per cent, wet basis
    14.17
    """
    T, _ = _held(isotherm, temperature)
    a_w = np.maximum(water_activity, 1e-300)  # so that ln a_w exists at 0
    return EQUATIONS[isotherm.equation].inverse(isotherm.constants, a_w, T) / _percent_per_moisture(isotherm)


def heat_of_desorption(isotherm: Isotherm, moisture: Number) -> Number:
    """Net heat of desorption q_st [J/kg], above vaporisation, at a moisture [kg/kg dry].

    q_st = R_v T² ∂ln a_w/∂T at 40 °C (Clausius–Clapeyron), held constant below M = 3 % (gab: 10 %).
    """
    T_K = REFERENCE_TEMPERATURE + ZERO_CELSIUS
    equation = EQUATIONS[isotherm.equation]
    M = np.maximum(np.asarray(moisture) * _percent_per_moisture(isotherm), equation.heat_held_below)
    log_slope = equation.log_slope(isotherm.constants, M, REFERENCE_TEMPERATURE)
    return GAS_CONSTANT_WATER * T_K**2 * log_slope


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


def bound_water_heat(isotherm: Isotherm, moisture: Number) -> Number:
    """Q(X) = ∫₀ˣ q_st dX [J/kg dry] at a moisture [kg/kg dry]: what bound water lacks in enthalpy.

    Exact where q_st is held; above, 16-point Gauss–Legendre in ln X below and above a_w = 0.9, where gab is
    continued: on either side q_st of all six equations is smooth (within 1e-5 of Q up to X = 0.6).
    """
    X = np.asarray(moisture, float)
    X_dry = EQUATIONS[isotherm.equation].heat_held_below / _percent_per_moisture(isotherm)
    X_wet = np.maximum(equilibrium_moisture(isotherm, WET_END, REFERENCE_TEMPERATURE), X_dry)
    total = heat_of_desorption(isotherm, X_dry) * np.minimum(X, X_dry)
    for low, high in ((X_dry, np.clip(X, X_dry, X_wet)), (X_wet, np.maximum(X, X_wet))):
        half = 0.5 * np.log(high / low)
        for node, weight in zip(_NODES, _WEIGHTS):
            x = low * np.exp(half * (1 + node))
            total = total + weight * half * x * heat_of_desorption(isotherm, x)
    return total
