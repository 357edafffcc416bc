"""The pellet surface: two algebraic equations at every point of a bed, and what passes between pellet and air.

    moisture   p_s = p − (p − p_a) exp(−J/K),   p_s = a_w(Xs,Ts) p_sat(Ts),   K = k_m p M_w/(R T_f)
    heat       5k/R (Tp − Ts) = h (Ts − Ta) + J (h_v − c_w Tp) + q_b

The first is J = K ln[(p − p_a)/(p − p_s)] (stagnant film, Stefan flow included) solved for p_s: the same root,
but finite where an iterate boils. J comes from the diffusion to the surface, q_b from the heat that bound
water takes up, both from the caller. Every residual comes with its slopes.

The laws are arguments, so that exact solutions run through the same solver (tests/laws).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coolsim.model.bed import Bed
from coolsim.physics import air, packed_bed, sorption
from coolsim.support.fields import Array

LARGEST_DRIVE = 50.0  # of −J/K, so that exp stays finite while an iterate is far off


@dataclass(frozen=True)
class SurfaceState:
    """Values at the points of a bed, each (…, cases)."""

    moisture: Array  # Xs
    temperature: Array  # Ts
    air_temperature: Array  # Ta
    humidity_ratio: Array  # Y
    flux: Array  # J


@dataclass(frozen=True)
class MoistureLaw:
    """Residual of the surface's moisture equation and its slopes, each (…, cases)."""

    residual: Array
    by_flux: Array
    by_moisture: Array
    by_temperature: Array
    by_air_temperature: Array
    by_humidity_ratio: Array


def film(bed: Bed, s: SurfaceState) -> MoistureLaw:
    """Sorption equilibrium at the surface, a stagnant film outside it. Residual as a share of p."""
    p, J = bed.pressure, s.flux
    k_m, k_m_slope = packed_bed.mass_transfer_coefficient_and_slope(
        bed.air_flux, 2 * bed.radius, s.air_temperature, p
    )
    half_inverse_T_f = 1 / (s.air_temperature + s.temperature + 2 * air.ZERO_CELSIUS)  # 1/(2 T_f)
    K = k_m * p * (2 / air.GAS_CONSTANT_WATER) * half_inverse_T_f
    a_w, a_w_by_X, a_w_by_T = sorption.water_activity_and_slopes(bed.isotherm, s.moisture, s.temperature)
    p_sat = air.saturation_pressure(s.temperature) / p
    swollen = s.humidity_ratio + air.MOLAR_MASS_RATIO
    drive = np.minimum(-J / K, LARGEST_DRIVE)
    decay = np.exp(drive)
    rest = air.MOLAR_MASS_RATIO / swollen * decay  # (1 − p_a/p) exp(−J/K)
    by_log_K = rest * drive
    return MoistureLaw(
        residual=1 - rest - a_w * p_sat,
        by_flux=rest / K,
        by_moisture=-a_w_by_X * p_sat,
        by_temperature=-(a_w_by_T + a_w * air.saturation_pressure_log_slope(s.temperature)) * p_sat
        - by_log_K * half_inverse_T_f,
        by_air_temperature=by_log_K * (k_m_slope / k_m - half_inverse_T_f),
        by_humidity_ratio=rest / swollen,
    )


def wakao_heat_transfer(bed: Bed, air_temperature: Array) -> tuple[Array, Array]:
    """h [W/(m² K)] and ∂h/∂Ta at the points."""
    return packed_bed.heat_transfer_coefficient_and_slope(bed.air_flux, 2 * bed.radius, air_temperature)


@dataclass(frozen=True)
class Laws:
    """What happens at a surface, and the enthalpies of water in pellet and air (J/kg, J/(kg K))."""

    moisture: Callable[[Bed, SurfaceState], MoistureLaw] = film
    heat_transfer: Callable[[Bed, Array], tuple[Array, Array]] = wakao_heat_transfer
    latent_heat: float = air.HEAT_OF_VAPORISATION
    vapour_capacity: float = air.HEAT_CAPACITY_VAPOUR
    water_capacity: float = air.HEAT_CAPACITY_WATER

    def vapour_enthalpy(self, temperature: Array) -> Array:
        """h_v = 2501e3 + 1860 T."""
        return self.latent_heat + self.vapour_capacity * temperature

    def air_enthalpy(self, temperature: Array, humidity_ratio: Array) -> Array:
        """h = 1006 T + Y h_v(T) [J/kg dry air]."""
        return air.HEAT_CAPACITY_DRY_AIR * temperature + humidity_ratio * self.vapour_enthalpy(temperature)

    def pellet_enthalpy(self, bed: Bed, moisture: Array, temperature: Array, bound_heat: Array) -> Array:
        """H = (c_d + 4186 X̄) T − ⟨Q⟩ [J/kg dry]."""
        return (bed.specific_heat + self.water_capacity * moisture) * temperature - bound_heat

    def pellet_temperature(self, bed: Bed, moisture: Array, enthalpy: Array, bound_heat: Array) -> Array:
        """T [°C] of a pellet with the enthalpy H: the inverse of `pellet_enthalpy`."""
        return (enthalpy + bound_heat) / (bed.specific_heat + self.water_capacity * moisture)


REAL = Laws()
