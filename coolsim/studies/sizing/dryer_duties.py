"""The duties of a dryer to buy: each product in each weather, per square metre of floor.

What leaves a bed depends on its floor only through air, depth and time. So the dryer of the scenario, its floor as
given, is surveyed once for each duty over what may be set, and outcomes are fitted by polynomials at each of some
times: one march of a batch tells of all shorter ones, cooled or not; on a belt each dwell is a march, at the
throughput that makes it. A floor then says no more than how much time a depth leaves.

Floors S are of all dryers together [m²]. By hand, of throughput q, a bed of depth L and density ρ:
    belt:   t = ρ L S/q                             (what lies on the belt passes in t)
    batch:  t ≤ ρ L S/q − filling − cooling time − emptying   (n dryers of m = ρ L S/n take n m in a cycle)
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case.case import Case
from coolsim.case.costs import TONNE
from coolsim.case.quantities import QUANTITIES
from coolsim.machines import dryers as dials
from coolsim.model.drying import Resolution
from coolsim.simulate.dryer_phases import by_kind
from coolsim.simulate.inputs import with_even_bed
from coolsim.simulate.least_bed import depths_to_choose, least_time
from coolsim.simulate.requirements import bounds_on, constraints_of
from coolsim.studies.optimise.march_outcomes import OUTCOMES, ROUGH, marched
from coolsim.studies.optimise.problem import corners_and_faces
from coolsim.studies.optimise.survey import Goal, back, forth, smoothed, terms
from coolsim.support.fields import Array

# s, looked at where [limits] says nothing; common practice, no source
TIMES = {"batch": (300.0, 7200.0), "belt": (300.0, 5400.0)}
BATCH_TIMES = 48  # of a survey, evenly in their logarithms
BELT_TIMES = {True: 5, False: 4}  # of a survey; True: of the whole box
# Of the polynomials, in each axis and in all: as many terms as the nodes of a box tell apart, or nearly.
POOR, RICH, RICH_OF_MANY = (2, 3), (4, 4), (3, 3)
_TINY = 1e-9
ALL = range(len(OUTCOMES))
AT_ITS_END = np.array([np.inf])  # of the times along a march


@dataclass(frozen=True)
class Duty:
    """A product in a weather: the dryer as given, what may be set on it, and what it must keep."""

    product: str
    weather: str
    case: Case
    names: tuple[str, ...]  # of the axes; time is the last
    low: Array  # ends of the axes, in coordinates
    high: Array
    overhead: float  # s of a batch's cycle in which nothing dries
    goal: Goal  # least cost per kg of wet feed that keeps the limits

    @property
    def batch(self) -> bool:
        return bool(self.case.cooler.arrangement == "batch")

    @property
    def wet_per_second(self) -> float:
        """Floor [m²] that one metre of depth needs for each second of a cycle."""
        return float(self.case.feed.throughput / self.case.feed.bulk_density)

    def knobs(self, u: Array) -> dict[str, Array]:
        """Knobs at coordinates (…, axes)."""
        return {n: back(n, x) for n, x in zip(self.names, np.moveaxis(u, -1, 0))}

    def depth(self, u: Array) -> Any:
        """Depth [m] at coordinates (…, axes)."""
        at = self.names.index("bed_depth") if "bed_depth" in self.names else None
        return self.case.cooler.bed_depth if at is None else np.exp(u[..., at])

    def time_on(self, floor: float, u: Array) -> Any:
        """Time [s] that a floor leaves for drying; of a batch at most, ≤ 0 where there is none."""
        return self.depth(u) * floor / self.wet_per_second - self.overhead

    def floor_for(self, u: Array) -> Any:
        """Smallest floor [m²] that leaves the time of u."""
        return self.wet_per_second * (np.exp(u[..., -1]) + self.overhead) / self.depth(u)

    def state(self, knobs: Mapping[str, float]) -> Case:
        """The dryer as given, set so; a belt's throughput is what makes the dwell."""
        others = {n: float(v) for n, v in knobs.items() if n != "time"}
        time = float(knobs["time"])
        if self.batch:
            return dials.with_settings(self.case, others | {"duration": time})
        case = dials.with_settings(self.case, others)
        c, feed = case.cooler, case.feed
        area = c.belt_width * sum(z.length for z in c.zones)
        feed = dataclasses.replace(feed, throughput=feed.bulk_density * area * c.bed_depth / time)
        return dataclasses.replace(case, feed=feed)

    def scaled(self, floor: float, dryers: int) -> Case:
        """The dryer as given, as large as one of `dryers` that have a floor together, its air in proportion."""
        c = self.case.cooler
        if self.batch:
            share = floor / dryers / c.floor_area
            cooler = dataclasses.replace(c, floor_area=floor / dryers, airflow=share * c.airflow)
            schedule = dataclasses.replace(self.case.schedule, dryers=float(dryers))
            return dataclasses.replace(self.case, cooler=cooler, schedule=schedule)
        share = floor / (c.belt_width * sum(z.length for z in c.zones))
        zones = tuple(
            dataclasses.replace(z, length=share * z.length, airflow=share * z.airflow) for z in c.zones
        )
        return dataclasses.replace(self.case, cooler=dataclasses.replace(c, zones=zones))

    def plant(self, u: Array, floor: float, dryers: int) -> Case:
        """The dryer to buy in this duty, set as coordinates say."""
        case, knobs = self.scaled(floor, dryers), {n: float(v) for n, v in self.knobs(u).items()}
        time = knobs.pop("time")
        if self.batch:
            knobs["duration"] = time
        if "airflow" in knobs:
            knobs["airflow"] *= dials.now(case)["airflow"] / dials.now(self.case)["airflow"]
        return dials.with_settings(case, knobs)

    def ends(self, u: Array, within: float) -> list[tuple[str, float]]:
        """Ends of ranges at which u stands, as (words, value)."""
        found = []
        for name, x, low, high in zip(self.names, u, self.low, self.high):
            for end, bound in (("lowest", low), ("highest", high)):
                if low < high and abs(x - bound) <= within * (high - low):
                    words = QUANTITIES["duration" if name == "time" else name].called
                    found.append((f"{words}, {end}", float(back(name, bound))))
        return found


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


def duties(names: Sequence[tuple[str, str]], cases: Sequence[Case]) -> list[Duty]:
    """Each product in each weather, by their names and cases."""
    return [_duty(*name, _bare(one)) for name, one in zip(names, cases)]


def _bare(case: Case) -> Case:
    """The dryer without what is asked for: its heater's power."""
    if case.cooler.arrangement == "batch":
        return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, heater_power=None))
    return case


def _duty(product_name: str, weather: str, case: Case) -> Duty:
    limits, batch = case.limits.given(), case.cooler.arrangement == "batch"
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
    goal = Goal(lambda outcomes: cost(case, outcomes), bounds_on(constraints_of(case), OUTCOMES.index))
    return Duty(product_name, weather, case, tuple(ranges), low, high, float(overhead), goal)


def energy(outcomes: Array) -> Array:
    """Electricity and heat [J] per kg of wet feed."""
    return outcomes[OUTCOMES.index("heat")] + outcomes[OUTCOMES.index("fan")]


def cost(case: Case, outcomes: Array) -> Array:
    """Running cost per kg of wet feed; where nothing has a price, the energy [kWh]."""
    return np.asarray(dials.running_cost(case, dict(zip(OUTCOMES, outcomes))).per_tonne / TONNE)


# ---- Outcomes as polynomials ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Survey:
    """Outcomes of a duty over a box of coordinates: polynomials of the knobs at each of some times.

    A march of a batch tells of many times, and between them lines are good enough; where the air changes sides,
    outcomes have kinks in time that no polynomial follows. On a belt each dwell is a march of its own, and a
    polynomial goes through the few of them.
    """

    duty: Duty
    low: Array
    high: Array
    rich: bool  # whether knobs are tried between the corners of the box, too
    times: Array  # logarithms, ascending, (times,)
    coefficients: Array  # (outcomes, times, terms)

    def at(self, u: Array, rows: Sequence[int] = ALL) -> Array:
        """Outcomes as they are fitted, at coordinates (n, times, axes): (outcomes, n, times), zero if not in rows.

        Knobs are taken of the first of n's times.
        """
        found = np.zeros((len(OUTCOMES), *u.shape[:-1]))
        V, between = self._terms(self._placed(u[:, 0, :-1])), self._between(u[..., -1])
        for row in rows:
            found[row] = between(V @ self.coefficients[row].T)
        return found

    def one(self, u: Array) -> Array:
        """Outcomes as they are fitted, at coordinates (axes,): (outcomes,)."""
        return self.at(u[None, None])[:, 0, 0]

    def _between(self, wanted: Array) -> Callable[[Array], Array]:
        """From values at the times of the survey (n, times) to those at wanted times (n, wanted)."""
        if not self.duty.batch:
            inside = np.clip(wanted, self.times[0] - 0.1, self.times[-1] + 0.1)
            weights = _through(self._from_minus_one(self.times), self._from_minus_one(inside))
            return lambda values: (values[:, None] * weights).sum(axis=-1)
        after = np.clip(np.searchsorted(self.times, wanted), 1, len(self.times) - 1)
        span = self.times[after] - self.times[after - 1]
        share = np.clip((wanted - self.times[after - 1]) / span, 0.0, 1.0)
        line = np.arange(len(wanted))[:, None]
        return lambda values: (1 - share) * values[line, after - 1] + share * values[line, after]

    def _from_minus_one(self, times: Array) -> Array:
        low, high = self.low[-1], self.high[-1]
        return (times - 0.5 * (low + high)) / max(0.5 * (high - low), _TINY)

    def nodes(self) -> Array:
        """Coordinates of the marches to fit, (marches, axes), time after time; a batch's are to its longest."""
        nodes, _ = corners_and_faces(("",) * (len(self.low) - 1), self.rich)
        knobs = 0.5 * (self.low + self.high)[:-1] + 0.5 * (self.high - self.low)[:-1] * nodes
        ends = self.times[-1:] if self.duty.batch else self.times
        return np.concatenate([np.column_stack([knobs, np.full(len(knobs), t)]) for t in ends])

    def middle(self) -> Array:
        """Which of the nodes are in the middle of the box, (marches,): of a belt one at each time."""
        nodes = self._placed(self.nodes()[:, :-1])
        return np.asarray((np.abs(nodes) < _TINY).all(axis=1))

    def fitted(self, u: Array, even: Array, uneven: Array | None) -> Survey:
        """The survey through outcomes (outcomes, times, marches) at coordinates (marches, axes).

        They are of even beds. uneven: of uneven ones in the middle; what these add there is added everywhere.
        """
        rows, middle = even, self.middle()
        if not self.duty.batch:
            count = -(-len(u) // len(self.times))
            u, middle, rows = u[:count], middle[:count], rows.reshape(len(rows), len(self.times), -1)
        good = np.isfinite(rows).all(axis=(0, 1))
        V, weight = terms(self._placed(u[good, :-1]), *self._degrees)
        table = smoothed(rows[..., good])
        if uneven is not None:
            added = smoothed(uneven.reshape(*rows.shape[:2], 1)) - smoothed(rows[..., middle])
            table = table + np.where(np.isfinite(added), added, 0.0)
        coefficients, *_ = np.linalg.lstsq(V * weight, table.reshape(-1, good.sum()).T)
        weighted = np.asarray((weight[:, None] * coefficients).T, float)
        return dataclasses.replace(self, coefficients=weighted.reshape(*rows.shape[:2], -1))

    @property
    def _degrees(self) -> tuple[int, int]:
        if not self.rich:
            return POOR
        return RICH if len(self.low) - 1 < 3 else RICH_OF_MANY

    def _terms(self, nodes: Array) -> Array:
        return terms(nodes, *self._degrees)[0]

    def _placed(self, u: Array) -> Array:
        """Where knobs (n, knobs) are in the box, from −1 to 1."""
        low, high = self.low[:-1], self.high[:-1]
        half = np.maximum(0.5 * (high - low), _TINY)
        return np.clip((u - 0.5 * (low + high)) / half, -1.2, 1.2)


def _through(nodes: Array, x: Array) -> Array:
    """Weights of values at nodes (m,) in [−1, 1] in the polynomial through them at x (…): (…, m)."""
    V = chebyshev.chebvander(nodes, len(nodes) - 1)
    return np.asarray(chebyshev.chebvander(x, len(nodes) - 1) @ np.linalg.inv(V))


def surveyed(
    all_duties: Sequence[Duty], about: Sequence[Array] | None = None, width: float = 1.0
) -> list[Survey]:
    """A survey of each duty over all of its box, or about coordinates (axes,); all are solved side by side.

    Beds are even. What unevenness adds is told by the middle of a box about coordinates: a third of the work or
    less. Over the whole box it differs from place to place, and where the best lies another survey tells it.
    width: of the boxes about coordinates, as a share of the whole.
    """
    if about is None:
        empty = [_empty(d, d.low, d.high, True) for d in all_duties]
    else:
        empty = [_empty(d, *_near(d, u, width), False) for d, u in zip(all_duties, about)]
    places = [s.nodes() for s in empty]
    along = [s.times if s.duty.batch else AT_ITS_END for s in empty]
    even = tried(all_duties, places, along, even=True)
    uneven: Sequence[Array | None] = [None] * len(empty)
    if about is not None and any(with_even_bed(d.case) is not d.case for d in all_duties):
        uneven = tried(all_duties, [u[s.middle()] for s, u in zip(empty, places)], along)
    return [s.fitted(*found) for s, found in zip(empty, zip(places, even, uneven))]


def _near(duty: Duty, u: Array, width: float) -> tuple[Array, Array]:
    """Ends of a box about coordinates."""
    half = 0.5 * width * (duty.high - duty.low)
    centre = np.clip(u, duty.low + half, duty.high - half)
    return centre - half, centre + half


def _empty(duty: Duty, low: Array, high: Array, whole: bool) -> Survey:
    if duty.batch:
        times = np.linspace(low[-1], high[-1], BATCH_TIMES)
    else:
        share = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, BELT_TIMES[whole]))
        times = low[-1] + share * (high[-1] - low[-1])
    return Survey(duty, low, high, whole and duty.batch, times, np.zeros((0, 0, 0)))


# ---- Marches --------------------------------------------------------------------------------------------


def tried(
    some: Sequence[Duty],
    places: Sequence[Array],
    times: Sequence[Array] | None = None,
    resolution: Resolution = ROUGH,
    even: bool = False,
) -> list[Array]:
    """Outcomes of duties at coordinates (states, axes): (outcomes, times, states) of each.

    times: logarithms of the times of each duty's batches; none: at the end of each march. What fails is nan. even:
    with even beds.
    """
    times = [AT_ITS_END] * len(some) if times is None else times
    counts = [len(u) for u in places]
    states = [
        duty.state({n: x[j] for n, x in duty.knobs(u).items()})
        for duty, u in zip(some, places)
        for j in range(len(u))
    ]
    states = [with_even_bed(state) for state in states] if even else states
    when = [np.exp(t) for t, count in zip(times, counts) for _ in range(count)]
    found: dict[int, Array] = {}
    for at in (index.tolist() for index in by_kind(states)):
        found |= zip(at, solved([states[i] for i in at], [when[i] for i in at], resolution))
    ends = np.cumsum(counts)
    return [np.stack([found[i] for i in range(end - n, end)], axis=-1) for n, end in zip(counts, ends)]


def solved(states: Sequence[Case], when: Sequence[Array], resolution: Resolution = ROUGH) -> list[Array]:
    """Outcomes of dryers of one kind, each at its times (outcomes, times); nan for what does not solve."""
    courses = marched(states, resolution, when)
    nothing = (np.full((len(OUTCOMES), len(times)), np.nan) for times in when)
    return [none if c is None else c.at(times) for c, times, none in zip(courses, when, nothing)]
