"""What each step of the line can take, in which order, and which holds it back.

Masses are told per kg of mash (of feed, where no recipe is given): what enters a step, after what was lost or added
before it. Steam and water come in at the last step before the cooler, where the die is. A timed catch is of what
leaves, there with steam and water in it, everything else of what enters. However the conditioner is set, the wet kg
of a catch are held: drier feed is more mash then. Arithmetic; nothing is simulated.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from coolsim.case.case import Case, Line
from coolsim.case.line_parts import Equipment
from coolsim.case.machine import Batch
from coolsim.case.result import Result
from coolsim.case.tables import ScheduleData
from coolsim.simulate.finishing import target_moisture
from coolsim.simulate.schedule import cycle

COOLER, COATING = "cooler", "coating"


@dataclass(frozen=True)
class Step:
    """One step of the line; masses of what enters it, in kg."""

    name: str
    machine: str = ""  # cooler, or the stage's name: computed; coating: where the coat goes on
    rate: float | None = None  # kg/s, where it runs all the time; None: takes what comes
    batch: float | None = None  # kg at once
    cycle: float = 0.0  # s
    count: float = 1.0  # alike, filled in turn
    filling: float = 0.0  # s of the cycle
    emptying: float = 0.0
    delay: float = 0.0  # s that what enters stays in a step that runs all the time
    stands: float = 0.0  # s that pellets stand before it, as the scenario has it
    power: float = 0.0  # W, of what is not computed
    loss: float = 0.0
    enters: float = 1.0  # kg per kg of mash
    leaves: float = 1.0
    goes_on: bool = False  # in a break what is in it goes on; it is filled and emptied only at work
    dries: float = 0.0  # kg of water per kg that enters

    @property
    def capacity(self) -> float | None:
        """What it takes, kg/s of what enters; None where it takes what comes."""
        return self.rate if self.batch is None else self.count * self.batch / self.cycle


def steps_of(case: Case, result: Result | None = None) -> list[Step]:
    """The steps of a case in order. Without a prediction, drying is taken to end at the target's moisture."""
    entries = list(case.equipment)
    names = stage_names(case)
    placed = {e.machine for e in entries}
    entries += [Equipment(name, machine=name) for name in names if name not in placed]
    last = max(k for k, e in enumerate(entries) if e.machine in names)
    first = min(k for k, e in enumerate(entries) if e.machine in names)
    M, *wet = _moistures(case, result)  # of the mash; of the feed, and behind each machine
    die = wet[0] + _lost_on_the_way(case)
    grown = case.coating.coat.grown
    coat_at = next((k for k, e in enumerate(entries) if e.machine == COATING and k > last), last)
    steps, mass = [], 1.0
    for k, entry in enumerate(entries):
        if k == first:
            mass *= (1 - M) / (1 - wet[0])  # the way; where no step is before it, steam and water, too
        enters, dries = mass, 0.0
        if k == first - 1:
            mass, M = mass * (1 - M) / (1 - die), die  # steam, water and flash
        if entry.machine in names:
            done = names.index(entry.machine)
            left = (1 - wet[done]) / (1 - wet[done + 1])
            mass, dries = mass * left, 1 - left
        if k == coat_at:
            mass *= grown
        mass *= 1 - (entry.loss or 0.0)
        steps.append(_step(case, entry, enters, mass, dries, result))
    return steps


def _step(
    case: Case, entry: Equipment, enters: float, leaves: float, dries: float, result: Result | None
) -> Step:
    common: dict[str, Any] = {"power": entry.power or 0.0, "loss": entry.loss or 0.0, "dries": dries}
    common |= {"enters": enters, "leaves": leaves, "machine": entry.machine or ""}
    names = stage_names(case)
    if entry.machine in names:
        k = names.index(entry.machine)
        one, fed, times, run = _machine(case, k, result)
        if isinstance(case.cooler, Line):
            common["stands"] = case.cooler.stages[k].stand_by
        if isinstance(one, Batch):
            mass = fed.bulk_density * one.floor_area * one.bed_depth
            of: dict[str, Any] = {"filling": times.filling or 0.0, "emptying": times.emptying or 0.0}
            whole = sum(cycle(one, times).values())
            of["goes_on"] = not case.shift.dryers_stop
            return Step(entry.name, batch=mass, cycle=whole, count=times.dryers or 1.0, **of, **common)
        delay = 0.0 if run is None else float(run.bed.residence_time)
        return Step(entry.name, rate=entry.capacity, delay=delay, **common)
    if entry.batch is not None:
        return Step(entry.name, batch=entry.batch, cycle=entry.cycle or 1.0, **common)
    rate = entry.capacity
    if entry.catch is not None:
        rate = entry.catch[0] / entry.catch[1] * enters / leaves
    return Step(entry.name, rate=rate, **common)


def _machine(case: Case, k: int, result: Result | None) -> tuple[Any, Any, ScheduleData, Result | None]:
    """Machine k of a case, its feed, its schedule, and what it was predicted to do."""
    if not isinstance(case.cooler, Line):
        return case.cooler, case.feed, case.schedule, result
    stage = case.cooler.stages[k]
    if result is None:
        return stage.cooler, case.feed, stage.schedule, None
    run = result.stages[k]
    return stage.cooler, run.case.feed, stage.schedule, run.result


def stage_names(case: Case) -> list[str]:
    """The machines that are computed, by the names that an [[equipment]] calls them."""
    return [s.name for s in case.cooler.stages] if isinstance(case.cooler, Line) else [COOLER]


def _moistures(case: Case, result: Result | None) -> list[float]:
    """Moistures of the mash (of the feed at the die, without a recipe), of the feed, and behind each machine."""
    fed = float(case.feed.moisture)
    mash = fed if case.arrival is None else float(case.arrival.states[0].moisture)
    count = len(stage_names(case))
    if result is not None:
        each = [r.result for r in result.stages] or [result]
        return [mash, fed, *(float(r.pellets_out.moisture_wb) for r in each)]
    target = target_moisture(case)
    dry = fed if target is None else min(float(target), fed)
    return [mash, fed, *[fed] * (count - 1), dry]


def _lost_on_the_way(case: Case) -> float:
    """How much moister [kg/kg wet] pellets run out of the die than they come to the cooler."""
    if case.arrival is None:
        return 0.0
    die, last = case.arrival.states[-2:]
    return float(die.moisture - last.moisture)


def fed_share(steps: Sequence[Step], case: Case) -> float:
    """Feed of the first machine per kg of mash."""
    names = stage_names(case)
    return next(s.enters for s in steps if s.machine in names)


def bottleneck(case: Case, result: Result | None = None) -> float | None:
    """Throughput [kg/s] of the first machine's feed at the slowest step; None where none has a capacity."""
    steps = steps_of(case, result)
    share = fed_share(steps, case)
    able = [s.capacity / s.enters * share for s in steps if s.capacity is not None]
    return min(able) if able else None


# ---- What cannot be -----------------------------------------------------------------------------------


def objections(case: Case) -> Iterator[tuple[str, str, str]]:
    """What is wrong with the machines of a line: (key, found, what is allowed)."""
    names = stage_names(case)
    seen: dict[str, str] = {}
    for number, entry in enumerate(case.equipment, 1):
        place = f"equipment.{number}"
        ways = [n for n in ("capacity", "batch", "catch") if getattr(entry, n) is not None]
        if entry.machine is not None and entry.machine not in (*names, COATING):
            allowed = f"allowed: {', '.join(names)}, {COATING}; other machines have no such key"
            yield f"{place}.machine", f'"{entry.machine}"', allowed
            continue
        if entry.machine is not None and seen.setdefault(entry.machine, place) != place:
            yield f"{place}.machine", f'"{entry.machine}"', f"{seen[entry.machine]} is it already"
        if entry.machine in names:
            one = _machine(case, names.index(entry.machine), None)[0]
            wrong = [n for n in ways if n != "capacity" or isinstance(one, Batch)]
            if wrong:
                allowed = "this machine is computed: leave it out"
                yield f"{place}.{wrong[0]}", "given", allowed
            continue
        if len(ways) > 1:
            yield f"{place}.{ways[1]}", f"beside {ways[0]}", "give one of capacity, batch with cycle, catch"
        elif not ways and entry.machine is None:
            yield (
                f"{place}.capacity",
                "nothing",
                'it is needed, such as capacity = "500 kg/h", or batch or catch',
            )
        if (entry.batch is None) != (entry.cycle is None):
            lacks, has = ("cycle", "batch") if entry.cycle is None else ("batch", "cycle")
            yield f"{place}.{lacks}", "nothing", f"{has} needs it beside it"
    order = [names.index(e.machine) for e in case.equipment if e.machine in names]
    if order != sorted(order):
        yield "equipment", "stages in another order", f"pellets meet them as {', '.join(names)}"


def beyond(case: Case, steps: Sequence[Step]) -> Iterator[tuple[str, str, str]]:
    """Steps that cannot reach the throughput that was typed: (key, found, what is allowed)."""
    share = fed_share(steps, case)
    for s in steps:
        needed = case.feed.throughput / share * s.enters
        if s.capacity is not None and s.capacity < needed * (1 - 1e-6):
            found = f"{s.name} takes {3600 * s.capacity:.4g} kg/h, of which {3600 * needed:.4g} kg/h come"
            allowed = "less feed.throughput, or leave it out: it is the slowest step's then"
            yield "equipment", found, allowed
