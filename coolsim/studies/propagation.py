"""How sure an exit is: everything that is known only to some ±, varied together.

Inputs that were typed with a ± are normal, the ± half of their 95 % interval. Material numbers with a published or
fitted range are two half log-normals that meet in their value, each with its end of the range at 2.5 %: half of the
feeds lie below the value, however lopsided the range. (Where a range reaches zero, halves of normals.)

All are taken as independent of each other but for numbers of one fit: the normal variables behind these have the
correlation that the fit found. No share of the variance is then any one's alone: they are told as one contributor.

Samples are a scrambled Sobol sequence, solved in one batch on a mesh that is right to some hundredths of a point;
its offset at the centre, where the exit is known, is taken off. Of an uneven bed, and of a case near to another,
only the first are solved: what they differ by from an even bed, or from the other case, is laid on all. Quantiles,
chances and shares are read from polynomials through them (studies.surrogate).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines import machine_of
from coolsim.model.solve import Resolution
from coolsim.physics.correlations import among
from coolsim.scenario import bounds, retyped
from coolsim.scenario.plus_minus import PlusMinus
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.inputs import DEVIATION, with_even_bed
from coolsim.simulate.prediction import BULK_DENSITY, at_its_fan, depth_of_mass, predict, varied_numbers
from coolsim.simulate.requirements import Constraint, constraints_of, is_dryer, speeds, values_of
from coolsim.studies.surrogate import MANY, Polynomial, many, normal, polynomials, shares_of
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array, documented, numbers, with_number

SAMPLES = 512
SAMPLES_OF_DRYERS = 256  # and of lines: they take longer
AGAIN, AGAIN_EACH = 32, 4  # samples solved again of a case like another; as many for each unknown at least
ASTRAY = 0.5  # of an exit's spread, that a sample left out may miss the difference of the two by
MESH = Resolution(8, 6, refinements=0, estimate=False)
NORMAL_95 = 1.959963984540054  # standard deviations on each side of a 95 % interval
TAIL = 0.025
LEAST_SOLVED = 0.5  # share of the samples without which nothing is said
SEED = 1998
ROUNDED = 1e-4  # of a bound's scale: closer counts as kept
SURE = 0.995  # chance from which a limit that nobody typed is not told


@dataclass(frozen=True, repr=False)
class Interval(Displayed):
    """What 95 % of the samples lie between, and their middle."""

    low: float = documented("as the value", "2.5 % of the samples lie below")
    middle: float = documented("as the value", "half of the samples lie below")
    high: float = documented("as the value", "2.5 % of the samples lie above")


@dataclass(frozen=True)
class Known:
    """Something that is not known exactly, and how far it is known."""

    name: str = documented("-", "scenario key, or number of the material")
    low: float = documented("as typed", "lower end of its 95 % interval")
    high: float = documented("as typed", "upper end of its 95 % interval")
    unit: str = documented("-", "unit of the ends; empty for the stored one")


@dataclass(frozen=True, repr=False)
class Contributor(Displayed):
    """One thing that is not known exactly, or several of one fit, and what of the spread is its own."""

    name: str = documented("-", "scenario key, or number of the material; of one fit, all their names")
    low: float | None = documented("as typed", "lower end of its 95 % interval; None of several")
    high: float | None = documented("as typed", "upper end of its 95 % interval; None of several")
    unit: str = documented("-", "unit of the ends; empty for the stored one")
    moisture_share: float = documented("-", "share of the variance of exit moisture that is its alone")
    temperature_share: float = documented("-", "share of the variance of exit temperature that is its alone")
    parts: tuple[Known, ...] = documented("-", "numbers of one fit, which err together", default=())


@dataclass(frozen=True, repr=False)
class Uncertainty(Displayed):
    """The exit, as far as it is known."""

    moisture_wb: Interval = documented("kg/kg wet", "exit moisture")
    temperature: Interval = documented("°C", "exit temperature", json="temperature_C")
    water_activity: Interval = documented("-", "once evened out in a closed bag")
    wishes: tuple[tuple[str, float], ...] = documented("-", "wishes of [target], and the probability of each")
    all_met: float | None = documented("-", "probability that all are met; None without [target]")
    contributors: tuple[Contributor, ...] = documented("-", "what is not known, most of the moisture first")
    samples: int = documented("-", "samples that were solved")
    unsolved: int = documented("-", "samples that could not be solved, and count nowhere")
    limits: tuple[tuple[str, float], ...] = documented(
        "-", "limits of the machine in [limits], and the probability that each is kept", default=()
    )
    all_kept: float | None = documented(
        "-", "probability that the target is met and all limits are kept; None without both", default=None
    )
    deviation_wb: Interval | None = documented(
        "kg/kg wet", "of a dryer: standard deviation over the bed", default=None
    )
    evaporation: Interval | None = documented(
        "kg/s", "of a dryer: water taken out", default=None, json="evaporation_kg_h", factor=3600.0
    )
    heat: Interval | None = documented(
        "J", "of a dryer: per batch, or per hour of a belt", default=None, json="heat_kWh", factor=1 / 3.6e6
    )

    @property
    def chance(self) -> float:
        """Probability that all is kept which the scenario asks for: its target, and limits where it has any."""
        return (self.all_met or 0.0) if self.all_kept is None else self.all_kept


@dataclass(frozen=True)
class Unknown:
    """Something with a ±, and how the numbers of a case follow a normal variable."""

    name: str
    ends: tuple[float, float]  # of its 95 % interval
    unit: str
    changes: Callable[[Array], dict[str, Array]]  # what a normal variable adds to the numbers, by path


@takes_a_case
def uncertainty(case: Case, *, samples: int | None = None, seed: int = SEED) -> Uncertainty:
    """Spread of the exit over all that is known only to some ±.

    samples: a power of two, 64 or more; 512 of a cooler, 256 of a dryer or a line, if left out. Raises InputError
    where nothing carries a ±, NotConverged where most samples fail.
    """
    if samples is not None and (samples < 64 or samples & (samples - 1)):
        raise ValueError(f"samples is {samples}: a power of two, 64 or more, spreads evenly")
    return summed_up(sampled(case, samples, seed))


@dataclass(frozen=True)
class Sampled:
    """Exits of samples; arrays (samples,) without those that could not be solved."""

    unknowns: list[Unknown]
    groups: list[int]  # of each unknown: those that err together have one
    z: Array  # (unknowns, samples), independent: before any correlation
    solved: dict[str, Array]  # exits by their names in EXITS
    exits: dict[str, Array]  # the same of many more samples, by polynomials through those solved
    middle: dict[str, float]  # where everything has the value that was typed
    unsolved: int
    constraints: list[Constraint]  # what is to be kept, by their keys among the exits


def sampled(
    case: Case,
    samples: int | None = None,
    seed: int = SEED,
    constraints: list[Constraint] | None = None,
    near: Sampled | None = None,
) -> Sampled:
    """Exits of a case with everything that has a ± varied together.

    constraints: what is to be kept; of the case itself, if left out. near: samples of the same count and seed of a
    case like this: only the first of them are solved again, where what they differ by is easily told.
    """
    constraints = varying(case) if constraints is None else constraints
    if samples is None:
        samples = SAMPLES if case.cooler.arrangement == "counter-flow" else SAMPLES_OF_DRYERS
    unknowns, case = needed_unknowns(case), at_its_fan(case)
    z, R = normal(len(unknowns), samples, seed), correlation_of(case, unknowns)
    middle = {name: float(y[0]) for name, y in _told(case, [case], predict([case]), constraints).items()}
    rough = _told(case, [case], predict([case], resolution=MESH), constraints)

    def solved_of(part: slice) -> tuple[dict[str, Array], NDArray[np.bool_]]:
        some, solved = _exits(case, unknowns, correlate(R, z[:, part]), constraints)
        return {name: y + (middle[name] - rough[name]) for name, y in some.items()}, solved

    if near is not None and not _serves(near, unknowns, z, constraints):
        near = None
    some = max(AGAIN, AGAIN_EACH * (len(unknowns) + 1))
    like: Mapping[str, Array] | None = None
    if 2 * some <= samples:
        like = near.solved if near else _of_even_bed(case, unknowns, correlate(R, z), constraints)
    exits, solved = solved_of(slice(samples if like is None else some))
    if like is not None:
        off = _off(like, exits, z, constraints) if solved.all() else None
        if off is not None and near is not None:
            return _moved(near, exits, off, middle, constraints, seed)
        if off is not None:
            exits, solved = _laid_on(like, exits, off, z, seed), np.ones(samples, bool)
        else:
            others, more = solved_of(slice(some, None))
            exits = {name: np.append(y, others[name]) for name, y in exits.items()}
            solved = np.append(solved, more)
    z = z[:, solved]
    return Sampled(
        unknowns, groups_of(R), z, exits, many(z, exits, seed), middle, int((~solved).sum()), constraints
    )


def _exits(
    case: Case, unknowns: list[Unknown], z: Array, constraints: list[Constraint]
) -> tuple[dict[str, Array], NDArray[np.bool_]]:
    """Exits of the samples that can be solved, and which these are."""
    cases = varied(case, unknowns, z)
    result, solved = _solved(cases)
    return _told(case, [one for one, well in zip(cases, solved) if well], result, constraints), solved


# ---- Samples laid on those of something like it ----------------------------------------------------------


def _serves(near: Sampled, unknowns: list[Unknown], z: Array, constraints: list[Constraint]) -> bool:
    """Whether samples are those of the same unknowns and constraints."""
    alike = np.array_equal(near.z, z) and [u.name for u in near.unknowns] == [u.name for u in unknowns]
    return alike and {c.key for c in near.constraints} == {c.key for c in constraints}


def _of_even_bed(
    case: Case, unknowns: list[Unknown], z: Array, constraints: list[Constraint]
) -> dict[str, Array] | None:
    """Exits of the samples with an even bed, which has a third to a ninth of the columns.

    None where it is even anyway, where nobody knows how uneven it is, or where a sample cannot be solved.
    """
    even = with_even_bed(case)
    if even is case or any(DEVIATION in u.name for u in unknowns):
        return None
    exits, solved = _exits(even, unknowns, z, constraints)
    return exits if solved.all() else None


def _off(
    like: Mapping[str, Array], exits: dict[str, Array], z: Array, constraints: list[Constraint]
) -> dict[str, Polynomial] | None:
    """Polynomials of what the first samples, which were solved, differ by from those of something like it.

    None where they do not tell it well enough.
    """
    some = len(exits["moisture"])
    off = np.array([y - like[name][:some] for name, y in exits.items()])
    if not np.isfinite(off).all():
        return None
    told = dict(zip(exits, polynomials(z[:, :some], off)))
    for key in {c.key for c in constraints}:
        if np.std(told[key].residual) > ASTRAY * np.std(exits[key]) + 1e-9 * np.abs(exits[key]).max():
            return None
    return told


def _laid_on(
    like: Mapping[str, Array], exits: dict[str, Array], off: Mapping[str, Polynomial], z: Array, seed: int
) -> dict[str, Array]:
    """Exits of all samples: of those not solved, what the polynomials say and one of the misses of theirs."""
    some = len(exits["moisture"])
    missed = np.random.default_rng(seed).integers(some, size=z.shape[1])
    return {
        name: np.append(exits[name], (like[name] + p(z) + p.residual[missed])[some:])
        for name, p in off.items()
    }


def _moved(
    near: Sampled,
    exits: dict[str, Array],
    off: Mapping[str, Polynomial],
    middle: dict[str, float],
    constraints: list[Constraint],
    seed: int,
) -> Sampled:
    """Samples of another case near to it, and as many more of each as it has."""
    many_z = normal(len(near.z), MANY, seed)
    solved = _laid_on(near.solved, exits, off, near.z, seed)
    missed = np.random.default_rng(seed).integers(len(exits["moisture"]), size=MANY)
    more = {name: near.exits[name] + p(many_z) + p.residual[missed] for name, p in off.items()}
    return dataclasses.replace(near, solved=solved, exits=more, middle=middle, constraints=constraints)


def summed_up(s: Sampled) -> Uncertainty:
    shares = [shares_of(s.z, s.solved[name], s.groups) for name in ("moisture", "temperature")]
    contributors = [_contributor(*one) for one in zip(parts_of(s.unknowns, s.groups), *shares)]
    wishes, limits = wishes_kept(s), _kept(s, of_target=False)
    return Uncertainty(
        moisture_wb=interval(s.exits["moisture"]),
        temperature=interval(s.exits["temperature"]),
        water_activity=interval(s.exits["water_activity"]),
        wishes=tuple((name, float(met.mean())) for name, met in wishes.items()),
        all_met=float(np.all(list(wishes.values()), axis=0).mean()) if wishes else None,
        all_kept=float(all_kept(s).mean()) if wishes else None,
        contributors=tuple(sorted(contributors, key=lambda c: -c.moisture_share)),
        samples=s.z.shape[1],
        unsolved=s.unsolved,
        limits=tuple((name, float(met.mean())) for name, met in limits.items()),
        **{name: interval(s.exits[name]) for name in OF_DRYERS if name in s.exits},
    )


def parts_of(unknowns: list[Unknown], groups: list[int]) -> list[tuple[Known, ...]]:
    """What each group is made of."""
    known = [Known(u.name, *u.ends, u.unit) for u in unknowns]
    return [tuple(k for k, g in zip(known, groups) if g == group) for group in range(max(groups) + 1)]


def _contributor(parts: tuple[Known, ...], moisture_share: float, temperature_share: float) -> Contributor:
    shares = float(moisture_share), float(temperature_share)
    if len(parts) == 1:
        (k,) = parts
        return Contributor(k.name, k.low, k.high, k.unit, *shares)
    return Contributor(" and ".join(k.name for k in parts), None, None, "", *shares, parts)


# ---- What is unknown ------------------------------------------------------------------------------------


def unknowns_of(case: Case) -> list[Unknown]:
    """Everything of a case that has a ± or a range."""
    typed = [_typed(case, key, known) for key, known in case.plus_minus.items()]
    assumed = [_assumed(case, *one) for one in varied_numbers(case) if one[1] not in case.plus_minus]
    return typed + [_weighed(case, unknown) for unknown in assumed]


def needed_unknowns(case: Case) -> list[Unknown]:
    """The same; raises InputError where there is nothing."""
    unknowns = unknowns_of(case)
    if not unknowns:
        found, allowed = "no input with a ±, no number with a range", 'such as feed.moisture = "14 ± 0.3 %"'
        raise InputError([Fault("", "uncertainty", found, f"it needs one, {allowed}")])
    return unknowns


def _weighed(case: Case, unknown: Unknown) -> Unknown:
    """Where the mass of a batch was typed, its depth moves with a bulk density that is assumed."""
    depth = depth_of_mass(case)
    if depth is None or unknown.name != "bulk_density":
        return unknown
    density, metres = (numbers(case)[path] for path in (BULK_DENSITY, depth))

    def changes(z: Array) -> dict[str, Array]:
        denser = unknown.changes(z)
        return denser | {depth: metres * (density / (density + denser[BULK_DENSITY]) - 1)}

    return dataclasses.replace(unknown, changes=changes)


def _typed(case: Case, key: str, known: PlusMinus) -> Unknown:
    """An input: the numbers of the case on a parabola through it, and through the scenario at both its ends."""
    ends = (_stated(retyped(case, {key: known.at(s)} | _bare(case, key))) for s in (-1, 0, 1))
    below, here, above = ends
    bends = {
        path: ((above[path] - below[path]) / 2, (above[path] + below[path]) / 2 - here[path])
        for path in here
        if above[path] != here[path] or below[path] != here[path]
    }
    low, high = bounds(key, known.unit)

    def changes(z: Array) -> dict[str, Array]:
        value = np.clip(known.value + known.half * z / NORMAL_95, low, high)
        share = (value - known.value) / known.half
        return {path: slope * share + bend * share**2 for path, (slope, bend) in bends.items()}

    return Unknown(key, (known.value - known.half, known.value + known.half), known.unit, changes)


def _stated(case: Case) -> dict[str, float]:
    """The numbers that a case states: of a feed that follows from what is before it, how far off that it is."""
    known, found = case.arrival, numbers(case)
    if known is None:
        return found
    found |= {"feed.moisture": known.moisture_offset, "feed.temperature": known.temperature_offset}
    return {path: x for path, x in found.items() if not path.startswith("arrival.") or path in _AT_DIE}


_AT_DIE = (
    *("arrival.typed_moisture", "arrival.typed_temperature"),
    *("arrival.die_moisture_offset", "arrival.die_temperature_offset"),
)


def _bare(case: Case, key: str) -> dict[str, str]:
    """The other inputs without their ±, so that an end of one and an end of another need not go together."""
    return {other: known.at(0.0) for other, known in case.plus_minus.items() if other != key}


def _assumed(case: Case, name: str, path: str, low: float, high: float) -> Unknown:
    value = numbers(case)[path]

    def changes(z: Array) -> dict[str, Array]:
        if low <= 0:
            return {path: np.where(z < 0, value - low, high - value) / NORMAL_95 * z}
        reach = np.where(z < 0, math.log(value / low), math.log(high / value)) / NORMAL_95
        return {path: value * np.expm1(reach * z)}

    return Unknown(name, (low, high), "", changes)


# ---- Samples --------------------------------------------------------------------------------------------


def correlation_of(case: Case, unknowns: list[Unknown]) -> Array:
    """Correlation (unknowns, unknowns) of the normal variables behind unknowns."""
    return among(case.material.correlation, [u.name for u in unknowns])


def correlate(R: Array, z: Array) -> Array:
    """Normal variables (unknowns, samples) with a correlation, from independent ones."""
    return np.asarray(np.linalg.cholesky(R) @ z)


def groups_of(R: Array) -> list[int]:
    """The group of each unknown, numbered from zero: those that are correlated, directly or through others."""
    if not np.any(R - np.eye(len(R))):
        return list(range(len(R)))
    from scipy.sparse.csgraph import connected_components

    return [int(g) for g in connected_components(R != 0, directed=False)[1]]


def varied(case: Case, unknowns: list[Unknown], z: Array) -> list[Case]:
    """The case of each sample."""
    here = numbers(case)
    added: dict[str, Array] = {}
    for unknown, one in zip(unknowns, z):
        for path, change in unknown.changes(one).items():
            added[path] = added.get(path, 0.0) + change
    values = {path: here[path] + change for path, change in added.items()}
    if "air.relative_humidity" in values:
        values["air.relative_humidity"] = np.clip(values["air.relative_humidity"], 0.0, 1.0)
    cases = []
    for k in range(z.shape[1]):
        one = case
        for path, value in values.items():
            one = with_number(one, path, float(value[k]))
        cases.append(one)
    return in_air_each(cases)


def _told(stated: Case, cases: list[Case], result: Result, constraints: list[Constraint]) -> dict[str, Array]:
    """Exits of cases, and what has a bound (as the case that was stated has it) beside them, each (cases,)."""
    exits = EXITS | (OF_DRYERS if is_dryer(cases[0]) else {})
    outside = np.array([case.air.temperature for case in cases], float)
    bounded = values_of(constraints, result, outside, stated, cases)
    if any(c.quantity.name.startswith("fan") for c in constraints):
        bounded |= machine_of(cases[0]).spent(cases, result).fan
    return {name: np.asarray(x) for name, x in bounded.items()} | {
        name: np.asarray(exit_(result)) for name, exit_ in exits.items()
    }


def _solved(cases: list[Case]) -> tuple[Result, NDArray[np.bool_]]:
    """Predict what can be predicted; which that is."""
    solved = np.ones(len(cases), bool)
    try:
        return predict(cases, resolution=MESH), solved
    except NotConverged as error:
        solved[np.asarray(error.failed, int)] = False
        if solved.mean() < LEAST_SOLVED:
            raise
    return predict([c for c, well in zip(cases, solved) if well], resolution=MESH), solved


EXITS: dict[str, Callable[[Result], Any]] = {
    "moisture": lambda r: r.pellets_out.moisture_wb,
    "temperature": lambda r: r.pellets_out.temperature,
    "water_activity": lambda r: r.in_store.water_activity,
}
OF_DRYERS: dict[str, Callable[[Result], Any]] = {
    "deviation_wb": lambda r: r.spread.deviation_wb,  # type: ignore[union-attr]
    "evaporation": lambda r: r.bed.evaporation,
    "heat": lambda r: r.energy.heat,  # type: ignore[union-attr]
}


def interval(y: Array) -> Interval:
    return Interval(*(float(q) for q in np.quantile(y, (TAIL, 0.5, 1 - TAIL))))


def varying(case: Case, opened: bool = False) -> list[Constraint]:
    """What a case must keep and what is not known may break.

    opened: the airflow is one that may be set, and the fan's speed follows. Else so only where it is stated: a fan
    whose speed is set keeps that. The lowest speed of a fan is never broken: a damper takes back what is too much.
    """
    cooler = case.cooler
    follows = opened or getattr(cooler, "airflow", None) or getattr(cooler, "air_ratio", None)
    pinned = {c.key for c in constraints_of(case) if c.quantity.name == "fan_speed" and c.sense < 0}

    def counts(c: Constraint) -> bool:
        if not c.quantity.name.startswith("fan"):
            return True
        fixed = c.key in pinned and len(set(speeds(case))) == 1
        return bool(follows) and c.sense > 0 and not fixed

    return [c for c in constraints_of(case) if counts(c)]


def kept(c: Constraint, y: Array) -> NDArray[np.bool_]:
    """Which values keep a constraint; settings are searched right up to it, and what does not vary stays there."""
    return np.asarray(dataclasses.replace(c, room=0.0).violation(y) <= ROUNDED)


def wishes_kept(s: Sampled) -> dict[str, NDArray[np.bool_]]:
    """Which samples meet each wish of [target], in the words of the printed target."""
    return _kept(s, of_target=True)


def all_kept(s: Sampled) -> NDArray[np.bool_]:
    """Which samples meet every wish and keep every limit of the machine."""
    return np.asarray(np.all([kept(c, s.exits[c.key]) for c in s.constraints], axis=0))


def chances(s: Sampled) -> dict[str, float]:
    """The probability that each constraint is kept, by its full name."""
    return {c.full_name: float(kept(c, s.exits[c.key]).mean()) for c in s.constraints}


def _kept(s: Sampled, of_target: bool) -> dict[str, NDArray[np.bool_]]:
    """Moisture that is held from both sides is one wish; what nobody typed is told where it may be broken."""
    found: dict[str, NDArray[np.bool_]] = {}
    for c in s.constraints:
        met = kept(c, s.exits[c.key])
        if c.of_target == of_target and not (c.assumed and met.mean() > SURE):
            label = f"{c.place}: {c.quantity.label}" if c.place else c.quantity.label
            found[label] = met & found[label] if label in found else met
    return found
