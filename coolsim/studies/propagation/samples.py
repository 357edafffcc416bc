"""Samples of a case: solved side by side, or laid on those of an even bed or of a case near to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.machines import machine_of
from coolsim.machines.base import QUICK, one
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
from coolsim.studies.surrogate import MANY, Polynomial, many, normal, polynomials, read
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

SAMPLES = 512
SAMPLES_OF_DRYERS = 256  # and of lines: they take longer
# Samples of which it is solved what they differ by, and for each unknown at least: from a case like theirs, from an
# even bed (which is little, and near to linear).
AGAIN, AGAIN_EACH = 32, 4
UNEVEN, UNEVEN_EACH = 16, 2
ASTRAY = 0.5  # of an exit's spread, that a sample left out may miss the difference of the two by
MESH = QUICK


LEAST_SAMPLES = 64  # through which polynomials tell as much as a few hundred samples by themselves
LEAST_SOLVED = 0.5  # share of the samples without which nothing is said
SEED = 1998
Exits: TypeAlias = dict[str, Array]  # by their names in EXITS, and by the keys of constraints


@dataclass(frozen=True)
class Sampled:
    """Exits of samples; arrays (samples,) without those that could not be solved."""

    unknowns: list[Unknown]
    groups: list[int]  # of each unknown: those that err together have one
    z: Array  # (unknowns, samples), independent: before any correlation
    seed: int
    solved: Exits
    exits: Exits  # the same of many more samples, by polynomials through those solved
    middle: dict[str, float]  # where everything has the value that was typed
    unsolved: int
    constraints: list[Constraint]  # what is to be kept, by their keys among the exits
    even: Exits | None  # of an even bed, if all could be solved: by these a case like it is compared


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
    unknowns, case = needed_unknowns(case), at_its_fan(case, result=None if known is None else one(known, 0))
    known = predict([case]) if known is None else known
    middle = {name: float(y[0]) for name, y in read_off(case, [case], known, constraints).items()}
    if near is not None and (near.z.shape[1], near.seed) == (samples, seed):
        found = moved(near, case, constraints, middle)
        if found is not None:
            return found
    z = normal(len(unknowns), samples, seed)
    bare, few = _bare(case, unknowns), max(UNEVEN, UNEVEN_EACH * (len(unknowns) + 1))
    exits, solved = _exits(bare, unknowns, z, constraints, middle)
    even = exits if solved.all() else None
    if bare is not case:
        off = None
        if even is not None and 2 * few <= samples:
            some, well = _exits(case, unknowns, z[:, :few], constraints, middle)
            off = _off(even, some, z, constraints) if well.all() else None
        if off is not None:
            exits = _laid_on(exits, some, off, z, seed)
        else:
            exits, solved = _exits(case, unknowns, z, constraints, middle)
    z, more, unsolved = z[:, solved], many(z[:, solved], exits, seed), int((~solved).sum())
    groups = groups_of(correlation_of(case, unknowns))
    return Sampled(unknowns, groups, z, seed, exits, more, middle, unsolved, constraints, even)


def moved(
    near: Sampled, case: Case, constraints: list[Constraint], middle: dict[str, float]
) -> Sampled | None:
    """Samples of a case like another, by the first of them: they are solved with even beds, and compared.

    middle: what the case does with everything as typed. None where the first do not tell what all would.
    """
    unknowns, z = needed_unknowns(case), near.z
    few = max(AGAIN, AGAIN_EACH * (len(unknowns) + 1))
    alike = [u.name for u in unknowns] == [u.name for u in near.unknowns]
    alike &= {c.key for c in constraints} == {c.key for c in near.constraints}
    if near.even is None or near.unsolved or not alike or 2 * few > z.shape[1]:
        return None
    exits, solved = _exits(_bare(case, unknowns), unknowns, z[:, :few], constraints, middle)
    off = _off(near.even, exits, z, constraints) if solved.all() else None
    if off is None:
        return None
    there = {name: near.solved[name][:few] + y - near.even[name][:few] for name, y in exits.items()}
    added = _with_misses(off, normal(len(z), MANY, near.seed), near.seed)
    return dataclasses.replace(
        near,
        solved=_laid_on(near.solved, there, off, z, near.seed),
        exits={name: near.exits[name] + more for name, more in added.items()},
        middle=middle,
        constraints=constraints,
        even=None,
    )


def _bare(case: Case, unknowns: list[Unknown]) -> Case:
    """The case with an even bed, which has a third to a ninth of the columns; itself where that is not known."""
    return case if any(DEVIATION in u.name for u in unknowns) else with_even_bed(case)


def _exits(
    case: Case, unknowns: list[Unknown], z: Array, constraints: list[Constraint], middle: Mapping[str, float]
) -> tuple[Exits, NDArray[np.bool_]]:
    """Exits of the samples that can be solved, less what the mesh is off in the middle; and which these are."""
    R = correlation_of(case, unknowns)
    cases = varied(case, unknowns, correlate(R, np.insert(z, 0, 0.0, axis=1)))
    result, solved = predicted_samples(cases)
    if not solved[0]:
        raise NotConverged("with all as it is, the exit is not to be computed on a rough mesh")
    found = read_off(case, [c for c, well in zip(cases, solved) if well], result, constraints)
    return {name: found[name][1:] + (y - found[name][0]) for name, y in middle.items()}, solved[1:]


def _off(like: Exits, exits: Exits, z: Array, constraints: list[Constraint]) -> dict[str, Polynomial] | None:
    """Polynomials of what the first samples differ by from those of something like it.

    None where they do not tell it well enough.
    """
    few = len(exits["moisture"])
    off = np.array([y - like[name][:few] for name, y in exits.items()])
    if not np.isfinite(off).all():
        return None
    told = dict(zip(exits, polynomials(z[:, :few], off)))
    for key in {c.key for c in constraints}:
        if np.std(told[key].residual) > ASTRAY * np.std(exits[key]) + 1e-9 * np.abs(exits[key]).max():
            return None
    return told


def _laid_on(like: Exits, exits: Exits, off: Mapping[str, Polynomial], z: Array, seed: int) -> Exits:
    """Exits of all samples: those solved, then those of something like it, and what they differ by."""
    some = len(exits["moisture"])
    added = _with_misses(off, z, seed)
    return {name: np.append(exits[name], (like[name] + more)[some:]) for name, more in added.items()}


def _with_misses(off: Mapping[str, Polynomial], z: Array, seed: int) -> Exits:
    """Polynomials of samples, each with what they miss of one of those that were solved."""
    some = len(next(iter(off.values())).residual)
    missed = np.random.default_rng(seed).integers(some, size=z.shape[1])
    values = read(list(off.values()), z)
    return {name: one + p.residual[missed] for (name, p), one in zip(off.items(), values)}


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
