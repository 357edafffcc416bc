"""From the dryers found to what is answered of them: sizes, each product, what fixes a part, what is missed."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Sequence

import numpy as np

from coolsim.case import Case
from coolsim.cautions import LEVELS
from coolsim.fields import Array
from coolsim.machines import dryers as dials
from coolsim.requirements import KEPT, AtLimit
from coolsim.result import Result, Warning
from coolsim.studies.drying.course import mass_of
from coolsim.studies.drying.sizes.answer import DryerFloor, DryerMissed, DryerServed, DryerSize
from coolsim.studies.drying.sizes.duties import Duty, cost, energy
from coolsim.studies.drying.sizes.look import Spot
from coolsim.studies.drying.sizes.parts import Predicted, air_parts, heat_of, words
from coolsim.studies.sizing.answer import Governs

ALIKE = 20  # letters by which cautions are of one kind, numbers left out
AT_LIMIT = 0.05  # of a limit's scale (0.05 points of moisture): closer counts as at the limit
AT_END = 0.01  # of a range, or of the load, likewise
KEEPS_UP = "drying time, longest that keeps up"
SHIFT = 8 * 3600.0  # s
PER_TONNE = 3600.0  # J/kg in a kWh/t

Stand = tuple[Spot, Predicted]  # a state, and what it is predicted to be


def told(
    case: Case,
    dryers: int,
    floor: float,
    smallest: Stand,
    found: Sequence[Stand],
    curve: dict[float, list[Spot]],
) -> DryerSize:
    """The answer for dryers of a floor together; `smallest`: the hardest duty on the smallest floor."""
    plants = [p for _, p in found]
    results = [p.result for p in plants]
    served = tuple(_served(spot, p, r) for (spot, p), r in zip(found, results))
    batch = case.cooler.arrangement == "batch"
    masses = [mass_of(p.case) for p in plants]
    belt = None if batch else plants[0].case.cooler
    fills = [SHIFT * p.case.feed.throughput / m / dryers for p, m in zip(plants, masses)]
    parts = air_parts(case, plants)
    heated = any(part.heater is not None for part in parts)
    return DryerSize(
        met=True,
        arrangement=case.cooler.arrangement,
        dryers=dryers,
        floor_area=floor / dryers,
        belt_width=belt.belt_width if belt else None,
        belt_length=sum(z.length for z in belt.zones) if belt else None,
        bed_depth=max(s.settings.bed_depth for s in served),
        batch_mass=max(masses) if batch else None,
        batches_per_shift=max(fills) if batch else None,
        drying_time=max(s.settings.duration for s in served),
        zones=parts,
        heater=max(s.highest_heat for s in served) if heated else None,
        specific_energy=max(s.specific_energy for s in served),
        heat_per_water=max(s.heat_per_water for s in served),
        margin=case.sizing.margin,
        smallest_floor=smallest[0].floor_here,
        served=served,
        governing=_governing(served, plants, smallest, heated),
        curve=tuple(_point(case, f, row) for f, row in curve.items()),
        missed=(),
        warnings=(*_cautions(served, results), *words(case)),
    )


def no_size(case: Case, missed: tuple[DryerMissed, ...], smallest: float | None) -> DryerSize:
    """The answer where no floor serves, or not the one asked for."""
    nothing = {f.name: None for f in dataclasses.fields(DryerSize)}
    known = {
        "met": False,
        "arrangement": case.cooler.arrangement,
        "zones": (),
        "margin": case.sizing.margin,
        "smallest_floor": smallest,
        "served": (),
        "governing": (),
        "curve": (),
        "missed": missed,
        "warnings": tuple(words(case)),
    }
    return DryerSize(**(nothing | known))


def missed(duty: Duty, spot: Spot, p: Predicted) -> DryerMissed:
    """What the driest state of a duty, as predicted, still breaks."""
    over = duty.goal.limits.excesses(p.outcomes)
    return DryerMissed(
        product=duty.product,
        weather=duty.weather,
        driest=float(p.outcomes[0]),
        temperature=float(p.outcomes[1]),
        floor_area=spot.floor_here,
        settings=dials.settings_of(p.case),
        broken=duty.goal.limits.at(p.outcomes, over > KEPT),
        binding=_binding(spot, p, 0.0),
    )


def _cautions(served: Sequence[DryerServed], results: Sequence[Result]) -> Iterator[Warning]:
    """What to look at in the products and weathers, above notes: each kind once, with how many more share it."""
    found: dict[str, list[tuple[DryerServed, Warning]]] = {}
    for s, r in zip(served, results):
        for warning in r.warnings:
            if warning.level != LEVELS[-1]:
                found.setdefault(re.sub(r"[\d.]+", "", warning.text)[:ALIKE], []).append((s, warning))
    for alike in sorted(found.values(), key=lambda alike: LEVELS.index(alike[0][1].level)):
        s, warning = alike[0]
        more = f" Likewise in {len(alike) - 1} more." if len(alike) > 1 else ""
        yield Warning(warning.level, f"{s.product}, {s.weather}: {warning.text}{more}")


def _served(spot: Spot, p: Predicted, r: Result) -> DryerServed:
    mean, most = heat_of(p)
    assert r.energy is not None and r.spread is not None
    load = float(r.schedule.load) if r.schedule is not None else 1.0
    priced = bool(spot.duty.case.costs)
    return DryerServed(
        product=spot.duty.product,
        weather=spot.duty.weather,
        settings=dials.settings_of(p.case),
        moisture_wb=float(r.pellets_out.moisture_wb),
        temperature=float(r.pellets_out.temperature),
        water_activity=float(r.after_equalising.water_activity),
        deviation=float(r.spread.deviation_wb),
        exhaust_humidity=float(r.air_out.relative_humidity),
        lift_off=float(r.bed.lift_off),
        pressure_drop=float(r.bed.pressure_drop),
        heat=mean,
        highest_heat=most,
        heat_per_water=float(r.energy.heat_per_water),
        specific_energy=float(energy(p.outcomes)) / PER_TONNE,
        cost_per_tonne=1e3 * float(cost(spot.duty.case, p.outcomes)) if priced else None,
        load=load,
        binding=_binding(spot, p, load),
    )


def _binding(spot: Spot, p: Predicted, load: float) -> tuple[AtLimit, ...]:
    """Limits and ends of ranges at which a state stands."""
    limits = spot.duty.goal.limits
    at = list(limits.at(p.outcomes, np.abs(limits.excesses(p.outcomes)) <= AT_LIMIT))
    at += [AtLimit(name, value) for name, value in spot.duty.ends(spot.u, AT_END)]
    if spot.duty.batch and load > 1 - AT_END:
        at.append(AtLimit(KEEPS_UP, float(p.case.cooler.duration)))
    return tuple(at)


def _governing(
    served: Sequence[DryerServed], plants: Sequence[Predicted], smallest: Stand, heated: bool
) -> tuple[Governs, ...]:
    """What fixes each part of the size."""
    of = {
        "depth": [s.settings.bed_depth for s in served],
        "time": [s.settings.duration for s in served],
        "flow": [max(n.flow for n in p.parts) for p in plants],
        "pressure": [max(n.drop for n in p.parts) for p in plants],
        "energy": [s.specific_energy for s in served],
    } | ({"heater": [s.highest_heat for s in served]} if heated else {})
    spot, p = smallest
    first = Governs("floor", spot.duty.product, spot.duty.weather, _binding(spot, p, 1.0))
    most = {part: served[int(np.argmax(values))] for part, values in of.items()}
    return (first, *(Governs(part, s.product, s.weather, s.binding) for part, s in most.items()))


def _point(case: Case, floor: float, row: Sequence[Spot]) -> DryerFloor:
    outcomes = [spot.outcomes for spot in row]
    taken = [float(energy(rows)) / PER_TONNE for rows in outcomes]
    return DryerFloor(
        floor_area=floor,
        bed_depth=max(float(spot.duty.depth(spot.u)) for spot in row),
        specific_energy=float(np.mean(taken)),
        highest_energy=max(taken),
        cost_per_tonne=1e3 * running([spot.duty for spot in row], outcomes) if case.costs else None,
    )


def running(duties: Sequence[Duty], outcomes: Sequence[Array]) -> float:
    """Mean running cost per kg of wet feed, each duty alike."""
    return float(np.mean([cost(duty.case, rows) for duty, rows in zip(duties, outcomes)]))
