"""A material in a file: those of coolsim/data, copies of them, and what `coolsim fit -o` writes.

    [composition]    dry = { protein, fat, carbohydrate, fibre, ash } (kg/kg, adding up to 1); may be left out
    [isotherm]       equation, constants = { A = …, B = … }, fat (kg/kg dry; that of the composition if left out)
    [isotherm_scale] value                          [diffusivity] value (m²/s), at (°C)
    [activation_energy] value (J/mol)               [moisture_slope] value, at_moisture (kg/kg dry); 0 if left out
    [specific_heat], [conductivity], [bulk_density], [void_fraction] value (SI); the first two may have, in place of
                     it, at (°C) and at_moisture (kg/kg wet) where they follow from the composition

Each table carries `source` and `assumed`, and `low` and `high` where the number is known to within a range.
[correlation] names numbers with a range that were found together, and gives the matrix by which they err together.
`coolsim fit -o` writes such files.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from coolsim.physics import isotherm_checks
from coolsim.physics.correlations import read_correlation
from coolsim.physics.materials import Material, Provenance
from coolsim.physics.pellet import COMPONENTS, Diffusivity, pellet_conductivity, specific_heat
from coolsim.physics.sorption import EQUATIONS, Isotherm
from coolsim.support.errors import Fault, InputError
from coolsim.support.toml_text import find_lines, loads

LARGEST_FILE = 100_000  # bytes; such a file has about 3000
# Table → lowest and highest number that a feed can have: outside, a unit was mistaken.
RANGES: dict[str, tuple[float, float]] = {
    "isotherm_scale": (0.2, 5.0),
    "diffusivity": (1e-14, 1e-5),
    "activation_energy": (0.0, 2e5),
    "specific_heat": (500.0, 4000.0),
    "conductivity": (0.01, 5.0),
    "bulk_density": (100.0, 1200.0),
    "void_fraction": (0.15, 0.8),
}
FAT = (0.0, 0.5)  # kg/kg dry


def read_material(path: str | Path, key: str = "feed.material", where: str = "") -> Material:
    """Return the material of a file; raises InputError with every fault of it, said of a key of the scenario."""
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
        text = data[:LARGEST_FILE].decode("utf-8-sig")
        table = loads(text)
    except FileNotFoundError:
        found = f"{name}, which does not exist"
    except OSError as error:
        found = f"{name}, which cannot be read ({error.strerror})"
    except ValueError as error:
        found = f"{name}, broken TOML ({str(error)[:80]})"
    else:
        if len(data) > LARGEST_FILE:
            found = f"{name}, of more than {LARGEST_FILE} bytes"
        else:
            return _material(name, table, text)
    allowed = "name a material of `coolsim materials`, or a file that `coolsim fit -o` wrote"
    raise InputError([Fault(where, key, found, allowed)])


def _material(name: str, table: Mapping[str, Any], text: str) -> Material:
    faults: list[Fault] = []
    _unknown(table, name, faults)
    composition = _composition(table, name, faults)
    values = {
        key: _number(table, name, key, "value", ends, faults)
        for key, ends in RANGES.items()
        if not (composition and _follows(table, key))
    }
    if composition:
        values |= _of_composition(table, name, composition, values, faults)
    at = _number(table, name, "diffusivity", "at", (0.0, 180.0), faults)
    slope, pivot = 0.0, 0.0
    if "moisture_slope" in table:
        slope = _number(table, name, "moisture_slope", "value", (-100.0, 100.0), faults)
        pivot = _number(table, name, "moisture_slope", "at_moisture", (0.0, 2.0), faults)
    isotherm = _isotherm(table, name, composition, values["isotherm_scale"], faults)
    provenance = {key: _provenance(part, name, key, faults) for key, part in _parts(table).items()}
    ranged = [key for key, p in provenance.items() if p.low is not None and p.high is not None]
    together = None
    if "correlation" in table:
        lines = find_lines(text)

        def where(entry: str) -> str:
            line = lines.get(f"correlation.{entry}") or lines.get("correlation")
            return f"{name}:{line}" if line else name

        together = read_correlation(table["correlation"], ranged, where, faults)
    if faults:
        raise InputError(faults)
    assert isotherm is not None
    return Material(
        name=Path(name).stem,
        isotherm=isotherm,
        diffusivity=Diffusivity(values["diffusivity"], at, values["activation_energy"], slope, pivot),
        specific_heat=values["specific_heat"],
        conductivity=values["conductivity"],
        bulk_density=values["bulk_density"],
        void_fraction=values["void_fraction"],
        provenance=MappingProxyType(provenance),
        composition=MappingProxyType(composition),
        description=str(table.get("description", "")),
        correlation=together,
    )


def _parts(table: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    known = (*RANGES, "isotherm", "moisture_slope", "composition")
    return {key: part for key, part in table.items() if key in known and isinstance(part, Mapping)}


def _number(
    table: Mapping[str, Any],
    name: str,
    key: str,
    entry: str,
    ends: tuple[float, float],
    faults: list[Fault],
) -> float:
    """A number of a table; notes what is wrong with it."""
    part = table.get(key)
    value: Any = part.get(entry) if isinstance(part, Mapping) else None
    number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    low, high = ends
    if not number or not low <= value <= high:
        found = "nothing" if value is None else repr(value)[:40]
        faults.append(
            Fault(name, f"{key}.{entry}", found, f"needs a number from {low:g} to {high:g} (SI, °C)")
        )
        return math.nan
    return float(value)


# What each table may hold beside source and assumed; [correlation] is read, and its faults told, by its own reader.
_RANGED = ("value", "low", "high")
_ENTRIES = {
    **dict.fromkeys(RANGES, _RANGED),
    "diffusivity": (*_RANGED, "at"),
    "specific_heat": (*_RANGED, "at"),
    "conductivity": (*_RANGED, "at", "at_moisture"),
    "moisture_slope": (*_RANGED, "at_moisture"),
    "isotherm": ("equation", "constants", "fat"),
    "composition": ("dry",),
}


def _unknown(table: Mapping[str, Any], name: str, faults: list[Fault]) -> None:
    """Object to what would be lost: tables and entries that nothing reads."""
    known = (*_ENTRIES, "correlation", "description")
    for key, part in table.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, 0.5)
            hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(known)}"
            faults.append(Fault(name, key[:60], "an unknown name", f"{hint} (nothing would read it)"))
        elif key in _ENTRIES and not isinstance(part, Mapping):
            faults.append(Fault(name, key, repr(part)[:40], f"needs a table, [{key}]"))
        elif key in _ENTRIES:
            entries = (*_ENTRIES[key], "source", "assumed")
            faults += [
                Fault(name, f"{key}.{entry[:60]}", "an unknown name", f"allowed: {', '.join(entries)}")
                for entry in part
                if entry not in entries
            ]


def _composition(table: Mapping[str, Any], name: str, faults: list[Fault]) -> dict[str, float]:
    """Shares of the dry solid; empty where none are given or they are no shares."""
    part = table.get("composition")
    if not isinstance(part, Mapping):
        return {}
    dry = part.get("dry")
    solids = [c for c in COMPONENTS if c != "water"]
    wanted = f"needs dry = {{ {', '.join(f'{c} = …' for c in solids)} }}, shares that add up to 1"
    if not isinstance(dry, Mapping) or set(dry) - set(solids):
        faults.append(Fault(name, "composition.dry", repr(dry)[:60], wanted))
        return {}
    before = len(faults)
    shares = {c: _number({"dry": dry}, name, "dry", c, (0.0, 1.0), faults) for c in solids if c in dry}
    if len(faults) == before and abs(sum(shares.values()) - 1) > 1e-3:
        faults.append(
            Fault(name, "composition.dry", f"shares that add up to {sum(shares.values()):.4g}", wanted)
        )
    return shares if len(faults) == before else {}


def _follows(table: Mapping[str, Any], key: str) -> bool:
    """Whether a thermal number is left to the composition: its table has `at`, and no value."""
    part = table.get(key)
    return key in ("specific_heat", "conductivity") and isinstance(part, Mapping) and "value" not in part


def _of_composition(
    table: Mapping[str, Any],
    name: str,
    composition: Mapping[str, float],
    values: Mapping[str, float],
    faults: list[Fault],
) -> dict[str, float]:
    """The thermal numbers that follow from the composition."""
    found, warm = {}, (0.0, 180.0)
    if _follows(table, "specific_heat"):
        found["specific_heat"] = float(
            specific_heat(composition, _number(table, name, "specific_heat", "at", warm, faults))
        )
    if _follows(table, "conductivity"):
        at = _number(table, name, "conductivity", "at", warm, faults)
        moisture = _number(table, name, "conductivity", "at_moisture", (0.0, 0.65), faults)
        bed = values["bulk_density"], values["void_fraction"]
        found["conductivity"] = pellet_conductivity(composition, moisture, at, *bed)
    return found


def _isotherm(
    table: Mapping[str, Any],
    name: str,
    composition: Mapping[str, float],
    scale: float,
    faults: list[Fault],
) -> Isotherm | None:
    part = table.get("isotherm")
    part = part if isinstance(part, Mapping) else {}
    equation = part.get("equation")
    if equation not in EQUATIONS:
        allowed = f"allowed: {', '.join(EQUATIONS)}"
        faults.append(Fault(name, "isotherm.equation", repr(equation)[:40], allowed))
        return None
    typed = part.get("constants")
    constants = {"constants": typed} if isinstance(typed, Mapping) else {}
    anything = (-1e9, 1e9)
    numbers = [
        _number(constants, name, "constants", c, anything, faults) for c in EQUATIONS[equation].constants
    ]
    fat = composition.get("fat", 0.0)
    if "fat" in part:
        typed_fat = _number(table, name, "isotherm", "fat", FAT, faults)
        if composition and abs(typed_fat - fat) > 1e-6:
            allowed = f"the composition has {fat:g}: leave it out here, or make both the same"
            faults.append(Fault(name, "isotherm.fat", f"{typed_fat:g}", allowed))
        fat = typed_fat
    isotherm = Isotherm(equation, tuple(numbers), fat, scale)
    if all(math.isfinite(x) for x in (*numbers, fat, scale)):
        wrong = isotherm_checks.objection(isotherm)
        if wrong:
            allowed = (
                "no solid does that: check the constants, their order, and that moisture is % of dry solid"
            )
            faults.append(Fault(name, "isotherm.constants", wrong, allowed))
    return isotherm


def _provenance(part: Mapping[str, Any], name: str, key: str, faults: list[Fault]) -> Provenance:
    low, high = (
        _number({key: part}, name, key, end, (-1e9, 1e9), faults) if end in part else None
        for end in ("low", "high")
    )
    if low is not None and high is not None and low > high:
        faults.append(Fault(name, f"{key}.low", f"{low:g} above high, {high:g}", "the lower end comes first"))
    value = part.get("value")
    if low is not None and high is not None and isinstance(value, int | float) and not low <= value <= high:
        allowed = f"its range, {low:g} to {high:g}, must hold it: correct value, low or high"
        faults.append(Fault(name, f"{key}.value", f"{value:g}", allowed))
    return Provenance(
        str(part.get("source", f"written in {name}")), bool(part.get("assumed", True)), low, high
    )
