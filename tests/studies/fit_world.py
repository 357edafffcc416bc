"""Lines whose numbers are known, and trials on them: what the tests of fits share. No expected value is in here."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.model.solve import Resolution
from coolsim.scenario.trials import Trials, trials_of
from coolsim.simulate.prediction import DEFAULT
from coolsim.studies.fitting.parameters import PARAMETERS

ROOT = Path(__file__).parents[2]
OVEN, THERMOMETER = 0.001, 0.25  # standard deviations: half of ± 0.2 point and ± 0.5 K


def scenario() -> Case:
    return level("humid-delta")


def settings(case: Case, count: int, seed: int) -> list[Case]:
    """The case at other feeds, airs, airflows and dwells."""
    draw = np.random.default_rng(seed).uniform
    cases = []
    for _ in range(count):
        feed = dataclasses.replace(case.feed, moisture=draw(0.128, 0.155), temperature=draw(80.0, 95.0))
        air = dataclasses.replace(case.air, temperature=draw(22.0, 34.0), relative_humidity=draw(0.5, 0.92))
        cooler = dataclasses.replace(
            case.cooler, airflow=draw(650.0, 1900.0) / 3600, bed_depth=draw(0.28, 0.85)
        )
        cases.append(dataclasses.replace(case, feed=feed, air=air, cooler=cooler))
    return cases


def with_numbers(case: Case, **value: float) -> Case:
    """The case with numbers of its material: diffusivity, activation_energy, isotherm_shift, specific_heat."""
    material = case.material
    law = dataclasses.replace(
        material.diffusivity,
        value=value.get("diffusivity", material.diffusivity.value),
        activation_energy=value.get("activation_energy", material.diffusivity.activation_energy),
    )
    isotherm = dataclasses.replace(
        material.isotherm, scale=material.isotherm.scale * (1 + value.get("isotherm_shift", 0.0))
    )
    heat = value.get("specific_heat", material.specific_heat)
    material = dataclasses.replace(material, diffusivity=law, isotherm=isotherm, specific_heat=heat)
    return dataclasses.replace(case, material=material)


def exits(cases: list[Case], resolution: Resolution = DEFAULT) -> tuple[Any, Any]:
    out = coolsim.predict(cases, resolution=resolution).pellets_out
    return np.asarray(out.moisture_wb), np.asarray(out.temperature)


def trials_on(cases: list[Case], true: list[Case], seed: int, noise: float = 1.0) -> Trials:
    """Trials of `cases` as a line with the numbers of `true` would answer them."""
    M, T = exits(true)
    draw = np.random.default_rng(seed).standard_normal
    return trials_of(
        cases,
        {"moisture": M + noise * OVEN * draw(len(M)), "temperature": T + noise * THERMOMETER * draw(len(T))},
        {"moisture": OVEN, "temperature": THERMOMETER},
    )


def drawn(case: Case, names: tuple[str, ...], seed: int) -> dict[str, float]:
    """Numbers from their published ranges, as a normal distribution of each θ."""
    draw = np.random.default_rng(seed).standard_normal
    value = {}
    for name in names:
        p = PARAMETERS[name]
        value[name] = float(p.value(p.theta(p.before(case)) + p.spread(case) * draw()))
    return value
