"""What a line must have before it can be asked for settings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case import Case
from coolsim.errors import Fault, InputError
from coolsim.studies import asked
from coolsim.studies.asked import is_dryer, where
from coolsim.machines import dryers as of_dryers
from coolsim.machines.lines import machines, ranges

MOST_KNOBS = 5  # open at once: a survey has all corners of their ranges, twice as many for each knob more


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a line cannot be asked for settings."""
    faults = [*_of_the_line(case)]
    for k, one in enumerate(machines(case), 1):
        last = k == len(case.cooler.stages)
        faults += [_placed(case, k, fault) for fault in _of_a_machine(one, last)]
    if not faults:
        faults += _too_many(case)
    if faults:
        raise InputError(list({(f.key, f.found): f for f in faults}.values()))


def _of_the_line(case: Case) -> Iterator[Fault]:
    for table, key, example in (
        ("target", "moisture", 'moisture = "10 %"'),
        ("costs", "electricity", 'electricity = "0.15 /kWh"'),
    ):
        if getattr(getattr(case, table), key) is None:
            allowed = f"settings need it, below [{table}], such as {example}"
            yield Fault(where(case, table), f"{table}.{key}", "nothing", allowed)
    if np.ndim(case.air.temperature + case.air.relative_humidity + case.air.pressure):
        yield Fault(
            "", "air", "many weathers", "settings of a line are found in one weather at a time so far"
        )
    if not opens_something(case):
        each = zip(case.cooler.stages, machines(case))
        example = 'inlet_air_temperature = ["60 degC", "100 degC"]'
        what = "; ".join(f"{stage.name}: {', '.join(_may_be_set(one))}" for stage, one in each)
        allowed = f"settings need one or more below the [stage.limits] of a stage, such as {example} ({what})"
        yield Fault(where(case, "stage"), "stage.limits", "no range of what may be set", allowed)


def opens_something(case: Case) -> bool:
    """Whether the limits of any stage hold a range of what may be set."""
    return any({*one.limits.given()} & {*_may_be_set(one)} for one in machines(case))


def _may_be_set(one: Case) -> tuple[str, ...]:
    return of_dryers.OPENED[one.cooler.arrangement] if is_dryer(one) else asked.OPENED


def _of_a_machine(one: Case, last: bool) -> Iterator[Fault]:
    """What is wrong with the limits of one stage, under the keys of a machine alone."""
    if is_dryer(one):
        yield from of_dryers.wrong_limits(one)
        return
    yield from (f for f in asked.foreign(one) if last or f.key.startswith("limits."))
    yield from asked.of_fan(one)
    limits, cooler = one.limits, one.cooler
    if (limits.airflow or (1.0,))[0] < 1e-9:
        yield Fault(
            "",
            "limits.airflow",
            "nothing as the lowest",
            "without air nothing cools: give a lowest above zero",
        )
    if (
        cooler.airflow is None
        and cooler.air_ratio is None
        and not {"airflow", "fan_speed"} & {*limits.given()}
    ):
        allowed = (
            "settings of a line need the airflow of each stage: give it in place of the speed, or open "
            "fan_speed or airflow in the limits of this stage"
        )
        yield Fault("", "fan.speed", "an airflow that follows from the fan's speed", allowed)


def _placed(case: Case, k: int, fault: Fault) -> Fault:
    """A fault of a machine alone, where it stands in the line."""
    key = fault.key if fault.key.startswith(("target.", "costs.")) else f"stage.{k}.{fault.key}"
    place = where(case, key) or where(case, key.rpartition(".")[0]) or where(case, f"stage.{k}")
    return Fault(place, key, fault.found, fault.allowed)


def _too_many(case: Case) -> Iterator[Fault]:
    open_ = [name for name, (low, high) in ranges(case).items() if low < high]
    if len(open_) > MOST_KNOBS:
        allowed = f"at most {MOST_KNOBS} at once: leave some ranges out, or give them equal ends"
        yield Fault(where(case, "stage"), "stage.limits", f"{len(open_)} things that may be set", allowed)
