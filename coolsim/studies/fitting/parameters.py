"""What trials can tell: each number that may be set free, its published range, and how it enters a case.

A search goes over θ: the logarithm of numbers that err by a factor, the number itself otherwise. Ranges are those
of 95 in 100; a normal distribution of θ with that range around the value before the trials is the prior.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.scenario.readings import WITHIN
from coolsim.simulate import line
from coolsim.simulate.inputs import Stated
from coolsim.support.fields import Array

Change = Callable[[Stated, Array], Stated]


@dataclass(frozen=True)
class Parameter:
    """One number that may be set free."""

    name: str
    meaning: str
    unit: str  # of its value, as written out
    before: Callable[[Case], float]  # what is taken without trials
    range: Callable[[Case], tuple[float, float, str]]  # low, high, and whose range that is
    limits: tuple[float, float]  # beyond which it has no meaning
    change: Change  # what cases state with values (cases,) of it
    slope: str = ""  # the input of studies.sensitivity that moves with it
    inner: Callable[[Stated], Any] = lambda _: (
        1.0
    )  # d(that input) / d(value), at what is stated before the change
    logarithmic: bool = False
    of_material: bool = True  # or of the line

    def theta(self, value: float) -> float:
        """The search's coordinate of a value."""
        return math.log(value) if self.logarithmic else value

    def value(self, theta: Any) -> Any:
        """The value at a coordinate."""
        return np.exp(theta) if self.logarithmic else np.asarray(theta, float)

    def spread(self, case: Case) -> float:
        """Standard deviation of θ that the published range means."""
        low, high, _ = self.range(case)
        return (self.theta(high) - self.theta(low)) / (2 * WITHIN)


def _material_range(
    key: str, value: Callable[[Case], float], usual: Callable[[float], tuple[float, float]], why: str
) -> Callable[[Case], tuple[float, float, str]]:
    """The range that the material's file gives, or the usual one around its value."""

    def found(case: Case) -> tuple[float, float, str]:
        known = case.material.provenance.get(key)
        if known is not None and known.low is not None and known.high is not None and known.low < known.high:
            return known.low, known.high, f"of {case.material.name}: {known.source}"
        return (*usual(value(case)), why)

    return found


def _diffusivity(name: str) -> Change:
    def change(s: Stated, x: Array) -> Stated:
        return dataclasses.replace(s, diffusivity=dataclasses.replace(s.diffusivity, **{name: x}))

    return change


def _shifted(s: Stated, x: Array) -> Stated:
    return dataclasses.replace(s, isotherm=dataclasses.replace(s.isotherm, scale=s.isotherm.scale * (1 + x)))


def _more_air(s: Stated, x: Array) -> Stated:
    return dataclasses.replace(s, airflow=s.airflow * x, air_ratio=s.air_ratio * x)


def _false_air(case: Case) -> float:
    return float(case.duct.leakage or 0.0)


def _isotherm_range(case: Case) -> tuple[float, float, str]:
    low, high, why = _material_range(
        "isotherm_scale",
        lambda c: float(c.material.isotherm.scale),
        lambda scale: (0.96 * scale, 1.04 * scale),
        "isotherms of one grain differ by 0.3–1 point (computed from ASABE D245)",
    )(case)
    scale = float(case.material.isotherm.scale)
    return low / scale - 1, high / scale - 1, why


_TENFOLD = "diffusivities of feeds differ tenfold (Wang et al. 2024, Vega-Gálvez et al. 2011, abstracts seen)"
_ENERGY = "24–28 kJ/mol for pasta and pelleted feeds (Litchfield & Okos 1986, Wang et al. 2024); by judgement"
_HEAT = "1600–1900 J/(kg K) for dry feeds, ±9 % (judgement, within protein meals of Kong et al. 2023)"

PARAMETERS: dict[str, Parameter] = {
    p.name: p
    for p in (
        Parameter(
            "diffusivity",
            "water diffusivity in the pellet, at its reference temperature",
            "m2/s",
            lambda c: float(c.material.diffusivity.value),
            _material_range(
                "diffusivity",
                lambda c: float(c.material.diffusivity.value),
                lambda D: (D / math.sqrt(10.0), D * math.sqrt(10.0)),
                _TENFOLD,
            ),
            (1e-13, 1e-7),
            _diffusivity("value"),
            "diffusivity",
            logarithmic=True,
        ),
        Parameter(
            "activation_energy",
            "how diffusivity rises with temperature",
            "J/mol",
            lambda c: float(c.material.diffusivity.activation_energy),
            _material_range(
                "activation_energy",
                lambda c: float(c.material.diffusivity.activation_energy),
                lambda E: (E - 2000.0, E + 2000.0),
                _ENERGY,
            ),
            (0.0, 100e3),
            _diffusivity("activation_energy"),
            "activation_energy",
        ),
        Parameter(
            "moisture_slope",
            "slope of the diffusivity's logarithm with dry-basis moisture",
            "1",
            lambda c: float(c.material.diffusivity.moisture_slope),
            _material_range(
                "moisture_slope",
                lambda c: float(c.material.diffusivity.moisture_slope),
                lambda b: (b - 10.0, b + 10.0),
                "±10, which is ×/÷ 2.7 over 10 points of moisture (judgement)",
            ),
            (-60.0, 60.0),
            _diffusivity("moisture_slope"),
            "moisture_slope",
        ),
        Parameter(
            "isotherm_shift",
            "moisture held at equal water activity, relative to the material's isotherm",
            "1",
            lambda c: 0.0,
            _isotherm_range,
            (-0.5, 0.5),
            _shifted,
            "isotherm_scale",
            lambda s: s.isotherm.scale,
        ),
        Parameter(
            "specific_heat",
            "specific heat of the dry solid",
            "J/(kg K)",
            lambda c: float(c.material.specific_heat),
            _material_range(
                "specific_heat",
                lambda c: float(c.material.specific_heat),
                lambda c_d: (0.91 * c_d, 1.09 * c_d),
                _HEAT,
            ),
            (500.0, 4000.0),
            lambda s, x: dataclasses.replace(s, specific_heat=x),
            "specific_heat",
        ),
        Parameter(
            "leakage",
            "false air, as a share of the air where the exhaust was measured",
            "1",
            _false_air,
            lambda c: (
                _false_air(c) - 0.1,
                _false_air(c) + 0.1,
                "±10 points around [duct] leakage (judgement)",
            ),
            (0.0, 0.9),
            lambda s, x: s,
            of_material=False,
        ),
        Parameter(
            "airflow_factor",
            "air that really crosses the bed, as a share of what was stated",
            "1",
            lambda c: 1.0,
            lambda c: (1 / 1.2, 1.2, "×/÷ 1.2, what a traverse of a short duct is off by (judgement)"),
            (0.2, 5.0),
            _more_air,
            "airflow",
            logarithmic=True,
            of_material=False,
        ),
        Parameter(
            "feed_moisture_bias",
            "feed as it enters the bed is moister by this than was stated",
            "kg/kg wet",
            lambda c: 0.0,
            lambda c: (-0.005, 0.005, "±0.5 point, samples on their way to the oven (judgement)"),
            (-0.1, 0.1),
            lambda s, x: dataclasses.replace(s, feed_moisture=s.feed_moisture + x),
            "feed_moisture",
            of_material=False,
        ),
    )
}
_OF_STAGES = ("leakage", "airflow_factor")  # of a line each stage has its own
USUAL = ("diffusivity", "isotherm_shift", "specific_heat")  # what is set free where nothing is said


def placed(name: str) -> tuple[int | None, str]:
    """The stage whose number it is, counted from 0 (None: shared by all), and its name there."""
    place, _, own = name.rpartition(".")
    return (int(place.rpartition(".")[2]) - 1 if place else None), own


def parameters_of(case: Case) -> dict[str, Parameter]:
    """What may be set free on a machine; of a line what belongs to a stage goes by its number."""
    if not isinstance(case.cooler, Line):
        return dict(PARAMETERS)
    found = {name: p for name, p in PARAMETERS.items() if name not in _OF_STAGES}
    for k in range(len(case.cooler.stages)):
        for own in _OF_STAGES:
            p = _of_stage(PARAMETERS[own], k)
            found[p.name] = p
    return found


def _of_stage(p: Parameter, k: int) -> Parameter:
    """A number of a machine as that of stage k of a line."""
    return dataclasses.replace(
        p,
        name=f"stage.{k + 1}.{p.name}",
        before=lambda c: p.before(line.by_itself(c, c, k)),
        range=lambda c: p.range(line.by_itself(c, c, k)),
    )
