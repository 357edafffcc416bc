"""Formulas with exact answers, written from their sources, and beds of plain numbers to hold against them.

None of the formulas uses coolsim: they are the expected side of the tests.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from scipy.optimize import brentq

from coolsim.model.bed import Bed, tabulate_bound_water
from coolsim.model.solve import Resolution, Solution, solve
from coolsim.model.surface import Laws, MoistureLaw, SurfaceState
from coolsim.physics import air, packed_bed
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.roots import bracketed_root
from coolsim.physics.sorption import Isotherm

# ---- Heat exchangers (any textbook of heat transfer; ε-NTU of counter flow) ----------------------------


def effectiveness(NTU: float, ratio: float) -> float:
    """Share of the largest possible heat that a counter-flow exchanger passes; ratio = C_min/C_max."""
    if ratio == 1:
        return NTU / (1 + NTU)
    decay = np.exp(-NTU * (1 - ratio))
    return (1 - decay) / (1 - ratio * decay)


# ---- Crank, The Mathematics of Diffusion (1975), ch. 6 (formulas from memory, high; values computed) ---


def sphere_constant_surface(Fo: float) -> float:
    """Share of the water still to go, surface held at its final moisture: Crank 6.20."""
    n = np.arange(1, 2000)
    return float(6 / np.pi**2 * np.sum(np.exp(-((n * np.pi) ** 2) * Fo) / n**2))


def sphere_with_film(Fo: float, Bi: float) -> float:
    """Share of the water still to go, flux at the surface k (Xs − X∞), Bi = k R/(ρ_d D): Crank 6.43."""

    def slope(beta: float) -> float:
        return beta * np.cos(beta) + (Bi - 1) * np.sin(beta)  # β cot β + Bi − 1 = 0

    edges = [(n * np.pi + 1e-9, (n + 1) * np.pi - 1e-9) for n in range(200)]
    roots = np.array([brentq(slope, a, b, xtol=1e-14) for a, b in edges if slope(a) * slope(b) < 0])
    weight = 6 * Bi**2 / (roots**2 * (roots**2 + Bi * (Bi - 1)))
    return float(np.sum(weight * np.exp(-(roots**2) * Fo)))


def finite_bath(Fo: float, alpha: float) -> float:
    """M_t/M_∞ of a sphere in a stirred bath of limited volume: Crank 6.30, α = bath/sphere capacity.

    Counter flow has α = −E, for the air there gives back what a bath takes: roots of tan q = 3q/(3 + α q²).
    For −1 < α < 0 one root is imaginary (q = i s, tanh s = 3 s/(3 − α s²)), and grows instead of decaying.
    """

    def bath(q: Any) -> Any:
        return (3 + alpha * q**2) * np.sin(q) - 3 * q * np.cos(q)

    def growing(s: float) -> float:
        return float(((3 - alpha * s**2) * np.tanh(s) - 3 * s) / s**3)  # over s³: without the root at 0

    grid = np.linspace(1e-6, 300 * np.pi, 20_000)
    signs = np.sign(bath(grid))
    roots = [brentq(bath, grid[i], grid[i + 1], xtol=1e-14) for i in np.flatnonzero(signs[1:] != signs[:-1])]
    q_squared = np.square(roots)
    if -1 < alpha < 0:
        q_squared = np.append(q_squared, -(brentq(growing, 1e-3, 200 / abs(alpha), xtol=1e-14) ** 2))
    terms = 6 * alpha * (alpha + 1) / (9 + 9 * alpha + alpha**2 * q_squared)
    return float(1 - np.sum(terms * np.exp(-q_squared * Fo)))


def counter_flow_sphere(Fo: float, E: float) -> float:
    """Share of the way to equilibrium with the entering air, isothermal, Xs = K Y, E = Ga/(Gs K) ≠ 1.

    A bath of capacity α = −E, whose state at the pellets' *end* is given instead of that at their start:
    φ = κ m/(1 + κ m/E), κ = E/(E − 1).
    """
    m, kappa = finite_bath(Fo, -E), E / (E - 1)
    return kappa * m / (1 + kappa * m / E)


# ---- Moist air, written again (ASHRAE Fundamentals 2017 ch. 1, eq. 5, 6, 20, 30; seen) ------------------


def saturation_pressure(T: float) -> float:
    """Over liquid, Pa."""
    K = T + 273.15
    return float(
        np.exp(
            -5.8002206e3 / K + 1.3914993 - 4.8640239e-2 * K + 4.1764768e-5 * K**2
            - 1.4452093e-8 * K**3 + 6.5459673 * np.log(K)
        )
    )  # fmt: skip


def humidity_ratio(T: float, relative_humidity: float, p: float = 101_325.0) -> float:
    vapour = relative_humidity * saturation_pressure(T)
    return 0.621945 * vapour / (p - vapour)


def air_enthalpy(T: float, Y: float) -> float:
    return 1006.0 * T + Y * (2501e3 + 1860.0 * T)


def exhaust(
    pellets_in: tuple[float, float],
    pellets_out: tuple[float, float],
    air_in: tuple[float, float],
    air_per_solid: float,
    specific_heat: float,
) -> tuple[float, float]:
    """Temperature and humidity ratio of the air that leaves, by balance; (T, X), (T, X), (T, Y). q_st = 0."""
    (T_in, X_in), (T_out, X_out), (Ta, Y) = pellets_in, pellets_out, air_in
    Y_out = Y + (X_in - X_out) / air_per_solid
    given = (specific_heat + 4186.0 * X_in) * T_in - (specific_heat + 4186.0 * X_out) * T_out
    h = air_enthalpy(Ta, Y) + given / air_per_solid
    return (h - 2501e3 * Y_out) / (1006.0 + 1860.0 * Y_out), Y_out


# ---- Beds of plain numbers ------------------------------------------------------------------------------

NO_BOUND_WATER = Isotherm("modified-oswin", (14.0, 0.0, 3.0))  # no slope with temperature: q_st = 0
NUMBERS: dict[str, float] = {
    "radius": 2e-3,
    "conductivity": 0.2,
    "specific_heat": 1800.0,
    "solid_density": 900.0,
    "void_fraction": 0.42,
    "solid_flux": 0.5,
    "air_flux": 0.5,
    "depth": 0.5,
    "pressure": 101_325.0,
    "feed_moisture_db": 0.2,
    "feed_temperature": 20.0,
    "inlet_air_temperature": 20.0,
    "inlet_humidity_ratio": 0.0,
}


def bed(
    D: float = 1e-9, Ea: float = 0.0, isotherm: Isotherm = NO_BOUND_WATER, b: float = 0.0, **numbers: Any
) -> Bed:
    """One case, from plain numbers that replace NUMBERS."""
    columns = {name: np.array([float(value)]) for name, value in (NUMBERS | numbers).items()}
    one = np.ones(1)
    law = Diffusivity(D * one, 60.0 * one, Ea * one, b * one, 0.15 * one)
    isotherm = Isotherm(
        isotherm.equation,
        tuple(c * one for c in isotherm.constants),
        isotherm.fat * one,
        isotherm.scale * one,
    )
    return Bed(
        diffusivity=law, isotherm=isotherm, bound_water=tabulate_bound_water(isotherm, 1), **columns
    )  # fmt: skip


def with_time(bed: Bed, time: float) -> Bed:
    """The same bed, as deep as its pellets need to spend `time` in it."""
    per_depth = bed.solid_density * (1 - bed.void_fraction) / bed.solid_flux
    return dataclasses.replace(bed, depth=time / per_depth)


@dataclasses.dataclass(frozen=True)
class Exit:
    """What leaves, as plain numbers."""

    moisture: float
    temperature: float
    air_temperature: float
    humidity_ratio: float
    solution: Solution


def run(bed: Bed, laws: Laws, cells: int = 64, shells: int = 4) -> Exit:
    """Solve one bed on a mesh of at least this size."""
    (s,) = solve(bed, laws, Resolution(cells, shells))
    assert s.converged.all()
    out = s.outlet
    T = laws.pellet_temperature(bed, out.moisture, out.enthalpy, out.bound_heat)
    Y = float(out.humidity_ratio[0])
    h_dry = out.air_enthalpy[0] - laws.latent_heat * Y
    Ta = float(h_dry / (1006.0 + laws.vapour_capacity * Y))
    return Exit(float(out.moisture[0]), float(T[0]), Ta, Y, s)


# ---- Laws to put in the place of the real ones ----------------------------------------------------------


def linear_law(J: float = 0.0, Xs: float = 0.0, Y: float = 0.0, constant: float = 0.0) -> Any:
    """The surface's moisture equation as J·flux + Xs·moisture + Y·humidity ratio + constant = 0."""

    def law(bed: Bed, s: SurfaceState) -> MoistureLaw:
        zero = np.zeros_like(s.moisture)
        residual = J * s.flux + Xs * s.moisture + Y * s.humidity_ratio + constant
        return MoistureLaw(residual, zero + J, zero + Xs, zero, zero, zero + Y)

    return law


def constant_heat_transfer(h: float) -> Any:
    """h [W/(m² K)], whatever the air."""

    def law(bed: Bed, air_temperature: Any) -> tuple[Any, Any]:
        return np.full_like(air_temperature, h), np.zeros_like(air_temperature)

    return law


SEALED = linear_law(J=1.0)  # J = 0: evaporation off
ISOTHERMAL: dict[str, float] = {"latent_heat": 0.0, "vapour_capacity": 0.0, "water_capacity": 0.0}


def vapour_flux(
    coefficient: Any, surface_pressure: Any, air_pressure: Any, pressure: Any, film_temperature: Any
) -> Any:
    """Water flux J [kg/(m² s)] through a stagnant film, Stefan flow included.

    J = k_m (M_w p/R T_f) ln[(p − p_a)/(p − p_s)] with k_m [m/s], vapour pressures at the surface and in the
    air and total pressure [Pa], film temperature [°C]. Source: Bird, Stewart, Lightfoot, Transport
    Phenomena, eq. 18.2-14 (memory, high).
    """
    molar = pressure / (air.GAS_CONSTANT_WATER * (film_temperature + air.ZERO_CELSIUS))
    return coefficient * molar * np.log((pressure - air_pressure) / (pressure - surface_pressure))


def psychrometric_wet_bulb(
    temperature: Any,
    humidity_ratio: Any,
    pressure: Any,
    mass_flux: Any,
    particle_diameter: Any,
) -> Any:
    """Temperature [°C] that a wet pellet (a_w = 1) takes in a stream of air, °C, kg/kg, Pa, kg/(m² s), m.

    The balance h (Ta − Ts) = J (h_v(Ts) − 4186 Ts) of packed_bed's closures. For water in air it lies below the
    thermodynamic wet bulb, because heat passes the film less easily than vapour (Lewis factor about 0.88).
    """
    T, Y, p = temperature, humidity_ratio, pressure
    h = packed_bed.heat_transfer_coefficient(mass_flux, particle_diameter, T)
    k_m = packed_bed.mass_transfer_coefficient(mass_flux, particle_diameter, T, p)
    p_a = air.vapour_pressure(Y, p)

    def surplus(T_s: Any) -> Any:
        J = vapour_flux(k_m, air.saturation_pressure(T_s), p_a, p, (T + T_s) / 2)
        return h * (T - T_s) - J * (air.vapour_enthalpy(T_s) - air.HEAT_CAPACITY_WATER * T_s)

    # A film at boiling would carry an infinite flux; 1e-6 K below it the flux is finite and far too high.
    boiling = air.saturation_temperature(p) - 1e-6
    return bracketed_root(surplus, np.minimum(T, 0.0) - 40.0, boiling)[()]
