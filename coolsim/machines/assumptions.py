"""What is assumed when settings of a machine are priced and judged: words for what nobody typed."""

from __future__ import annotations

import math
from collections.abc import Iterator

from coolsim.case.case import Case, Line
from coolsim.case.quantities import LIFT_OFF, LIFTED
from coolsim.case.result import Result, Warning
from coolsim.equipment import fan
from coolsim.machines import conditioner, machine_of
from coolsim.machines.lines import machines
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.simulate import schedule
from coolsim.simulate.least_bed import LEAST_DEPTH, least_depth, least_time, without_least_bed
from coolsim.simulate.line import without_repeats
from coolsim.simulate.requirements import is_dryer
from coolsim.simulate.upstream import WATER_OF_STEAM
from coolsim.support import dual_units


def assumptions(case: Case, result: Result) -> tuple[Warning, ...]:
    """What is assumed of each machine of a case, set as it is to be set, given its prediction."""
    if isinstance(case.cooler, Line):
        each = zip(machines(case), result.stages)
        of_machines = without_repeats(
            (run.name, word) for one, run in each for word in _of_machine(one, run.case)
        )
        return (*of_machines, *of_conditioner(case), *of_moulds(case))
    return (*_of_machine(case, case), *of_conditioner(case), *of_moulds(case))


def of_conditioner(case: Case) -> Iterator[Warning]:
    """What is assumed of a conditioner that may be set."""
    if not conditioner.ranges(case):
        return
    steam = (
        ""
        if case.conditioning.temperature is None
        else (f" Its steam counts as heat, above water of {dual_units.temperature(WATER_OF_STEAM)}.")
    )
    if steam:
        yield from unpriced_heat(case, "the conditioner's steam counts as free")
    yield Warning(
        "note",
        f"the conditioner is set for the same mash: less water is less wet feed.{steam} Water costs nothing. "
        "Whether press or extruder run so, and what becomes of starch and germs, is not computed: try it.",
    )


def of_moulds(case: Case) -> Iterator[Warning]:
    """What is kept of the water activity where nobody typed a limit."""
    if case.target.maximum_water_activity is None:
        yield Warning(
            "note",
            f"target.maximum_water_activity is not given: {MOULDS_ACTIVE:.2f} in store is kept (assumed: beyond, "
            "moulds are active). Type another for feed that is dried further, or kept by other means.",
        )


def _of_machine(case: Case, as_fed: Case) -> Iterator[Warning]:
    if is_dryer(case):
        yield from unpriced_heat(case, "drying with it counts as free")
        if case.fan.efficiency is None:
            text = "no fan.efficiency is given: electricity is priced with an assumed 55 %, bed only."
            yield Warning("note", text)
        yield from keeping_up(as_fed)
    else:
        yield from of_fan(case)
        if case.limits.inlet_air_temperature is not None:
            yield from unpriced_heat(case, "heating the inlet air counts as free")
    if case.costs.feed is None:
        text = "feed has no price (costs.feed): weight given away costs nothing here. Type one to have it weighed."
        yield Warning("note", text)
    yield from of_lift_off(case)
    yield from of_least_bed(case)


def of_least_bed(case: Case, sized: bool = False) -> Iterator[Warning]:
    """What quicker and shallower beds are not chosen, where nobody typed it and some range allows them.

    sized: of a size, which chooses a depth whatever the ranges.
    """
    limits, free = case.limits, without_least_bed(case)
    settings = zip(machine_of(case).settings, machine_of(free).settings)
    if not sized and not any(s.opened and (s.low > wide.low or s.high < wide.high) for s, wide in settings):
        return
    if limits.minimum_residence_time is None and least_time(case):
        yield Warning(
            "note",
            "limits.minimum_residence_time is not given: no bed is chosen that pellets pass in less than "
            f"{least_time(case) / 60:g} min (assumed; common practice, no source, has 4 to 15 min).",
        )
    if limits.minimum_depth_in_deviations is None and least_depth(case):
        yield Warning(
            "note",
            "limits.minimum_depth_in_deviations is not given: no bed is chosen shallower than "
            f"{dual_units.depth(least_depth(case))}, {LEAST_DEPTH:g} times its depth_deviation (assumed).",
        )


def of_lift_off(case: Case) -> Iterator[Warning]:
    """What is kept of lift-off where nobody typed a limit, or one at which the bed lifts."""
    typed = case.limits.maximum_lift_off
    if typed is None:
        text = f"limits.maximum_lift_off is not given: {100 * LIFT_OFF:.0f} % is kept (common practice, no source)."
        yield Warning("note", text)
    elif typed > LIFTED:
        text = (
            f"limits.maximum_lift_off is {100 * typed:.0f} %: {100 * LIFTED:.0f} % is kept, since "
            "the air lifts the bed beyond."
        )
        yield Warning("check", text)


def unpriced_heat(case: Case, words: str) -> Iterator[Warning]:
    """Heat that settings decide on although it costs nothing."""
    if case.costs.heat is None:
        yield Warning("check", f"heat has no price (costs.heat): {words}. Type one to have it weighed.")


def of_fan(case: Case) -> Iterator[Warning]:
    """What is assumed of the fan."""
    machine = fan.fan_of(case.fan)
    if machine is None:
        yield Warning(
            "note",
            f"no [fan] is given: electricity is priced with an assumed fan efficiency of "
            f"{100 * fan.ASSUMED_EFFICIENCY:.0f} % and motor efficiency of "
            f"{100 * fan.ASSUMED_MOTOR_EFFICIENCY:.0f} %.",
        )
        return
    if machine.assumed:
        yield Warning("note", f"assumed for the fan: {'; '.join(machine.assumed)}.")


def keeping_up(case: Case) -> list[Warning]:
    """Whether a batch is done before the line has made the next one."""
    c = case.cooler
    if c.arrangement != "batch":
        return []
    mass = case.feed.bulk_density * c.floor_area * c.bed_depth
    every = mass / case.feed.throughput
    made = f"the line makes a batch of {dual_units.mass(mass)} in {every / 60:.0f} min"
    if case.schedule:
        return [_in_turn(made, every * case.schedule.dryers, case)]
    taken = (c.duration + c.cooling_time) / 60
    left, drying = every / 60 - taken, "drying and cooling" if c.cooling_time else "drying"
    if left <= 0:
        return [
            Warning(
                "check",
                f"{made}, this {drying} takes {taken:.0f}: one dryer does not keep up. Shorten "
                "limits.duration, or add a dryer.",
            )
        ]
    rest = "fill and empty" if c.cooling_time else "fill, cool and empty"
    return [Warning("note", f"{made}: {left:.0f} min are left to {rest} the dryer.")]


def _in_turn(made: str, time: float, case: Case) -> Warning:
    """Whether a dryer of [schedule] has done its whole cycle in the `time` [s] until its turn comes again."""
    parts, count = schedule.cycle(case.cooler, case.schedule), case.schedule.dryers
    taken = sum(parts.values())
    dryers = "with 1 dryer" if count == 1 else f"with {count:.0f} dryers"
    in_words = ", ".join(f"{name} {part / 60:.0f}" for name, part in parts.items() if part)
    cycle = f"{made}; the cycle of a dryer takes {taken / 60:.0f} min ({in_words})"
    if taken <= time * (1 + schedule.ROUNDING):
        return Warning(
            "note", f"{cycle}: {dryers}, {(time - taken) / 60:.0f} min of {time / 60:.0f} are left."
        )
    most = (time - taken + parts["drying"]) / 60
    if most < 1:
        return Warning("check", f"{cycle}, too long even without drying {dryers}: add a dryer.")
    return Warning(
        "check",
        f"{cycle}: {dryers}, drying may take {math.floor(most)} min at most. Shorten limits.duration, or add "
        "a dryer.",
    )
