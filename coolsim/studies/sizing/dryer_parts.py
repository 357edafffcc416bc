"""Dryers to buy as they are predicted: what each zone, or a batch, asks of its fan and heater."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.equipment import duct
from coolsim.model.drying import Phase, Solution
from coolsim.simulate import dryer_simulation
from coolsim.simulate.cautions import cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.dryer_phases import by_kind, gathered
from coolsim.simulate.dryer_results import highest, through
from coolsim.simulate.uneven_beds import columns_of_dryers
from coolsim.studies.optimise.march_outcomes import outcomes_of
from coolsim.studies.sizing.predicted import Part, Predicted
from coolsim.support.fields import Array


def predicted_dryers(cases: Sequence[Case]) -> list[Predicted]:
    """Dryers on the full mesh, those of one kind side by side; raises NotConverged."""
    answers: dict[int, Predicted] = {}
    for at in by_kind(cases):
        answers |= zip(at.tolist(), _of_one_kind([cases[k] for k in at]))
    return [answers[k] for k in range(len(cases))]


def _of_one_kind(cases: list[Case]) -> Iterator[Predicted]:
    inputs = gathered(cases)
    with on_one_thread():
        result, solutions = dryer_simulation.solved(cases, inputs, many=True)
    beds = columns_of_dryers(inputs)
    for k, case in enumerate(cases):
        s, at, one = dryer_simulation.alone(result, solutions, k, beds)
        one = dataclasses.replace(one, warnings=cautions(case, one))
        parts = tuple(_parts(case, float(inputs.outside_volume[k]), s, int(at[0])))
        yield Predicted(case, one, outcomes_of(case, one), parts)


def _parts(case: Case, outside: float, s: Solution, at: int) -> Iterator[Part]:
    """What each phase asks of its fan and heater, of the dryer at a place of a solution; air of so many m³/kg."""
    c = case.cooler
    each = [_steps(s, number, at) for number in range(len(s.phases))]
    batch = c.arrangement == "batch"  # dries and is cooled with one fan
    zones, steps = ([None], [np.concatenate(each)]) if batch else (list(c.zones), each)
    for number, (zone, rows) in enumerate(zip(zones, steps)):
        area = c.floor_area if zone is None else c.belt_width * zone.length
        dry = float(s.phases[number].air_flux[at]) * area  # kg/s
        duration, heat, volume, drop, Y = rows.T
        while_heated = duration[: len(each[number])].sum()
        mean = dry * float((duration * heat).sum() / while_heated)
        most = dry * float(heat.max()) if zone is None else mean
        aim = c.inlet_air_temperature if zone is None else zone.inlet_air_temperature
        hardest, dried_in = int(drop.argmax()), len(each[number])
        spans = [t for t in (slice(dried_in), slice(dried_in, None)) if duration[t].any()]
        flow = dry * max(float(np.average(volume[t], weights=duration[t])) for t in spans)
        density = float((1 + Y[hardest]) / volume[hardest])
        lost = float(duct.loss(duct.duct_of(case.duct), flow, density))
        yield Part(
            length=None if zone is None else zone.length,
            floor_area=area,
            airflow=dry * outside,
            # the mean flow of a zone, or of the drying or cooling of a batch, at the highest drop
            demand=duct.Demand(flow, float(drop.max()) * (1 + case.sizing.margin) + lost, density),
            mean_heat=mean,
            highest_heat=most,
            heated=aim is not None,
        )


def _steps(s: Solution, number: int, at: int) -> Array:
    """The steps of one case in one phase, (steps, 5)."""
    phase, records = s.phases[number], s.marches[number].records
    return np.array([_step(s, phase, record, at) for record in records if at in record.index])


def _step(s: Solution, phase: Phase, record: Any, at: int) -> tuple[float, float, float, float, float]:
    """Of a step of one case: duration, heat of the air, its volume before the bed, highest drop, humidity ratio."""
    j = int(np.flatnonzero(record.index == at)[0])
    volume = through(s, phase, record)[-1]
    drop = highest(s, phase, record)["pressure_drop"]
    return (
        float(record.duration[j]),
        float(record.heat[j]),
        float(volume[j]),
        float(drop[j]),
        float(record.inlet[0, 1, j]),
    )
