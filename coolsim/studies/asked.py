"""What a scenario must have before it can be asked for settings."""

from __future__ import annotations

from typing import Any

import numpy as np

from coolsim import both_units
from coolsim.case import Air, Case, Line
from coolsim.equipment import fan
from coolsim.errors import Fault, InputError
from coolsim.physics import air, sorption

OPENED = ("airflow", "fan_speed", "bed_depth", "residence_time", "inlet_air_temperature")  # keys of [limits]
OF_DRYERS = {
    "target": ("maximum_deviation",),
    "limits": ("duration", "recirculation", "maximum_pellet_temperature"),
}
HIGHEST_FEED_MOISTURE = 0.35  # kg/kg wet
# What outside air can be, in the words of its error: lowest, highest, and factor and format of what is shown.
_AIR: dict[str, tuple[float, float, float, str]] = {
    "temperature": (-60.0, 60.0, 1.0, "{:g} °C"),
    "relative_humidity": (0.0, 1.0, 100.0, "{:g} %"),
    "pressure": (45e3, 110e3, 1e-3, "{:g} kPa"),
}


def is_dryer(case: Case) -> bool:
    return case.cooler.arrangement in ("batch", "belt")


def only_coolers(case: Case, question: str, *, and_dryers: bool = False) -> None:
    """Raise InputError where a dryer or a line is asked what can be answered for counter-flow coolers only.

    and_dryers: dryers have a room of their own for it, so that only a line is asked in vain.
    """
    if case.cooler.arrangement != "counter-flow":
        key, found = "cooler.arrangement", f'"{case.cooler.arrangement}"'
        takes = "predict`, `settings`, `size` and `seasons` take dryers"
        if isinstance(case.cooler, Line):
            key, found = "stage", "a line of stages"
            takes = (
                "predict` and `settings` take lines, and each machine of one can be asked by itself, in a "
                "scenario of its own"
            )
        machines = f"counter-flow coolers{' and dryers' if and_dryers else ''}"
        allowed = f"{question} for {machines} only so far; `coolsim {takes}"
        raise InputError([Fault(where(case, key), key, found, allowed)])


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be asked for settings."""
    only_coolers(case, "settings with a chance are found", and_dryers=True)  # else lines have a room
    faults = foreign(case)
    for table, key, example in (
        ("target", "moisture", 'moisture = "12 %"'),
        ("costs", "electricity", 'electricity = "0.15 /kWh"'),
    ):
        if getattr(getattr(case, table), key) is None:
            faults.append(_missing(case, f"{table}.{key}", example))
    if not {*OPENED} & {*case.limits.given()}:
        faults.append(_missing(case, "limits", 'airflow = ["500 m3/h", "2400 m3/h"]', "what may be set"))
    faults += of_fan(case)
    if not faults:
        faults += impossible(case)
    if faults:
        raise InputError(faults)


def foreign(case: Case) -> list[Fault]:
    """What is said of dryers alone, in the tables of a cooler."""
    return [
        Fault(
            where(case, f"{table}.{key}"),
            f"{table}.{key}",
            "a limit of dryers",
            "leave it out of a cooler",
        )
        for table, keys in OF_DRYERS.items()
        for key in keys
        if getattr(getattr(case, table), key) is not None
    ]


def of_fan(case: Case) -> list[Fault]:
    """What is wrong with a cooler's fan, where its speed may be set or it has a curve."""
    try:
        no_fan = fan.fan_of(case.fan) is None
    except InputError as error:
        return list(error.faults)
    if case.limits.fan_speed is not None and no_fan:
        curve = 'rated_flow = "1500 m3/h" and rated_pressure = "1900 Pa", or a curve'
        return [_missing(case, "fan", curve, "limits.fan_speed is of this fan")]
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


def _missing(case: Case, key: str, example: str, why: str = "") -> Fault:
    table, _, name = key.partition(".")
    found = f"no [{table}] table"
    if is_typed(case, table):
        found = "nothing" if name else "no range"
    allowed = f"settings need it{f' ({why})' if why else ''}: below [{table}], such as {example}"
    return Fault(where(case, table), key, found, allowed)


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
    ceiling = target.moisture + (target.tolerance or 0.0)
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
                f"{ceiling:.2%}",
                f"even at {both_units.temperature(T)}, the hottest anything is here, outside air ({a_w:.0%} "
                f"relative humidity then) dries this feed to {X / (1 + X):.2%} at best: ask for no less, or heat "
                f"the inlet air (limits.inlet_air_temperature)",
            )
        ]
    return []
