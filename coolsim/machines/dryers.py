"""What can be set on a dryer: a batch's air, time and recirculation; a belt's air and speed.

Of a belt, `inlet_air_temperature` is that of its hottest zone, and the other heated zones keep their distance to it
(none falls below outside air); `airflow` is that of all zones together, and each keeps its share. Its throughput is
given, so a slower belt is a deeper bed: `bed_depth` is its speed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import ENERGY_ALONE, Cost, cost_of, given_away
from coolsim.case.machine import Batch, Belt
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Result
from coolsim.machines import conditioner
from coolsim.machines.base import (
    DIALS,
    LONGEST_COOLING,
    Choice,
    Setting,
    Spent,
    airflow_of,
    heated,
    of_conditioner,
    setting,
)
from coolsim.simulate.feed_following import throughput_about
from coolsim.simulate.least_bed import depths_to_choose, least_time, without_least_bed
from coolsim.support.display import Displayed
from coolsim.support.fields import Array, documented

# Keys of [limits] that open a setting, by arrangement.
OPENED: Mapping[str, tuple[str, ...]] = {
    "batch": (
        *("airflow", "inlet_air_temperature", "duration", "recirculation"),
        *("bed_depth", "batch_mass", "cooling_time", "reverse_every"),
    ),
    "belt": ("airflow", "inlet_air_temperature", "bed_depth", "residence_time"),
}


@dataclass(frozen=True, repr=False)
class DryerSettings(Displayed):
    """What an operator of a dryer dials in; nan (in JSON null) where the dryer has no such thing."""

    inlet_air_temperature: float = documented("°C", "air blown in; of a belt's hottest zone")
    airflow: float = documented("m³/s", "as volume of outside air; of all zones together")
    recirculation: float = documented("-", "share of the exhaust blown in again; of a batch")
    duration: float = documented("s", "drying time of a batch, or time on a belt")
    bed_depth: float = documented("m", "depth of the bed")
    belt_speed: float = documented("m/s", "of a belt", json="belt_speed_m_min", factor=60.0)
    zone_inlet_air_temperature: tuple[float | None, ...] = documented(
        "°C", "of each zone of a belt; none where it is not heated"
    )
    zone_airflow: tuple[float, ...] = documented("m³/s", "of each zone of a belt")


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


def with_settings(case: Case, knobs: Mapping[str, float]) -> Case:
    """The case with its dryer set so, and its feed where feed_moisture or feed_temperature are among the knobs."""
    case, knobs = conditioner.set_so(case, knobs)
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
    """Ranges of the knobs that [limits] opens; no air is blown in colder than outside (of several, the coldest)."""
    limits, c = case.limits, case.cooler
    given = limits.given()
    searched = [n for n in OPENED[c.arrangement] if n not in _FOR_DEPTH and n not in _idle(case)]
    found = {n: tuple(given[n]) for n in searched if n in given}
    for name, metres in _FOR_DEPTH.items():
        if name in given:
            found["bed_depth"] = tuple(metres(case) * x for x in given[name])
    if "bed_depth" in found:
        per_second = _metres_per_second(case) if isinstance(c, Belt) else 0.0
        found["bed_depth"] = depths_to_choose(case, found["bed_depth"], per_second)
    if "duration" in found:  # with the cooling it is time in the bed
        low, high = found["duration"]
        found["duration"] = min(max(low, least_time(case) - c.cooling_time), high), high
    if "inlet_air_temperature" in found:
        low, high = found["inlet_air_temperature"]
        outside = float(np.min(case.air.temperature))
        found["inlet_air_temperature"] = max(low, outside), max(high, outside)
    return conditioner.ranges(case) | found


def _idle(case: Case) -> tuple[str, ...]:
    """Settings that do nothing: of pellets that are turned all the time, from where the air comes."""
    return ("reverse_every",) if getattr(case.cooler, "mixing", "none") == "continuous" else ()


def _metres_per_second(case: Case) -> float:
    """Depth of a belt's bed for each second on it."""
    c = case.cooler
    return float(
        case.feed.throughput / (case.feed.bulk_density * c.belt_width * sum(z.length for z in c.zones))
    )


def _metres_per_kilogram(case: Case) -> float:
    """Depth of a batch for each kilogram of it."""
    return float(1 / (case.feed.bulk_density * case.cooler.floor_area))


# What stands for a depth in [limits], and how many metres each unit of it is.
_FOR_DEPTH: Mapping[str, Callable[[Case], float]] = {
    "residence_time": _metres_per_second,
    "batch_mass": _metres_per_kilogram,
}


@dataclass(frozen=True)
class Dryer:
    """A batch or a belt in its case."""

    case: Case

    @cached_property
    def settings(self) -> tuple[Setting, ...]:
        """Air and time of a batch, air and speed of a belt; what is only set where it is opened, then."""
        case, dial = self.case, DIALS[self.case.units]
        outside = float(np.min(case.air.temperature))
        hot = heated(setting("inlet_air_temperature", case), outside)
        air = (hot, airflow_of(case)) if hot.opened or HOT in now(case) else (airflow_of(case),)
        if isinstance(case.cooler, Belt):
            free, kept = (_belt_speeds(one) for one in (without_least_bed(case), case))
            speed = Setting(QUANTITIES["belt_speed"], *free, dial["belt_speed"])
            return (*air, speed.within(*kept) if speed.opened else speed, *of_conditioner(case))
        bed = _between(setting("bed_depth", case, step=dial["dryer_bed_depth"]), case)
        mass = _between(setting("batch_mass", case), case, per=1 / _metres_per_kilogram(case))
        others = [
            mass,
            *(setting(n, case) for n in ("cooling_time", "reverse_every") if n not in _idle(case)),
        ]
        time = _between(setting("duration", case), case, "duration")
        back = setting("recirculation", case)
        return (*air, time, back, *(s for s in (bed, *others) if s.opened), *of_conditioner(case))

    @property
    def unopened(self) -> tuple[Setting, ...]:
        """Of a batch its mass, how often the air changes sides, and its cooling, where nothing opens them."""
        c = self.case.cooler
        if isinstance(c, Belt):
            return ()
        mass, opened = self._mass(self.case), {s.quantity.name for s in self.settings}
        found = [_searched_setting("cooling_time", 0.0, max(LONGEST_COOLING, 2 * c.cooling_time), self.case)]
        if "bed_depth" not in opened:
            found.append(_searched_setting("batch_mass", LIGHTEST * mass, mass, self.case))
        if c.mixing == "none" and c.duration > SOONEST:
            found.append(_searched_setting("reverse_every", SOONEST, c.duration, self.case))
        return tuple(s for s in found if s.quantity.name not in opened)

    @property
    def choices(self) -> tuple[Choice, ...]:
        """Of a batch, whether its pellets are turned."""
        case, c = self.case, self.case.cooler
        if isinstance(c, Belt):
            return ()
        to = "none" if c.mixing == "continuous" else "continuous"
        other = dataclasses.replace(case, cooler=dataclasses.replace(c, mixing=to))
        return (Choice(QUANTITIES["mixing"], c.mixing, to, other, case.limits.mixing is not None),)

    @staticmethod
    def _mass(case: Case) -> float:
        return float(case.cooler.bed_depth / _metres_per_kilogram(case))

    def at(self, values: Mapping[str, float]) -> Case:
        """The dryer set so; a belt by its depth or its speed, a batch by its depth or its mass."""
        case, knobs = conditioner.set_so(self.case, values)
        if "belt_speed" in knobs:
            knobs["bed_depth"] = _belt_speed(case, 1.0) / knobs.pop("belt_speed")
        if "batch_mass" in knobs:
            knobs["bed_depth"] = _metres_per_kilogram(case) * knobs.pop("batch_mass")
        return with_settings(case, knobs)

    def read(self, case: Case, result: Result) -> dict[str, float]:
        """How a dryer is set."""
        told, c = settings_of(case), case.cooler
        mass = np.nan if isinstance(c, Belt) else self._mass(case)
        others = {n: getattr(c, n, None) for n in ("cooling_time", "reverse_every")} | {"batch_mass": mass}
        known = {f.name: getattr(told, f.name) for f in dataclasses.fields(told)} | others
        known |= conditioner.read(case)
        keys = [s.key for s in (*self.settings, *self.unopened)]
        return {key: np.nan if known[key] is None else float(known[key]) for key in keys}

    def named_settings(self, case: Case, result: Result) -> DryerSettings:
        """The settings by their names."""
        return settings_of(case)

    def spent(self, cases: Sequence[Case], result: Result) -> Spent:
        """What dryers take for the wet feed that they can take, where that is less than the throughput."""
        fed = np.array([c.feed.throughput for c in cases])
        if result.schedule is not None:
            fed = fed / np.maximum(np.asarray(result.schedule.load), 1.0)
        solid = fed * np.array([1 - c.feed.moisture for c in cases])
        heat, electricity = per_solid(result)
        return Spent(electricity * solid, heat * solid, fed)

    def spent_on(self, k: int, cases: Sequence[Case], result: Result) -> Spent:
        """As `spent`: it is the only machine."""
        return self.spent(cases, result)


HOT = "inlet_air_temperature"
LIGHTEST = 0.2  # of a batch, looked at
SOONEST = 60.0  # s between reversals, looked at


def _searched_setting(name: str, low: float, high: float, case: Case) -> Setting:
    """A setting between what is looked at."""
    return Setting(QUANTITIES[name], low, high, DIALS[case.units][name])


def _between(own: Setting, case: Case, knob: str = "bed_depth", per: float = 1.0) -> Setting:
    """A setting that stands for a knob, between the ends of its range."""
    return own.within(*(per * end for end in ranges(case)[knob])) if own.opened else own


def _belt_speed(case: Case, depth: float) -> float:
    """Speed [m/s] of a belt that carries the throughput in a bed of a depth."""
    return float(throughput_about(case) / (case.feed.bulk_density * case.cooler.belt_width * depth))


def _belt_speeds(case: Case) -> tuple[float, float]:
    """Slowest and fastest that may be set; nan where nothing opens them."""
    shallow, deep = ranges(case).get("bed_depth", (np.nan, np.nan))
    return _belt_speed(case, deep), _belt_speed(case, shallow)


def per_solid(result: Result) -> tuple[Array, Array]:
    """Heat and electricity [J] of a dryer per kg of dry solid."""
    energy = result.energy
    assert energy is not None, "only of a dryer is it told"
    solid = energy.product * (1 - result.pellets_out.moisture_wb)
    return np.asarray(energy.heat / solid), np.asarray(energy.fan / solid)


def mass_of(case: Case) -> float:
    """Wet feed [kg] that Result.energy is of: a batch, or an hour on a belt."""
    c = case.cooler
    if c.arrangement == "batch":
        return float(case.feed.bulk_density * c.floor_area * c.bed_depth)
    return float(3600 * case.feed.throughput)


def running_cost(case: Case, outcomes: Mapping[str, Array]) -> Cost:
    """What running costs, of exit moisture and of heat and electricity ("fan") [J] per kg of wet feed.

    Where nothing has a price, energy stands for money.
    """
    fed = case.feed.throughput
    solid = fed * (1 - case.feed.moisture)
    return cost_of(
        case.costs or ENERGY_ALONE,
        fed,
        electricity=fed * outcomes["fan"],
        heat=fed * outcomes["heat"],
        given_away=given_away(case, solid, outcomes["moisture"]),
    )
