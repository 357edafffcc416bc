"""Moist air: states by the formulas of ASHRAE Fundamentals, transport properties of dry air.

Temperatures are in °C, pressures in Pa, humidity ratios in kg water per kg dry air. Everything takes
scalars and arrays of any shape; the formulas without a root in them also take complex numbers, so that
a derivative can be checked by a complex step.

Inside the models the saturation pressure is that over liquid at every temperature, so that it is one
smooth function. Ice belongs to what a person reads from an instrument or a weather file below 0 °C: the
conversions between relative humidity, dew point, wet bulb and humidity ratio (`*_from_*`, `dew_point`,
`wet_bulb`) use it there, as psychrolib does. "ASHRAE" below is ASHRAE Handbook, Fundamentals (2017),
ch. 1, SI; its equations were seen in the open source of psychrolib, which cites them.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from coolsim.physics.roots import bracketed_root
from coolsim.support.fields import Number

ZERO_CELSIUS = 273.15  # K
TRIPLE_POINT = 0.01  # °C, of water
STANDARD_PRESSURE = 101_325.0  # Pa, ASHRAE eq. 3 at sea level

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018 (exact)
MOLAR_MASS_WATER = 0.018015268  # kg/mol, IAPWS-95
GAS_CONSTANT_WATER = GAS_CONSTANT / MOLAR_MASS_WATER  # J/(kg K), about 461.5
GAS_CONSTANT_DRY_AIR = 287.042  # J/(kg K), ASHRAE eq. 1
MOLAR_MASS_RATIO = 0.621945  # water / dry air, ASHRAE eq. 20

HEAT_CAPACITY_DRY_AIR = 1006.0  # J/(kg K), ASHRAE eq. 28
HEAT_CAPACITY_VAPOUR = 1860.0  # J/(kg K), ASHRAE eq. 28
HEAT_CAPACITY_WATER = 4186.0  # J/(kg K), ASHRAE eq. 33
HEAT_OF_VAPORISATION = 2501e3  # J/kg at 0 °C, ASHRAE eq. 28

VISCOSITY_0, VISCOSITY_S = 1.716e-5, 110.4  # Pa s at 0 °C, K; Sutherland's constants, memory, high
CONDUCTIVITY_0, CONDUCTIVITY_S = 0.0241, 194.4  # W/(m K) at 0 °C, K; likewise, memory, high
# m²/s at 0 °C and 1 atm, -; W. J. Massman, Atmos. Environ. 32 (1998) 1111, 0–100 °C (seen in public code citing it)
VAPOUR_DIFFUSIVITY_0, VAPOUR_DIFFUSIVITY_N = 2.178e-5, 1.81

_LIQUID = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)  # eq. 6
_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)  # eq. 5


def _log_saturation(T_K: Any, c: tuple[float, ...]) -> Any:
    """ln p_sat [p in Pa] of ASHRAE eq. 5 and 6, T_K in K."""
    return c[0] / T_K + c[1] + T_K * (c[2] + T_K * (c[3] + T_K * (c[4] + T_K * c[5]))) + c[6] * np.log(T_K)


def _log_saturation_slope(T_K: Any, c: tuple[float, ...]) -> Any:
    """d ln p_sat / dT [1/K], T_K in K."""
    return (c[6] - c[0] / T_K) / T_K + c[2] + T_K * (2 * c[3] + T_K * (3 * c[4] + T_K * 4 * c[5]))


def saturation_pressure(temperature: Number) -> Number:
    """Saturation pressure of water vapour over liquid [Pa], at all temperatures [°C].

    Fitted for 0…200 °C; below 0 °C it continues smoothly as supercooled water. ASHRAE eq. 6.

    >>> round(float(saturation_pressure(25.0)) / 1e3, 3)  # ASHRAE table 3: 3.1697 kPa
    3.169
    """
    return np.exp(_log_saturation(temperature + ZERO_CELSIUS, _LIQUID))


def saturation_pressure_log_slope(temperature: Number) -> Number:
    """d ln p_sat / dT [1/K] over liquid, temperature [°C]. Derivative of ASHRAE eq. 6."""
    return _log_saturation_slope(temperature + ZERO_CELSIUS, _LIQUID)


def saturation_pressure_ice(temperature: Number) -> Number:
    """Saturation pressure of water vapour over ice [Pa], temperature [°C], −100…0 °C. ASHRAE eq. 5."""
    return np.exp(_log_saturation(temperature + ZERO_CELSIUS, _ICE))


def saturation_temperature(pressure: Number) -> Number:
    """Temperature [°C] at which water boils at a pressure [Pa]: ASHRAE eq. 6 inverted.

    >>> round(float(saturation_temperature(101325.0)), 2)
    99.97
    """
    return _inverse_saturation(pressure, _LIQUID)


def _inverse_saturation(pressure: Number, c: tuple[float, ...]) -> Number:
    """Newton in 1/T for ln p, which is nearly straight in 1/T: converges from any start."""
    log_pressure = np.log(pressure)
    T_K = 5400.0 / (26.0 - log_pressure)  # Clausius–Clapeyron with a constant latent heat
    for _ in range(20):
        error = _log_saturation(T_K, c) - log_pressure
        T_K = 1.0 / (1.0 / T_K + error / (T_K**2 * _log_saturation_slope(T_K, c)))
        if np.all(np.abs(error) < 1e-13):
            break
    return T_K - ZERO_CELSIUS


def humidity_ratio(vapour_pressure: Number, pressure: Number) -> Number:
    """Humidity ratio [kg/kg] from vapour pressure and pressure [Pa]. ASHRAE eq. 20.

    Negative where the vapour pressure exceeds the pressure: there is no such air, and it shows.
    """
    return MOLAR_MASS_RATIO * vapour_pressure / (pressure - vapour_pressure)


def vapour_pressure(humidity_ratio: Number, pressure: Number) -> Number:
    """Vapour pressure [Pa] from humidity ratio [kg/kg] and pressure [Pa]. ASHRAE eq. 20 inverted."""
    return pressure * humidity_ratio / (MOLAR_MASS_RATIO + humidity_ratio)


def enthalpy(temperature: Number, humidity_ratio: Number) -> Number:
    """Enthalpy of moist air [J/kg dry air] from temperature [°C] and humidity ratio. ASHRAE eq. 30.

    >>> round(float(enthalpy(40.0, 0.0065)))  # ASHRAE's example prints 56.7 kJ/kg for W = .0065 rounded
    56980
    """
    return HEAT_CAPACITY_DRY_AIR * temperature + humidity_ratio * vapour_enthalpy(temperature)


def vapour_enthalpy(temperature: Number) -> Number:
    """Enthalpy of water vapour [J/kg] over liquid at 0 °C, temperature [°C]. ASHRAE eq. 29."""
    return HEAT_OF_VAPORISATION + HEAT_CAPACITY_VAPOUR * temperature


def temperature_from_enthalpy(enthalpy: Number, humidity_ratio: Number) -> Number:
    """Temperature [°C] from enthalpy [J/kg dry air] and humidity ratio. ASHRAE eq. 30 inverted."""
    capacity = HEAT_CAPACITY_DRY_AIR + HEAT_CAPACITY_VAPOUR * humidity_ratio
    return (enthalpy - HEAT_OF_VAPORISATION * humidity_ratio) / capacity


def dry_air_volume(temperature: Number, humidity_ratio: Number, pressure: Number) -> Number:
    """Volume of moist air per kilogram of dry air [m³/kg], from °C, kg/kg and Pa. ASHRAE eq. 26."""
    T_K = temperature + ZERO_CELSIUS
    return GAS_CONSTANT_DRY_AIR * T_K * (1 + 1.607858 * humidity_ratio) / pressure


def density(temperature: Number, pressure: Number) -> Number:
    """Density of dry air [kg/m³] from temperature [°C] and pressure [Pa]. ASHRAE eq. 26 with W = 0."""
    return pressure / (GAS_CONSTANT_DRY_AIR * (temperature + ZERO_CELSIUS))


def moist_density(temperature: Number, humidity_ratio: Number, pressure: Number) -> Number:
    """Density of moist air [kg/m³] from °C, kg/kg and Pa. ASHRAE eq. 9 (mass per volume of mixture)."""
    return (1 + humidity_ratio) / dry_air_volume(temperature, humidity_ratio, pressure)


def relative_humidity(temperature: Number, humidity_ratio: Number, pressure: Number) -> Number:
    """Relative humidity over liquid [-] from °C, kg/kg and Pa. ASHRAE eq. 12, 22."""
    return vapour_pressure(humidity_ratio, pressure) / saturation_pressure(temperature)


# ---- What instruments and weather files say; over ice below the triple point --------------------------


def weather_saturation_pressure(temperature: Number) -> Number:
    """Saturation pressure of water vapour [Pa]: over ice up to 0.01 °C, over liquid above. ASHRAE eq. 5, 6."""
    frozen = np.asarray(temperature) <= TRIPLE_POINT
    p_sat: Any = np.where(frozen, saturation_pressure_ice(temperature), saturation_pressure(temperature))
    return p_sat[()]


def humidity_ratio_from_relative_humidity(
    temperature: Number, relative_humidity: Number, pressure: Number
) -> Number:
    """Humidity ratio [kg/kg] from temperature [°C], relative humidity [-] and pressure [Pa].

    Relative humidity is taken over ice at and below 0.01 °C. ASHRAE eq. 12, 20, 22.
    """
    return humidity_ratio(relative_humidity * weather_saturation_pressure(temperature), pressure)


def humidity_ratio_from_dew_point(dew_point: Number, pressure: Number) -> Number:
    """Humidity ratio [kg/kg] from dew point [°C] and pressure [Pa]; frost point at and below 0.01 °C."""
    return humidity_ratio(weather_saturation_pressure(dew_point), pressure)


def humidity_ratio_from_wet_bulb(temperature: Number, wet_bulb: Number, pressure: Number) -> Number:
    """Humidity ratio [kg/kg] from dry bulb [°C], thermodynamic wet bulb [°C] and pressure [Pa].

    The bulb carries ice below 0 °C. ASHRAE eq. 33 (liquid) and 35 (ice), in kJ.
    """
    T, T_wb = temperature, wet_bulb
    W_liquid = humidity_ratio(saturation_pressure(T_wb), pressure)
    W_ice = humidity_ratio(saturation_pressure_ice(T_wb), pressure)
    liquid = ((2501 - 2.326 * T_wb) * W_liquid - 1.006 * (T - T_wb)) / (2501 + 1.86 * T - 4.186 * T_wb)
    ice = ((2830 - 0.24 * T_wb) * W_ice - 1.006 * (T - T_wb)) / (2830 + 1.86 * T - 2.1 * T_wb)
    return np.where(np.asarray(T_wb) < 0, ice, liquid)[()]


def dew_point(humidity_ratio: Number, pressure: Number) -> Number:
    """Dew point [°C] from humidity ratio and pressure [Pa]; frost point below 0.01 °C; −∞ for dry air.

    ASHRAE eq. 5 and 6 inverted.

    >>> round(float(dew_point(0.0200, 101325.0)))  # CoolProp: 24.86 °C
    25
    """
    p_v = np.asarray(vapour_pressure(humidity_ratio, pressure))
    dry = p_v <= 0
    p_v = np.where(dry, 1.0, p_v)
    over_liquid = _inverse_saturation(p_v, _LIQUID)
    point = over_liquid
    if np.any(over_liquid <= TRIPLE_POINT):
        over_ice = np.minimum(_inverse_saturation(p_v, _ICE), TRIPLE_POINT)
        point = np.where(over_liquid > TRIPLE_POINT, over_liquid, over_ice)
    return np.where(dry, -np.inf, point)[()]


def wet_bulb(temperature: Number, humidity_ratio: Number, pressure: Number) -> Number:
    """Thermodynamic wet bulb [°C] from temperature [°C], humidity ratio [kg/kg] and pressure [Pa].

    ASHRAE eq. 33 (liquid) solved for the wet bulb, or eq. 35 (ice) where the liquid one is below 0 °C.
    The equations are multiplied by (p − p_sat), so they hold up to the boiling point: also in air hotter
    than that.

    >>> round(float(wet_bulb(40.0, 0.0065, 101325.0)))  # ASHRAE's example: 20 °C
    20
    """
    T, Y = np.broadcast_arrays(np.asarray(temperature, float), np.asarray(humidity_ratio, float))

    def over_ice(T_wb: Any) -> Any:
        p_s = saturation_pressure_ice(T_wb)
        supply = Y * (2830 + 1.86 * T - 2.1 * T_wb) + 1.006 * (T - T_wb)
        return supply * (pressure - p_s) - MOLAR_MASS_RATIO * p_s * (2830 - 0.24 * T_wb)

    bulb = _wet_bulb_over_liquid(T, Y, pressure)
    if np.any(bulb < 0):
        lowest = np.minimum(T, 0.0) - 30.0  # here even dry air has more to give than a bulb can take
        # In fog below 0 °C neither form may have a root on its own side of 0 °C: ice and water together.
        bulb = np.where(bulb < 0, np.minimum(bracketed_root(over_ice, lowest, 10.0), 0.0), bulb)
    return bulb[()]


def _wet_bulb_over_liquid(T: Any, Y: Any, pressure: Any) -> Any:
    """Newton from the hot end. What a bulb is given less what it takes falls, ever faster, with its temperature:

    so no step can overshoot the root, and each that follows is surer than the one before.
    """
    capacity = 1.006 + 4.186 * Y
    given = Y * (2501 + 1.86 * T) + 1.006 * T
    bulb = np.minimum(T, saturation_temperature(pressure))
    for _ in range(100):
        T_K = bulb + ZERO_CELSIUS
        p_s = np.exp(_log_saturation(T_K, _LIQUID))
        rise = p_s * _log_saturation_slope(T_K, _LIQUID)
        supply, demand = given - capacity * bulb, MOLAR_MASS_RATIO * (2501 - 2.326 * bulb)
        left, excess = pressure - p_s, supply * (pressure - p_s) - demand * p_s
        slope = -capacity * left - (supply + demand) * rise + 2.326 * MOLAR_MASS_RATIO * p_s
        step = excess / slope
        bulb = bulb - step
        if np.all(np.abs(step) < 1e-10):
            break
    return bulb


def standard_pressure(altitude: Number) -> Number:
    """Standard barometric pressure [Pa] at an altitude [m], −5000…11 000 m. ASHRAE eq. 3.

    >>> round(float(standard_pressure(1000.0)))
    89875
    """
    return STANDARD_PRESSURE * (1 - 2.25577e-5 * altitude) ** 5.2559


# ---- Transport properties of dry air ------------------------------------------------------------------


def sutherland(temperature: Number, value_0: float, S: float) -> tuple[Number, Number]:
    """Sutherland's law value_0 (T/T_0)^1.5 (T_0+S)/(T+S), T_0 = 273.15 K, and d ln(value)/dT [1/K].

    Temperature [°C], S [K]. Source: F. M. White, Viscous Fluid Flow, eq. 1-36 and 1-44b (memory, high).
    """
    T_K = temperature + ZERO_CELSIUS
    inverse = 1 / (T_K + S)
    value = value_0 * (ZERO_CELSIUS + S) / ZERO_CELSIUS**1.5 * T_K * np.sqrt(T_K) * inverse
    return value, 1.5 / T_K - inverse


def viscosity(temperature: Number) -> Number:
    """Dynamic viscosity of dry air [Pa s], temperature [°C], −50…200 °C. Sutherland."""
    return viscosity_and_log_slope(temperature)[0]


def viscosity_and_log_slope(temperature: Number) -> tuple[Number, Number]:
    """Dynamic viscosity of dry air [Pa s] as above, and d ln μ/dT [1/K]."""
    return sutherland(temperature, VISCOSITY_0, VISCOSITY_S)


def thermal_conductivity(temperature: Number) -> Number:
    """Thermal conductivity of dry air [W/(m K)], temperature [°C], −50…200 °C. Sutherland."""
    return thermal_conductivity_and_log_slope(temperature)[0]


def thermal_conductivity_and_log_slope(temperature: Number) -> tuple[Number, Number]:
    """Thermal conductivity of dry air [W/(m K)] as above, and d ln k/dT [1/K]."""
    return sutherland(temperature, CONDUCTIVITY_0, CONDUCTIVITY_S)


def vapour_diffusivity(temperature: Number, pressure: Number) -> Number:
    """Diffusivity of water vapour in air [m²/s], temperature [°C], pressure [Pa].

    2.178e-5 (T/273.15)^1.81 (101325/p), 0…100 °C. Massman 1998; continued below 0 °C.
    """
    T_K = temperature + ZERO_CELSIUS
    ratio = (T_K / ZERO_CELSIUS) ** VAPOUR_DIFFUSIVITY_N
    return VAPOUR_DIFFUSIVITY_0 * ratio * (STANDARD_PRESSURE / pressure)
