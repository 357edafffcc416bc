"""What is fed: its material, by name, from a file or typed in the scenario, and the feed itself."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.case.streams import Feed
from coolsim.physics import isotherm_checks, isotherm_fit, material_files, materials
from coolsim.physics.isotherm_fit import SorptionPoint
from coolsim.physics.materials import Diffusivity, Isotherm, Material, Provenance
from coolsim.physics.sorption import EQUATIONS
from coolsim.scenario import schema
from coolsim.scenario.keys.feed import CUSTOM
from coolsim.scenario.reader import Collector, shown
from coolsim.scenario.source import Source
from coolsim.support.errors import joined_to


def material_of(c: Collector) -> Material | None:
    """Return the material that is fed; None, with the faults noted, where it is not all right."""
    name = c.values.get("feed.material")
    own = c.source.value("material")
    if name == CUSTOM:
        if own is None:
            c.fault("feed.material", f'"{CUSTOM}"', "this needs a [material] table with its numbers")
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
    with joined_to(c.faults):
        path, where = Path(c.source.folder) / name, c.source.where("feed.material")
        return material_files.read_material(path, where=where)
    return None


def _custom(c: Collector) -> Material | None:
    composition = _composition(c)
    sorption, diffusivity = _sorption(c, composition), _diffusivity(c)
    names = ("specific_heat", "conductivity", "bulk_density", "void_fraction")
    if composition is None or sorption is None or diffusivity is None:
        return None
    if not c.has(*(f"material.{name}" for name in names)):
        return None
    isotherm, points, source = sorption
    typed = Provenance(source=f"typed in {c.source.name}", assumed=False)
    sources = dict.fromkeys((*names, "isotherm", "diffusivity", "activation_energy"), typed)
    if composition:
        sources["composition"] = typed
    return Material(
        name=CUSTOM,
        isotherm=isotherm,
        diffusivity=diffusivity,
        **{name: c.values[f"material.{name}"] for name in names},
        provenance=MappingProxyType(sources | {"isotherm": Provenance(source, assumed=False)}),
        composition=MappingProxyType(composition),
        sorption_points=points,
    )


def _composition(c: Collector) -> dict[str, float] | None:
    """Return the shares of the dry solid, none where none are typed; None where they are not all right."""
    table = "material.composition"
    if c.source.value(table) is None:
        return {}
    typed = c.table(table)
    wanted = [name for name in schema.TABLES[table].keys if name in typed]
    if not c.has(*(f"{table}.{name}" for name in wanted)):
        return None
    shares = {name: c.values[f"{table}.{name}"] for name in wanted}
    if abs(sum(shares.values()) - 1.0) > 0.005:
        found = f"shares that add up to {100 * sum(shares.values()):.4g} %"
        c.fault(table, found, f"{', '.join(schema.TABLES[table].keys)} of the dry solid add up to 100 %")
        return None
    return shares


def _sorption(
    c: Collector, composition: dict[str, float] | None
) -> tuple[Isotherm, tuple[SorptionPoint, ...], str] | None:
    """Return the isotherm, the points that it was fitted to, and where it comes from."""
    table = "material.sorption"
    if c.source.value(table) is None:
        needed = f"a custom material needs [{table}]: an equation and its constants, or [[{table}.point]]"
        c.fault(table, "no such table", needed)
        return None
    fat = _fat(c, composition or {})
    if c.source.value(f"{table}.point") is not None:
        return _through_points(c, fat)
    isotherm = _typed_isotherm(c, fat)
    return None if isotherm is None else (isotherm, (), f"typed in {c.source.name}")


def _fat(c: Collector, composition: dict[str, float]) -> float:
    """Return the fat that takes up no water: typed with the isotherm, or that of the composition."""
    typed, of_all = c.values.get("material.sorption.fat"), composition.get("fat", 0.0)
    if typed is not None and composition and abs(typed - of_all) > 1e-6:
        c.wrong(
            "material.sorption.fat",
            f"[material.composition] has {100 * of_all:g} %: leave it out here, or make both the same",
        )
    return of_all if typed is None else float(typed)


def _through_points(c: Collector, fat: float) -> tuple[Isotherm, tuple[SorptionPoint, ...], str] | None:
    """Return the best isotherm through the points that were typed."""
    table = "material.sorption"
    extra = [name for name in c.table(table) if name not in ("point", "fat")]
    for name in extra:
        c.wrong(f"{table}.{name}", f"it goes without [[{table}.point]]: give points or constants, not both")
    points = _points(c)
    if extra or points is None:
        return None
    if len(points) < isotherm_fit.FEWEST:
        found, needed = (
            f"{len(points)} points",
            f"{isotherm_fit.FEWEST} or more; fewer pass through any curve",
        )
        c.fault(f"{table}.point", found, needed)
        return None
    fit = isotherm_fit.fit_isotherm(points, fat)
    if fit is None:
        found = "points that no equation passes near"
        c.fault(
            f"{table}.point", found, "check them: moisture rises with water activity, temperatures are degC"
        )
        return None
    others = ", ".join(f"{name} {100 * rms:.2f}" for name, rms in list(fit.others.items())[:2])
    source = (
        f"{fit.isotherm.equation}, fitted to {len(points)} points typed in {c.source.name}: scatter (rms) "
        f"{100 * fit.rms:.2f} points of dry basis{f', next best {others}' if others else ''}"
    )
    if len({p.temperature for p in points}) == 1:
        source += (
            "; points of one temperature do not tell how it moves with it: that is as published of a grain"
        )
    return fit.isotherm, points, source


def _points(c: Collector) -> tuple[SorptionPoint, ...] | None:
    """Return the points that were typed, moistures per dry solid; None where one is not all right."""
    typed = c.source.value("material.sorption.point")
    if not isinstance(typed, tuple) or not all(isinstance(point, Mapping) for point in typed):
        return None  # a fault already
    points, before = [], len(c.faults)
    for number in range(1, len(typed) + 1):
        place = f"material.sorption.point.{number}"
        wet, dry = (c.values.get(f"{place}.{name}") for name in ("moisture", "moisture_dry_basis"))
        given = [name for name in ("moisture", "moisture_dry_basis") if name in typed[number - 1]]
        if len(given) != 1:
            found = (
                "both moisture and moisture_dry_basis" if given else "none of moisture or moisture_dry_basis"
            )
            c.fault(f"{place}.moisture", found, 'exactly one is needed, such as moisture = "12.5 %"')
        elif (wet is not None or dry is not None) and c.has(
            f"{place}.temperature", f"{place}.water_activity"
        ):
            T, a_w = c.values[f"{place}.temperature"], c.values[f"{place}.water_activity"]
            X: Any = dry if wet is None else wet / (1.0 - wet)
            points.append(SorptionPoint(T, a_w, X))
    whole = len(points) == len(typed) and len(c.faults) == before
    return tuple(points) if whole else None


def _typed_isotherm(c: Collector, fat: float) -> Isotherm | None:
    table, key = "material.sorption", "material.sorption.equation"
    typed = c.table(table)
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
        if name not in (*wanted, "equation", "fat"):
            c.fault(
                f"{table}.{name}", "an unknown key", f"{equation} has the constants {', '.join(wanted)} only"
            )
    if not c.has(*(f"{table}.{name}" for name in wanted)):
        return None
    isotherm = Isotherm(equation, tuple(c.values[f"{table}.{name}"] for name in wanted), fat)
    wrong = isotherm_checks.objection(isotherm)
    if wrong:
        allowed = "no solid does that: check the constants, their order, and that moisture is % of dry solid"
        c.fault(f"{table}.{wanted[0]}", wrong, allowed)
        return None
    return isotherm


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


def feed_values(c: Collector, material: Material | None) -> dict[str, Any]:
    """Return the numbers of the feed, bulk numbers left out being the material's; None where one is not right."""
    values: dict[str, Any] = {name: c.values.get(f"feed.{name}") for name in schema.TABLES["feed"].keys}
    dry_basis = values.pop("moisture_dry_basis")
    values.pop("material")
    values.pop("sampled_at")
    if dry_basis is not None:
        values["moisture"] = dry_basis / (1.0 + dry_basis)
    for name in ("bulk_density", "void_fraction"):
        # a density that was typed wrongly is a fault already; only one left out is the material's
        if values[name] is None and material is not None and c.source.value(f"feed.{name}") is None:
            values[name] = getattr(material, name)
    return values


def feed_of(values: Mapping[str, Any]) -> Feed | None:
    """Return the feed of these numbers; None where one is missing."""
    missing = any(value is None for name, value in values.items() if name != "fines")
    return None if missing else Feed(**values)


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
