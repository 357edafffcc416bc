"""Isotherms, heats and diffusivities of the default materials against what others measured of such solids."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from coolsim.physics import sorption
from coolsim.physics.materials import Material, load_material, names
from coolsim.physics.sorption import Isotherm
from coolsim.scenario import units as u
from coolsim.support.fields import Array
from coolsim.validation.comparison import Comparison, Computed, Measure, compared

POINTS = Path(__file__).parent / "data" / "pasta_sorption_1985.csv"
FISH = ("floating-fish-feed", "marine-pellets", "sinking-fish-feed")
_MOISTURE = Measure(u.FRACTION, 2)
_HEAT = Measure(u.HEAT_PER_WATER, 0, si="kJ/kg")
# Extruded pasta by three more hands, as constants of gab (seen in public code citing them): m0, Hm, C0, HC, k0, Hk
_PASTA = {
    "Waananen 1989": (4.40e-3, 6840 / 8.314, 2.86e-9, 60000 / 8.314, 0.1313, 4920 / 8.314),
    "Singh et al. 1996": (0.0322, 1480 / 8.314, 2.370, 14890 / 8.314, 1.38, -1140 / 8.314),
    "an unnamed thesis": (3.8004e-4, 1607.4, 4.1929e-4, 3515.5, 1.0013, -65.3646),
}
# ASABE D245 (seen): corn, wheat, soybean
_GRAINS = (
    Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205)),
    Isotherm("modified-henderson", (8.6541e-5, 1.8634, 49.810)),
    Isotherm("modified-oswin", (15.303, -0.10184, 3.0358)),
    Isotherm("modified-chung-pfost", (610.34, 0.15526, 93.213)),
    Isotherm("modified-henderson", (30.5327e-5, 1.2164, 134.136)),
)


def pasta_points() -> tuple[Array, Array, Array]:
    """Moisture [kg/kg dry], water activity [-] and temperature [°C] of 66 published points of extruded pasta."""
    lines = POINTS.read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    X, a_w, T = (np.array([float(row[name]) for row in rows]) for name in ("X_db", "a_w", "T_C"))
    return X, a_w, T


def fat_free(material: Material) -> Isotherm:
    """Return the isotherm of a material on its fat-free solid."""
    return Isotherm(material.isotherm.equation, material.isotherm.constants)


def scaled(material: Material, a_w: float, temperature: float, fat: bool = True) -> Computed:
    """Equilibrium moisture [kg/kg dry] with the band that the range of the isotherm's scale leaves."""
    solid = material.isotherm if fat else fat_free(material)
    X = float(sorption.equilibrium_moisture(solid, a_w, temperature))
    known = material.provenance["isotherm_scale"]
    assert known.low is not None and known.high is not None
    return Computed(X, X * known.low, X * known.high)


def wet_basis(x: Computed) -> Computed:
    """Return moistures per dry solid as those of the wet weight."""
    return Computed(*(value / (1 + value) for value in (x.value, x.low, x.high)))


def isotherms() -> list[Comparison]:
    """Return the comparisons of sorption and diffusion."""
    return [*_pasta(), *_of_other_hands(), *_feeds(), *_fish(), _slow_pasta()]


def _pasta() -> list[Comparison]:
    X, a_w, T = pasta_points()
    feed = load_material("floating-fish-feed")
    source = "Andrieu et al. 1985, extruded durum pasta (a copy in public code, seen; not the paper)"
    rows = []
    for of, which in (("66 points, 40–90 °C", T > 0), ("those of 90 °C", T == 90.0)):
        mean = float(X[which].mean())
        theirs = sorption.equilibrium_moisture(fat_free(feed), a_w[which], T[which])
        rms = float(np.sqrt(np.mean((theirs - X[which]) ** 2)))
        found = scaled(feed, 0.5, 60.0, fat=False)
        ours = float(theirs.mean())
        band = Computed(ours, ours * found.low / found.value, ours * found.high / found.value)
        rows.append(
            compared(
                f"fish feeds' isotherm, {of}",
                source=source,
                said=f"mean moisture on dry solid at {int(which.sum())} water activities, 0.05–0.90",
                measured=(mean, mean),
                assumed="that fat-free feed sorbs as pasta does. The default's constants were fitted to these "
                f"points by those who copied them. Scatter about it (rms): {100 * rms:.2f} points",
                computed=band,
                measure=_MOISTURE,
                independent=False,
            )
        )
    return rows


def _of_other_hands() -> list[Comparison]:
    feed = load_material("floating-fish-feed")
    rows = []
    for a_w in (0.35, 0.65):
        moistures = [
            float(sorption.equilibrium_moisture(Isotherm("gab", constants), a_w, 50.0))
            for constants in _PASTA.values()
        ]
        rows.append(
            compared(
                f"fish feeds' isotherm, other pasta at a_w {a_w:g}",
                source=f"{', '.join(_PASTA)}: fits of extruded pasta (seen in public code citing them)",
                said="moisture on dry solid at 50 °C",
                measured=(min(moistures), max(moistures)),
                assumed="that fat-free feed sorbs as pasta does",
                computed=scaled(feed, a_w, 50.0, fat=False),
                measure=_MOISTURE,
            )
        )
    return rows


def _feeds() -> list[Comparison]:
    pig = load_material("pig-pellets")
    grains = [float(sorption.equilibrium_moisture(grain, 0.65, 25.0)) for grain in _GRAINS]
    store = [scaled(pig, 0.65, T) for T in (27.0, 32.0)]
    band = Computed.over([x for s in store for x in (s.low, s.high)], 0.5 * (store[0].value + store[1].value))
    return [
        compared(
            "pressed feeds' isotherm, its ingredients",
            source="ASABE D245: corn by three equations, wheat, soybean (constants seen)",
            said="moisture at 25 °C and 65 %, from soybean to wheat",
            measured=(min(x / (1 + x) for x in grains), max(x / (1 + x) for x in grains)),
            assumed="a recipe between its ingredients; its fat takes up no water",
            computed=wet_basis(scaled(pig, 0.65, 25.0)),
            measure=_MOISTURE,
            independent=False,
        ),
        compared(
            "pelleted wheat middlings in store",
            source="Kansas Agric. Exp. Stn. Report 804 (1998), four mills (abstract seen)",
            said="13.0–13.5 % bought in summer, taking up water in summer air above 65 %",
            measured=(0.130, 0.135),
            assumed="that 65 % is where 13.0–13.5 % stands; 27–32 °C; pig feed for middlings, which hold more "
            "bran: a hint, no proof",
            computed=wet_basis(band),
            measure=_MOISTURE,
        ),
    ]


def _fish() -> list[Comparison]:
    fish = load_material("marine-pellets")
    sardine_fat = 0.10
    monolayer = [0.0017 * float(np.exp(1135.3 / (T + 273.15))) for T in (25.0, 50.0)]
    rows = [
        compared(
            "fish feeds' monolayer, sardine",
            source="freeze-dried sardine, 71 % protein, Drying Technol. 19 (2001) 673 (abstract seen)",
            said="4.94 % of dry solid at 25–50 °C, 10 % of it fat",
            measured=(0.0494 / (1 - sardine_fat),) * 2,
            assumed="fat takes up no water in either",
            computed=Computed.over(monolayer),
            measure=_MOISTURE,
        )
    ]
    for X, measured in ((0.0276, 12.07e3), (0.375, 0.86e3)):
        solid = Isotherm(fish.isotherm.equation, fish.isotherm.constants, sardine_fat)
        heats = [
            float(sorption.heat_of_desorption(Isotherm(solid.equation, solid.constants, sardine_fat, s), X))
            for s in (0.9, 1.0, 1.1)
        ]
        rows.append(
            compared(
                f"heat that binds water, sardine at {100 * X:g} % of dry solid",
                source="freeze-dried sardine, Drying Technol. 19 (2001) 673 (abstract seen)",
                said=f"net isosteric heat {measured / 1e3:g} kJ/mol",
                measured=(measured / 0.018015,) * 2,
                assumed="pasta for fish; below 10 % of fat-free solid the heat is held",
                computed=Computed.over(heats, heats[1]),
                measure=_HEAT,
            )
        )
    return rows


def _slow_pasta() -> Comparison:
    """Litchfield & Okos: D = 2.392e-7 exp(−3156.3/T) (1 − exp(−7.9082e14 X^15.706) + X^0.68589), m²/s."""
    X = np.array([0.12, 0.25])
    D = 2.392e-7 * np.exp(-3156.3 / 333.15) * (1 - np.exp(-7.9082e14 * X**15.706) + X**0.68589)
    marine = load_material("marine-pellets")
    known = marine.provenance["diffusivity"]
    assert known.low is not None and known.high is not None
    return compared(
        "diffusivity of what did not expand",
        source="Litchfield & Okos 1992, extruded pasta (seen in public code citing them)",
        said="at 60 °C and 12–25 % of dry solid",
        measured=(float(D[0]), float(D[1])),
        assumed="marine pellets, the densest of the default materials, for pasta",
        computed=Computed(marine.diffusivity.value, known.low, known.high),
        measure=Measure(u.DIFFUSIVITY, 12),
    )


def rms_of(name: str) -> float:
    """Scatter (rms) of the 66 points about a material's isotherm on its fat-free solid [kg/kg dry]."""
    X, a_w, T = pasta_points()
    solid = fat_free(load_material(name))
    return float(np.sqrt(np.mean((sorption.equilibrium_moisture(solid, a_w, T) - X) ** 2)))


__all__ = ["FISH", "fat_free", "isotherms", "names", "pasta_points", "rms_of", "scaled"]
