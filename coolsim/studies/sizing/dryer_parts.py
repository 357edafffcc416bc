"""From states of a dryer to buy to what is answered: predictions, what parts ask for, how each product stands."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result, Warning
from coolsim.equipment import duct
from coolsim.machines import dryers as dials
from coolsim.model.drying import Phase, Solution
from coolsim.simulate import dryer_phases, dryer_simulation
from coolsim.simulate.cautions import LEVELS, cautions
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.dryer_phases import gathered
from coolsim.simulate.dryer_results import highest, through
from coolsim.simulate.requirements import FEASIBLE, AtLimit
from coolsim.simulate.uneven_beds import columns_of_dryers
from coolsim.studies.optimise.march_outcomes import OUTCOMES, outcomes_of
from coolsim.studies.sizing.answer import AirPart, Floor, Missed, Served
from coolsim.studies.sizing.candidates import Candidate
from coolsim.studies.sizing.dryer_duties import Duty, cost, energy
from coolsim.studies.sizing.fans import fan_for
from coolsim.studies.sizing.summary import PER_TONNE, Stand, point
from coolsim.support.fields import Array

ALIKE = 20  # letters by which cautions are of one kind, numbers left out
AT_LIMIT = 0.05  # of a limit's scale (0.05 points of moisture): closer counts as at the limit
AT_END = 0.01  # of a range, or of the load, likewise
KEEPS_UP = "drying time, longest that keeps up"
WATER_ACTIVITY = OUTCOMES.index("water_activity")


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
    beds = columns_of_dryers(inputs)
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
    heated = [n.highest_heat for n in needs if n.heated]
    return AirPart(
        length=needs[0].length,
        floor_area=needs[0].floor_area,
        airflow=max(n.airflow for n in needs),
        fan=fan_for(case, [_demand(case, n) for n in needs]),
        heater=max(heated) if heated else None,
    )


def _demand(case: Case, n: Needs) -> duct.Demand:
    """What a part asks of its fan: bed with the margin, and duct where given."""
    lost = float(duct.loss(duct.duct_of(case.duct), n.flow, n.density))
    return duct.Demand(n.flow, n.drop * (1 + case.sizing.margin) + lost, n.density)


def heat_of(p: Predicted) -> tuple[float, float]:
    """Mean and highest heat [W] to the air of one dryer."""
    return sum(n.mean_heat for n in p.parts), sum(n.highest_heat for n in p.parts)


# ---- Each product in each weather -----------------------------------------------------------------------


def stand_of(candidate: Candidate, exact: Predicted, p: Predicted, load: float) -> Stand:
    """A duty as predicted; `exact` is the same before the steps of the dials, load what the reserve leaves."""
    served = _served(candidate, exact, p, load)
    return Stand(served, tuple(_demand(p.case, n) for n in p.parts), float(served.highest_heat or 0.0))


def _served(candidate: Candidate, exact: Predicted, p: Predicted, load: float) -> Served:
    """A duty as predicted; `exact` is the same before the steps of the dials, load what the reserve leaves."""
    mean, most = heat_of(p)
    r, case = p.result, candidate.duty.case
    assert r.energy is not None and r.spread is not None
    full = exact.result.schedule.load / load if exact.result.schedule is not None else 1.0
    costs = [1e3 * float(cost(case, x.outcomes)) if case.costs else None for x in (p, exact)]
    return Served(
        product=candidate.duty.product,
        weather=candidate.duty.weather,
        settings=dials.settings_of(p.case),
        moisture_wb=float(r.pellets_out.moisture_wb),
        temperature=float(r.pellets_out.temperature),
        water_activity=float(p.outcomes[WATER_ACTIVITY]),
        deviation=float(r.spread.deviation_wb),
        exhaust_humidity=float(r.air_out.relative_humidity),
        lift_off=float(r.bed.lift_off),
        pressure_drop=float(r.bed.pressure_drop),
        heat=mean,
        highest_heat=most,
        heat_per_water=float(r.energy.heat_per_water),
        specific_energy=float(energy(p.outcomes)) / PER_TONNE,
        cost_per_tonne=costs[0],
        exact_cost_per_tonne=costs[1],
        load=load if r.schedule is None else float(r.schedule.load),
        binding=_binding(candidate, exact, float(full)),
    )


def _binding(candidate: Candidate, p: Predicted, load: float) -> tuple[AtLimit, ...]:
    """Limits and ends of ranges at which a state stands."""
    limits = candidate.duty.goal.limits
    at = list(limits.at(p.outcomes, np.abs(limits.excesses(p.outcomes)) <= AT_LIMIT))
    at += [AtLimit(name, value) for name, value in candidate.duty.ends(candidate.u, AT_END)]
    if candidate.duty.batch and load > 1 - AT_END:
        at.append(AtLimit(KEEPS_UP, float(p.case.cooler.duration)))
    return tuple(at)


def curve_point(case: Case, floor: float, row: Sequence[Candidate]) -> Floor:
    """A row of the trade-off."""
    outcomes = [candidate.outcomes for candidate in row]
    cost = 1e3 * running_cost([candidate.duty for candidate in row], outcomes) if case.costs else None
    depth = np.array([float(candidate.duty.depth(candidate.u)) for candidate in row])
    return point(floor, depth, np.array([float(energy(rows)) for rows in outcomes]), cost)


def running_cost(duties: Sequence[Duty], outcomes: Sequence[Array]) -> float:
    """Mean running cost per kg of wet feed, each duty alike."""
    return float(np.mean([cost(duty.case, rows) for duty, rows in zip(duties, outcomes)]))


def missed(duty: Duty, candidate: Candidate, p: Predicted) -> Missed:
    """What the driest state of a duty, as predicted, still breaks."""
    over = duty.goal.limits.excesses(p.outcomes)
    return Missed(
        product=duty.product,
        weather=duty.weather,
        driest=float(p.outcomes[0]),
        temperature=float(p.outcomes[1]),
        floor_area=candidate.floor_here,
        settings=dials.settings_of(p.case),
        broken=duty.goal.limits.at(p.outcomes, over > FEASIBLE),
        binding=_binding(candidate, p, 0.0),
    )


def cautions_of(served: Sequence[Served], results: Sequence[Result]) -> Iterator[Warning]:
    """What to look at in the products and weathers, above notes: each kind once, with how many more share it."""
    found: dict[str, list[tuple[Served, Warning]]] = {}
    for s, r in zip(served, results):
        for warning in r.warnings:
            if warning.level != LEVELS[-1]:
                found.setdefault(re.sub(r"[\d.]+", "", warning.text)[:ALIKE], []).append((s, warning))
    for alike in sorted(found.values(), key=lambda alike: LEVELS.index(alike[0][1].level)):
        s, warning = alike[0]
        more = f" Likewise in {len(alike) - 1} more." if len(alike) > 1 else ""
        yield Warning(warning.level, f"{s.product}, {s.weather}: {warning.text}{more}")
