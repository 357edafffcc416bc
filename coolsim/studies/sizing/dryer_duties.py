"""Duties of batch and belt dryers: what may be set on them, and what a floor makes of that."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from coolsim.case.case import Case
from coolsim.machines import dryers as dials
from coolsim.machines.base import DIALS
from coolsim.simulate.least_bed import depths_to_choose, least_time
from coolsim.simulate.requirements import constraints_of
from coolsim.studies.optimise.batching import Mesh
from coolsim.studies.optimise.march_outcomes import OUTCOMES, QUICK, ROUGH, marched
from coolsim.studies.optimise.problem import corners_and_faces
from coolsim.studies.optimise.survey import forth
from coolsim.studies.sizing.duties import Duty, goal_of
from coolsim.support.fields import Array

# s, looked at where [limits] says nothing; common practice, no source
TIMES = {"batch": (300.0, 7200.0), "belt": (300.0, 5400.0)}
# Of polynomials, in each axis and in all: of small boxes, of a batch's whole box, and there of three knobs or more.
POOR, RICH, RICH_OF_MANY = (2, 3), (4, 4), (3, 3)
DEPTHS = 3  # steps of a batch's depth to either side of what was found, at which dials are opened


@dataclass(frozen=True)
class DryerDuty(Duty):
    """What batches and belts share: axes besides time are their own knobs, with a range in [limits]."""

    overhead: float  # s of a batch's cycle in which nothing dries

    def depth(self, u: Array) -> Any:
        at = self.names.index("bed_depth") if "bed_depth" in self.names else None
        return self.case.cooler.bed_depth if at is None else np.exp(u[..., at])

    def time_on(self, floor: Any, u: Array) -> Any:
        """Time [s] that a floor leaves for drying; of a batch at most, ≤ 0 where there is none."""
        return self.depth(u) * floor / self.wet_per_second - self.overhead

    def floor_for(self, u: Array) -> Any:
        return self.wet_per_second * (np.exp(u[..., -1]) + self.overhead) / self.depth(u)

    def scaled(self, floor: float, dryers: int) -> Case:
        """The dryer as given, as large as one of so many that have a floor together, its air in proportion."""
        raise NotImplementedError

    def _left(self, floor: Any, u: Array) -> Any:
        """Logarithm of the time that a floor leaves."""
        return np.log(np.maximum(self.time_on(floor, u), 1e-6))

    def plant(self, u: Array, floor: float, machines: int) -> Case:
        case, knobs = self.scaled(floor, machines), {n: float(v) for n, v in self.knobs(u).items()}
        time = knobs.pop("time")
        if self.shortens:
            knobs["duration"] = time
        if "airflow" in knobs:
            knobs["airflow"] *= dials.now(case)["airflow"] / dials.now(self.case)["airflow"]
        return dials.with_settings(case, knobs)

    @staticmethod
    def solved(states: Sequence[Case], when: Sequence[Array], mesh: Mesh) -> list[Array]:
        courses = marched(states, ROUGH if mesh == "rough" else QUICK, when)
        nothing = (np.full((len(OUTCOMES), len(times)), np.nan) for times in when)
        return [none if c is None else c.at(times) for c, times, none in zip(courses, when, nothing)]

    def dialled(self, case: Case, values: Mapping[str, Array]) -> Array:
        now, area = dials.settings_of(case), area_of(case)
        count = len(next(iter(values.values())))
        known = {
            n: np.full(count, float(getattr(now, n))) for n in (*self.names[:-1], "bed_depth", "duration")
        }
        known |= values
        if "belt_speed" in known:
            known["bed_depth"] = now.bed_depth * now.belt_speed / known.pop("belt_speed")
        per_depth = case.feed.bulk_density * area / case.feed.throughput
        known["time"] = known["duration"] if self.shortens else per_depth * known["bed_depth"]
        if "airflow" in known:  # of the dryer as given
            known["airflow"] = known["airflow"] * area_of(self.case) / area
        return np.array([[forth(name, float(x)) for x in known[name]] for name in self.names]).T

    def _air(self, case: Case) -> tuple[float, float] | None:
        """The range of the airflow, which is of the dryer as given, on the floor of this one."""
        given = self.case.limits.airflow
        share = area_of(case) / area_of(self.case)
        return None if given is None else (share * given[0], share * given[1])


@dataclass(frozen=True)
class BatchDuty(DryerDuty):
    """A batch: one march to its longest time tells of all shorter ones, cooled or not.

    Between many times of it lines are good enough; where the air changes sides, outcomes have kinks in time that no
    polynomial follows.
    """

    shortens: ClassVar[bool] = True
    along: ClassVar[Mapping[bool, int]] = {True: 48, False: 48}  # evenly in the logarithms of time

    def put_on(self, floor: Any, u: Array, low: Array, high: Array) -> Any:
        if floor is None:
            return np.zeros(u.shape[:-1])
        left = self._left(floor, u)
        u[..., -1] = np.minimum(u[..., -1], left)
        return np.maximum(low[-1] - left, 0.0) - 1e-9

    def state(self, knobs: Mapping[str, float]) -> Case:
        others = {n: float(v) for n, v in knobs.items() if n != "time"}
        return dials.with_settings(self.case, others | {"duration": float(knobs["time"])})

    def scaled(self, floor: float, dryers: int) -> Case:
        c, area = self.case.cooler, floor / dryers
        cooler = dataclasses.replace(c, floor_area=area, airflow=area / c.floor_area * c.airflow)
        schedule = dataclasses.replace(self.case.schedule, dryers=float(dryers))
        return dataclasses.replace(self.case, cooler=cooler, schedule=schedule)

    def nodes(self, whole: bool) -> tuple[Array, tuple[int, int]]:
        count = len(self.names) - 1
        nodes, _ = corners_and_faces(("",) * count, whole)
        return nodes, POOR if not whole else RICH if count < 3 else RICH_OF_MANY

    def opened(self, case: Case, load: float, most: float) -> list[Case]:
        low, high = depths(self.case)
        depth = float(case.cooler.bed_depth)
        if low == high:
            return [self._opened_at(case, depth, load)]
        step = DIALS[case.units]["dryer_bed_depth"]
        steps = step * (np.round(depth / step) + np.arange(-DEPTHS, DEPTHS + 1))
        each = [self._opened_at(case, float(d), load) for d in dict.fromkeys(np.clip(steps, low, high))]
        return [one for one in each if one.limits.duration[0] <= one.limits.duration[1]] or each

    def _opened_at(self, case: Case, depth: float, load: float) -> Case:
        """A batch of a depth, with its other dials opened.

        Its time may be rounded up beyond what the reserve leaves: else one that takes all of it has no step.
        """
        cooler = dataclasses.replace(case.cooler, bed_depth=depth)
        case = dataclasses.replace(case, cooler=cooler)
        turn = dials.mass_of(case) * case.schedule.dryers / case.feed.throughput
        low, high = times(self.case)
        step = DIALS[case.units]["duration"]
        longest = step * np.ceil((load * turn - self.overhead) / step)
        high = min(high, float(longest), turn - self.overhead)
        limits = dataclasses.replace(
            case.limits, bed_depth=None, duration=(low, high), airflow=self._air(case)
        )
        cooler = dataclasses.replace(cooler, duration=min(cooler.duration, high))
        return dataclasses.replace(case, cooler=cooler, limits=limits)


@dataclass(frozen=True)
class BeltDuty(DryerDuty):
    """A belt: each dwell is a march, at the throughput that makes it, and a polynomial goes through few of them."""

    def put_on(self, floor: Any, u: Array, low: Array, high: Array) -> Any:
        if floor is None:
            return np.zeros(u.shape[:-1])
        left = u[..., -1] = self._left(floor, u)  # where out of range, it ranks last
        return np.maximum(low[-1] - left, left - high[-1]) - 1e-9

    def state(self, knobs: Mapping[str, float]) -> Case:
        case = dials.with_settings(self.case, {n: float(v) for n, v in knobs.items() if n != "time"})
        feed = case.feed
        throughput = feed.bulk_density * area_of(case) * case.cooler.bed_depth / float(knobs["time"])
        return dataclasses.replace(case, feed=dataclasses.replace(feed, throughput=throughput))

    def scaled(self, floor: float, dryers: int) -> Case:
        c, share = self.case.cooler, floor / area_of(self.case)
        zones = tuple(
            dataclasses.replace(z, length=share * z.length, airflow=share * z.airflow) for z in c.zones
        )
        return dataclasses.replace(self.case, cooler=dataclasses.replace(c, zones=zones))

    def nodes(self, whole: bool) -> tuple[Array, tuple[int, int]]:
        return corners_and_faces(("",) * (len(self.names) - 1), False)[0], POOR

    def opened(self, case: Case, load: float, most: float) -> list[Case]:
        """Its speed is opened by the depth."""
        dense = case.feed.bulk_density * area_of(case) / case.feed.throughput
        (low, high), (short, long) = depths(self.case), (t / dense for t in times(self.case))
        if low < high:
            low, high = max(low, short), min(high, long)
        limits = dataclasses.replace(
            case.limits,
            bed_depth=(low, high),
            residence_time=None,
            minimum_residence_time=0.0,
            airflow=self._air(case),
        )
        return [dataclasses.replace(case, limits=limits)]


def depths(case: Case) -> tuple[float, float]:
    """Shallowest and deepest bed [m] that a size may take; as given where no range is typed."""
    typed = case.source.get("sizing", {}) if isinstance(case.source.get("sizing", {}), Mapping) else {}
    if "bed_depth" in typed or case.limits.bed_depth is not None:
        low, high = case.sizing.bed_depth or case.limits.bed_depth
        return depths_to_choose(case, (float(low), float(high)))
    return case.cooler.bed_depth, case.cooler.bed_depth


def times(case: Case) -> tuple[float, float]:
    """Shortest and longest drying [s] looked at."""
    limits, kind = case.limits, case.cooler.arrangement
    overhead = case.cooler.cooling_time if kind == "batch" else 0.0  # which is time in the bed, too
    low, high = (limits.duration if kind == "batch" else limits.residence_time) or TIMES[kind]
    return min(max(float(low), least_time(case) - overhead), float(high)), float(high)


def area_of(case: Case) -> float:
    """Floor [m²] of one dryer."""
    c = case.cooler
    return float(c.floor_area if c.arrangement == "batch" else c.belt_width * sum(z.length for z in c.zones))


def dryer_duty(product: str, weather: str, case: Case) -> DryerDuty:
    """What may be set on a dryer, without what is asked for: its heater's power."""
    limits, batch = case.limits.given(), case.cooler.arrangement == "batch"
    if batch:
        case = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, heater_power=None))
    outside = float(case.air.temperature)
    ranges: dict[str, Any] = {
        n: limits[n] for n in ("airflow", "recirculation", "inlet_air_temperature") if n in limits
    }
    ranges = {"bed_depth": depths(case)} | ranges
    if "inlet_air_temperature" in ranges:  # no air is blown in colder than outside
        ranges["inlet_air_temperature"] = tuple(max(x, outside) for x in ranges["inlet_air_temperature"])
    pinned = {n: low for n, (low, high) in ranges.items() if low == high}
    ranges = {n: r for n, r in ranges.items() if n not in pinned} | {"time": times(case)}
    low, high = np.array([[forth(n, float(x)) for x in r] for n, r in ranges.items()]).T
    turns = case.schedule
    overhead = (turns.filling or 0.0) + (turns.emptying or 0.0) if batch else 0.0
    overhead += case.cooler.cooling_time if batch else 0.0
    case = dials.with_settings(case, pinned)
    goal = goal_of(case, constraints_of(case))
    kind = BatchDuty if batch else BeltDuty
    return kind(product, weather, case, tuple(ranges), low, high, goal, float(overhead))
