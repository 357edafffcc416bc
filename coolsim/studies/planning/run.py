"""What comes out of the line in a shift: capacities, loads, the step that holds it back, waiting, costs."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.case.costs import Cost, ShiftCost, cost_of, cost_of_shift, given_away
from coolsim.case.result import Result
from coolsim.machines import machine_of
from coolsim.machines.base import of_one
from coolsim.machines.conditioner import held
from coolsim.scenario.edit import is_as_typed, retyped
from coolsim.scenario.source import Source
from coolsim.simulate import capacities, upstream
from coolsim.simulate.capacities import Step
from coolsim.simulate.feed_following import in_air
from coolsim.simulate.prediction import predict
from coolsim.studies.planning.answer import EquipmentPlan, Plan, ShiftPlan
from coolsim.studies.planning.cautions import cautions_of
from coolsim.studies.planning.flow import Clock
from coolsim.studies.planning.shift import Passed, passed
from coolsim.support.errors import Fault, InputError

SETTLED, MOST_ROUNDS = 1e-6, 8  # of a throughput that hangs on what the machine leaves
STEEP = 0.9  # of what a step can take over the throughput: no secant is drawn


@takes_a_case
def plan(case: Case) -> Plan:
    """Plan a shift of the line around a cooler, a dryer or a line of them.

    Raises InputError where a step cannot reach the throughput that was typed, NotConverged as `predict` does.
    """
    case = in_air(case)  # whoever changed what is before the machine plans with its feed
    result = predict(case)
    left_open = _left_open(case)
    if left_open:
        case, result = _at_its_pace(case, result)
    steps = capacities.steps_of(case, result)
    faults = [] if left_open else [Fault("", *objection) for objection in capacities.beyond(case, steps)]
    if faults:
        raise InputError(faults)
    return _planned(case, result, steps)


def _at_its_pace(case: Case, result: Result) -> tuple[Case, Result]:
    """The case at the throughput of its bottleneck, which may hang on what the machine leaves: by secants."""
    typed, before = is_as_typed(case), None
    for _ in range(MOST_ROUNDS):
        now, found = case.feed.throughput, capacities.bottleneck(case, result)
        if found is None or abs(found / now - 1) < SETTLED:
            break
        to = found
        if before is not None and now != before[0]:
            slope = (found - before[1]) / (now - before[0])
            to = now + (found - now) / (1 - slope) if slope < STEEP else found
        before = now, found
        case = _at(case, to, typed)
        result = predict(case)
    return case, result


def _at(case: Case, throughput: float, typed: bool) -> Case:
    """The case with another throughput; of one that is as typed, with what follows from it when it is read."""
    if not typed:
        return dataclasses.replace(case, feed=dataclasses.replace(case.feed, throughput=throughput))
    there = retyped(case, {"feed.throughput": f"{throughput!r} kg/s"})
    return dataclasses.replace(there, source=case.source)


def _left_open(case: Case) -> bool:
    """Whether the throughput was left out: the bottleneck's."""
    return isinstance(case.source, Source) and case.source.value("feed.throughput") is None


def _planned(case: Case, result: Result, steps: Sequence[Step]) -> Plan:
    pace = case.feed.throughput / capacities.fed_share(steps, case)
    clock = Clock(case.shift.seconds, tuple(case.shift.breaks))
    each = passed(steps, pace, clock)
    equipment = tuple(_of_step(p, pace, clock.work) for p in each)
    able = [e for e in equipment if e.load is not None]
    slowest = max(able, key=lambda e: e.load or 0.0).name if able else None
    shift = _shift(case, result, each, clock)
    before = () if case.arrival is None else case.arrival.states
    bare = Plan(case, result, before, case.feed.throughput, equipment, slowest, shift, (), tuple(each))
    return dataclasses.replace(bare, warnings=cautions_of(bare))


def _of_step(p: Passed, pace: float, end: float) -> EquipmentPlan:
    able = p.step.capacity
    return EquipmentPlan(
        p.step.name,
        able,
        None if able is None else pace * p.step.enters / able,
        p.waits,
        p.heap,
        p.taken_by(end),
        None if p.step.batch is None else p.done(end),
    )


def _shift(case: Case, result: Result, each: Sequence[Passed], clock: Clock) -> ShiftPlan:
    end = clock.work
    last = each[-1]
    bagged = last.left_by(end) * last.step.leaves / last.step.enters
    computed = [p for p in each if p.step.machine in capacities.stage_names(case)]
    batches = next((p for p in (*computed, *each) if p.step.batch is not None), None)
    done = 0 if batches is None else batches.done(end)
    went_in = each[0].taken_by(end) / each[0].step.enters
    steam = _steam(case) * _conditioned(each, case, end)
    mass = case.bag.mass
    return ShiftPlan(
        hours=clock.hours,
        work=end,
        batches=done,
        input=went_in,
        water_lost=sum(p.left_by(end) * p.step.dries for p in computed),
        bagged=bagged,
        bags=None if mass is None else int(bagged / mass + 1e-9),
        left_in_line=went_in - bagged / last.step.leaves,
        steam=steam,
        per_year=bagged * case.shift.shifts_per_year,
        assumed=case.shift.assumed,
        cost=_cost(case, result, each, clock, steam, bagged, done, went_in),
    )


def _conditioned(each: Sequence[Passed], case: Case, end: float) -> float:
    """Mash [kg] that was conditioned: what the step before the first machine took, or that machine itself."""
    names = capacities.stage_names(case)
    first = next(k for k, p in enumerate(each) if p.step.machine in names)
    p = each[max(first - 1, 0)]
    return p.taken_by(end) / p.step.enters


def _steam(case: Case) -> float:
    """Steam [kg] per kg of mash."""
    if not case.recipe.ingredient or case.arrival is None:
        return 0.0
    mash = case.arrival.states[0]
    return float(
        upstream.steam_and_water(case.material, mash.moisture, mash.temperature, case.conditioning)[0]
    )


def _cost(
    case: Case,
    result: Result,
    each: Sequence[Passed],
    clock: Clock,
    steam: float,
    bagged: float,
    batches: int,
    went_in: float,
) -> ShiftCost | None:
    """What a shift costs: the machine for what it took, other machines while they run, steam as heat."""
    prices = [i.price for i in case.recipe.ingredient]
    if not case.costs and not any(p is not None for p in prices):
        return None
    end = clock.work
    names = capacities.stage_names(case)
    first = next(p for p in each if p.step.machine in names)
    last = [p for p in each if p.step.machine in names][-1]
    weighed = of_one(machine_of(held(case)), case, result, ())  # its steam is told apart
    share = first.taken_by(end) / (float(weighed.feed[0]) * end)
    power = float(weighed.electricity[0]) * share + sum(p.step.power * p.runs(end) for p in each) / end
    h = upstream.steam_heat(case.conditioning) if steam else 0.0
    heat = float(weighed.heat[0]) * share + steam * float(h) / end
    M = float(result.pellets_out.moisture_wb)
    solid = last.left_by(end) * (1 - last.step.dries) * (1 - M) / end
    lost = given_away(case, solid, M)
    running: Cost = cost_of(case.costs, went_in / end, electricity=power, heat=heat, given_away=lost)
    mash = sum(i.share * (i.price or 0.0) for i in case.recipe.ingredient) * went_in
    return cost_of_shift(running, end, float(mash), bagged, case.bag.mass, batches)
