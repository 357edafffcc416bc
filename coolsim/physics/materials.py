"""What pellets are made of: the data, and the library of default materials (coolsim/data/*.toml)."""

from __future__ import annotations

import difflib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

from coolsim.physics.correlations import Correlation
from coolsim.physics.isotherm_fit import SorptionPoint
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import documented

__all__ = [
    "Correlation", "Diffusivity", "Isotherm", "Material", "Provenance", "SorptionPoint", "load_material", "names",
]  # fmt: skip

DATA = Path(__file__).parents[1] / "data"


@dataclass(frozen=True)
class Provenance:
    """Where one number of a material comes from, and how far it may be off."""

    source: str = documented("-", "where the number was read, or why it was chosen")
    assumed: bool = documented("-", "true where no measurement of this material stands behind the number")
    low: float | None = documented("as the number", "lower end of the published range", default=None)
    high: float | None = documented("as the number", "upper end of the published range", default=None)


@dataclass(frozen=True, repr=False)
class Material(Displayed):
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
    composition: Mapping[str, float] = documented(
        "kg/kg dry", "shares of dry solid, by component", default=MappingProxyType({})
    )
    description: str = documented("-", "what the material stands for, in a sentence", default="")
    sorption_points: tuple[SorptionPoint, ...] = documented(
        "-", "measured points that the isotherm was fitted to", default=()
    )
    correlation: Correlation | None = documented(
        "-", "how numbers that were found together err together; None: all by themselves", default=None
    )


def names() -> list[str]:
    """Names of the default materials, sorted."""
    return list(_names())


@cache
def _names() -> tuple[str, ...]:
    return tuple(sorted(path.stem for path in DATA.glob("*.toml")))


def load_material(name: str | os.PathLike[str]) -> Material:
    """Return the default material of a name, or that of a file of one's own ("mine.toml").

    Raises InputError: with the nearest names if there is none, or with every fault of the file.
    """
    if isinstance(name, os.PathLike):
        name = os.fspath(name)
    if not isinstance(name, str):
        allowed = (
            'needs the name of a material (`coolsim materials` lists all), or of a file such as "mine.toml"'
        )
        raise InputError([Fault("", "name", f"an object of type {type(name).__name__}", allowed)])
    if name.endswith(".toml"):
        from coolsim.physics.material_files import read_material  # it makes the Material of this module

        return read_material(name)
    known = names()
    if name not in known:
        nearest = difflib.get_close_matches(name, known, n=3, cutoff=0.4) or known
        allowed = f'nearest: {", ".join(nearest)} (`coolsim materials` lists all; or "custom")'
        raise InputError([Fault("", "feed.material", f'"{name}"', allowed)])
    return _default(name)


@cache  # a scenario of a thousand products names the same few
def _default(name: str) -> Material:
    from coolsim.physics.material_files import read_material

    return read_material(DATA / f"{name}.toml")
