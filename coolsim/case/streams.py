"""What comes in: wet feed, and the air outside."""

from __future__ import annotations

from dataclasses import dataclass

from coolsim.physics.air import STANDARD_PRESSURE
from coolsim.support.fields import Number, documented


@dataclass(frozen=True)
class Feed:
    """Wet pellets as they reach the cooler."""

    diameter: float = documented("m", "pellet diameter", "d")
    length: float = documented("m", "pellet length", "l")
    throughput: float = documented("kg/s", "wet feed entering")
    temperature: float = documented("°C", "feed temperature before any flash", "Tp_in")
    moisture: float = documented("kg/kg wet", "feed moisture, wet basis, before any flash", "M_in")
    bulk_density: float = documented("kg/m³", "bulk density of the wet feed", "ρ_bulk")
    void_fraction: float = documented("-", "share of the bed that is air between pellets", "ε")
    fines: float | None = documented("-", "share of dust and broken pellets, by mass", default=None)


@dataclass(frozen=True)
class Air:
    """The air outside. Fields may be arrays that broadcast with each other."""

    temperature: Number = documented("°C", "dry-bulb temperature outside", "T_amb")
    relative_humidity: Number = documented("-", "relative humidity outside (over ice below 0 °C)", "RH")
    pressure: Number = documented("Pa", "barometric pressure", "p", default=STANDARD_PRESSURE)
