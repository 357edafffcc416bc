"""The library of materials as text: every number with its source, or the word assumed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from coolsim.output.page import Page, grid, joined, pretty, table, wrapped
from coolsim.physics.materials import Material, Provenance
from coolsim.physics.sorption import equilibrium_moisture
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension

# What stands on one provenance: its name, and the numbers (label, where in the material, dimension).
# The first number of each is the one whose range is known.
_ROWS: tuple[tuple[str, tuple[tuple[str, str, Dimension | None], ...]], ...] = (
    ("composition", (("shares of the dry solid", "composition", u.FRACTION),)),
    ("specific_heat", (("specific heat of the dry solid", "specific_heat", u.SPECIFIC_HEAT),)),
    ("conductivity", (("conductivity of the pellet", "conductivity", u.CONDUCTIVITY),)),
    ("bulk_density", (("bulk density of the wet feed", "bulk_density", u.DENSITY),)),
    ("void_fraction", (("void fraction of the bed", "void_fraction", u.FRACTION),)),
    (
        "diffusivity",
        (
            ("water diffusivity in the pellet", "diffusivity.value", u.DIFFUSIVITY),
            ("at", "diffusivity.at", u.TEMPERATURE),
            ("moisture slope of its logarithm", "diffusivity.moisture_slope", None),
        ),
    ),
    ("activation_energy", (("its activation energy", "diffusivity.activation_energy", u.MOLAR_ENERGY),)),
    (
        "isotherm",
        (
            ("isotherm", "isotherm.equation", None),
            ("its constants", "isotherm.constants", None),
            ("fat, which takes up no water", "isotherm.fat", u.FRACTION),
        ),
    ),
    ("isotherm_scale", (("moisture relative to that isotherm", "isotherm.scale", None),)),
)


def material_list(materials: Iterable[Material], page: Page) -> str:
    """Return the materials as text, one per line."""
    return table([(m.name, m.description) for m in materials], page)


def material(m: Material, page: Page) -> str:
    """Return every number of a material with its source, or the word assumed, and its range."""
    blocks = [wrapped(f"{m.name}: {m.description}", page, style="bold")]
    for origin, numbers in _ROWS:
        lines = [
            wrapped(f"{label}: {number(_find(m, path), dimension, page)}", page)
            for label, path, dimension in numbers
        ]
        spread = _spread(m.provenance.get(origin), numbers[0][2], page)
        blocks.append("".join(lines) + wrapped(spread, page, indent=4))
    return joined(blocks)


def sorption_points(material: Material, page: Page) -> str:
    """Return the points that an isotherm was fitted to, with what is left of each ("" where there are none)."""
    points = material.sorption_points
    if not points:
        return ""
    rows = []
    for point in points:
        fitted = float(equilibrium_moisture(material.isotherm, point.water_activity, point.temperature))
        rows.append(
            (
                page.number(point.temperature, u.TEMPERATURE, 1),
                f"{point.water_activity:.3g}",
                page.number(point.moisture, u.FRACTION, 2),
                page.number(fitted, u.FRACTION, 2),
                f"{100 * (fitted - point.moisture):+.2f} points".replace("-", "−"),
            )
        )
    titles = ("isotherm point", "a_w", "moisture, dry basis", "fitted", "off by")
    return grid(titles, rows, page) + wrapped(material.provenance["isotherm"].source, page)


def dimension_of(name: str) -> Dimension | None:
    """Return the dimension of the number whose provenance has a name."""
    rows = dict(_ROWS).get(name)
    return rows[0][2] if rows else None


def _find(m: Material, path: str) -> Any:
    value: Any = m
    for part in path.split("."):
        value = getattr(value, part)
    return value


def _spread(known: Provenance | None, dimension: Dimension | None, page: Page) -> str:
    """Return where a number comes from and its range."""
    if known is None:
        return "assumed: no source is given"
    source = known.source.removeprefix("assumed: ")
    text = f"assumed: {source}" if known.assumed else f"source: {source}"
    if known.low is None or known.high is None:
        return text
    return f"{text}; range {between(known.low, known.high, dimension, page)}"


def between(low: Any, high: Any, dimension: Dimension | None, page: Page) -> str:
    """Return the ends of a range of a number of a material, their unit once."""
    unit = f" {pretty(page.unit(dimension))}" if dimension else ""
    return f"{number(low, dimension, page).removesuffix(unit)} – {number(high, dimension, page)}"


def number(value: Any, dimension: Dimension | None, page: Page) -> str:
    """Return a number of a material as text with its unit."""
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {number(share, dimension, page)}" for name, share in value.items())
    if isinstance(value, tuple):
        return ", ".join(f"{number:g}" for number in value)
    if dimension is None:
        return value if isinstance(value, str) else f"{value:.4g}"
    unit = page.unit(dimension)
    return f"{u.shown(value, dimension, unit):.4g} {pretty(unit)}"
