"""From states of a dryer to buy to what is answered: predictions, the fan and heater of each part, and words."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result, Warning
from coolsim.equipment import duct, fan
from coolsim.equipment.motor import next_iec_rating
from coolsim.machines.assumptions import of_least_bed, of_lift_off, of_moulds
from coolsim.model.drying import Phase, Solution
from coolsim.simulate import dryer_phases, dryer_simulation
from coolsim.simulate.cautions import cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.dryer_phases import ASSUMED_FAN, gathered
from coolsim.simulate.dryer_results import highest, through
from coolsim.simulate.uneven_beds import laid_dryers
from coolsim.studies.optimise.march_outcomes import outcomes_of
from coolsim.studies.sizing.answer import AirPart, FanDuty
from coolsim.studies.sizing.service import of_reserve
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Needs:
    """What one part (a zone, or a batch dryer) asks of its fan and heater in one duty; of one dryer."""

    length: float | None
    floor_area: float
    airflow: float  # m³/s of outside air
    flow: float  # m³/s, as it reaches the fan; mean over a zone, or over the drying or cooling of a batch
    drop: float  # Pa, clean bed, highest
    density: float  # kg/m³ at the fan's inlet, at the highest drop
    mean_heat: float  # W
    highest_heat: float  # W; of a belt, whose zones are steady, the same
    heated: bool


@dataclass(frozen=True)
class Predicted:
    """A dryer on the full mesh."""

    case: Case
    result: Result
    outcomes: Array  # as OUTCOMES
    parts: tuple[Needs, ...]


def predicted(cases: Sequence[Case]) -> list[Predicted]:
    """Dryers on the full mesh, those of one kind side by side; raises NotConverged."""
    answers: dict[int, Predicted] = {}
    kinds = [dryer_phases.kind(case) for case in cases]
    for kind in sorted({*kinds}):
        at = [k for k, other in enumerate(kinds) if other == kind]
        answers |= dict(zip(at, _of_one_kind([cases[k] for k in at])))
    return [answers[k] for k in range(len(cases))]


def _of_one_kind(cases: list[Case]) -> Iterator[Predicted]:
    inputs = gathered(cases)
    with on_one_thread():
        result, solutions = dryer_simulation.solved(cases, inputs, many=True)
    beds = laid_dryers(inputs)
    for k, case in enumerate(cases):
        s, at, one = dryer_simulation.alone(result, solutions, k, beds)
        one = dataclasses.replace(one, warnings=cautions(case, one))
        parts = tuple(_parts(case, float(inputs.outside_volume[k]), s, int(at[0])))
        yield Predicted(case, one, outcomes_of(case, one), parts)


def _parts(case: Case, outside: float, s: Solution, at: int) -> Iterator[Needs]:
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
        yield Needs(
            length=None if zone is None else zone.length,
            floor_area=area,
            airflow=dry * outside,
            flow=dry * max(float(np.average(volume[t], weights=duration[t])) for t in spans),
            drop=float(drop.max()),
            density=float((1 + Y[hardest]) / volume[hardest]),
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


# ---- Fans and heaters -----------------------------------------------------------------------------------


def air_parts(case: Case, found: Sequence[Predicted]) -> tuple[AirPart, ...]:
    """Fan and heater of each part, for the most that any duty asks of it."""
    return tuple(_part(case, of_zone) for of_zone in zip(*(p.parts for p in found)))


def _part(case: Case, needs: tuple[Needs, ...]) -> AirPart:
    first = needs[0]
    heated = [n.highest_heat for n in needs if n.heated]
    return AirPart(
        length=first.length,
        floor_area=first.floor_area,
        airflow=max(n.airflow for n in needs),
        fan=_fan(case, needs),
        heater=max(heated) if heated else None,
    )


def _fan(case: Case, needs: tuple[Needs, ...]) -> FanDuty:
    """One fan for the largest mean flow and the largest pressure: bed with the margin, and duct where given."""
    way, margin = duct.duct_of(case.duct), case.sizing.margin
    efficiency = case.fan.efficiency or fan.ASSUMED_EFFICIENCY
    motor = case.fan.motor_efficiency or fan.ASSUMED_MOTOR_EFFICIENCY
    flow = max(n.flow for n in needs)
    pressures = [n.drop * (1 + margin) + float(duct.loss(way, n.flow, n.density)) for n in needs]
    hardest = int(np.argmax(pressures))
    shaft = flow * pressures[hardest] / efficiency
    return FanDuty(
        flow=flow,
        pressure=pressures[hardest],
        density=needs[hardest].density,
        efficiency=efficiency,
        shaft_power=shaft,
        electric_power=shaft / motor,
        motor=float(next_iec_rating(shaft)),
    )


def heat_of(p: Predicted) -> tuple[float, float]:
    """Mean and highest heat [W] to the air of one dryer."""
    return sum(n.mean_heat for n in p.parts), sum(n.highest_heat for n in p.parts)


# ---- Words ----------------------------------------------------------------------------------------------


def words(case: Case) -> Iterator[Warning]:
    """Name what is assumed, and what of the scenario does not count."""
    costs, table = case.costs, case.fan
    batch = case.cooler.arrangement == "batch"
    yield from of_reserve(case)
    if not case.duct:
        yield Warning(
            "check", "no [duct] is given: the pressure is that of the bed alone, without heater and ducts."
        )
    if costs and costs.heat is None:
        yield Warning("check", "heat has no price (costs.heat): drying with it counts as free.")
    if costs and costs.feed is None:
        yield Warning("note", "feed has no price (costs.feed): weight lost to overdrying counts as nothing.")
    yield Warning(
        "note",
        f"margin of {case.sizing.margin:.0%} on the bed's pressure for fouling and fines: common "
        "practice, no source. Fines can multiply a bed's pressure severalfold.",
    )
    over = "the drying, or of the cooling where that moves more" if batch else "each zone"
    yield Warning(
        "note",
        f"a fan's flow is the mean of {over}: where hot wet feed steams it moves a little more. Its pressure is "
        "the highest.",
    )
    if batch:
        yield Warning(
            "note",
            "the heater holds its temperature from the first minute on; a smaller one lets the bed warm up more "
            "slowly. Heat lost through walls and leaks is not counted.",
        )
    else:
        yield Warning("note", "heat lost through walls and leaks is not counted.")
    yield from of_lift_off(case)
    yield from of_moulds(case)
    yield from of_least_bed(case, sized=True)
    assumed = []
    if table.efficiency is None:
        assumed.append(f"fan efficiency {fan.ASSUMED_EFFICIENCY:.0%}, of electricity {ASSUMED_FAN:.0%}")
    if table.motor_efficiency is None:
        assumed.append(f"motor efficiency {fan.ASSUMED_MOTOR_EFFICIENCY:.0%}")
    if assumed:
        yield Warning("note", f"assumed for the fans: {'; '.join(assumed)}.")
    unused = [f"fan.{k}" for k in ("curve", "rated_flow", "speed") if k in table.given()]
    if batch and case.cooler.heater_power is not None:
        unused.append("cooler.heater_power")
    if unused:
        yield Warning("note", f"of the dryer that is there, and not used here: {', '.join(unused)}.")
    yield Warning(
        "note",
        "warm oily pellets and their dust can burn: explosion protection, fire detection, guards, supports and "
        "access are for local codes and people licensed to practise to decide.",
    )
