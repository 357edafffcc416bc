"""The bed of pellets: surface, heat and mass transfer, pressure drop, lift-off.

Pellets enter as spheres of equal surface per volume, d_p = 6 V/S. Fluxes are per square metre of floor,
so the velocity and the Reynolds number Re = G d_p/μ are superficial.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from coolsim.physics import air
from coolsim.physics.roots import bracketed_root
from coolsim.support.fields import Number

GRAVITY = 9.80665  # m/s², standard
LEAST_VELOCITY = 1e-12  # m/s, keeps 0/0 out of Hukill–Ives at rest


# ---- Heat and mass transfer ---------------------------------------------------------------------------


def wakao_nusselt(reynolds: Number, prandtl: Number) -> Number:
    """Nu = 2 + 1.1 Re^0.6 Pr^⅓ [-], 3 < Re < 3000.

    Source: N. Wakao, S. Kaguei, Heat and Mass Transfer in Packed Beds (1982), eq. 8.19 (memory, high).

    >>> round(float(wakao_nusselt(2000.0, 0.7)), 5)
    95.40641
    """
    return 2 + 1.1 * reynolds**0.6 * prandtl ** (1 / 3)


def wakao_sherwood(reynolds: Number, schmidt: Number) -> Number:
    """Sh = 2 + 1.1 Re^0.6 Sc^⅓ [-], 3 < Re < 3000. Source: as wakao_nusselt."""
    return 2 + 1.1 * reynolds**0.6 * schmidt ** (1 / 3)


def heat_transfer_coefficient(mass_flux: Number, particle_diameter: Number, temperature: Number) -> Number:
    """h = Nu k/d_p [W/(m² K)] from dry-air flux [kg/(m² s)], d_p [m] and air temperature [°C]. Wakao."""
    return heat_transfer_coefficient_and_slope(mass_flux, particle_diameter, temperature)[0]


def heat_transfer_coefficient_and_slope(
    mass_flux: Number, particle_diameter: Number, temperature: Number
) -> tuple[Number, Number]:
    """h [W/(m² K)] as above, and dh/dT [W/(m² K²)] with the air temperature."""
    T, d_p = temperature, particle_diameter
    mu, mu_slope = air.viscosity_and_log_slope(T)
    k, k_slope = air.thermal_conductivity_and_log_slope(T)
    Nu = wakao_nusselt(mass_flux * d_p / mu, air.HEAT_CAPACITY_DRY_AIR * mu / k)
    Nu_slope = (Nu - 2) * ((mu_slope - k_slope) / 3 - 0.6 * mu_slope)
    per_nusselt = k / d_p
    return Nu * per_nusselt, (Nu * k_slope + Nu_slope) * per_nusselt


def mass_transfer_coefficient(
    mass_flux: Number, particle_diameter: Number, temperature: Number, pressure: Number
) -> Number:
    """k_m = Sh D_v/d_p [m/s] from dry-air flux [kg/(m² s)], d_p [m], air temperature [°C], p [Pa]. Wakao."""
    return mass_transfer_coefficient_and_slope(mass_flux, particle_diameter, temperature, pressure)[0]


def mass_transfer_coefficient_and_slope(
    mass_flux: Number, particle_diameter: Number, temperature: Number, pressure: Number
) -> tuple[Number, Number]:
    """k_m [m/s] as above, and dk_m/dT [m/(s K)] with the air temperature."""
    T, p, d_p = temperature, pressure, particle_diameter
    mu, mu_slope = air.viscosity_and_log_slope(T)
    D_v, rho_slope = air.vapour_diffusivity(T, p), -1 / (T + air.ZERO_CELSIUS)
    D_slope = -air.VAPOUR_DIFFUSIVITY_N * rho_slope
    Sh = wakao_sherwood(mass_flux * d_p / mu, mu / (air.density(T, p) * D_v))
    Sh_slope = (Sh - 2) * ((mu_slope - rho_slope - D_slope) / 3 - 0.6 * mu_slope)
    per_sherwood = D_v / d_p
    return Sh * per_sherwood, (Sh * D_slope + Sh_slope) * per_sherwood


# ---- Pressure drop and lift-off -----------------------------------------------------------------------


def ergun_gradient(
    velocity: Number, particle_diameter: Number, void_fraction: Number, density: Number, viscosity: Number
) -> Number:
    """Pressure gradient [Pa/m] from superficial velocity [m/s], d_p [m], ε, density [kg/m³], μ [Pa s].

    Source: S. Ergun, Chem. Eng. Prog. 48 (1952) 89. Clean spheres; fines multiply it severalfold.

    >>> round(float(ergun_gradient(1.0, 4e-3, 0.42, 1.2, 1.85e-5)), 3)
    4897.478
    """
    u, d_p, eps = velocity, particle_diameter, void_fraction
    viscous = 150 * viscosity * (1 - eps) ** 2 * u / (eps**3 * d_p**2)
    inertial = 1.75 * density * (1 - eps) * u**2 / (eps**3 * d_p)
    return viscous + inertial


# Clean, and with 10 and 20 % of fines by mass: pressure gradients of beds of 6 mm wood pellets at 0.357 m/s, Pa/m.
# Source: H. Yazdanpanah et al., Bioresour. Technol. 101 (2010) 5565 (seen).
FINES, GRADIENT_WITH_FINES = (0.0, 0.10, 0.20), (271.0, 1100.0, 1800.0)


def resistance_with_fines(fines: Number) -> Number:
    """Pressure drop of a bed with a share of fines [-], as a multiple of the clean bed's.

    Straight between what was measured, which is an interpolation, as is its use at other velocities and pellets.

    >>> [round(float(resistance_with_fines(x)), 3) for x in (0.0, 0.05, 0.10, 0.20)]
    [1.0, 2.53, 4.059, 6.642]
    """
    return np.interp(fines, FINES, np.array(GRADIENT_WITH_FINES) / GRADIENT_WITH_FINES[0])


def split_of_air(
    velocity: Number,
    depth: Number,
    area: Number,
    particle_diameter: Number,
    void_fraction: Number,
    density: Number,
    viscosity: Number,
) -> tuple[Number, Number]:
    """Velocities [m/s] through parallel columns under one pressure drop, and that drop [Pa].

    Columns stand along the first axis: depth [m] and share of the area, which sum to 1; `velocity` is their mean.
    Ergun's equation of every column, solved for the drop at which the flows add up.

    >>> two, drop = split_of_air(0.5, np.array([0.8, 1.2]), np.array([0.5, 0.5]), 4.8e-3, 0.42, 1.15, 1.85e-5)
    >>> [round(float(u), 5) for u in two], round(float(drop), 1)
    ([0.55771, 0.44229], 1060.7)
    """
    solid, d_p, eps = 1 - void_fraction, particle_diameter, void_fraction
    viscous = 150 * viscosity * solid**2 / (eps**3 * d_p**2)
    inertial = 1.75 * density * solid / (eps**3 * d_p)

    def through(gradient: Any) -> Any:
        return 2 * gradient / (viscous + np.sqrt(viscous**2 + 4 * inertial * gradient))

    def surplus(share: Any) -> Any:  # of the drop that the mean depth would take
        return (area * through(share * mean / depth)).sum(axis=0) - velocity

    depth = np.asarray(depth, float)
    mean = ergun_gradient(velocity, d_p, eps, density, viscosity) * (area * depth).sum(axis=0)
    # at the drop of the thinnest column at the mean velocity none lets through more, at the deepest's none less
    low, high = (end / (area * depth).sum(axis=0) for end in (depth.min(axis=0), depth.max(axis=0)))
    share = bracketed_root(surplus, 0.999 * low, 1.001 * high, tolerance=1e-14)
    return through(share * mean / depth), share * mean


def hukill_ives_gradient(velocity: Number, a: Number, b: Number) -> Number:
    """Pressure gradient [Pa/m] = a u²/ln(1 + b u), u [m/s], a [Pa s²/m³], b [s/m]; 0.01–0.35 m/s.

    Source: ASABE D272 (form and constants seen): corn 2.07e4, 30.4; soybean 1.02e4, 16; wheat 2.70e4, 8.77.
    Loose fill; packed fill up to 1.5 times as much.
    """
    u = np.maximum(velocity, LEAST_VELOCITY)
    return a * u**2 / np.log1p(b * u)


def lift_off_velocity(
    particle_diameter: Number, bulk_density: Number, void_fraction: Number, density: Number, viscosity: Number
) -> Number:
    """Superficial velocity [m/s] at which the air carries the bed; d_p [m], densities [kg/m³], μ [Pa s].

    The root of ergun_gradient(u) = (ρ_bulk − (1−ε) ρ) g: weight less buoyancy, by the equation and the void
    fraction of the pressure drop, so that the two cannot contradict each other.

    >>> round(float(lift_off_velocity(4.8e-3, 640.0, 0.42, 1.1, 1.9e-5)), 4)
    1.3266
    """
    d_p, eps, solid = particle_diameter, void_fraction, 1 - void_fraction
    weight = (bulk_density - solid * density) * GRAVITY
    viscous = 150 * viscosity * solid**2 / (eps**3 * d_p**2)  # Ergun's gradient is viscous u + inertial u²
    inertial = 1.75 * density * solid / (eps**3 * d_p)
    return 2 * weight / (viscous + np.sqrt(viscous**2 + 4 * inertial * weight))


def minimum_fluidisation_velocity(
    particle_diameter: Number, bulk_density: Number, void_fraction: Number, density: Number, viscosity: Number
) -> Number:
    """Superficial velocity [m/s] at which beds of unknown void fraction fluidise; d_p [m], kg/m³, μ [Pa s].

    A void fraction is built in, that of your bed is not asked for: it warns beside `lift_off_velocity`, and decides
    nothing. Re_mf = √(33.7² + 0.0408 Ar) − 33.7, pellet density = bulk density/(1−ε).
    Source: C. Y. Wen, Y. H. Yu, AIChE J. 12 (1966) 610 (memory, high). Scatter about ±30 %.
    """
    d_p, rho, mu = particle_diameter, density, viscosity
    pellet_density = bulk_density / (1 - void_fraction)
    Ar = d_p**3 * rho * (pellet_density - rho) * GRAVITY / mu**2
    return (np.sqrt(33.7**2 + 0.0408 * Ar) - 33.7) * mu / (rho * d_p)


def lift_off_shares(
    velocity: Number,
    particle_diameter: Number,
    bulk_density: Number,
    void_fraction: Number,
    density: Number,
    viscosity: Number,
) -> tuple[Number, Number]:
    """Velocity as a share of what lifts the bed, and of minimum fluidisation by Wen and Yu; units as above."""
    state = (particle_diameter, bulk_density, void_fraction, density, viscosity)
    return velocity / lift_off_velocity(*state), velocity / minimum_fluidisation_velocity(*state)
