"""The duties of a dryer to buy: each product in each weather, per square metre of floor.

What leaves a bed depends on its floor only through air, depth and time. So the dryer of the scenario, its floor as
given, is surveyed once for each duty over what may be set, and outcomes are fitted by polynomials. Time is one of
their axes: one march of a batch tells of all shorter ones, cooled or not; on a belt each dwell is a march, at the
throughput that makes it. A floor then says no more than how much time a depth leaves.

Floors S are of all dryers together [m²]. By hand, of throughput q, a bed of depth L and density ρ:
    belt:   t = ρ L S/q                             (what lies on the belt passes in t)
    batch:  t ≤ ρ L S/q − filling − cooling time − emptying   (n dryers of m = ρ L S/n take n m in a cycle)
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from coolsim import dried
from coolsim.case import Case
from coolsim.fields import Array
from coolsim.studies.drying import knobs as dials
from coolsim.studies.drying.course import OUTCOMES, marched
from coolsim.studies.drying.find import limits_of
from coolsim.studies.drying.survey import Goal, back, forth, smoothed, terms
from coolsim.studies.sizing.duties import KILOWATT_HOUR, duties_of
from coolsim.studies.sizing.parts import LIFT_OFF

# s, looked at where [limits] says nothing; common practice, no source
TIMES = {"batch": (300.0, 7200.0), "belt": (300.0, 5400.0)}
BATCH_TIMES = 32  # of marches that count for the fit, evenly in their logarithms
DEGREE = {1: 8, 2: 6, 3: 5, 4: 4, 5: 4}  # of the polynomials, by the number of axes with time
BETWEEN = 0.55  # of the way from the centre of the box to its corners
_TINY = 1e-9
AT_ITS_END = np.zeros(0)  # no times along a march: its end


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
            return dials.dialled(self.case, others | {"duration": time})
        case = dials.dialled(self.case, others)
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
            schedule = {"schedule": dict(self.case.tables["schedule"]) | {"dryers": float(dryers)}}
            return dataclasses.replace(self.case, cooler=cooler, tables=dict(self.case.tables) | schedule)
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
        return dials.dialled(case, knobs)

    def ends(self, u: Array, within: float) -> list[tuple[str, float]]:
        """Ends of ranges at which u stands, as (words, value)."""
        found = []
        for name, x, low, high in zip(self.names, u, self.low, self.high):
            for end, bound in (("lowest", low), ("highest", high)):
                if low < high and abs(x - bound) <= within * (high - low):
                    words = "drying time" if name == "time" else dials.words(name)
                    found.append((f"{words}, {end}", float(back(name, bound))))
        return found


def depths(case: Case) -> tuple[float, float]:
    """Shallowest and deepest bed [m] that a size may take; as given where no range is typed."""
    typed = case.source.get("sizing", {}) if isinstance(case.source.get("sizing", {}), Mapping) else {}
    if "bed_depth" in typed or "bed_depth" in case.tables.get("limits", {}):
        low, high = case.tables["sizing"].get("bed_depth") or case.tables["limits"]["bed_depth"]
        return float(low), float(high)
    return case.cooler.bed_depth, case.cooler.bed_depth


def times(case: Case) -> tuple[float, float]:
    """Shortest and longest drying [s] looked at."""
    limits, kind = case.tables.get("limits", {}), case.cooler.arrangement
    low, high = limits.get("duration" if kind == "batch" else "residence_time", TIMES[kind])
    return float(low), float(high)


def duties(case: Case) -> list[Duty]:
    """Each product in each weather of [sizing]."""
    pairs, cases = duties_of(case)
    return [_duty(p.name, w.name, _bare(one)) for (p, w), one in zip(pairs, cases)]


def _bare(case: Case) -> Case:
    """The dryer without what is asked for: its heater's power; limits as a machine to buy must keep them."""
    limits = dict(case.tables.get("limits", {}))
    limits.setdefault("maximum_lift_off", LIFT_OFF)
    case = dataclasses.replace(case, tables=dict(case.tables) | {"limits": limits})
    if case.cooler.arrangement == "batch":
        return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, heater_power=None))
    return case


def _duty(product_name: str, weather: str, case: Case) -> Duty:
    limits, batch = case.tables["limits"], case.cooler.arrangement == "batch"
    outside = float(case.air.temperature)
    ranges = {n: limits[n] for n in ("airflow", "recirculation", "inlet_air_temperature") if n in limits}
    ranges = {"bed_depth": depths(case)} | ranges
    if "inlet_air_temperature" in ranges:  # no air is blown in colder than outside
        ranges["inlet_air_temperature"] = tuple(max(x, outside) for x in ranges["inlet_air_temperature"])
    pinned = {n: low for n, (low, high) in ranges.items() if low == high}
    ranges = {n: r for n, r in ranges.items() if n not in pinned} | {"time": times(case)}
    low, high = np.array([[forth(n, float(x)) for x in r] for n, r in ranges.items()]).T
    schedule = case.tables.get("schedule", {})
    overhead = sum(schedule.get(n, 0.0) for n in ("filling", "emptying")) if batch else 0.0
    overhead += case.cooler.cooling_time if batch else 0.0
    case = dials.dialled(case, pinned)
    goal = Goal(lambda outcomes: cost(case, outcomes), limits_of(case))
    return Duty(product_name, weather, case, tuple(ranges), low, high, float(overhead), goal)


def energy(outcomes: Array) -> Array:
    """Electricity and heat [J] per kg of wet feed."""
    return outcomes[OUTCOMES.index("heat")] + outcomes[OUTCOMES.index("fan")]


def cost(case: Case, outcomes: Array) -> Array:
    """Running cost per kg of wet feed; where nothing has a price, the energy [kWh]."""
    prices = case.tables.get("costs") or dict.fromkeys(("electricity", "heat"), 1.0 / KILOWATT_HOUR)
    target = case.tables["target"]["moisture"]
    heat, fan = (outcomes[OUTCOMES.index(name)] for name in ("heat", "fan"))
    below = np.minimum(outcomes[OUTCOMES.index("moisture")], target)
    lost = (1 - case.feed.moisture) * (1 / (1 - target) - 1 / (1 - below))
    return np.asarray(
        prices.get("electricity", 0.0) * fan + prices.get("heat", 0.0) * heat + prices.get("feed", 0.0) * lost
    )


# ---- Outcomes as polynomials ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Survey:
    """Outcomes of a duty over a box of coordinates."""

    duty: Duty
    low: Array
    high: Array
    coefficients: Array  # (terms, outcomes)

    def at(self, u: Array) -> Array:
        """Outcomes, in the form in which they are fitted, at coordinates (…, axes): (outcomes, …)."""
        rows = _terms(_placed(self, u.reshape(-1, u.shape[-1])))[0] @ self.coefficients
        return np.moveaxis(rows.reshape(*u.shape[:-1], -1), -1, 0)


def surveyed(
    all_duties: Sequence[Duty], about: Sequence[Array] | None = None, width: float = 1.0
) -> list[Survey]:
    """A survey of each duty over all of its box, or about coordinates (axes,); all are solved side by side.

    width: of the boxes about coordinates, as a share of the whole.
    """
    if about is None:
        empty = [Survey(d, d.low, d.high, np.zeros((0, 0))) for d in all_duties]
    else:
        empty = [_near(d, u, width) for d, u in zip(all_duties, about)]
    places = [_to_try(s, about is None) for s in empty]
    along = np.zeros(0)
    if all_duties[0].batch:
        along = np.linspace(min(s.low[-1] for s in empty), max(s.high[-1] for s in empty), BATCH_TIMES)
    outcomes = tried(all_duties, places, along)
    return [_fitted(s, u, rows, along) for s, u, rows in zip(empty, places, outcomes)]


def _near(duty: Duty, u: Array, width: float) -> Survey:
    """A box about coordinates, as yet without a fit."""
    half = 0.5 * width * (duty.high - duty.low)
    centre = np.clip(u, duty.low + half, duty.high - half)
    return Survey(duty, centre - half, centre + half, np.zeros((0, 0)))


def _to_try(s: Survey, whole: bool) -> Array:
    """Coordinates of the marches of a survey, (marches, axes); a batch's are to its longest time."""
    middle, half = 0.5 * (s.low + s.high), 0.5 * (s.high - s.low)
    nodes = _nodes(len(s.low) - s.duty.batch, whole)
    if s.duty.batch:
        nodes = np.concatenate([nodes, np.ones((len(nodes), 1))], axis=1)
    return np.asarray(middle + half * nodes)


def _nodes(d: int, whole: bool) -> Array:
    """Points of a survey in [−1, 1]^d: centre and faces; of a whole box corners, too, and others between."""
    if d < 2:
        return np.cos(np.pi * np.linspace(0, 1, 9 if whole else 3))[:, None] if d else np.zeros((1, 0))
    faces = np.concatenate([np.zeros((1, d)), np.eye(d), -np.eye(d)])
    if not whole:
        return faces
    corners = np.array(list(product((-1.0, 1.0), repeat=d)))
    between = [BETWEEN * corners, BETWEEN * faces[1:]] if d > 2 else []
    return np.concatenate([faces, corners, *between])


def _fitted(s: Survey, u: Array, rows: Array, along: Array) -> Survey:
    """A survey through outcomes (outcomes, times, marches)."""
    if len(along):
        u = np.repeat(u[None], len(along), axis=0)
        u[..., -1] = along[:, None]
    u = u.reshape(-1, u.shape[-1])
    good = np.isfinite(rows).all(axis=0).ravel() & (u[:, -1] <= s.high[-1] + 1e-9)
    V, weight = _terms(_placed(s, u[good]))
    table = smoothed(rows).reshape(len(rows), -1)[:, good].T
    coefficients, *_ = np.linalg.lstsq(V * weight, table)
    return dataclasses.replace(s, coefficients=weight[:, None] * coefficients)


def _terms(nodes: Array) -> tuple[Array, Array]:
    degree = DEGREE.get(nodes.shape[1], 3)
    return terms(nodes, degree, degree)


def _placed(s: Survey, u: Array) -> Array:
    """Where coordinates (n, axes) are in the box of a survey, from −1 to 1."""
    half = np.maximum(0.5 * (s.high - s.low), _TINY)
    return np.clip((u - 0.5 * (s.low + s.high)) / half, -1.2, 1.2)


# ---- Marches on a rough mesh ----------------------------------------------------------------------------


def tried(some: Sequence[Duty], places: Sequence[Array], along: Array = AT_ITS_END) -> list[Array]:
    """Outcomes of duties at coordinates (states, axes), on a rough mesh: (outcomes, times, states) of each.

    along: logarithms of the times of a batch; none: at the end of each march. What does not solve is nan.
    """
    owner = np.repeat(np.arange(len(some)), [len(u) for u in places])
    states = [
        duty.state({n: x[j] for n, x in duty.knobs(u).items()})
        for duty, u in zip(some, places)
        for j in range(len(u))
    ]
    when = np.exp(along) if len(along) else np.array([np.inf])
    found = np.empty((len(OUTCOMES), len(when), len(states)))
    kinds = np.array([dried.kind(case) for case in states])
    for kind in sorted({*kinds}):
        at = np.flatnonzero(kinds == kind)
        found[:, :, at] = solved([states[i] for i in at], when)
    return [found[:, :, owner == k] for k in range(len(some))]


def solved(states: Sequence[Case], when: Array) -> Array:
    """Outcomes at times (outcomes, times, states), with nan for what does not solve."""
    nothing = np.full((len(OUTCOMES), len(when)), np.nan)
    found = [nothing if c is None else c.at(when) for c in marched(states, times=[when] * len(states))]
    return np.stack(found, axis=-1)
