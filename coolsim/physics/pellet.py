"""The pellet: size, diffusivity, thermal properties from composition, enthalpy, and the flash at the die.

Temperatures are in °C, moisture X in kg water per kg dry solid.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.physics import air
from coolsim.physics.roots import bracketed_root
from coolsim.physics.sorption import Isotherm, bound_water_heat, equilibrium_moisture, water_activity
from coolsim.support.fields import Number, documented


@dataclass(frozen=True)
class Diffusivity:
    """D = value · exp[−Ea/R (1/T − 1/at)] · exp[moisture_slope (X − at_moisture)]. Floats, or arrays of cases."""

    value: Any = documented("m²/s", "water diffusivity in the pellet at the reference", "D_ref")
    at: Any = documented("°C", "reference temperature", "T_ref", default=60.0)
    activation_energy: Any = documented("J/mol", "activation energy", "Ea", default=26e3)
    moisture_slope: Any = documented("kg dry/kg", "slope of ln D with moisture, dry basis", "b", default=0.0)
    at_moisture: Any = documented("kg/kg dry", "reference moisture, dry basis", "X_ref", default=0.0)


def equivalent_sphere_radius(diameter: Number, length: Number) -> Number:
    """Radius R = 3V/S [m] of the sphere with the surface per volume of a cylinder d × l [m]. Geometry.

    >>> round(float(equivalent_sphere_radius(4e-3, 8e-3)), 6)
    0.0024
    """
    return 1.5 * diameter * length / (diameter + 2 * length)


_TERMS = 40  # of a power series: x²ᵏ/(2ᵏ k!)² is below rounding, where x is below 10
# First root of the Bessel function J₀ (any table; scipy.special.jn_zeros(0, 1) in the tests).
_J0_ROOT = 2.404825557695773


def shape_exponent(diameter: Number, length: Number) -> Number:
    """Exponent m [-] of the body that dries as a cylinder d × l does, early and late: surfaces grow as r^m.

    A body whose surfaces at distance r from its centre grow as r^m (slab 0, long cylinder 1, sphere 2; m need not
    be whole) and that is R = (m+1) V/S thick obeys ∂X/∂t = r^−m ∂/∂r (r^m D ∂X/∂r). Early on only S/V counts, and
    that is the cylinder's. Late, X dies away as exp(−λ D t) with λ = (j/R)², j the first root of J_ν,
    ν = (m−1)/2; for the cylinder λ = (2 j₀/d)² + (π/l)², j₀ the first root of J₀ (product of the long cylinder's
    and the slab's: Carslaw & Jaeger, Conduction of Heat in Solids, §1.15, memory, high). m makes both λ equal:
    J_ν(√λ (m+1) V/S) = 0.

    >>> round(float(shape_exponent(4e-3, 400.0)), 3)  # a long cylinder
    1.0
    """
    V_per_S = equivalent_sphere_radius(diameter, length) / 3
    late = np.sqrt((2 * _J0_ROOT / diameter) ** 2 + (np.pi / length) ** 2) * V_per_S
    return bracketed_root(lambda m: _bessel((m - 1) / 2, late * (m + 1)), 0.0 * late, 0.0 * late + 4.0)[()]


def _bessel(order: Number, x: Number) -> Number:
    """J_ν(x) Γ(ν+1)/(x/2)^ν, which has its roots: Σ (−x²/4)ᵏ/(k! (ν+1)…(ν+k)) (DLMF 10.16.9, from memory).

    To rounding for x up to 10. scipy.special has more, and takes longer to load than all else of a dryer here.
    """
    term = total = np.ones(np.shape(x))
    for k in range(1, _TERMS):
        term = term * (-0.25 * x * x) / (k * (order + k))
        total = total + term
    return total


def diffusivity(law: Diffusivity, temperature: Number, moisture: Number) -> Number:
    """Water diffusivity [m²/s] at a temperature [°C] and moisture [kg/kg dry]: Arrhenius, ln D linear in X.

    >>> round(float(diffusivity(Diffusivity(1e-9), 60.0, 0.15)), 12)
    1e-09
    """
    inverse = 1 / (temperature + air.ZERO_CELSIUS) - 1 / (law.at + air.ZERO_CELSIUS)
    exponent = -law.activation_energy / air.GAS_CONSTANT * inverse
    return law.value * np.exp(exponent + law.moisture_slope * (moisture - law.at_moisture))


def diffusivity_log_slope(law: Diffusivity, temperature: Number) -> Number:
    """∂ln D/∂T [1/K] at a temperature [°C]; ∂ln D/∂X is the law's moisture_slope."""
    return law.activation_energy / (air.GAS_CONSTANT * (temperature + air.ZERO_CELSIUS) ** 2)


# ---- Thermal properties from composition --------------------------------------------------------------
# Y. Choi, M. R. Okos, in Food Engineering and Process Applications (1986), as in ASHRAE Refrigeration
# ch. 9, −40…150 °C, t in °C (seen in public code citing them; the slope of fat's specific heat, 1.4733e-3
# or e-4 by copy, and the signs of water's: memory, high). ASHRAE prints 4.1289 for water's specific heat
# where the authors have 4.1762 (memory, medium): 1 % low, kept as printed; no balance uses it.

_CAPACITY = {  # J/(kg K)
    "protein": (2008.2, 1.2089, -1.3129e-3),
    "fat": (1984.2, 1.4733, -4.8008e-3),
    "carbohydrate": (1548.8, 1.9625, -5.9399e-3),
    "fibre": (1845.9, 1.8306, -4.6509e-3),
    "ash": (1092.6, 1.8896, -3.6817e-3),
    "water": (4128.9, -9.0864e-2, 5.4731e-3),
}
_CONDUCTIVITY = {  # W/(m K)
    "protein": (0.17881, 1.1958e-3, -2.7178e-6),
    "fat": (0.18071, -2.7604e-4, -1.7749e-7),
    "carbohydrate": (0.20141, 1.3874e-3, -4.3312e-6),
    "fibre": (0.18331, 1.2497e-3, -3.1683e-6),
    "ash": (0.32962, 1.4011e-3, -2.9069e-6),
    "water": (0.57109, 1.7625e-3, -6.7036e-6),
}
_DENSITY = {  # kg/m³
    "protein": (1329.9, -0.51840, 0.0),
    "fat": (925.59, -0.41757, 0.0),
    "carbohydrate": (1599.1, -0.31046, 0.0),
    "fibre": (1311.5, -0.36589, 0.0),
    "ash": (2423.8, -0.28063, 0.0),
    "water": (997.18, 3.1439e-3, -3.7574e-3),
}
COMPONENTS = tuple(_CAPACITY)


def _component(table: Mapping[str, tuple[float, ...]], name: str, t: Number) -> Any:
    c = table[name]
    return c[0] + t * (c[1] + t * c[2])


def with_water(composition: Mapping[str, float], moisture: float) -> dict[str, float]:
    """Composition of the wet solid by mass, from that of the dry solid and a moisture [kg/kg wet]."""
    return {name: part * (1 - moisture) for name, part in composition.items()} | {"water": moisture}


def specific_heat(composition: Mapping[str, float], temperature: Number) -> Number:
    """Specific heat [J/(kg K)] by mass mean, from mass fractions that add up to one, temperature [°C]."""
    return sum(part * _component(_CAPACITY, name, temperature) for name, part in composition.items())


def solid_density(composition: Mapping[str, float], temperature: Number) -> Number:
    """Density [kg/m³] without pores, from mass fractions that add up to one, temperature [°C]."""
    return 1 / sum(part / _component(_DENSITY, name, temperature) for name, part in composition.items())


def thermal_conductivity(composition: Mapping[str, float], temperature: Number) -> Number:
    """Conductivity [W/(m K)] without pores, by volume mean, from mass fractions and temperature [°C]."""
    t = temperature
    by_volume = sum(
        part * _component(_CONDUCTIVITY, name, t) / _component(_DENSITY, name, t)
        for name, part in composition.items()
    )
    return by_volume * solid_density(composition, t)


def porous_conductivity(solid: Number, pores: Number, temperature: Number) -> Number:
    """Conductivity [W/(m K)] of a solid [W/(m K)] with a share of closed pores [-] full of air, temperature [°C].

    Maxwell's equation as Eucken applies it to dispersed pores (memory, high).
    """
    gas = air.thermal_conductivity(temperature)
    return solid * (2 * solid + gas - 2 * pores * (solid - gas)) / (2 * solid + gas + pores * (solid - gas))


def pellet_conductivity(
    composition: Mapping[str, float],
    moisture: float,
    temperature: float,
    bulk_density: float,
    void_fraction: float,
) -> float:
    """Conductivity [W/(m K)] of a wet pellet: that of its solid, less the pores that its density tells of.

    From the composition of the dry solid, moisture [kg/kg wet], °C, and a bed's bulk density [kg/m³] and voids.
    """
    wet = with_water(composition, moisture)
    pores = 1 - bulk_density / (1 - void_fraction) / solid_density(wet, temperature)
    solid = thermal_conductivity(wet, temperature)
    return float(porous_conductivity(solid, np.clip(pores, 0.0, 0.9), temperature))


# ---- Enthalpy and flash -------------------------------------------------------------------------------


def enthalpy(specific_heat: Number, moisture: Number, temperature: Number, bound_heat: Number) -> Number:
    """Enthalpy of the pellet H = c_d T + 4186 X T − Q [J/kg dry], from c_d, X [kg/kg dry], T [°C] and Q.

    Q is ⟨Q(X)⟩ [J/kg dry] of `bound_water_heat`: bound water lies below free water by its desorption heat.
    """
    return (specific_heat + air.HEAT_CAPACITY_WATER * moisture) * temperature - bound_heat


def flash(
    isotherm: Isotherm, specific_heat: Number, moisture: Number, temperature: Number, pressure: Number
) -> tuple[Number, Number]:
    """Moisture [kg/kg dry] and temperature [°C] after feed that would boil has flashed, adiabatically.

    Feed with a_w(X,T) p_sat(T) ≥ p loses water at the die until a_w(X',T') p_sat(T') = p:

        H(X,T) = H(X',T') + (X − X') h_v((T+T')/2)

    with H of `enthalpy` (the desorption heat is in Q) and h_v = 2501e3 + 1860 T: the vapour leaves along the
    way from T to T', on the mean at the mean of both. Other feed comes back as it was.
    """
    parts = (*isotherm.constants, isotherm.fat, isotherm.scale)
    X, T, p, c_d, *_ = np.broadcast_arrays(moisture, temperature, pressure, specific_heat, *parts)
    X, T = X.astype(float), T.astype(float)
    p_sat = air.saturation_pressure(T)
    boils = water_activity(isotherm, X, T) * p_sat >= p
    if not np.any(boils):
        return X[()], T[()]
    H = enthalpy(c_d, X, T, bound_water_heat(isotherm, X))
    coolest = air.saturation_temperature(p) - 1.0  # pure water boils a kelvin above, moist solid higher still

    def boiling_point(X_f: Any) -> Any:
        def over_pressure(T_f: Any) -> Any:
            return np.where(
                boils, water_activity(isotherm, X_f, T_f) * air.saturation_pressure(T_f) - p, T_f - T
            )

        return bracketed_root(over_pressure, np.minimum(coolest, T), T + 5.0)

    def surplus_heat(X_f: Any) -> Any:
        T_f = boiling_point(X_f)
        H_f = enthalpy(c_d, X_f, T_f, bound_water_heat(isotherm, X_f))
        return np.where(boils, H - H_f - (X - X_f) * air.vapour_enthalpy((T + T_f) / 2), X_f - X)

    # It ends wetter than where it would boil at T, drier than it came. The unknown is X', since T' hardly
    # changes in very wet feed; both ends are moved out by 0.1 %, so that rounding cannot lose the root.
    driest = equilibrium_moisture(isotherm, np.where(boils, p / p_sat, 0.0), T)
    X_f = bracketed_root(surplus_heat, 0.999 * driest, 1.001 * X, tolerance=1e-13)
    return np.where(boils, X_f, X)[()], np.where(boils, boiling_point(X_f), T)[()]
