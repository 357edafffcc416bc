"""From the dryers found to what is answered of them: sizes, each product, what fixes a part, what is missed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result, Warning
from coolsim.machines import dryers as dials
from coolsim.machines.dryers import mass_of
from coolsim.simulate.cautions import LEVELS
from coolsim.simulate.requirements import FEASIBLE, AtLimit
from coolsim.studies.drying.sizes.candidates import Candidate
from coolsim.studies.drying.sizes.duties import Duty, cost, energy
from coolsim.studies.drying.sizes.parts import Predicted, air_parts, heat_of, words
from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.sizing.answer import Floor, Governs, Missed, Served, SizeAnswer
from coolsim.studies.sizing.service import Service, reserve_of
from coolsim.support.fields import Array

ALIKE = 20  # letters by which cautions are of one kind, numbers left out
AT_LIMIT = 0.05  # of a limit's scale (0.05 points of moisture): closer counts as at the limit
AT_END = 0.01  # of a range, or of the load, likewise
KEEPS_UP = "drying time, longest that keeps up"
WATER_ACTIVITY = OUTCOMES.index("water_activity")
SHIFT = 8 * 3600.0  # s
PER_TONNE = 3600.0  # J/kg in a kWh/t

PredictedCandidate = tuple[Candidate, Predicted]  # a state, and what it is predicted to be


@dataclass(frozen=True)
class FloorTaken:
    """How everything stands on the floor that is taken, and the hardest on the smallest."""

    smallest: PredictedCandidate
    rated: Sequence[PredictedCandidate]  # at the throughput with its reserve
    exact: Sequence[PredictedCandidate]  # at the throughput itself
    on_dials: Sequence[Predicted]  # on the steps of the dials


def size_answer(
    service: Service, dryers: int, floor: float, at: FloorTaken, curve: dict[float, list[Candidate]]
) -> SizeAnswer:
    """The answer for dryers of a floor together."""
    case, plants = service.case, at.on_dials
    served = tuple(_served(candidate, e, p, service.load) for (candidate, e), p in zip(at.exact, plants))
    batch = case.cooler.arrangement == "batch"
    masses = [mass_of(p.case) for p in plants]
    belt = None if batch else plants[0].case.cooler
    fills = [SHIFT * p.case.feed.throughput / m / dryers for p, m in zip(plants, masses)]
    # governed by what the throughput with its reserve takes, where that is more
    each = [(s, p) for s, p in zip(served, plants)]
    each += [(_served(candidate, p, p, 1.0), p) for candidate, p in at.rated]
    parts = air_parts(case, [p for _, p in each])
    heated = any(part.heater is not None for part in parts)
    return SizeAnswer(
        met=True,
        arrangement=case.cooler.arrangement,
        margin=case.sizing.margin,
        reserve=reserve_of(case),
        warnings=(*_cautions(served, [p.result for p in plants]), *words(case)),
        dryers=dryers,
        floor_area=floor / dryers,
        belt_width=belt.belt_width if belt else None,
        belt_length=sum(z.length for z in belt.zones) if belt else None,
        bed_depth=max(s.settings.bed_depth for s, _ in each),
        batch_mass=max(mass_of(p.case) for _, p in each) if batch else None,
        batches_per_shift=max(fills) if batch else None,
        drying_time=max(_time(s) for s in served),
        zones=parts,
        heater=max(float(s.highest_heat or 0.0) for s, _ in each) if heated else None,
        specific_energy=max(s.specific_energy for s in served),
        heat_per_water=max(float(s.heat_per_water or 0.0) for s in served),
        smallest_floor=at.smallest[0].floor_here,
        served=served,
        governing=_governing(served, each, at.smallest, heated),
        curve=tuple(_point(case, f, row) for f, row in curve.items()),
    )


def no_size(case: Case, missed: tuple[Missed, ...], smallest: float | None) -> SizeAnswer:
    """The answer where no floor serves, or not the one asked for."""
    return SizeAnswer(
        met=False,
        arrangement=case.cooler.arrangement,
        margin=case.sizing.margin,
        reserve=reserve_of(case),
        smallest_floor=smallest,
        missed=missed,
        warnings=tuple(words(case)),
    )


def _time(served: Served) -> float:
    assert isinstance(served.settings, dials.DryerSettings), "a dryer's"
    return served.settings.duration


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


def _cautions(served: Sequence[Served], results: Sequence[Result]) -> Iterator[Warning]:
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


def _governing(
    served: Sequence[Served],
    each: Sequence[tuple[Served, Predicted]],
    smallest: PredictedCandidate,
    heated: bool,
) -> tuple[Governs, ...]:
    """What fixes each part of the size; `each` is all that fans, heaters and bed must serve."""
    candidate, p = smallest
    both = [s for s, _ in each]
    most = {
        "depth": max(both, key=lambda s: s.settings.bed_depth),
        "time": max(served, key=_time),
        "flow": max(each, key=lambda one: max(n.flow for n in one[1].parts))[0],
        "pressure": max(each, key=lambda one: max(n.drop for n in one[1].parts))[0],
        "energy": max(served, key=lambda s: s.specific_energy),
    } | ({"heater": max(both, key=lambda s: float(s.highest_heat or 0.0))} if heated else {})
    first = Governs("floor", candidate.duty.product, candidate.duty.weather, _binding(candidate, p, 1.0))
    return (first, *(Governs(part, s.product, s.weather, s.binding) for part, s in most.items()))


def _point(case: Case, floor: float, row: Sequence[Candidate]) -> Floor:
    outcomes = [candidate.outcomes for candidate in row]
    taken = [float(energy(rows)) / PER_TONNE for rows in outcomes]
    return Floor(
        floor_area=floor,
        bed_depth=max(float(candidate.duty.depth(candidate.u)) for candidate in row),
        specific_energy=float(np.mean(taken)),
        highest_energy=max(taken),
        cost_per_tonne=1e3 * running_cost([candidate.duty for candidate in row], outcomes)
        if case.costs
        else None,
    )


def running_cost(duties: Sequence[Duty], outcomes: Sequence[Array]) -> float:
    """Mean running cost per kg of wet feed, each duty alike."""
    return float(np.mean([cost(duty.case, rows) for duty, rows in zip(duties, outcomes)]))
