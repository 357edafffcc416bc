"""The cheapest settings of any machine in one weather, today's beside them, and what lies around them."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import Cost, cost_of
from coolsim.case.line_parts import working
from coolsim.case.result import Result
from coolsim.machines import Appraisal, Machine, machine_of
from coolsim.machines.base import of_one, predicted_each
from coolsim.simulate.requirements import AT_LIMIT, FEASIBLE, AtLimit, Constraint, constraints_of
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.settings.answer import (
    Alternative,
    AppraisedSettings,
    Chosen,
    Gain,
    Reached,
    SettingsAnswer,
    StageSettings,
)
from coolsim.studies.settings.dial import Combination
from coolsim.studies.settings.dial import on_dial as put_on_dial
from coolsim.studies.settings.least_bed import least_bed
from coolsim.studies.settings.nearby import one_step, smallest_changes
from coolsim.studies.settings.optimum import Optima, Optimum, optima

ON_STEP = 0.51  # of a step: no step is nearer to an end
HARDLY = 0.02  # of a bound's scale: more that the steps of a dial may miss a wish by, which is missed anyhow


@dataclass(frozen=True)
class Way:
    """A way to run a machine, of what [limits] leaves to choose, and its cheapest settings."""

    case: Case
    found: Optima
    answer: SettingsAnswer


def cheapest_way(case: Case, on_dial: bool = True, look_around: bool = True) -> Way:
    """The cheapest settings that keep everything, of all ways to run the machine that [limits] leaves open.

    look_around: as of `answer_at`.
    """
    (today,) = predicted_each([case])

    def answered(way: Case) -> Way:
        found = optima(way)
        best = set_on_dials(way, found.best) if on_dial else None
        return Way(way, found, answer_at(way, (case, today), found, best, look_around=look_around))

    ways = [answered(way) for way in choice_combinations(case)]
    best = min(ways, key=lambda w: (not w.answer.met, _missed(w.answer), w.answer.cost.total))
    if len(ways) == 1:
        return best
    ends = [end for w in ways for end in (w.answer.driest, w.answer.wettest)]
    some = sorted((end for end in ends if not np.isnan(end.moisture_wb)), key=lambda end: end.moisture_wb)
    answer = dataclasses.replace(best.answer, driest=some[0], wettest=some[-1]) if some else best.answer
    decided = dataclasses.replace(best.case, limits=dataclasses.replace(best.case.limits, mixing=None))
    return Way(decided, best.found, answer)


def choice_combinations(case: Case) -> list[Case]:
    """A case with each combination of the choices that [limits] opens; the case alone where it opens none."""
    found = [case]
    for k, choice in enumerate(machine_of(case).choices):
        if choice.opened:
            found += [machine_of(way).choices[k].case for way in found]
    return found


def _missed(answer: SettingsAnswer) -> float:
    """How far the bound is missed that is missed most, in its scale."""
    missed = [v.constraint.violation(v.value) for v in answer.verdicts if not v.met]
    return float(np.max(missed, initial=0.0))


def set_on_dials(case: Case, best: Optimum) -> Combination | None:
    """The best settings on the steps of their dials; None where no steps keep everything.

    Where not everything can be kept, steps that keep the rest and miss the others by hardly more.
    """
    machine, constraints = machine_of(case), constraints_of(case)
    if not best.met:
        there = of_one(machine, best.case, best.result, constraints)
        constraints = [_missed_so(c, float(v)) for c, v in zip(constraints, there.violations[:, 0])]
    return put_on_dial(machine, best.case, best.result, constraints)


def _missed_so(c: Constraint, violation: float) -> Constraint:
    """A constraint, or one that is broken with its bound moved to where it stands and hardly further."""
    if violation <= FEASIBLE:
        return c
    large = c.scale if np.any(c.scale) else c.quantity.scale
    return dataclasses.replace(c, bound=c.bound + c.sense * (violation + HARDLY) * large)


def answer_at(
    case: Case,
    now: tuple[Case, Result],
    found: Optima,
    dialled: Combination | None,
    *,
    look_around: bool = True,
) -> SettingsAnswer:
    """The answer with the best settings that were found for a case, or what was dialled near them, beside today's.

    now: how the machine is set today, and its prediction. look_around: also what a step of each thing does, and
    what alone would do.
    """
    machine, constraints = machine_of(case), constraints_of(case)
    exact = float(of_one(machine, found.best.case, found.best.result).cost.total[0])
    best = found.best.case if dialled is None else dialled.case
    result = predicted_each([best])[0] if dialled is None else dialled.result
    before, today = now
    there = of_one(machine, best, result, constraints)
    stand, now_so = (
        appraised_settings(machine, best, result, there),
        appraised_settings(machine, before, today),
    )
    met = bool((there.worst <= FEASIBLE).all())
    return SettingsAnswer(
        met=met,
        chosen=chosen(machine, best, result, before, today),
        settings=machine.named_settings(best, result),
        case=best,
        result=result,
        cost=stand.cost,
        verdicts=stand.verdicts,
        exact_cost=exact,
        binding=_binding(machine, constraints, there, best, result),
        broken=_stated(constraints, there, there.violations[:, 0] > FEASIBLE),
        hardly_matters=("time in the bed",) if found.hardly_matters else (),
        driest=reached(machine, found.driest),
        wettest=reached(machine, found.wettest),
        required_feed_moisture=found.required_feed,
        one_step=one_step(machine, best, result) if look_around else (),
        smallest_changes=()
        if met or not look_around
        else smallest_changes(machine, best, result, constraints, found.required_feed),
        now=now_so,
        now_settings=machine.named_settings(before, today),
        gain=gain_of(case, now_so, stand),
        choices=tuple(_choices(before, best)),
        least_bed=least_bed(case, found),
        stages=tuple(_stages(machine, constraints, there, best, result)),
    )


# ---- The answer's parts ---------------------------------------------------------------------------------


def appraised_settings(
    machine: Machine, case: Case, result: Result, there: Appraisal | None = None
) -> AppraisedSettings:
    """How a case of a machine stands, given its prediction."""
    there = there or of_one(machine, case, result)
    cost = Cost(*(float(np.ravel(getattr(there.cost, f.name))[0]) for f in dataclasses.fields(Cost)))
    return AppraisedSettings(case, result, cost, verdicts_of(case, result))


def chosen(machine: Machine, case: Case, result: Result, before: Case, today: Result) -> tuple[Chosen, ...]:
    """Everything that may be set, as it was before and as it is in a case."""
    now, to = machine.read(before, today), machine.read(case, result)
    return tuple(Chosen(s, now[s.key], to[s.key]) for s in machine.settings)


def _choices(before: Case, case: Case) -> Iterator[Alternative]:
    """What [limits] left to choose, as it was before and as it is in a case."""
    for was, is_ in zip(machine_of(before).choices, machine_of(case).choices):
        if was.opened:
            yield Alternative(was.label, was.now, is_.now)


def gain_of(case: Case, now: AppraisedSettings, then: AppraisedSettings) -> Gain:
    """What other settings change, in the hours of [shift]."""
    before, after = now.result.pellets_out, then.result.pellets_out
    saved = now.cost.total - then.cost.total
    shift = case.shift
    per_year = working(shift.seconds, shift.breaks) / 3600.0 * shift.shifts_per_year
    return Gain(
        moisture_wb=float(after.moisture_wb - before.moisture_wb),
        temperature=float(after.temperature - before.temperature),
        cost_per_hour=saved,
        cost_per_year=saved * per_year,
        hours_per_year=per_year,
        hours_assumed=shift.assumed,
    )


def reached(machine: Machine, end: Optimum) -> Reached:
    """An end of the window; nan where no settings keep the machine's limits."""
    to = machine.read(end.case, end.result)
    each = tuple(Chosen(s, np.nan, to[s.key]) for s in machine.settings)
    return Reached(end.moisture if end.met else np.nan, machine.named_settings(end.case, end.result), each)


def _stated(
    constraints: Sequence[Constraint], there: Appraisal, where: Any, place: str = ""
) -> tuple[AtLimit, ...]:
    """Constraints of a stage, or of no stage, of those `where`, with their values."""
    return tuple(
        AtLimit(c.called, float(there.values[c.key][0]))
        for c, true in zip(constraints, where)
        if true and c.place == place
    )


def _binding(
    machine: Machine,
    constraints: Sequence[Constraint],
    there: Appraisal,
    case: Case,
    result: Result,
    place: str = "",
) -> tuple[AtLimit, ...]:
    """Constraints of a stage, or of no stage, and ends of ranges, at which a case stands."""
    near = np.abs(there.violations[:, 0]) <= AT_LIMIT
    found, at = list(_stated(constraints, there, near, place)), machine.read(case, result)
    for s in machine.settings:
        for end, value in (("lowest", s.low), ("highest", s.high)):
            close = AT_LIMIT * (s.high - s.low) + ON_STEP * s.step
            name = f"{s.quantity.called}, {end}"
            told = any(limit.limit == name for limit in found)  # of a fan: its speeds bound it
            if s.place == place and s.varies and abs(at[s.key] - value) <= close and not told:
                found.append(AtLimit(name, at[s.key]))
    return tuple(found)


def _stages(
    machine: Machine, constraints: Sequence[Constraint], there: Appraisal, case: Case, result: Result
) -> Iterator[StageSettings]:
    """The parts of a line's machines; nothing of other machines."""
    solid = case.feed.throughput * (1 - case.feed.moisture)
    prices, broken = case.costs, there.violations[:, 0] > FEASIBLE
    for k, run in enumerate(there.result.stages):
        settings = machine.named_settings(case, result)[k]
        wet = float(result.stages[k].result.feed_in.moisture_wb)
        spent = machine.spent_on(k, [case], run.result)
        power, heat = float(spent.electricity[0]), float(spent.heat[0])
        cost = cost_of(prices, case.feed.throughput, electricity=power, heat=heat, given_away=0.0)
        place = str(k + 1)
        yield StageSettings(
            name=run.name,
            settings=settings,
            water=solid * (wet / (1 - wet) - float(result.stages[k].result.pellets_out.moisture_db)),
            electricity=float(cost.electricity),
            heat=float(cost.heat),
            binding=_binding(machine, constraints, there, case, result, place),
            broken=_stated(constraints, there, broken, place),
        )
