"""What the model says of trials at any values of the free numbers, and its slopes, all in one solve.

Those of coolers are exact; what is marched through time, a dryer or a line, is in fitting.march_model.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.equipment.duct import AirState, with_false_air
from coolsim.equipment.fan import BLOW_THROUGH
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.physics import air
from coolsim.scenario.readings import DOUBTED, MEASURED, doubted_of
from coolsim.scenario.trials import Trials
from coolsim.simulate.inputs import Stated, inputs_of, stated
from coolsim.simulate.prediction import at_its_fan, solved
from coolsim.studies.differences import COOLING
from coolsim.studies.fitting.parameters import Parameter
from coolsim.studies.sensitivity import slopes_of
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

# Of inputs that may carry a ±, by what name they are moved.
DOUBTED_AS = {
    "feed.moisture": "feed_moisture",
    "feed.temperature": "feed_temperature",
    "feed.throughput": "throughput",
    "air.temperature": "ambient_temperature",
    "air.relative_humidity": "relative_humidity",
    "cooler.airflow": "airflow",
    "cooler.bed_depth": "bed_depth",
    "cooler.inlet_air_temperature": "inlet_air_temperature",
}
T_EXHAUST = 2  # the row from which readings are of the exhaust
STEP = 1e-6  # of the mixture of exhaust and false air: explicit, so central differences are right to 1e-9


@dataclass(frozen=True)
class Coolers:
    """The trials' cases side by side, and the numbers that are free."""

    numbers: Stated  # (trials,)
    leakage: Array  # (trials,); 0 where the exhaust is measured before any false air
    free: tuple[Parameter, ...]
    labels: tuple[str, ...]
    resolution: Resolution = COOLING


@dataclass(frozen=True)
class Marched:
    """The same of trials on a dryer or a line, which need their cases."""

    cases: tuple[Case, ...]
    free: tuple[Parameter, ...]
    labels: tuple[str, ...]
    resolution: Any = None  # a model.drying.Resolution; of dryers; that of studies.differences if left out

    @property
    def inputs(self) -> tuple[str, ...]:
        """The inputs that may carry a ±."""
        return doubted_of(self.cases[0])


@dataclass(frozen=True)
class Said:
    """What the model says: readings (quantities, sets, trials) and their slopes by θ and by what was set."""

    readings: Array
    by_theta: Array  # (quantities, free, sets, trials)
    by_doubt: Array  # (quantities, DOUBTED, sets, trials)


def line_of(trials: Trials, free: Sequence[Parameter]) -> Coolers | Marched:
    """The machine at its trials; fans settle first, at the false air that the scenario states.

    A feed that follows from what is before it moves with what is free: its cases are needed, as those of dryers.
    """
    cases = [at_its_fan(case) for case in trials.cases]
    if "moisture_slope" in [p.name for p in free]:
        cases = pivoted(cases, pivot(cases))
    if cases[0].cooler.arrangement != "counter-flow" or any(case.arrival is not None for case in cases):
        return Marched(tuple(cases), tuple(free), trials.labels)
    numbers, _ = stated(cases)
    leakage = [0.0 if blown(case) else (case.duct.leakage or 0.0) for case in cases]
    return Coolers(numbers, np.array(leakage, float), tuple(free), trials.labels)


def pivot(cases: Sequence[Case]) -> float:
    """The mean feed moisture of trials [kg/kg dry]."""
    return float(np.mean([c.feed.moisture / (1 - c.feed.moisture) for c in cases]))


def pivoted(cases: Sequence[Case], X: float) -> list[Case]:
    """Cases whose diffusivity turns about the moisture X, where it does not depend on moisture yet.

    About bone dry, its natural zero, a slope could not be told from the diffusivity itself.
    """
    turned = []
    for case in cases:
        material = case.material
        if material.diffusivity.moisture_slope == 0.0:
            law = dataclasses.replace(material.diffusivity, at_moisture=X)
            material = dataclasses.replace(material, diffusivity=law)
        turned.append(dataclasses.replace(case, material=material))
    return turned


def blown(case: Case) -> bool:
    """Whether a fan blows through: its false air leaves before the bed, and the exhaust does not show it."""
    return case.fan.position == BLOW_THROUGH


def said(line: Coolers | Marched, theta: Array, slopes: bool = True, doubts: bool = False) -> Said:
    """Readings at sets of θ (sets, free), and slopes where asked; raises NotConverged, naming the trial."""
    if isinstance(line, Marched):
        from coolsim.studies.fitting import march_model  # which builds on this file

        return march_model.said(line, theta, slopes, doubts)
    theta = np.atleast_2d(theta)
    sets, count = len(theta), len(line.leakage)
    base = take(line.numbers, np.tile(np.arange(count), sets))
    numbers, leakage = base, np.tile(line.leakage, sets)
    for k, p in enumerate(line.free):
        values = np.repeat(p.value(theta[:, k]), count)
        numbers = p.change(numbers, values)
        leakage = values if p.name == "leakage" else leakage
    inputs = inputs_of(numbers, (sets * count,), False)
    try:
        result, solutions = solved(inputs, False, line.resolution)
    except NotConverged as error:
        label = line.labels[int(error.failed[0]) % count] if len(error.failed) else "a trial"
        raise NotConverged(f"{label}: {error.reason}", error.failed, error.best) from None
    out = result.air_out
    outside = (numbers.ambient_temperature, inputs.humidity_ratio, inputs.pressure)
    T_mix, RH_mix = exhaust_behind(out.temperature, out.humidity_ratio, leakage, outside)
    readings = np.array([result.pellets_out.moisture_wb, result.pellets_out.temperature, T_mix, RH_mix])
    empty = np.zeros((len(MEASURED), 0, sets * count))
    by_theta = by_doubt = empty
    names = [p.slope for p in line.free if p.slope] if slopes else []
    asked = list(dict.fromkeys([*names, *(DOUBTED_AS[k] for k in DOUBTED if doubts)]))
    if asked:
        table = slopes_of(numbers, solutions, asked)
        exits = _as_measured(table, out.temperature, out.humidity_ratio, leakage, outside)
        by_theta = _by_theta(line, base, theta, asked, exits) if slopes else empty
        if doubts:
            by_doubt = exits[:, [asked.index(DOUBTED_AS[k]) for k in DOUBTED]]
            by_doubt = np.where(np.isfinite(by_doubt), by_doubt, 0.0)
    if slopes:
        by_theta = by_theta if by_theta.shape[1] else np.zeros((len(MEASURED), len(line.free), sets * count))
        for k, p in enumerate(line.free):
            if p.name == "leakage":
                by_theta[T_EXHAUST:, k] = _slope_of_mixture(
                    lambda d: exhaust_behind(out.temperature, out.humidity_ratio, leakage + d, outside), STEP
                )
    return Said(*(a.reshape(*a.shape[:-1], sets, count) for a in (readings, by_theta, by_doubt)))


def _by_theta(line: Coolers, base: Stated, theta: Array, asked: list[str], exits: Array) -> Array:
    """Slopes by θ from those by inputs: the chain rule, parameter by parameter."""
    sets, count = len(theta), len(line.leakage)
    slopes = np.zeros((len(MEASURED), len(line.free), sets * count))
    for k, p in enumerate(line.free):
        if not p.slope:
            continue
        value = np.repeat(p.value(theta[:, k]), count)
        inner = _stated_airflow(base) if p.slope == "airflow" else p.inner(base)
        outer = inner * (value if p.logarithmic else 1.0)  # dx/dθ = (dx/dv)(dv/dθ), dv/dθ = v of a logarithm
        slopes[:, k] = exits[:, asked.index(p.slope)] * outer
    return slopes


def _stated_airflow(base: Stated) -> Array:
    inputs = inputs_of(base, (), False)
    return inputs.dry_air * inputs.outside_volume


def _as_measured(table: Array, T_air: Array, Y: Array, leakage: Array, outside: tuple[Array, ...]) -> Array:
    """Slopes of what is measured (quantities, inputs, cases), from those of the exits of the bed.

    What the outside air that is mixed in does itself is left out: it moves no free number.
    """
    moisture, temperature, dT, dY = table[0], table[1], table[3], table[4]
    by_T = _slope_of_mixture(lambda d: exhaust_behind(T_air + d, Y, leakage, outside), 1e3 * STEP)
    by_Y = _slope_of_mixture(lambda d: exhaust_behind(T_air, Y + d, leakage, outside), STEP)
    return np.stack([moisture, temperature, *(by_T[:, None] * dT + by_Y[:, None] * dY)])


def _slope_of_mixture(mixture: Callable[[float], tuple[Array, Array]], step: float) -> Array:
    (T_high, RH_high), (T_low, RH_low) = mixture(step), mixture(-step)
    return np.array([(T_high - T_low) / (2 * step), (RH_high - RH_low) / (2 * step)])


def exhaust_behind(
    T_bed: Array, Y_bed: Array, leakage: Array, outside: tuple[Array, ...]
) -> tuple[Array, Array]:
    """Temperature and relative humidity behind the bed, false air mixed in."""
    T_out, Y_out, p = outside
    mixture = with_false_air(AirState(T_bed, Y_bed), AirState(T_out, Y_out), leakage)
    T, Y = mixture.temperature, mixture.humidity_ratio
    return T, air.relative_humidity(T, Y, p)
