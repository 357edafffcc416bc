"""What a scenario must have before it can be asked for settings."""

from __future__ import annotations

from coolsim.case import Case
from coolsim.equipment import fan
from coolsim.errors import Fault, InputError
from coolsim.physics import air, sorption

OPENED = ("airflow", "fan_speed", "bed_depth", "residence_time", "inlet_air_temperature")  # keys of [limits]
HIGHEST_FEED_MOISTURE = 0.35  # kg/kg wet


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be asked for settings."""
    faults = []
    for table, key, example in (
        ("target", "moisture", 'moisture = "12 %"'),
        ("costs", "electricity", 'electricity = "0.15 /kWh"'),
    ):
        if key not in case.tables.get(table, {}):
            faults.append(_missing(case, f"{table}.{key}", example))
    limits = case.tables.get("limits", {})
    if not {*OPENED} & {*limits}:
        faults.append(_missing(case, "limits", 'airflow = ["500 m3/h", "2400 m3/h"]', "what may be set"))
    try:
        no_fan = fan.fan_of(case.tables) is None
    except InputError as error:
        no_fan, faults = False, faults + error.faults
    if "fan_speed" in limits and no_fan:
        curve = 'rated_flow = "1500 m3/h" and rated_pressure = "1900 Pa", or a curve'
        faults.append(_missing(case, "fan", curve, "limits.fan_speed is of this fan"))
    if not faults:
        faults += impossible(case)
    if faults:
        raise InputError(faults)


def _missing(case: Case, key: str, example: str, why: str = "") -> Fault:
    table, _, name = key.partition(".")
    found = "nothing" if table in case.tables and name else f"no [{table}] table"
    if table in case.tables and not name:
        found = "no range"
    allowed = f"settings need it{f' ({why})' if why else ''}: below [{table}], such as {example}"
    return Fault(where(case, table), key, found, allowed)


def where(case: Case, key: str) -> str:
    """Return where a key of the scenario stands, if the case was read from one."""
    where = getattr(case.source, "where", None)
    return where(key) if where else ""


def impossible(case: Case) -> list[Fault]:
    """A target that no air can reach at any time: drier than outside air at the hottest that anything is."""
    target = case.tables["target"]
    ceiling = target["moisture"] + target.get("tolerance", 0.0)
    hottest = case.tables.get("limits", {}).get("inlet_air_temperature", (0.0, case.air.temperature))[1]
    T = max(float(hottest), float(case.air.temperature), float(case.feed.temperature))
    Y = air.humidity_ratio_from_relative_humidity(
        case.air.temperature, case.air.relative_humidity, case.air.pressure
    )
    a_w = float(air.relative_humidity(T, Y, case.air.pressure))
    X = float(sorption.equilibrium_moisture(case.material.isotherm, min(a_w, 0.999), T))
    if ceiling < X / (1 + X):
        return [
            Fault(
                where(case, "target.moisture"),
                "target.moisture",
                f"{ceiling:.2%}",
                f"even at {T:.0f} °C, the hottest anything is here, outside air ({a_w:.0%} relative humidity then) "
                f"dries this feed to {X / (1 + X):.2%} at best: ask for no less, or heat the inlet air "
                f"(limits.inlet_air_temperature)",
            )
        ]
    return []
