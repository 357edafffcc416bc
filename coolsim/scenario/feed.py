"""What is fed: its material, by name, from a file or typed in the scenario, and the feed itself."""

from __future__ import annotations

import dataclasses
import difflib
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.case import Diffusivity, Feed, Isotherm, Material, Provenance
from coolsim.errors import InputError
from coolsim.physics import material_files, materials
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import schema
from coolsim.scenario.reader import Collector, shown
from coolsim.scenario.source import Source


def material_of(c: Collector) -> Material | None:
    """Return the material that is fed; None, with the faults noted, where it is not all right."""
    name = c.values.get("feed.material")
    own = c.source.value("material")
    if name == schema.CUSTOM:
        if own is None:
            c.fault("feed.material", f'"{schema.CUSTOM}"', "this needs a [material] table with its numbers")
            return None
        return _custom(c)
    if own is not None and name is not None:
        c.fault(
            "material",
            f"a [material] table beside feed.material = {shown(name)}",
            'it goes with feed.material = "custom" only: change the one or remove the other',
        )
    if name is None:
        return None
    if name.endswith(".toml"):
        return _from_file(c, name)
    if name not in materials.names():
        near = difflib.get_close_matches(name, list(materials.names()), 1, 0.5)
        hint = f'did you mean "{near[0]}"?' if near else f"allowed: {', '.join(materials.names())}, custom"
        c.fault("feed.material", shown(name), f"{hint} (`coolsim materials` lists them)")
        return None
    return materials.load_material(name)


def _from_file(c: Collector, name: str) -> Material | None:
    """Return the material of a file beside the scenario, its faults among those of the scenario."""
    try:
        path, where = Path(c.source.folder) / name, c.source.where("feed.material")
        return material_files.read_material(path, where=where)
    except InputError as error:
        c.faults += error.faults
        return None


def _custom(c: Collector) -> Material | None:
    isotherm, diffusivity = _isotherm(c), _diffusivity(c)
    names = ("specific_heat", "conductivity", "bulk_density", "void_fraction")
    if isotherm is None or diffusivity is None or not c.has(*(f"material.{name}" for name in names)):
        return None
    typed = Provenance(source=f"typed in {c.source.name}", assumed=False)
    return Material(
        name=schema.CUSTOM,
        isotherm=isotherm,
        diffusivity=diffusivity,
        **{name: c.values[f"material.{name}"] for name in names},
        provenance=MappingProxyType(
            dict.fromkeys((*names, "isotherm", "diffusivity", "activation_energy"), typed)
        ),
    )


def _isotherm(c: Collector) -> Isotherm | None:
    table, key = "material.sorption", "material.sorption.equation"
    typed = c.table(table)
    if c.source.value(table) is None:
        c.fault(table, "no such table", f"a custom material needs [{table}]: an equation and its constants")
        return None
    equation = c.values.get(key)
    if equation not in EQUATIONS:
        if "equation" not in typed or equation is not None:
            near = difflib.get_close_matches(str(equation), EQUATIONS, 1, 0.5)
            hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(EQUATIONS)}"
            c.fault(key, "nothing" if equation is None else shown(equation), hint)
        return None
    wanted = schema.constants(equation)
    for name in wanted:
        if name not in typed:
            c.fault(f"{table}.{name}", "nothing", f"{equation} has the constants {', '.join(wanted)}")
    for name in typed:
        if name not in (*wanted, "equation"):
            c.fault(
                f"{table}.{name}", "an unknown key", f"{equation} has the constants {', '.join(wanted)} only"
            )
    if not c.has(*(f"{table}.{name}" for name in wanted)):
        return None
    return Isotherm(equation, tuple(c.values[f"{table}.{name}"] for name in wanted))


def _diffusivity(c: Collector) -> Diffusivity | None:
    table = "material.diffusivity"
    if c.source.value(table) is None:
        c.fault(
            table,
            "no such table",
            f"a custom material needs [{table}]: {', '.join(schema.TABLES[table].keys)}",
        )
        return None
    if not c.has(*(f"{table}.{name}" for name in ("value", "at", "activation_energy", "moisture_slope"))):
        return None
    slope = c.values[f"{table}.moisture_slope"]
    if slope and "at_moisture" not in c.table(table):
        c.fault(f"{table}.at_moisture", "nothing", 'moisture_slope needs it, such as at_moisture = "14 %"')
        return None
    wet = c.values.get(f"{table}.at_moisture", 0.0)
    value, at, energy = (c.values[f"{table}.{name}"] for name in ("value", "at", "activation_energy"))
    return Diffusivity(value, at, energy, slope, at_moisture=wet / (1.0 - wet))


def feed_of(c: Collector, material: Material | None) -> Feed | None:
    """Return the feed, bulk numbers left out being the material's; None where it is not all right."""
    values: dict[str, Any] = {name: c.values.get(f"feed.{name}") for name in schema.TABLES["feed"].keys}
    dry_basis = values.pop("moisture_dry_basis")
    values.pop("material")
    fines = values.pop("fines")
    if dry_basis is not None:
        values["moisture"] = dry_basis / (1.0 + dry_basis)
    for name in ("bulk_density", "void_fraction"):
        # a density that was typed wrongly is a fault already; only one left out is the material's
        if values[name] is None and material is not None and c.source.value(f"feed.{name}") is None:
            values[name] = getattr(material, name)
    return None if None in values.values() else Feed(**values, fines=fines)


def as_fed(material: Material, feed: Feed, source: Source) -> Material:
    """Return the material with the bulk numbers of this feed, so that its ranges no longer count."""
    typed = [name for name in ("bulk_density", "void_fraction") if source.value(f"feed.{name}") is not None]
    if not typed:
        return material
    provenance = dict(material.provenance) | {
        name: Provenance(source=f"typed in {source.name}", assumed=False) for name in typed
    }
    return dataclasses.replace(
        material, **{name: getattr(feed, name) for name in typed}, provenance=MappingProxyType(provenance)
    )
