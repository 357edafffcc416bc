"""What can be set on a dryer: a batch's air, time and recirculation; a belt's air and speed.

Of a belt, `inlet_air_temperature` is that of its hottest zone, and the other heated zones keep their distance to it
(none falls below outside air); `airflow` is that of all zones together, and each keeps its share. Its throughput is
given, so a slower belt is a deeper bed: `bed_depth` is its speed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from coolsim.case import Batch, Belt, Case
from coolsim.errors import Fault, InputError
from coolsim.fields import documented
from coolsim.inputs import borne
from coolsim.studies.asked import OPENED as OF_COOLERS
from coolsim.studies.asked import where

# Keys of [limits] that open a setting, by arrangement.
OPENED: Mapping[str, tuple[str, ...]] = {
    "batch": ("airflow", "inlet_air_temperature", "duration", "recirculation"),
    "belt": ("airflow", "inlet_air_temperature", "bed_depth", "residence_time"),
}
FOREIGN = (*OF_COOLERS, "duration", "recirculation")


@dataclass(frozen=True)
class DryerSettings:
    """What an operator of a dryer dials in; nan (in JSON null) where the dryer has no such thing."""

    inlet_air_temperature: float = documented(
        "°C", "air blown in; of a belt's hottest zone", json="inlet_air_temperature_C"
    )
    airflow: float = documented(
        "m³/s", "as volume of outside air; of all zones together", json="airflow_m3_h", factor=3600.0
    )
    recirculation: float = documented("-", "share of the exhaust blown in again; of a batch")
    duration: float = documented("s", "drying time of a batch, or dwell on a belt", json="duration_s")
    bed_depth: float = documented("m", "depth of the bed", json="bed_depth_m")
    belt_speed: float = documented("m/s", "of a belt", json="belt_speed_m_min", factor=60.0)
    zone_inlet_air_temperature: tuple[float | None, ...] = documented(
        "°C", "of each zone of a belt; none where it is not heated", json="zone_inlet_air_temperature_C"
    )
    zone_airflow: tuple[float, ...] = documented(
        "m³/s", "of each zone of a belt", json="zone_airflow_m3_h", factor=3600.0
    )


def now(case: Case) -> dict[str, float]:
    """The knobs as the scenario has them, by their names."""
    c = case.cooler
    if isinstance(c, Batch):
        known = {"airflow": c.airflow, "duration": c.duration, "recirculation": c.recirculation}
        hot = c.inlet_air_temperature
    else:
        known = {"airflow": sum(z.airflow for z in c.zones), "bed_depth": c.bed_depth}
        hot = max(
            (z.inlet_air_temperature for z in c.zones if z.inlet_air_temperature is not None), default=None
        )
    return known if hot is None else known | {"inlet_air_temperature": hot}


def dialled(case: Case, knobs: Mapping[str, float]) -> Case:
    """The case with its dryer set so, and its feed where feed_moisture or feed_temperature are among the knobs."""
    of_feed = {n.removeprefix("feed_"): v for n, v in knobs.items() if n.startswith("feed_")}
    of_dryer = {n: v for n, v in knobs.items() if not n.startswith("feed_")}
    feed = dataclasses.replace(case.feed, **of_feed)
    set_so = _batch if isinstance(case.cooler, Batch) else _belt
    return dataclasses.replace(case, feed=feed, cooler=set_so(case, of_dryer))


def _batch(case: Case, knobs: Mapping[str, float]) -> Batch:
    changed = dict(knobs)
    if "inlet_air_temperature" in changed:
        changed["inlet_air_temperature"] = max(changed["inlet_air_temperature"], float(case.air.temperature))
    return dataclasses.replace(case.cooler, **changed)


def _belt(case: Case, knobs: Mapping[str, float]) -> Belt:
    belt, before, outside = case.cooler, now(case), float(case.air.temperature)
    share = knobs.get("airflow", before["airflow"]) / before["airflow"]
    shift = (
        knobs["inlet_air_temperature"] - before["inlet_air_temperature"]
        if "inlet_air_temperature" in knobs
        else 0.0
    )
    zones = tuple(
        dataclasses.replace(
            zone,
            airflow=share * zone.airflow,
            inlet_air_temperature=None
            if zone.inlet_air_temperature is None
            else max(zone.inlet_air_temperature + shift, outside),
        )
        for zone in belt.zones
    )
    return dataclasses.replace(belt, zones=zones, bed_depth=knobs.get("bed_depth", belt.bed_depth))


def settings_of(case: Case) -> DryerSettings:
    """The settings that a case has."""
    c, at = case.cooler, now(case)
    hot = at.get("inlet_air_temperature", np.nan)
    if isinstance(c, Batch):
        return DryerSettings(hot, c.airflow, c.recirculation, c.duration, c.bed_depth, np.nan, (), ())
    speed = case.feed.throughput / (case.feed.bulk_density * c.belt_width * c.bed_depth)
    return DryerSettings(
        hot,
        at["airflow"],
        np.nan,
        sum(z.length for z in c.zones) / speed,
        c.bed_depth,
        speed,
        tuple(z.inlet_air_temperature for z in c.zones),
        tuple(z.airflow for z in c.zones),
    )


def ranges(case: Case) -> dict[str, tuple[float, float]]:
    """Ranges of the knobs that [limits] opens; no air is blown in colder than outside."""
    limits, c = case.limits, case.cooler
    given = limits.given()
    found = {n: tuple(given[n]) for n in OPENED[c.arrangement] if n in given and n != "residence_time"}
    if limits.residence_time is not None:
        length = sum(z.length for z in c.zones)
        per_second = case.feed.throughput / (case.feed.bulk_density * c.belt_width * length)
        found["bed_depth"] = tuple(per_second * t for t in limits.residence_time)
    if "bed_depth" in found:
        found["bed_depth"] = borne(found["bed_depth"], c)
    if "inlet_air_temperature" in found:
        low, high = found["inlet_air_temperature"]
        outside = float(case.air.temperature)
        found["inlet_air_temperature"] = max(low, outside), max(high, outside)
    return found


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a dryer cannot be asked for settings."""
    limits, target, costs = case.limits, case.target, case.costs
    opened, faults = OPENED[case.cooler.arrangement], []
    if target.moisture is None:
        faults.append(
            _fault(case, "target.moisture", "nothing", 'settings need it, such as moisture = "10 %"')
        )
    if costs.electricity is None:
        example = 'settings need it, such as electricity = "0.15 /kWh"'
        faults.append(_fault(case, "costs.electricity", "nothing", example))
    if not {*opened} & {*limits.given()}:
        example = 'inlet_air_temperature = ["60 degC", "100 degC"]'
        allowed = f"one or more of {', '.join(opened)}, such as {example}"
        faults.append(_fault(case, "limits", "no range of what may be set", allowed))
    faults += wrong_limits(case)
    if faults:
        raise InputError(faults)


def wrong_limits(case: Case) -> list[Fault]:
    """What stands in a dryer's limits and can be no limit of it."""
    c, limits = case.cooler, case.limits.given()
    opened = OPENED[c.arrangement]
    allowed = f"of a {c.arrangement} dryer may be set: {', '.join(opened)}"
    faults = [
        _fault(case, f"limits.{name}", "a range", allowed)
        for name in FOREIGN
        if name in limits and name not in opened
    ]
    if "inlet_air_temperature" in limits and isinstance(c, Belt) and "inlet_air_temperature" not in now(case):
        allowed = "no zone is heated: give a zone its inlet_air_temperature"
        faults.append(_fault(case, "limits.inlet_air_temperature", "a range", allowed))
    for name, low in (("airflow", 1e-9), ("bed_depth", 0.0)):
        if name in limits and limits[name][0] < low:
            allowed = "without air nothing dries: give a lowest above zero"
            faults.append(_fault(case, f"limits.{name}", "nothing as the lowest", allowed))
    return faults


def _fault(case: Case, key: str, found: str, allowed: str) -> Fault:
    return Fault(where(case, key) or where(case, key.partition(".")[0]), key, found, allowed)


def words(name: str) -> str:
    """A knob as people call it."""
    return {"duration": "drying time", "bed_depth": "bed depth"}.get(name, name.replace("_", " "))
