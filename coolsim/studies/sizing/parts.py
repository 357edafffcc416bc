"""From states of a machine to buy to what is answered: predictions, how each product stands, what is missed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result, Warning
from coolsim.machines import machine_of
from coolsim.simulate.cautions import LEVELS
from coolsim.simulate.requirements import FEASIBLE, AtLimit, is_dryer
from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.sizing import cooler_parts
from coolsim.studies.sizing.answer import Floor, Missed, Served
from coolsim.studies.sizing.candidates import Candidate
from coolsim.studies.sizing.cooler_parts import predicted_coolers
from coolsim.studies.sizing.dryer_parts import predicted_dryers
from coolsim.studies.sizing.duties import Duty, cost, energy
from coolsim.studies.sizing.predicted import Predicted
from coolsim.studies.sizing.summary import PER_TONNE, Stand, point
from coolsim.support.fields import Array

ALIKE = 20  # letters by which cautions are of one kind, numbers left out
AT_LIMIT = 0.05  # of a limit's scale (0.05 points of moisture): closer counts as at the limit
AT_END = 0.01  # of a range, or of the load, likewise
KEEPS_UP = "drying time, longest that keeps up"
WATER_ACTIVITY = OUTCOMES.index("water_activity")


def predicted(cases: Sequence[Case]) -> list[Predicted]:
    """Machines of one arrangement on the full mesh; raises NotConverged."""
    if not cases:
        return []
    return predicted_dryers(cases) if is_dryer(cases[0]) else predicted_coolers(cases)


# ---- Each product in each weather -----------------------------------------------------------------------


def stand_of(candidate: Candidate, exact: Predicted, p: Predicted, load: float) -> Stand:
    """A duty as predicted; `exact` is the same before the steps of the dials, load what the reserve leaves."""
    return Stand(_served(candidate, exact, p, load), tuple(part.demand for part in p.parts), p.highest_heat)


def _served(candidate: Candidate, exact: Predicted, p: Predicted, load: float) -> Served:
    r, case = p.result, candidate.duty.case
    full = exact.result.schedule.load / load if exact.result.schedule is not None else 1.0
    costs = [1e3 * float(cost(case, x.outcomes)) if case.costs else None for x in (p, exact)]
    own: dict[str, Any]
    if is_dryer(case):
        assert r.energy is not None and r.spread is not None
        own = {
            "deviation": float(r.spread.deviation_wb),
            "highest_heat": p.highest_heat,
            "heat_per_water": float(r.energy.heat_per_water),
        }
    else:
        own = cooler_parts.told_of(p)
    return Served(
        product=candidate.duty.product,
        weather=candidate.duty.weather,
        settings=machine_of(p.case).named_settings(p.case, p.result),
        moisture_wb=float(r.pellets_out.moisture_wb),
        temperature=float(r.pellets_out.temperature),
        water_activity=float(p.outcomes[WATER_ACTIVITY]),
        exhaust_humidity=float(r.air_out.relative_humidity),
        lift_off=float(r.bed.lift_off),
        pressure_drop=float(r.bed.pressure_drop),
        heat=p.mean_heat,
        specific_energy=float(energy(p.outcomes)) / PER_TONNE,
        cost_per_tonne=costs[0],
        exact_cost_per_tonne=costs[1],
        load=load if r.schedule is None else float(r.schedule.load),
        binding=_binding(candidate, exact, float(full)),
        **own,
    )


def _binding(candidate: Candidate, p: Predicted, load: float) -> tuple[AtLimit, ...]:
    """Limits and ends of ranges at which a state stands."""
    limits = candidate.duty.goal.limits
    at = list(limits.at(p.outcomes, np.abs(limits.excesses(p.outcomes)) <= AT_LIMIT))
    at += [AtLimit(name, value) for name, value in candidate.duty.ends(candidate.u, AT_END)]
    if candidate.duty.shortens and load > 1 - AT_END:
        at.append(AtLimit(KEEPS_UP, float(p.case.cooler.duration)))
    return tuple(at)


# ---- Floors ---------------------------------------------------------------------------------------------


def curve_point(case: Case, floor: float, row: Sequence[Candidate], plants: Sequence[Predicted]) -> Floor:
    """A row of the trade-off; plants: the same as predicted, of coolers."""
    outcomes = [p.outcomes for p in plants] or [candidate.outcomes for candidate in row]
    priced = 1e3 * running_cost([candidate.duty for candidate in row], outcomes) if case.costs else None
    depth = np.array([float(candidate.duty.depth(candidate.u)) for candidate in row])
    own = (
        cooler_parts.fan_of(case, plants)
        | {"served": tuple(stand_of(c, p, p, 1.0).served for c, p in zip(row, plants))}
        if plants
        else {}
    )
    return point(floor, depth, np.array([float(energy(rows)) for rows in outcomes]), priced, **own)


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
        settings=machine_of(p.case).named_settings(p.case, p.result),
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
