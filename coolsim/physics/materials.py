"""What pellets are made of: the data, and the library of default materials (coolsim/data/*.toml)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from coolsim.fields import documented


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
    moisture_slope: float = documented(
        "kg dry/kg", "slope of ln D with moisture, dry basis", "b", default=0.0
    )
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
