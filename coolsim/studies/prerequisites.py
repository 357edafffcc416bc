"""What a scenario must have before it can be asked for settings."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.quantities import LIMITED
from coolsim.case.streams import Air
from coolsim.equipment import fan
from coolsim.machines import conditioner, dryers, lines
from coolsim.physics import air, sorption
from coolsim.scenario import schema
from coolsim.simulate.finishing import before_coating
from coolsim.simulate.requirements import is_dryer
from coolsim.simulate.upstream import range_objections
from coolsim.support import dual_units
from coolsim.support.errors import Fault, InputError

OPENED = ("airflow", "fan_speed", "bed_depth", "residence_time", "inlet_air_temperature")  # keys of [limits]
RANGES = tuple(dict.fromkeys((*OPENED, *dryers.OPENED["batch"])))  # keys of [limits] that are ranges
HOT = "inlet_air_temperature"
NOTHING = 1e-9  # of an airflow or a depth
MOST_OPEN = 8  # things to set at once on a line: a survey has all corners of their ranges
HIGHEST_FEED_MOISTURE = 0.35  # kg/kg wet
# What outside air can be, in the words of its error: lowest, highest, and factor and format of what is shown.
_AIR: dict[str, tuple[float, float, float, str]] = {
    "temperature": (-60.0, 60.0, 1.0, "{:g} °C"),
    "relative_humidity": (0.0, 1.0, 100.0, "{:g} %"),
    "pressure": (45e3, 110e3, 1e-3, "{:g} kPa"),
}


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be asked for settings."""
    faults = [*needed(case), *_of_conditioner(case)]
    for place, one in _machines(case):
        faults += [placed(case, place, fault) for fault in _of_a_machine(case, one)]
    if isinstance(case.cooler, Line) and not faults:
        faults += _too_many(case)
    if case.cooler.arrangement == "counter-flow" and not faults:
        faults += impossible(case)
    if faults:
        raise InputError(list({(f.key, f.found): f for f in faults}.values()))


def needed(case: Case) -> Iterator[Fault]:
    """What settings need and a scenario does not have."""
    for table, key, example in (
        ("target", "moisture", 'moisture = "12 %"'),
        ("costs", "electricity", 'electricity = "0.15 /kWh"'),
    ):
        if getattr(getattr(case, table), key) is None:
            found = "nothing" if is_typed(case, table) else f"no [{table}] table"
            allowed = f"settings need it: below [{table}], such as {example}"
            yield Fault(where(case, table), f"{table}.{key}", found, allowed)
    if opens_something(case):
        return
    each = [(one, may_be_set(one)) for _, one in _machines(case)]
    if isinstance(case.cooler, Line):
        names = (stage.name for stage in case.cooler.stages)
        what = "; ".join(f"{name}: {', '.join(keys)}" for name, (_, keys) in zip(names, each))
        what += (
            f"; before the line, below [limits]: {', '.join(conditioner.KEYS)}" if case.conditioning else ""
        )
        example = 'inlet_air_temperature = ["60 degC", "100 degC"]'
        allowed = f"settings need one or more below the [stage.limits] of a stage, such as {example} ({what})"
        yield Fault(where(case, "stage"), "stage.limits", "no range of what may be set", allowed)
        return
    ((_, keys),) = each
    keys = (*keys, *conditioner.KEYS) if case.conditioning else keys
    example = f"{keys[0]} = {schema.TABLES['limits'].keys[keys[0]].example}"
    allowed = f"settings need one or more of {', '.join(keys)}: below [limits], such as {example}"
    found = "no range of what may be set" if is_typed(case, "limits") else "no [limits] table"
    yield Fault(where(case, "limits"), "limits", found, allowed)


def _of_conditioner(case: Case) -> Iterator[Fault]:
    """What cannot be of the ranges of a conditioner, of a case that was made in Python."""
    tables = case.recipe, case.conditioning, case.air, case.material, case.limits
    for key, found, allowed in range_objections(*tables):
        yield Fault(where(case, key), key, found, allowed)


def opens_something(case: Case) -> bool:
    """Whether [limits], or those of any stage, hold a range of what may be set."""
    opened = any({*one.limits.given()} & {*may_be_set(one)} for _, one in _machines(case))
    return opened or bool(conditioner.ranges(case))


def may_be_set(case: Case) -> tuple[str, ...]:
    """Keys of [limits] that open a setting of a machine."""
    return OPENED if case.cooler.arrangement == "counter-flow" else dryers.OPENED[case.cooler.arrangement]


def _machines(case: Case) -> list[tuple[str, Case]]:
    """The machines of a case, each by itself, with the key of its stage."""
    if isinstance(case.cooler, Line):
        return [(f"stage.{k}", one) for k, one in enumerate(lines.machines(case), 1)]
    return [("", case)]


def placed(case: Case, place: str, fault: Fault) -> Fault:
    """A fault of a machine alone, where it stands in its line."""
    of_all = not place or fault.key.startswith(("target.", "costs."))
    key = fault.key if of_all else f"{place}.{fault.key}"
    at = (
        where(case, key) or where(case, key.rpartition(".")[0]) or where(case, place or key.partition(".")[0])
    )
    return Fault(at, key, fault.found, fault.allowed)


def _too_many(case: Case) -> Iterator[Fault]:
    first = (float(np.ravel(getattr(case.air, f.name))[0]) for f in dataclasses.fields(Air))
    one = dataclasses.replace(case, air=Air(*first))  # of many weathers: what is open is open in all
    open_ = [name for name, (low, high) in lines.ranges(one).items() if low < high]
    if len(open_) > MOST_OPEN:
        allowed = f"at most {MOST_OPEN} at once: leave some ranges out, or give them equal ends"
        yield Fault(where(case, "stage"), "stage.limits", f"{len(open_)} things that may be set", allowed)


def _of_a_machine(case: Case, one: Case) -> Iterator[Fault]:
    """What stands in the limits of a machine of a case and can be no limit of it, under its own keys."""
    kind, limits = one.cooler.arrangement, one.limits.given()
    last = not isinstance(case.cooler, Line) or one.cooler is case.cooler.stages[-1].cooler
    allowed = (
        f"of a {kind} {'dryer ' if is_dryer(one) else 'cooler '}may be set: {', '.join(may_be_set(one))}"
    )
    for name in limits:
        if name in RANGES and name not in may_be_set(one):
            yield Fault("", f"limits.{name}", "a range", allowed)
    if "mixing" in limits and kind != "batch":
        yield Fault("", "limits.mixing", '"either"', "only the pellets of a batch are turned: leave it out")
    if not is_dryer(one):
        for q, of in LIMITED:
            table = of.table
            given = q.only_of == "dryers" and getattr(getattr(one, table), q.key) is not None
            if given and (last or table == "limits"):
                yield Fault("", f"{table}.{q.key}", "a limit of dryers", "leave it out of a cooler")
        yield from of_fan(one)
        yield from _of_speed(case, one)
    elif HOT in limits and one.cooler.arrangement == "belt" and HOT not in dryers.now(one):
        allowed = "no zone is heated: give a zone its inlet_air_temperature"
        yield Fault("", f"limits.{HOT}", "a range", allowed)
    for name in ("airflow", "bed_depth"):
        if (limits.get(name) or (1.0,))[0] <= NOTHING:
            allowed = "without air and pellets nothing dries or cools: give a lowest above zero"
            yield Fault("", f"limits.{name}", "nothing as the lowest", allowed)


def _of_speed(case: Case, one: Case) -> Iterator[Fault]:
    """The search of lines needs an airflow of each stage."""
    cooler, opened = one.cooler, one.limits
    stated = cooler.airflow is not None or cooler.air_ratio is not None
    if not isinstance(case.cooler, Line) or stated or opened.airflow or opened.fan_speed:
        return
    allowed = (
        "settings of a line need the airflow of each stage: give it in place of the speed, or open "
        "fan_speed or airflow in the limits of this stage"
    )
    yield Fault("", "fan.speed", "an airflow that follows from the fan's speed", allowed)


def of_fan(case: Case) -> list[Fault]:
    """What is wrong with a cooler's fan, where its speed may be set or it has a curve."""
    try:
        no_fan = fan.fan_of(case.fan) is None
    except InputError as error:
        return list(error.faults)
    if case.limits.fan_speed is not None and no_fan:
        curve = 'rated_flow = "1500 m3/h" and rated_pressure = "1900 Pa", or a curve'
        allowed = f"settings need it (limits.fan_speed is of this fan): below [fan], such as {curve}"
        found = "no curve and no rated point" if is_typed(case, "fan") else "no [fan] table"
        return [Fault("", "fan", found, allowed)]
    return []


def check_air(given: Air) -> Air:
    """Outside air with its fields broadcast against each other and laid in a row; numbers stay numbers.

    Raises InputError, with every fault, where they do not broadcast or are no outside air.
    """
    fields = {name: np.asarray(getattr(given, name), float) for name in _AIR}
    try:
        shape = np.broadcast_shapes(*(value.shape for value in fields.values()))
    except ValueError:
        shapes = ", ".join(f"{name} {value.shape}" for name, value in fields.items())
        raise InputError([Fault("", "air", f"arrays of shapes {shapes}", "shapes that broadcast")]) from None
    faults = [fault for name, value in fields.items() for fault in _no_air(name, value)]
    if not faults and 0 in shape:
        faults = [Fault("", "air", "no weather", "one entry at least")]
    if faults:
        raise InputError(faults)
    if not shape:
        return given
    return Air(**{name: np.ravel(np.broadcast_to(value, shape)).copy() for name, value in fields.items()})


def _no_air(name: str, value: Any) -> list[Fault]:
    """The fault of a field of air: its first bad entry, and how many there are."""
    low, high, factor, text = _AIR[name]
    bad = ~((value >= low) & (value <= high))  # nan, too
    if not bad.any():
        return []
    at = int(np.flatnonzero(bad.ravel())[0])
    entry = f" in entry {at}" if value.ndim else ""
    more = f" (and {bad.sum() - 1} more)" if bad.sum() > 1 else ""
    shown, lowest, highest = (text.format(factor * x) for x in (value.ravel()[at], low, high))
    return [Fault("", f"air.{name}", f"{shown}{entry}{more}", f"from {lowest} to {highest}")]


def is_typed(case: Case, table: str) -> bool:
    """Whether a case has a table, be it an empty one of its scenario."""
    return bool(getattr(case, table)) or table in case.source


def where(case: Case, key: str) -> str:
    """Return where a key of the scenario stands, if the case was read from one."""
    where = getattr(case.source, "where", None)
    return where(key) if where else ""


def impossible(case: Case) -> list[Fault]:
    """A target that no air can reach at any time: drier than outside air at the hottest that anything is.

    Of several weathers one that can is enough: what is out of reach in the others is answered, not refused.
    """
    target = case.target
    ceiling = before_coating(case)("moisture", target.moisture + (target.tolerance or 0.0))
    hottest = (case.limits.inlet_air_temperature or (0.0, case.air.temperature))[1]
    temperatures = (hottest, case.air.temperature, case.feed.temperature)
    T = np.max(np.broadcast_arrays(*temperatures), axis=0)
    Y = air.humidity_ratio_from_relative_humidity(
        case.air.temperature, case.air.relative_humidity, case.air.pressure
    )
    a_w = air.relative_humidity(T, Y, case.air.pressure)
    X = sorption.equilibrium_moisture(case.material.isotherm, np.minimum(a_w, 0.999), T)
    k = int(np.argmin(X))  # of several weathers, the one that dries most
    T, a_w, X = (float(np.ravel(x)[k]) for x in (T, a_w, X))
    if ceiling < X / (1 + X):
        return [
            Fault(
                where(case, "target.moisture"),
                "target.moisture",
                f"{100 * ceiling:.2f} %",
                f"even at {dual_units.temperature(T)}, the hottest anything is here, outside air ({100 * a_w:.0f} "
                f"% relative humidity then) dries this feed to {100 * (X / (1 + X)):.2f} % at best: ask for no "
                "less, or heat the inlet air (limits.inlet_air_temperature)",
            )
        ]
    return []
