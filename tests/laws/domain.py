"""Random coolers: seeded Latin hypercubes of cases over the whole domain that coolsim answers for.

`sample(count, seed)` gives the same cases on every machine. Nothing here is an expected value.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from scipy.stats import qmc

from coolsim.case.case import Air, Case, Cooler, Diffusivity, Feed, Isotherm, Material
from coolsim.physics import air, packed_bed, pellet, sorption
from coolsim.physics.roots import bracketed_root

# Published constants, one or more sets per equation (ASABE D245; pasta: Xiong et al. 1991, Andrieu et al.
# 1985; all seen in code that cites them, sorghum and rapeseed from memory).
SORPTION_SETS: dict[str, tuple[tuple[float, ...], ...]] = {
    "modified-henderson": (
        (8.6541e-5, 1.8634, 49.810),  # corn
        (30.5327e-5, 1.2164, 134.136),  # soybean
        (2.3007e-5, 2.2857, 55.815),  # wheat
        (2.2919e-5, 2.0123, 195.267),  # barley
        (0.8532e-5, 2.4757, 113.725),  # sorghum
    ),
    "modified-chung-pfost": (
        (312.3, 0.16958, 30.205),  # corn
        (328.3, 0.13917, 100.288),  # soybean
        (610.34, 0.15526, 93.213),  # wheat
        (475.12, 0.14843, 71.996),  # barley
    ),
    "modified-oswin": ((15.303, -0.10184, 3.0358), (13.101, -0.052626, 2.9987)),  # corn, durum
    "modified-halsey": ((2.87, -0.0054, 1.38), (3.489, -0.010553, 1.86)),  # soybean, rapeseed
    "oswin-variable": ((17.6, -0.1748, 0.182, 6.946e-3),),  # durum pasta
    "gab": ((0.0017, 1135.3, 2.8339e-8, 6545.8, 1.8320, -238.49),),  # durum pasta
}

HOTTEST_FEED = 180.0  # °C
HOTTEST_AIR = 110.0  # °C
MOST_LIFT = 1.5  # airflow, as a share of minimum fluidisation in outside air

# Every coordinate of the hypercube: name → (low, high, logarithmic).
RANGES: dict[str, tuple[float, float, bool]] = {
    "diameter": (1e-3, 12e-3, False),
    "slenderness": (0.8, 4.0, False),
    "bulk_density": (320.0, 720.0, False),
    "void_fraction": (0.35, 0.5, False),
    "conductivity": (0.1, 0.35, False),
    "specific_heat": (1400.0, 2100.0, False),
    "diffusivity": (5e-11, 5e-9, True),
    "activation_energy": (15e3, 35e3, False),
    "equation": (0.0, 1.0, False),
    "sorption_set": (0.0, 1.0, False),
    "fat": (0.0, 0.12, False),
    "feed_flux": (0.05, 3.0, True),
    "feed_temperature": (0.0, 1.0, False),  # from 40 °C to where it boils
    "moisture": (0.08, 0.28, False),
    "air_ratio": (0.2, 8.0, True),
    "ambient": (-20.0, 45.0, False),
    "relative_humidity": (0.02, 1.0, False),
    "depth": (0.05, 3.0, True),
    "altitude": (0.0, 3000.0, False),
    "heating": (0.0, 2.0, False),  # below 1: none; above: from ambient to the hottest air
    "moisture_slope": (0.0, 1.0, False),  # the lowest tenth: b from −5 to 15
}


def sample(count: int, seed: int, equation: str | None = None) -> list[Case]:
    """`count` cases over the domain; with `equation`, all of that form of isotherm."""
    points = qmc.LatinHypercube(len(RANGES), seed=np.random.default_rng(seed)).random(count)
    cases = []
    for point in points:
        numbers = {}
        for share, (name, (low, high, logarithmic)) in zip(point, RANGES.items()):
            numbers[name] = low * (high / low) ** share if logarithmic else low + share * (high - low)
        cases.append(_case(numbers, equation))
    return cases


def _case(n: dict[str, float], equation: str | None) -> Case:
    isotherm = _isotherm(n, equation)
    X, pressure = n["moisture"] / (1 - n["moisture"]), float(air.standard_pressure(n["altitude"]))
    hottest = boiling_point(isotherm, X, pressure)
    b = -5.0 + 20.0 * n["moisture_slope"] / 0.1 if n["moisture_slope"] < 0.1 else 0.0
    heated = n["ambient"] + (n["heating"] - 1) * (HOTTEST_AIR - n["ambient"]) if n["heating"] > 1 else None
    length = n["slenderness"] * n["diameter"]
    most_air = _most_air(n, length, pressure)
    flux = min(n["feed_flux"], most_air / RANGES["air_ratio"][0])  # so that the ratio stays in its range
    return Case(
        title="random",
        material=Material(
            name="random",
            isotherm=isotherm,
            diffusivity=Diffusivity(n["diffusivity"], 60.0, n["activation_energy"], b, 0.15),
            specific_heat=n["specific_heat"],
            conductivity=n["conductivity"],
            bulk_density=n["bulk_density"],
            void_fraction=n["void_fraction"],
        ),
        feed=Feed(
            diameter=n["diameter"],
            length=length,
            throughput=flux,
            temperature=40.0 + n["feed_temperature"] * (hottest - 40.0),
            moisture=n["moisture"],
            bulk_density=n["bulk_density"],
            void_fraction=n["void_fraction"],
        ),
        air=Air(n["ambient"], n["relative_humidity"], pressure),
        cooler=Cooler(
            floor_area=1.0,
            bed_depth=n["depth"],
            air_ratio=min(n["air_ratio"], most_air / flux),
            inlet_air_temperature=heated,
        ),
    )


def _isotherm(n: dict[str, float], equation: str | None) -> Isotherm:
    names = list(SORPTION_SETS)
    name = equation or names[int(n["equation"] * len(names))]
    sets = SORPTION_SETS[name]
    return Isotherm(name, sets[int(n["sorption_set"] * len(sets))], n["fat"])


def boiling_point(isotherm: Isotherm, moisture: float, pressure: float) -> float:
    """Temperature at which moist solid boils, a_w p_sat = p, at most HOTTEST_FEED."""

    def over_pressure(T: Any) -> Any:
        return sorption.water_activity(isotherm, moisture, T) * air.saturation_pressure(T) - pressure

    root = float(bracketed_root(over_pressure, 60.0, HOTTEST_FEED))
    return HOTTEST_FEED if np.isnan(root) else root


def _most_air(n: dict[str, float], length: float, pressure: float) -> float:
    """Largest dry-air flux [kg/(m² s)]: MOST_LIFT of Wen and Yu's velocity in outside air."""
    T = n["ambient"]
    Y = air.humidity_ratio_from_relative_humidity(T, n["relative_humidity"], pressure)
    d_p = 2 * pellet.equivalent_sphere_radius(n["diameter"], length)
    u = packed_bed.minimum_fluidisation_velocity(
        d_p, n["bulk_density"], n["void_fraction"], air.moist_density(T, Y, pressure), air.viscosity(T)
    )
    return float(MOST_LIFT * u / air.dry_air_volume(T, Y, pressure))


def changed(case: Case, **numbers: Any) -> Case:
    """The same case with other numbers, each found by its name in whichever part holds it."""
    parts = {"material": case.material, "feed": case.feed, "air": case.air, "cooler": case.cooler}
    parts |= {"diffusivity": case.material.diffusivity, "isotherm": case.material.isotherm}
    for name, value in numbers.items():
        part, _, field = name.partition("__")
        parts[part] = dataclasses.replace(parts[part], **{field: value})
    inner = {name: parts.pop(name) for name in ("diffusivity", "isotherm")}
    parts["material"] = dataclasses.replace(parts["material"], **inner)
    return dataclasses.replace(case, **parts)


def pig(**numbers: Any) -> Case:
    """Pig pellets of the default library, numbers written out; 4 × 10 mm, 0.5 kg/(m² s), 0.4 m."""
    case = Case(
        title="pig pellets",
        material=Material(
            name="pig",
            isotherm=Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), 0.04),
            diffusivity=Diffusivity(7e-10, 60.0, 26.42e3),
            specific_heat=1800.0,
            conductivity=0.2,
            bulk_density=640.0,
            void_fraction=0.42,
        ),
        feed=Feed(4e-3, 10e-3, 0.5, 80.0, 0.165, 640.0, 0.42),
        air=Air(31.0, 0.85),
        cooler=Cooler(floor_area=1.0, bed_depth=0.4, air_ratio=1.0),
    )
    return changed(case, **numbers)
