"""What is asked: one cooler, its feed and its air, as frozen data in SI units.

Temperatures are in °C and fractions are fractions (0.12); everything else is SI. The text side
(units, files, faults) lives in `scenario`. Every public field carries its symbol, unit and meaning as
metadata: the glossary in DEVELOPERS.md is held complete against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]

STANDARD_PRESSURE = 101_325.0  # Pa, ASHRAE Fundamentals 2017 ch. 1


def documented(unit: str, meaning: str, symbol: str = "", default: Any = ..., json: str = "", factor: float = 1.0):
    """Return a dataclass field that carries its unit, meaning and symbol.

    `json` and `factor` give the name and the practical unit under which a result is written out
    (0.333 kg/s → "mass_flow_kg_h": 1200); without `json` the field's own name is used.
    """
    metadata = {"unit": unit, "meaning": meaning, "symbol": symbol, "json": json, "factor": factor}
    if default is ...:
        return field(metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Provenance:
    """Where one number of a material comes from, and how far it may be off."""

    source: str = documented("-", "where the number was read, or why it was chosen")
    assumed: bool = documented("-", "true where no measurement of this material stands behind the number")
    low: float | None = documented("as the number", "lower end of the published range", default=None)
    high: float | None = documented("as the number", "upper end of the published range", default=None)


@dataclass(frozen=True)
class Isotherm:
    """A sorption isotherm: equation, constants in the order of its definition, and fat that does not sorb."""

    equation: str = documented("-", "a key of physics.sorption.EQUATIONS")
    constants: tuple[float, ...] = documented("-", "constants of the equation, in its order")
    fat: float = documented("kg/kg dry", "share of dry solid that takes up no water", default=0.0)


@dataclass(frozen=True)
class Diffusivity:
    """D = value · exp[−Ea/R (1/T − 1/at)] · exp[moisture_slope (X − at_moisture)]."""

    value: float = documented("m²/s", "water diffusivity in the pellet at the reference", "D_ref")
    at: float = documented("°C", "reference temperature", "T_ref", default=60.0)
    activation_energy: float = documented("J/mol", "activation energy", "Ea", default=26e3)
    moisture_slope: float = documented("kg dry/kg", "slope of ln D with moisture, dry basis", "b", default=0.0)
    at_moisture: float = documented("kg/kg dry", "reference moisture, dry basis", "X_ref", default=0.0)


@dataclass(frozen=True)
class Material:
    """What the pellets are made of."""

    name: str = documented("-", "name under which the material is listed")
    isotherm: Isotherm = documented("-", "sorption isotherm")
    diffusivity: Diffusivity = documented("-", "water diffusivity in the pellet")
    specific_heat: float = documented("J/(kg K)", "specific heat of the dry solid", "c_d")
    conductivity: float = documented("W/(m K)", "thermal conductivity of the pellet", "k")
    bulk_density: float = documented("kg/m³", "bulk density of the wet feed", "ρ_bulk")
    void_fraction: float = documented("-", "share of the bed that is air between pellets", "ε")
    provenance: Mapping[str, Provenance] = documented(
        "-", "source and range of each number, by name", default=MappingProxyType({})
    )


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


@dataclass(frozen=True)
class Air:
    """The air outside. Fields may be arrays that broadcast with each other."""

    temperature: Number = documented("°C", "dry-bulb temperature outside", "T_amb")
    relative_humidity: Number = documented("-", "relative humidity outside (over ice below 0 °C)", "RH")
    pressure: Number = documented("Pa", "barometric pressure", "p", default=STANDARD_PRESSURE)


@dataclass(frozen=True)
class Cooler:
    """A counter-flow cooler: a bin with a level bed, pellets down, air up."""

    floor_area: float = documented("m²", "floor area of the bed", "A")
    bed_depth: float = documented("m", "depth of the bed", "L")
    airflow: float | None = documented("m³/s", "air through the bed, as volume of outside air", "V", default=None)
    air_ratio: float | None = documented("kg/kg", "dry air per wet feed, in place of airflow", default=None)
    inlet_air_temperature: float | None = documented(
        "°C", "outside air is heated to this before the bed", default=None
    )
    arrangement: str = documented("-", "how air and pellets meet", default="counter-flow")


@dataclass(frozen=True)
class Case:
    """One question: this feed, in this air, through this cooler."""

    title: str = documented("-", "title of the scenario")
    material: Material = documented("-", "what the pellets are made of")
    feed: Feed = documented("-", "wet pellets as they reach the cooler")
    air: Air = documented("-", "air outside")
    cooler: Cooler = documented("-", "the cooler and its settings")
    tables: Mapping[str, Any] = documented(
        "-", "the scenario's other tables (target, limits, …), read and in SI", default=MappingProxyType({})
    )
    source: Mapping[str, Any] = documented(
        "-", "the scenario as it was typed, for replace()", default=MappingProxyType({})
    )
