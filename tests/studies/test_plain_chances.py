"""How likely all is kept, of every machine, against plain samples that are drawn, predicted and judged here."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from types import MappingProxyType

import numpy as np
import pytest
from studies.pig_pellets import BATCH, BELT, FEED

import coolsim
from coolsim.case.case import Case, Provenance
from coolsim.case.result import Result
from coolsim.model.drying import Resolution
from coolsim.scenario import loads
from coolsim.studies.differences import outcomes
from coolsim.studies.propagation import all_kept, sampled, uncertainty
from coolsim.studies.settings import chances
from coolsim.support.fields import with_number

pytestmark = pytest.mark.thorough
# 4096 take half an hour; they gave .888, .555, .472 and .646 where `uncertainty` gave .885, .562, .480 and .648.
PLAIN = int(os.environ.get("COOLSIM_PLAIN_SAMPLES", "512"))
NORMAL = 1.959964  # standard deviations within which 95 % of a normal variable lie
LIFT = 0.7  # of the velocity that lifts the bed: kept though nobody typed it
ROUGH = Resolution(6, 8, refinements=0, estimate=False)  # right to some hundredths of a point
COOLER = """[cooler]
arrangement = "counter-flow"
floor_area = "0.6 m2"
bed_depth = "0.5 m"
airflow = "900 m3/h"
"""
LINE = """[[stage]]
name = "dryer"
arrangement = "belt"
belt_width = "1 m"
bed_depth = "10 cm"
[[stage.zone]]
length = "5 m"
airflow = "5000 m3/h"
inlet_air_temperature = "60 degC"
[stage.limits]
maximum_pellet_temperature = "90 degC"
[[stage]]
name = "cooler"
arrangement = "counter-flow"
floor_area = "0.6 m2"
bed_depth = "0.4 m"
airflow = "900 m3/h"
"""
# Of each machine: its text, what is known to a ± (key: path, value, ± as stored, text), and how far target and
# hottest pellets lie above what is predicted with all as typed.
KNOWN = {
    "feed.moisture": ("feed.moisture", 0.18, 0.006, "18 ± 0.6 %"),
    "feed.temperature": ("feed.temperature", 60.0, 5.0, "60 ± 5 degC"),
    "air.temperature": ("air.temperature", 20.0, 3.0, "20 ± 3 degC"),
    "air.relative_humidity": ("air.relative_humidity", 0.6, 0.1, "60 ± 10 %"),
}
MACHINES = {
    "cooler": (COOLER, "cooler.airflow", ("cooler.airflow", 0.25, 0.025, "900 ± 90 m3/h")),
    "batch": (BATCH, "cooler.airflow", ("cooler.airflow", 4000 / 3600, 300 / 3600, "4000 ± 300 m3/h")),
    "belt": (BELT, "cooler.bed_depth", ("cooler.bed_depth", 0.1, 0.008, "10 ± 0.8 cm")),
    "line": (LINE, "stage.1.bed_depth", ("cooler.stages.0.cooler.bed_depth", 0.1, 0.008, "10 ± 0.8 cm")),
}
RANGE = 2.5  # times less and more by which the diffusivity may be off


def bounded(cases: Sequence[Case], result: Result) -> np.ndarray:
    """What is judged, (quantities, cases): moisture, above outside; lift-off, hottest pellets of all machines."""
    runs = [run.result for run in result.stages] or [result]
    outside = np.array([case.air.temperature for case in cases])
    lift = np.max([r.bed.lift_off for r in runs], axis=0)
    hottest = [r.spread.hottest for r in runs if r.spread is not None]
    return np.array(
        [
            result.pellets_out.moisture_wb,
            result.pellets_out.temperature - outside,
            lift,
            np.max(hottest, axis=0) if hottest else np.zeros(len(cases)),
        ]
    )


@pytest.mark.thorough
@pytest.mark.parametrize("machine", list(MACHINES))
def test_the_chance_is_that_of_plain_samples(machine: str) -> None:
    text, key, own = MACHINES[machine]
    known = {**KNOWN, key: own}
    case = loads(FEED + text)
    case = coolsim.replace(case, {name: typed for name, (*_, typed) in known.items()})
    D = case.material.diffusivity.value
    low, high = D / RANGE, D * RANGE
    provenance = MappingProxyType({"diffusivity": Provenance("of this test", True, low, high)})
    case = dataclasses.replace(case, material=dataclasses.replace(case.material, provenance=provenance))
    here = bounded([case], coolsim.predict([case]))[:, 0]
    bounds = np.array([here[0] + 0.004, here[1] + 1.5, LIFT, np.inf if not here[3] else here[3] + 1.0])
    target = dataclasses.replace(case.target, moisture=bounds[0], maximum_above_ambient=bounds[1])
    case = with_hottest(dataclasses.replace(case, target=target), float(bounds[3]))

    draw = np.random.default_rng(77).standard_normal
    z = draw((len(known) + 1, PLAIN))
    cases = []
    for one in z.T:
        there = case
        for (path, value, half, _), x in zip(known.values(), one):
            there = with_number(there, path, float(value + half * x / NORMAL))
        # two halves of log-normals that meet in the value, 2.5 % beyond each end
        reach = np.log(D / low if one[-1] < 0 else high / D) / NORMAL
        cases.append(with_number(there, "material.diffusivity.value", float(D * np.exp(reach * one[-1]))))
    offset = here - outcomes([case], bounded, dry=ROUGH)[:, 0]  # of the mesh
    found = outcomes(cases, bounded, dry=ROUGH) + offset[:, None]
    plain = float((found <= bounds[:, None]).all(axis=0).mean())
    assert 0.2 < plain < 0.93  # or anything would do
    assert uncertainty(case).chance == pytest.approx(plain, abs=0.05)
    s = sampled(case, chances.SAMPLES, chances.SEED, chances.counted(case, case))
    assert float(all_kept(s).mean()) == pytest.approx(plain, abs=0.05)
    print(machine, plain, uncertainty(case).chance, float(all_kept(s).mean()))


def with_hottest(case: Case, limit: float) -> Case:
    """The case with a limit of its dryer's pellets; as it is without one."""
    if not np.isfinite(limit):
        return case
    if case.cooler.arrangement != "line":
        return dataclasses.replace(
            case, limits=dataclasses.replace(case.limits, maximum_pellet_temperature=limit)
        )
    first, *others = case.cooler.stages
    first = dataclasses.replace(
        first, limits=dataclasses.replace(first.limits, maximum_pellet_temperature=limit)
    )
    return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, stages=(first, *others)))
