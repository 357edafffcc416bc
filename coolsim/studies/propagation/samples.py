"""Samples of a case: solved side by side, or laid on those of an even bed or of a case near to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines import machine_of
from coolsim.machines.base import QUICK
from coolsim.simulate.inputs import DEVIATION, with_even_bed
from coolsim.simulate.prediction import at_its_fan, predict
from coolsim.simulate.requirements import Constraint, constraints_of, is_dryer, speeds, values_of
from coolsim.studies.propagation.unknowns import (
    Unknown,
    correlate,
    correlation_of,
    groups_of,
    needed_unknowns,
    varied,
)
from coolsim.studies.surrogate import MANY, Polynomial, many, normal, polynomials
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

SAMPLES = 512
SAMPLES_OF_DRYERS = 256  # and of lines: they take longer
AGAIN, AGAIN_EACH = 32, 4  # samples solved again of a case like another; as many for each unknown at least
ASTRAY = 0.5  # of an exit's spread, that a sample left out may miss the difference of the two by
MESH = QUICK


LEAST_SAMPLES = 64  # through which polynomials tell as much as a few hundred samples by themselves
LEAST_SOLVED = 0.5  # share of the samples without which nothing is said
SEED = 1998


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
    known: Result | None = None,
) -> Sampled:
    """Exits of a case with everything that has a ± varied together.

    constraints: what is to be kept; of the case itself, if left out. near: samples of the same count and seed of a
    case like this: only the first of them are solved again, where what they differ by is easily told.
    known: what the case is predicted to do, as one of many, where that is known.
    """
    constraints = varying(case) if constraints is None else constraints
    if samples is None:
        samples = SAMPLES if case.cooler.arrangement == "counter-flow" else SAMPLES_OF_DRYERS
    unknowns, case = needed_unknowns(case), at_its_fan(case)
    z, R = normal(len(unknowns), samples, seed), correlation_of(case, unknowns)
    known = predict([case]) if known is None else known
    middle = {name: float(y[0]) for name, y in read_off(case, [case], known, constraints).items()}

    def solved_of(part: slice) -> tuple[dict[str, Array], NDArray[np.bool_]]:
        with_middle = np.insert(z[:, part], 0, 0.0, axis=1)  # the mesh is off there by what is known
        some, solved = _exits(case, unknowns, correlate(R, with_middle), constraints)
        if not solved[0]:
            raise NotConverged("with all as it is, the exit is not to be computed on a rough mesh")
        return {name: y[1:] + (middle[name] - y[0]) for name, y in some.items()}, solved[1:]

    some = max(AGAIN, AGAIN_EACH * (len(unknowns) + 1))
    parts, off = [], None
    if 2 * some <= samples:
        if near is not None and _serves(near, unknowns, z, constraints):
            parts = [solved_of(slice(some))]
            off = _off(near.solved, *parts[0], z, constraints)
            if off is not None:
                return _moved(near, parts[0][0], off, middle, constraints, seed)
        even = _of_even_bed(case, unknowns, correlate(R, z), constraints)
        if even is not None:
            parts = parts or [solved_of(slice(some))]
            off = _off(even, *parts[0], z, constraints)
    if off is not None and even is not None:
        exits, solved = _laid_on(even, parts[0][0], off, z, seed), np.ones(samples, bool)
    else:
        parts.append(solved_of(slice(some if parts else 0, None)))
        exits = {name: np.concatenate([part[name] for part, _ in parts]) for name in parts[0][0]}
        solved = np.concatenate([well for _, well in parts])
    z = z[:, solved]
    return Sampled(
        unknowns, groups_of(R), z, exits, many(z, exits, seed), middle, int((~solved).sum()), constraints
    )


def _exits(
    case: Case, unknowns: list[Unknown], z: Array, constraints: list[Constraint]
) -> tuple[dict[str, Array], NDArray[np.bool_]]:
    """Exits of the samples that can be solved, and which these are."""
    cases = varied(case, unknowns, z)
    result, solved = predicted_samples(cases)
    return read_off(case, [one for one, well in zip(cases, solved) if well], result, constraints), solved


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
    like: Mapping[str, Array],
    exits: dict[str, Array],
    solved: NDArray[np.bool_],
    z: Array,
    constraints: list[Constraint],
) -> dict[str, Polynomial] | None:
    """Polynomials of what the first samples, which were solved, differ by from those of something like it.

    None where they do not tell it well enough, or one could not be solved.
    """
    if not solved.all():
        return None
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


def read_off(
    stated: Case, cases: list[Case], result: Result, constraints: list[Constraint]
) -> dict[str, Array]:
    """Exits of cases, and what has a bound (as the case that was stated has it) beside them, each (cases,)."""
    exits = EXITS | (OF_DRYERS if is_dryer(cases[0]) else {})
    outside = np.array([case.air.temperature for case in cases], float)
    bounded = values_of(constraints, result, outside, stated, cases)
    if any(c.quantity.name.startswith("fan") for c in constraints):
        bounded |= machine_of(cases[0]).spent(cases, result).fan
    return {name: np.asarray(x) for name, x in bounded.items()} | {
        name: np.asarray(exit_(result)) for name, exit_ in exits.items()
    }


def predicted_samples(cases: list[Case]) -> tuple[Result, NDArray[np.bool_]]:
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
