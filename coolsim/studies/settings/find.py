"""What to set now, on any machine: the cheapest settings that keep every wish and limit, today's beside them.

Where nothing keeps them, the nearest state, and what alone would help. Everything returned was predicted on the
full mesh at the settings it names. The window (driest and wettest exit) is searched within the machine's limits,
without the target's wishes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any, overload

import numpy as np

from coolsim.case import Air, Case
from coolsim.costs import Cost, cost_of
from coolsim.doors import asked_with_a_case
from coolsim.machines import Appraisal, Machine, machine_of
from coolsim.machines.base import of_one, predicted_each
from coolsim.machines.lines import LineOfMachines
from coolsim.requirements import KEPT, AtLimit, Constraint, constraints_of, verdicts_of
from coolsim.result import Result
from coolsim.studies.asked import check, check_air
from coolsim.studies.settings.answer import (
    Change,
    Chosen,
    Gain,
    Reached,
    SettingsAnswer,
    SettingsByWeather,
    StageSettings,
    Stand,
    Step,
)
from coolsim.studies.settings.around import one_step, smallest_changes
from coolsim.studies.settings.dial import on_dial as put_on_dial
from coolsim.studies.settings.optimum import Optimum, optima, window
from coolsim.studies.settings.weathers import by_weather

__all__ = [
    "AtLimit",
    "Change",
    "Chosen",
    "Gain",
    "Reached",
    "SettingsAnswer",
    "SettingsByWeather",
    "Stand",
    "Step",
    "find_settings",
    "reachable",
]

AT_LIMIT = 0.01  # of a limit's scale, or of a setting's range: closer counts as at the limit
ON_STEP = 0.51  # of a step: no step is nearer to an end
HOURS, DAYS = 8.0, 250.0  # of a shift and of a year, where [shift] does not say; assumed


@overload
def find_settings(
    case: Case, *, chance: float | None = None, uncertainty: bool = False, on_dial: bool = True
) -> SettingsAnswer: ...


@overload
def find_settings(case: Case, *, air: Air) -> SettingsAnswer | SettingsByWeather: ...


@asked_with_a_case
def find_settings(
    case: Case,
    *,
    air: Air | None = None,
    chance: float | None = None,
    uncertainty: bool = False,
    on_dial: bool = True,
) -> SettingsAnswer | SettingsByWeather:
    """Cheapest settings of a cooler, dryer or line that keep [target] within [limits], of all that these open.

    air: replaces the outside air; where it holds arrays (they broadcast), the answer is a SettingsByWeather
    with one entry per weather, from one search, exact and not on the dial.

    uncertainty: also how sure the exit is with these settings (`.uncertainty`), and settings that meet the target
    and keep the machine's limits with a probability (`.surely`); chance: that probability, such as 0.9, which alone
    gives `.surely` only; 0.95 if left out. Both take one weather, and something that carries a ±.
    on_dial: settings are the cheapest combination of dial steps; else the exact optimum.

    Needs [target] moisture, [limits] with at least one range, and [costs]; raises InputError naming what is
    missing or contradicts, and NotConverged. Cost is electricity, heat, and the weight given away below the target
    moisture. Where the target is out of reach, `smallest_changes` gives for each thing alone the value that would
    do, the others staying at the settings found; only for the feed moisture of a cooler may the settings change.
    """
    if air is not None:
        case = dataclasses.replace(case, air=check_air(air))
    if chance is not None or uncertainty:
        from coolsim.studies.settings import surely  # it asks for settings again and again

        return surely.told_how_sure(case, chance, uncertainty)
    check(case)
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        return by_weather(dataclasses.replace(case, air=check_air(case.air)))
    return _found(case, on_dial)


@asked_with_a_case
def reachable(case: Case) -> tuple[Reached, Reached]:
    """Driest and wettest exit within the machine's limits, with the settings of each; of a line, of each stage."""
    check(case)
    machine = machine_of(case)
    driest, wettest = (_reached(machine, state) for state in window(case))
    return driest, wettest


def _found(case: Case, on_dial: bool) -> SettingsAnswer:
    machine, constraints = machine_of(case), constraints_of(case)
    found = optima(case)
    best, exact = found.best.case, float(of_one(machine, found.best.case, found.best.result).cost.total[0])
    if found.best.met and on_dial:
        place = put_on_dial(machine, best, found.best.result, constraints)
        best = best if place is None else place.case
    result, today = predicted_each([best, case])
    there = of_one(machine, best, result, constraints)
    stand, now = stand_of(machine, best, result, there), stand_of(machine, case, today)
    met = bool((there.worst <= KEPT).all())
    return SettingsAnswer(
        met=met,
        chosen=chosen(machine, best, result, case, today),
        settings=machine.told(best, result),
        case=best,
        result=result,
        cost=stand.cost,
        verdicts=stand.verdicts,
        exact_cost=exact,
        binding=_binding(machine, constraints, there, best, result),
        broken=_stated(constraints, there, there.violations[:, 0] > KEPT),
        hardly_matters=("time in the bed",) if found.hardly_matters else (),
        driest=_reached(machine, found.driest),
        wettest=_reached(machine, found.wettest),
        required_feed_moisture=found.required_feed,
        one_step=one_step(machine, best, result),
        smallest_changes=()
        if met
        else smallest_changes(machine, best, result, constraints, found.required_feed),
        now=now,
        now_settings=machine.told(case, today),
        gain=gain_of(case, now, stand),
        stages=tuple(_stages(machine, constraints, there, best, result)),
    )


# ---- The answer's parts ---------------------------------------------------------------------------------


def stand_of(machine: Machine, case: Case, result: Result, there: Appraisal | None = None) -> Stand:
    """How a case of a machine stands, given its prediction."""
    there = there or of_one(machine, case, result)
    cost = Cost(*(float(np.ravel(getattr(there.cost, f.name))[0]) for f in dataclasses.fields(Cost)))
    return Stand(case, result, cost, verdicts_of(case, result))


def chosen(machine: Machine, case: Case, result: Result, before: Case, today: Result) -> tuple[Chosen, ...]:
    """Everything that may be set, as it was before and as it is in a case."""
    now, to = machine.read(before, today), machine.read(case, result)
    return tuple(Chosen(s, now[s.key], to[s.key]) for s in machine.settings)


def gain_of(case: Case, now: Stand, then: Stand) -> Gain:
    """What other settings change, in the hours of [shift]."""
    before, after = now.result.pellets_out, then.result.pellets_out
    saved = now.cost.total - then.cost.total
    shift = case.shift
    hours = (shift.hours or 3600.0 * HOURS) / 3600.0 * (shift.per_day or 1.0)
    per_year = hours * (shift.days_per_year or DAYS)
    return Gain(
        moisture_wb=float(after.moisture_wb - before.moisture_wb),
        temperature=float(after.temperature - before.temperature),
        cost_per_hour=saved,
        cost_per_year=saved * per_year,
        hours_per_year=per_year,
        hours_assumed=shift.hours is None or shift.days_per_year is None,
    )


def _reached(machine: Machine, end: Optimum) -> Reached:
    """An end of the window; nan where no settings keep the machine's limits."""
    to = machine.read(end.case, end.result)
    each = tuple(Chosen(s, np.nan, to[s.key]) for s in machine.settings)
    return Reached(end.moisture if end.met else np.nan, machine.told(end.case, end.result), each)


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
    """The parts of a line's machines."""
    if not isinstance(machine, LineOfMachines):
        return
    solid = case.feed.throughput * (1 - case.feed.moisture)
    prices, broken = case.costs, there.violations[:, 0] > KEPT
    for k, (run, settings) in enumerate(zip(there.result.stages, machine.told(case, result))):
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
