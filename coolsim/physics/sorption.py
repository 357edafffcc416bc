"""Sorption: the water activity of a moist solid, its slopes, its inverse and the heat that binds water.

Six equations stand in one table, EQUATIONS. Inside them M is moisture in percent of dry, fat-free solid
and T is °C (the gab equation turns both into the decimal and kelvin of its authors).

Two departures from the printed forms keep a solver alive where the fits say nothing:
- the temperature is held at the ends of the range that an equation stands for (above 100 °C, for the
  pasta sets above 90 °C; below −20 °C, where T + C of the ASABE forms would vanish): the slope with
  temperature is zero beyond;
- modified Chung–Pfost has a_w > 0 at M = 0; below M = 3 % it continues as a power law through the origin
  with equal value and slope.

Sources: ASABE D245 (forms as in model code that cites it, seen); oswin-variable: Xiong et al. 1991, and
gab: Andrieu et al. 1985, both for extruded durum pasta (seen in public code citing them).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.fields import Number, documented
from coolsim.physics.air import GAS_CONSTANT_WATER, ZERO_CELSIUS

REFERENCE_TEMPERATURE = 40.0  # °C, at which the heat of desorption is taken
DRY_END = 3.0  # M %, below which Chung–Pfost is continued and the heat of desorption is held
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


@dataclass(frozen=True)
class Equation:
    """One form of isotherm. Functions take (constants, M %, T °C); `inverse` takes (constants, a_w, T)."""

    constants: tuple[str, ...]
    activity: Callable[..., Any]
    slopes: Callable[..., tuple[Any, Any, Any]]  # (a_w, ∂a_w/∂M, ∂a_w/∂T)
    inverse: Callable[..., Any]
    highest_temperature: float  # °C; held above
    sum_of_temperature_and: int | None  # place of the C that stands in a sum T + C
    fitted_temperature: tuple[float, float]  # °C
    fitted_activity: tuple[float, float]
    range_text: str


# ---- Forms: value, slopes, inverse --------------------------------------------------------------------


def _henderson(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """a_w = 1 − exp(−A (T+C) M^B)."""
    A, B, C = c
    return -np.expm1(-A * (T + C) * M**B)


def _henderson_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    A, B, C = c
    u = A * (T + C) * M**B
    a_w = -np.expm1(-u)
    slope = (1 - a_w) * u
    return a_w, B * slope / M, slope / (T + C)


def _henderson_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C = c
    return (-np.log1p(-a_w) / (A * (T + C))) ** (1 / B)


def _chung_pfost_dryness(B: Any, M: Any) -> tuple[Any, Any]:
    """E(M) = exp(−B M) and dE/dM; below M = 3: E = exp(−3B) (1 − 3B ln(M/3)), the power law's logarithm."""
    wet = np.maximum(M, DRY_END)
    E = np.exp(-B * wet)
    slope = -B * E
    if np.any(M.real < DRY_END):
        ratio = M / wet
        return E * (1 - DRY_END * B * np.log(ratio)), slope / ratio
    return E, slope


def _chung_pfost(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """a_w = exp(−A/(T+C) · exp(−B M)); below M = 3, a_w = a_w(3) (M/3)^n with n = 3 ∂ln a_w/∂M at 3."""
    A, B, C = c
    return np.exp(-A / (T + C) * _chung_pfost_dryness(B, M)[0])


def _chung_pfost_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    A, B, C = c
    E, dE = _chung_pfost_dryness(B, M)
    k = A / (T + C)
    kE = k * E
    a_w = np.exp(-kE)
    return a_w, -a_w * k * dE, a_w * kE / (T + C)


def _chung_pfost_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C = c
    E = -(T + C) * np.log(a_w) / A
    E_joint = np.exp(-DRY_END * B)
    dry = DRY_END * np.exp(np.minimum((1 - E / E_joint) / (DRY_END * B), 0.0))
    return np.where(E_joint < E, dry, -np.log(E) / B)


def _oswin(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """a_w = 1 / (((A + B T)/M)^C + 1)."""
    A, B, C = c
    r = (M / (A + B * T)) ** C
    return r / (1 + r)


def _oswin_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    A, B, C = c
    g = A + B * T
    r = (M / g) ** C
    a_w = r / (1 + r)
    slope = C * a_w / (1 + r)
    return a_w, slope / M, -B * slope / g


def _oswin_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C = c
    return (A + B * T) * (a_w / (1 - a_w)) ** (1 / C)


def _halsey(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """a_w = exp(−exp(A + B T)/M^C)."""
    A, B, C = c
    return np.exp(-np.exp(A + B * T) * M**-C)


def _halsey_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    A, B, C = c
    w = np.exp(A + B * T) * M**-C
    a_w = np.exp(-w)
    slope = a_w * w
    return a_w, C * slope / M, -B * slope


def _halsey_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C = c
    return (-np.exp(A + B * T) / np.log(a_w)) ** (1 / C)


def _oswin_variable(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """M = (A + B T) (a_w/(1−a_w))^(C + D T), solved for a_w."""
    A, B, C, D = c
    r = np.exp(np.log(M / (A + B * T)) / (C + D * T))
    return r / (1 + r)


def _oswin_variable_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    A, B, C, D = c
    g, n = A + B * T, C + D * T
    log_r = np.log(M / g) / n
    r = np.exp(log_r)
    a_w = r / (1 + r)
    slope = a_w / (n * (1 + r))
    return a_w, slope / M, -slope * (B / g + D * log_r)


def _oswin_variable_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C, D = c
    return (A + B * T) * (a_w / (1 - a_w)) ** (C + D * T)


def _gab_parts(c: tuple[Any, ...], T: Any) -> tuple[Any, Any, Any, Any]:
    m0, Hm, C0, HC, k0, Hk = c
    T_K = T + ZERO_CELSIUS
    return m0 * np.exp(Hm / T_K), C0 * np.exp(HC / T_K), k0 * np.exp(Hk / T_K), T_K


def _gab(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """X = M0 C k a_w / [(1−k a_w)(1−k a_w+C k a_w)], a quadratic in y = k a_w. Passes 1 in very wet solid."""
    M0, C, k, _ = _gab_parts(c, T)
    X = M / 100
    linear = M0 * C - X * (C - 2)
    return 2 * X / (linear + np.sqrt(linear**2 + 4 * (C - 1) * X**2)) / k


def _gab_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    _, Hm, _, HC, _, Hk = c
    M0, C, k, T_K = _gab_parts(c, T)
    X = M / 100
    linear = M0 * C - X * (C - 2)
    root = np.sqrt(linear**2 + 4 * (C - 1) * X**2)
    y = 2 * X / (linear + root)
    dy_dX = (1 - y) * (1 + (C - 1) * y) / root
    dy_dT = -y * (C * HC * (X * (1 - y) - M0) - M0 * C * Hm) / (root * T_K**2)
    return y / k, dy_dX / (100 * k), (dy_dT + y * Hk / T_K**2) / k


def _gab_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    M0, C, k, _ = _gab_parts(c, T)
    y = k * a_w
    return 100 * M0 * C * y / ((1 - y) * (1 - y + C * y))


_GRAIN = "fitted to grains and oilseeds at about 5–50 °C and a_w 0.2–0.9 (memory, medium)"
_GRAIN_RANGE: dict[str, Any] = {
    "highest_temperature": 100.0,
    "fitted_temperature": (5.0, 50.0),
    "fitted_activity": (0.2, 0.9),
    "range_text": _GRAIN,
}
_PASTA_RANGE: dict[str, Any] = {
    "highest_temperature": 90.0,
    "sum_of_temperature_and": None,
    "fitted_temperature": (40.0, 90.0),
    "fitted_activity": (0.1, 0.9),
    "range_text": "fitted to extruded durum pasta at 40–90 °C (seen), a_w 0.1–0.9 (memory, medium)",
}
_ABC = ("A", "B", "C")

EQUATIONS: dict[str, Equation] = {
    "modified-henderson": Equation(
        _ABC, _henderson, _henderson_slopes, _henderson_inverse, sum_of_temperature_and=2, **_GRAIN_RANGE
    ),
    "modified-chung-pfost": Equation(
        _ABC,
        _chung_pfost,
        _chung_pfost_slopes,
        _chung_pfost_inverse,
        sum_of_temperature_and=2,
        **_GRAIN_RANGE,
    ),
    "modified-oswin": Equation(
        _ABC, _oswin, _oswin_slopes, _oswin_inverse, sum_of_temperature_and=None, **_GRAIN_RANGE
    ),
    "modified-halsey": Equation(
        _ABC, _halsey, _halsey_slopes, _halsey_inverse, sum_of_temperature_and=None, **_GRAIN_RANGE
    ),
    "oswin-variable": Equation(
        (*_ABC, "D"), _oswin_variable, _oswin_variable_slopes, _oswin_variable_inverse, **_PASTA_RANGE
    ),
    "gab": Equation(("m0", "Hm", "C0", "HC", "k0", "Hk"), _gab, _gab_slopes, _gab_inverse, **_PASTA_RANGE),
}


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


def water_activity(isotherm: Isotherm, moisture: Number, temperature: Number) -> Number:
    """Water activity [-] of solid at a moisture [kg/kg dry] and temperature [°C]. Sources: module.

    >>> corn = Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810))
    >>> round(float(water_activity(corn, 0.1650, 25.0)), 2)  # 14.17 % wet basis
    0.7
    """
    M = np.maximum(np.asarray(moisture) * _percent_per_moisture(isotherm), SMALLEST_MOISTURE)
    lowest, highest = held_temperatures(isotherm)
    T = np.minimum(np.maximum(temperature, lowest), highest)
    return EQUATIONS[isotherm.equation].activity(isotherm.constants, M, T)


def water_activity_and_slopes(
    isotherm: Isotherm, moisture: Number, temperature: Number
) -> tuple[Number, Number, Number]:
    """Water activity [-], ∂a_w/∂X [kg dry/kg] and ∂a_w/∂T [1/K] at X [kg/kg dry] and T [°C]."""
    factor = _percent_per_moisture(isotherm)
    M = np.maximum(np.asarray(moisture) * factor, SMALLEST_MOISTURE)
    lowest, highest = held_temperatures(isotherm)
    T = np.minimum(np.maximum(temperature, lowest), highest)
    a_w, da_dM, da_dT = EQUATIONS[isotherm.equation].slopes(isotherm.constants, M, T)
    not_held = temperature == T
    return a_w, da_dM * factor, da_dT * not_held


def equilibrium_moisture(isotherm: Isotherm, water_activity: Number, temperature: Number) -> Number:
    """Moisture [kg/kg dry] in equilibrium with a water activity [-], 0 ≤ a_w < 1, at a temperature [°C].

    >>> corn = Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810))
    >>> X = equilibrium_moisture(corn, 0.70, 25.0)
    >>> round(float(100 * X / (1 + X)), 2)  # per cent, wet basis
    14.17
    """
    lowest, highest = held_temperatures(isotherm)
    T = np.minimum(np.maximum(temperature, lowest), highest)
    a_w = np.maximum(water_activity, 1e-300)  # so that ln a_w exists at 0
    return EQUATIONS[isotherm.equation].inverse(isotherm.constants, a_w, T) / _percent_per_moisture(isotherm)


def heat_of_desorption(isotherm: Isotherm, moisture: Number) -> Number:
    """Net heat of desorption q_st [J/kg], above vaporisation, at a moisture [kg/kg dry].

    q_st = R_v T² ∂ln a_w/∂T at 40 °C (Clausius–Clapeyron), held constant below M = 3 %.
    """
    T_K = REFERENCE_TEMPERATURE + ZERO_CELSIUS
    X = np.maximum(moisture, DRY_END / _percent_per_moisture(isotherm))
    a_w, _, da_dT = water_activity_and_slopes(isotherm, X, REFERENCE_TEMPERATURE)
    return GAS_CONSTANT_WATER * T_K**2 * da_dT / a_w


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


def bound_water_heat(isotherm: Isotherm, moisture: Number) -> Number:
    """Q(X) = ∫₀ˣ q_st dX [J/kg dry] at a moisture [kg/kg dry]: what bound water lacks in enthalpy.

    Exact below M = 3 %; above, 16-point Gauss–Legendre in ln X, where q_st of all six equations is smooth
    (within 1e-5 of Q up to X = 0.6).
    """
    X = np.asarray(moisture, float)
    X_dry = DRY_END / _percent_per_moisture(isotherm)
    half = 0.5 * np.log(np.maximum(X, X_dry) / X_dry)
    total = heat_of_desorption(isotherm, X_dry) * np.minimum(X, X_dry)
    for node, weight in zip(_NODES, _WEIGHTS):
        x = X_dry * np.exp(half * (1 + node))
        total = total + weight * half * x * heat_of_desorption(isotherm, x)
    return total
