"""Six forms of sorption isotherm in one table, EQUATIONS.

M is moisture in percent of dry, fat-free solid and T is °C (gab turns both into the decimal and kelvin of
its authors). Constants may be arrays that broadcast with M.

Sources: the modified forms: ASABE D245 (seen, in model code that cites it); oswin-variable: Xiong et al.
1991, and gab: Andrieu et al. 1985, both for extruded durum pasta (seen in public code citing them).
Above a_w = 0.9, where its points end, gab would pass 1 in wet solid: it is continued toward 1 with equal slope.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.physics.air import ZERO_CELSIUS
from coolsim.support.dual_units import temperature

DRY_END = 3.0  # M %, below which Chung–Pfost is continued and a heat of desorption is held
GAB_DRY_END = 10.0  # M %, below which that of gab is held: it runs away (3500 kJ/kg at 5 %, pasta)
WET_END = 0.9  # a_w, where gab's measurements end: above it is continued, for it passes 1 in very wet solid


@dataclass(frozen=True)
class Equation:
    """One form of isotherm. Functions take (constants, M %, T °C); `inverse` takes (constants, a_w, T)."""

    constants: tuple[str, ...]
    activity: Callable[..., Any]
    slopes: Callable[..., tuple[Any, Any, Any]]  # (a_w, ∂a_w/∂M, ∂a_w/∂T)
    log_slope: Callable[..., Any]  # ∂ln a_w/∂T alone: the heat of desorption, asked for in every shell
    inverse: Callable[..., Any]
    begin_from: tuple[
        float, ...
    ]  # published constants that a fit begins from (tests/published/test_sorption.py)
    highest_temperature: float  # °C; held above
    sum_of_temperature_and: int | None  # place of the C that stands in a sum T + C
    fitted_temperature: tuple[float, float]  # °C
    fitted_activity: tuple[float, float]
    fitted_to: str
    heat_held_below: float = DRY_END  # M %

    @property
    def range_text(self) -> str:
        """To what it was fitted, in a sentence."""
        low, high = self.fitted_activity
        return (
            f"fitted to {self.fitted_to} at {temperature.between(*self.fitted_temperature)}, a_w {low}–{high}"
        )


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


def _henderson_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    A, B, C = c
    u_per_T = A * M**B
    rest = np.exp(-u_per_T * (T + C))  # 1 − a_w
    return u_per_T * rest / -np.expm1(-u_per_T * (T + C))


def _henderson_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C = c
    return (-np.log1p(-a_w) / (A * (T + C))) ** (1 / B)


def _chung_pfost_dryness(B: Any, M: Any) -> tuple[Any, Any]:
    """E(M) = exp(−B M) and dE/dM; below M = 3: E = exp(−3B) (1 − 3B ln(M/3)), the power law's logarithm."""
    if (M.real >= DRY_END).all():
        E = np.exp(-B * M)
        return E, -B * E
    wet = np.maximum(M, DRY_END)
    E, ratio = np.exp(-B * wet), M / wet
    return E * (1 - DRY_END * B * np.log(ratio)), -B * E / ratio


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


def _chung_pfost_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    A, B, C = c
    return A / (T + C) ** 2 * _chung_pfost_dryness(B, M)[0]


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


def _oswin_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    A, B, C = c
    g = A + B * T
    return -B * C / (g * (1 + (M / g) ** C))


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


def _halsey_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    A, B, C = c
    return -B * np.exp(A + B * T) * M**-C


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


def _oswin_variable_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    A, B, C, D = c
    g, n = A + B * T, C + D * T
    log_r = np.log(M / g) / n
    return -(B / g + D * log_r) / (n * (1 + np.exp(log_r)))


def _oswin_variable_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    A, B, C, D = c
    return (A + B * T) * (a_w / (1 - a_w)) ** (C + D * T)


def _gab_parts(c: tuple[Any, ...], T: Any) -> tuple[Any, Any, Any, Any]:
    m0, Hm, C0, HC, k0, Hk = c
    T_K = T + ZERO_CELSIUS
    return m0 * np.exp(Hm / T_K), C0 * np.exp(HC / T_K), k0 * np.exp(Hk / T_K), T_K


def _gab_wetness(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    """y = k a_w of X = M0 C y / [(1−y)(1−y+C y)], a quadratic in y; ∂y/∂X and ∂y/∂T."""
    _, Hm, _, HC, _, _ = c
    M0, C, _, T_K = _gab_parts(c, T)
    X = M / 100
    linear = M0 * C - X * (C - 2)
    root = np.sqrt(linear**2 + 4 * (C - 1) * X**2)
    y = 2 * X / (linear + root)
    dy_dX = (1 - y) * (1 + (C - 1) * y) / root
    dy_dT = -y * (C * HC * (X * (1 - y) - M0) - M0 * C * Hm) / (root * T_K**2)
    return y, dy_dX, dy_dT


def _gab_continued(y: Any, k: Any) -> tuple[Any, Any, Any, Any]:
    """u, n and where to use them: above a_w = 0.9, a_w = 1 − 0.1 uⁿ, with u = (1−y)/(1−0.9 k) falling from 1 to 0.

    n = (1 − 0.9 k)/(0.1 k) gives a_w the slope that it had; it reaches 1 only in infinitely wet solid.
    """
    joint = WET_END * k
    left = 1 - joint
    return (1 - np.maximum(y, joint)) / left, left / ((1 - WET_END) * k), left, y.real > joint.real


def _gab(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    """X = M0 C k a_w / [(1−k a_w)(1−k a_w+C k a_w)] up to a_w = 0.9, continued above (_gab_continued)."""
    y, _, _ = _gab_wetness(c, M, T)
    k = _gab_parts(c, T)[2]
    u, n, _, wet = _gab_continued(y, k)
    return np.where(wet, 1 - (1 - WET_END) * u**n, y / k)


def _gab_slopes(c: tuple[Any, ...], M: Any, T: Any) -> tuple[Any, Any, Any]:
    y, dy_dX, dy_dT = _gab_wetness(c, M, T)
    _, _, k, T_K = _gab_parts(c, T)
    dk_dT = -k * c[5] / T_K**2
    u, n, left, wet = _gab_continued(y, k)
    rest = (1 - WET_END) * u**n  # 1 − a_w
    dn_dT = -dk_dT / ((1 - WET_END) * k**2)
    du_dT = (WET_END * dk_dT * u - dy_dT) / left
    a_w = np.where(wet, 1 - rest, y / k)
    by_X = np.where(wet, u ** (n - 1), 1.0) * dy_dX / (100 * k)
    by_T = np.where(wet, -rest * (dn_dT * np.log(u) + n * du_dT / u), (dy_dT - y * dk_dT / k) / k)
    return a_w, by_X, by_T


def _gab_log_slope(c: tuple[Any, ...], M: Any, T: Any) -> Any:
    a_w, _, da_dT = _gab_slopes(c, M, T)
    return da_dT / a_w


def _gab_inverse(c: tuple[Any, ...], a_w: Any, T: Any) -> Any:
    M0, C, k, _ = _gab_parts(c, T)
    left = 1 - WET_END * k
    u = (np.minimum(1 - a_w, 1 - WET_END) / (1 - WET_END)) ** ((1 - WET_END) * k / left)
    y = np.where(a_w > WET_END, 1 - left * u, k * a_w)
    return 100 * M0 * C * y / ((1 - y) * (1 - y + C * y))


_GRAIN_RANGE: dict[str, Any] = {
    "highest_temperature": 100.0,
    "fitted_temperature": (5.0, 50.0),
    "fitted_activity": (0.2, 0.9),
    "fitted_to": "grains and oilseeds",  # range: memory, medium; about
}
_PASTA_RANGE: dict[str, Any] = {
    "highest_temperature": 90.0,
    "sum_of_temperature_and": None,
    "fitted_temperature": (40.0, 90.0),
    "fitted_activity": (0.1, 0.9),
    "fitted_to": "extruded durum pasta",  # range: seen; of a_w memory, medium
}
_ABC = ("A", "B", "C")

EQUATIONS: dict[str, Equation] = {
    "modified-henderson": Equation(
        _ABC,
        _henderson,
        _henderson_slopes,
        _henderson_log_slope,
        _henderson_inverse,
        begin_from=(8.6541e-5, 1.8634, 49.810),
        sum_of_temperature_and=2,
        **_GRAIN_RANGE,
    ),
    "modified-chung-pfost": Equation(
        _ABC,
        _chung_pfost,
        _chung_pfost_slopes,
        _chung_pfost_log_slope,
        _chung_pfost_inverse,
        begin_from=(312.3, 0.16958, 30.205),
        sum_of_temperature_and=2,
        **_GRAIN_RANGE,
    ),
    "modified-oswin": Equation(
        _ABC,
        _oswin,
        _oswin_slopes,
        _oswin_log_slope,
        _oswin_inverse,
        begin_from=(15.303, -0.10184, 3.0358),
        sum_of_temperature_and=None,
        **_GRAIN_RANGE,
    ),
    "modified-halsey": Equation(
        _ABC,
        _halsey,
        _halsey_slopes,
        _halsey_log_slope,
        _halsey_inverse,
        begin_from=(2.87, -0.0054, 1.38),
        sum_of_temperature_and=None,
        **_GRAIN_RANGE,
    ),
    "oswin-variable": Equation(
        (*_ABC, "D"),
        _oswin_variable,
        _oswin_variable_slopes,
        _oswin_variable_log_slope,
        _oswin_variable_inverse,
        begin_from=(17.6, -0.1748, 0.182, 6.946e-3),
        **_PASTA_RANGE,
    ),
    "gab": Equation(
        ("m0", "Hm", "C0", "HC", "k0", "Hk"),
        _gab,
        _gab_slopes,
        _gab_log_slope,
        _gab_inverse,
        begin_from=(0.0017, 1135.3, 2.8339e-8, 6545.8, 1.8320, -238.49),
        heat_held_below=GAB_DRY_END,
        **_PASTA_RANGE,
    ),
}
