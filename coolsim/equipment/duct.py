"""Between bed and fan: the loss of duct and cyclone, and false air.

A draw-through fan draws the exhaust of the bed and, through the gate and leaky walls, outside air that
has cooled nothing: both pass the duct. A blow-through fan takes outside air; the false part leaves before
the bed. Either way the share `leakage` is of the fan's air, by mass of dry air, and the duct carries all
of the fan's air at the density that the fan sees.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coolsim.case.case import DuctData
from coolsim.equipment.fan import BLOW_THROUGH, STANDARD_DENSITY
from coolsim.physics import air
from coolsim.support.fields import Number, documented

LEAST_PRESSURE = 0.5  # of the barometer, at a fan's inlet: far below any fan's, keeps a root search finite


@dataclass(frozen=True)
class Duct:
    """Duct, cyclone and what leaks in on the way to the fan."""

    pressure_loss: float = documented("Pa", "loss at the reference flow", "Δp₀", default=0.0)
    reference_flow: float = documented("m³/s", "flow at which the loss was found", "q₀", default=1.0)
    reference_density: float = documented(
        "kg/m³", "air density at which the loss was found (assumed: standard air)", default=STANDARD_DENSITY
    )
    leakage: float = documented("-", "share of the fan's dry air that bypasses the bed", default=0.0)


@dataclass(frozen=True)
class AirState:
    """Moist air at a place."""

    temperature: Number = documented("°C", "dry-bulb temperature", "T")
    humidity_ratio: Number = documented("kg/kg", "water per dry air", "Y")


@dataclass(frozen=True)
class Demand:
    """What bed and duct ask of the fan at a given flow through the bed."""

    flow: Number = documented("m³/s", "volume flow at the fan's inlet, false air included", "q")
    pressure: Number = documented("Pa", "pressure that bed and duct use up", "Δp")
    density: Number = documented("kg/m³", "density of the air at the fan's inlet", "ρ")


def duct_of(known: DuctData) -> Duct:
    """Return the duct that is known of; what is not known loses and leaks nothing."""
    loss, flow = known.pressure_loss or (0.0, 1.0)
    return Duct(pressure_loss=loss, reference_flow=flow, leakage=known.leakage or 0.0)


def loss(duct: Duct, flow: Number, density: Number) -> Number:
    """Pressure loss [Pa] = Δp₀ (q/q₀)² ρ/ρ₀ of a flow [m³/s] of a density [kg/m³]: turbulent, as ducts are.

    >>> loss(Duct(250.0, 0.5), 1.0, 0.6)
    500.0
    """
    return duct.pressure_loss * (flow / duct.reference_flow) ** 2 * (density / duct.reference_density)


def with_false_air(exhaust: AirState, outside: AirState, leakage: Number) -> AirState:
    """Mix exhaust with the share `leakage` of outside air: dry air, water and enthalpy are kept.

    Fog is not condensed: where moist exhaust meets cold air it would warm the mixture by a few kelvins,
    1 to 2 % of the density.
    """
    Y = (1.0 - leakage) * exhaust.humidity_ratio + leakage * outside.humidity_ratio
    h_exhaust, h_outside = (air.enthalpy(x.temperature, x.humidity_ratio) for x in (exhaust, outside))
    h = (1.0 - leakage) * h_exhaust + leakage * h_outside
    return AirState(air.temperature_from_enthalpy(h, Y), Y)


def demand(
    duct: Duct,
    position: str,
    bed_flow: Number,
    bed_pressure_drop: Number,
    outside: AirState,
    exhaust: AirState,
    pressure: Number,
) -> Demand:
    """What a bed flow [m³/s, volume of outside air] asks of the fan; drop and barometer [Pa].

    A draw-through fan sees the mixture of exhaust and false air at the pressure that bed and duct have left
    (2 kPa are 2 % of its density); a blow-through fan sees outside air.
    """
    dry_air = bed_flow / air.dry_air_volume(outside.temperature, outside.humidity_ratio, pressure)
    dry_air = dry_air / (1.0 - duct.leakage)

    def volume_and_density(seen: AirState, p: Number) -> tuple[Number, Number]:
        T, Y = seen.temperature, seen.humidity_ratio
        return dry_air * air.dry_air_volume(T, Y, p), air.moist_density(T, Y, p)

    if position == BLOW_THROUGH:
        flow, density = volume_and_density(outside, pressure)
        return Demand(flow, bed_pressure_drop + loss(duct, flow, density), density)
    seen, least = with_false_air(exhaust, outside, duct.leakage), LEAST_PRESSURE * pressure
    after_bed = np.maximum(pressure - bed_pressure_drop, least)
    lost = loss(duct, *volume_and_density(seen, after_bed))  # of the air as it enters the duct
    flow, density = volume_and_density(seen, np.maximum(after_bed - lost, least))
    return Demand(flow, bed_pressure_drop + lost, density)
