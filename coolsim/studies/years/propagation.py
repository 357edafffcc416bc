"""How sure a year is: its main numbers over all that is known only to some ±, varied together.

The exit of every hour for every sample would be half a million predictions, whatever the machine. But what a sample
moves, its exit less that of the case as typed, is smooth in the weather (and in settings that follow it): it is
solved in some states that stand for the hours, on a rough mesh (`uncertainty_samples`), and taken between them
by a polynomial, whose degree is the one that does best on states held out. Moves of more samples than were
solved come from polynomials through those that were (studies.surrogate). Each sample's year is the year as it
was predicted, moved so, and is held against target, limits and prices by the same code.

The weather counts as exact, so a ± below [air], which is for a single day, is left out. Where a chart is followed
it is kept: what the operator sets is off by as much as the scenario's own airflow, bed depth or feed moisture.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.model.family import representatives
from coolsim.studies.propagation.answer import Interval, Known
from coolsim.studies.propagation.run import interval, parts_of
from coolsim.studies.propagation.samples import LEAST_SAMPLES, LEAST_SOLVED, SEED
from coolsim.studies.propagation.unknowns import (
    Unknown,
    correlate,
    correlation_of,
    groups_of,
    unknowns_of,
)
from coolsim.studies.surrogate import many, normal, shares_of
from coolsim.studies.years.uncertainty_samples import SampledYear
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError, NotConverged
from coolsim.support.fields import Array, documented

YEARS = 512  # samples of that whose hours are counted: counts have kinks
DEGREES = (1, 2, 3)
MOST_TERMS = 0.7  # per state
NUMBERS = (
    *("within", "too_wet", "too_dry", "too_warm", "moisture_wb", "temperature", "product", "given_away"),
    *("electricity", "heat", "cost"),
)  # of a tally
COUNTED = ("within", "too_wet", "too_dry", "too_warm")  # no fewer than none, no more than all
SHARED = ("within", "moisture_wb", "cost")  # whose variance is shared out


@dataclass(frozen=True)
class YearContributor:
    """One thing that is not known exactly, or several of one fit, and what of the spread is its own."""

    name: str = documented("-", "scenario key, or numbers of the material")
    parts: tuple[Known, ...] = documented("-", "what it is, with its 95 % interval; several of one fit")
    within_share: float = documented("-", "share of the variance of the hours within target and limits")
    moisture_share: float = documented("-", "share of the variance of the mean exit moisture")
    cost_share: float = documented("-", "share of the variance of the cost")


@dataclass(frozen=True, repr=False)
class YearUncertainty(Displayed):
    """The sums of a year, as far as they are known; intervals of 95 %."""

    within: Interval = documented("h", "hours that meet target and limits")
    too_wet: Interval = documented("h", "hours too wet: moulds may grow")
    too_dry: Interval = documented("h", "hours too dry: below the target's tolerance")
    too_warm: Interval = documented("h", "hours too warm above the air outside")
    moisture_wb: Interval = documented("kg/kg wet", "mean exit moisture")
    temperature: Interval = documented("°C", "mean exit temperature")
    product: Interval = documented("kg", "wet pellets that left", json="product_t", factor=1e-3)
    given_away: Interval = documented("kg", "weight lost by drying below the target")
    electricity: Interval = documented("kWh", "of the fan")
    heat: Interval = documented("kWh", "that warmed the inlet air")
    cost: Interval = documented("1", "in the scenario's currency")
    contributors: tuple[YearContributor, ...] = documented("-", "what is not known, most of the hours first")
    left_out: tuple[str, ...] = documented("-", "keys of [air] with a ±: a year takes its weather as exact")
    samples: int = documented("-", "samples that were solved")
    unsolved: int = documented("-", "samples that could not be solved, and count nowhere")
    moisture_error: float = documented("kg/kg wet", "root mean square of a sample's move, on states held out")


def year_uncertainty(sampled: SampledYear, samples: int | None = None, seed: int = SEED) -> YearUncertainty:
    """Spread of the sums of a year that was predicted.

    samples: 64 or more; as many as the year takes, if left out. Raises InputError where nothing
    carries a ±, NotConverged where most samples fail.
    """
    samples = sampled.sizes[0] if samples is None else samples
    if samples < LEAST_SAMPLES:
        raise ValueError(f"samples is {samples}: at least {LEAST_SAMPLES} are needed")
    unknowns, left_out = unknowns_of_year(sampled.case)
    z, R = normal(len(unknowns), samples, seed), correlation_of(sampled.case, unknowns)
    groups = groups_of(R)
    moves = _moves(sampled, unknowns, correlate(R, z))
    sums = [sampled.sums(move) for move in moves.many(z[:, moves.solved], seed)]
    z = normal(len(unknowns), YEARS, seed)
    few = {name: np.array([getattr(t, name) for t in sums]) for name in NUMBERS}
    found = many(z, few, seed)
    for name in few:
        if name not in ("moisture_wb", "temperature"):  # a polynomial knows no ends
            found[name] = np.clip(found[name], 0.0, sums[0].hours if name in COUNTED else np.inf)
    shares = [shares_of(z, few[name], groups) for name in SHARED]
    contributors = [
        YearContributor(" and ".join(k.name for k in parts), parts, *(float(s) for s in three))
        for parts, *three in zip(parts_of(unknowns, groups), *shares)
    ]
    by = (lambda c: -c.within_share) if np.ptp(few["within"]) > 0 else (lambda c: -c.moisture_share)
    return YearUncertainty(
        **{name: interval(found[name]) for name in NUMBERS},
        contributors=tuple(sorted(contributors, key=by)),
        left_out=left_out,
        samples=int(moves.solved.sum()),
        unsolved=int((~moves.solved).sum()),
        moisture_error=moves.moisture_error,
    )


def unknowns_of_year(case: Case) -> tuple[list[Unknown], tuple[str, ...]]:
    """What is varied, and the keys with a ± that a year has no use for; raises InputError where nothing is."""
    left_out = tuple(key for key in case.plus_minus if key.startswith("air."))
    found = [u for u in unknowns_of(case) if u.name not in left_out]
    if not found:
        what = f"only {', '.join(left_out)} with a ±" if left_out else "no input with a ±"
        allowed = 'a year needs one outside of [air], such as feed.moisture = "14 ± 0.3 %"'
        raise InputError([Fault("", "uncertainty", f"{what}, no number with a range", allowed)])
    return found, left_out


# -- from some states to all hours


@dataclass(frozen=True)
class _Moves:
    """What each sample that was solved moves in every hour: outcomes as `pack` lays them out."""

    design: Array  # (hours, terms)
    coefficients: Array  # (terms, samples solved, outcomes)
    solved: NDArray[np.bool_]  # (samples,)
    moisture_error: float

    def many(self, z: Array, seed: int) -> Iterator[Array]:
        """Moves (outcomes, hours) of more samples, by polynomials through those solved at z."""
        shape = self.coefficients.shape
        terms = {f"{t} {o}": self.coefficients[t, :, o] for t, o in np.ndindex(shape[0], shape[2])}
        drawn = many(z, terms, seed, YEARS, least=-np.inf)
        found = np.array(list(drawn.values())).reshape(shape[0], shape[2], YEARS)
        for k in range(YEARS):
            yield (self.design @ found[..., k]).T


def _moves(sampled: SampledYear, unknowns: list[Unknown], z: Array) -> _Moves:
    """Solve every sample (unknowns, samples) in some states of the year, and take what it moves to all hours."""
    x = _box(sampled.points())
    states, held = _states(x, *sampled.sizes[1:])
    rows = np.concatenate([states, held])
    middle, found = sampled.solved(unknowns, z, rows)  # (outcomes, states), (outcomes, samples, states)
    moved = np.moveaxis(found - middle[:, None], 2, 0).swapaxes(1, 2)  # (states, samples, outcomes)
    solved = np.asarray(np.isfinite(moved).all(axis=(0, 2)))
    if solved.mean() < LEAST_SOLVED:
        raise NotConverged("most samples of the year could not be computed; are all ± as they are meant?")
    moved = np.asarray(moved[:, solved], float)
    if not len(held):
        each = np.eye(x.shape[1]) if len(rows) == x.shape[1] else _monomials(x, 0)
        return _Moves(each, moved, solved, 0.0)
    return _between(x, states, held, moved, solved)


def _between(
    x: Array, states: NDArray[np.intp], held: NDArray[np.intp], moved: Array, solved: NDArray[np.bool_]
) -> _Moves:
    """The polynomial in the coordinates x that does best on the states held out; moved: of both, in that order."""
    best: _Moves | None = None
    for degree in DEGREES:
        design = _monomials(x, degree)
        if best is not None and design.shape[1] > MOST_TERMS * len(states):
            break
        flat = moved[: len(states)].reshape(len(states), -1)
        fitted: Array = np.linalg.lstsq(design[states], flat, rcond=1e-8)[0].astype(np.float64)
        through = fitted.reshape(-1, *moved.shape[1:])
        off = np.tensordot(design[held], through, axes=1) - moved[len(states) :]
        error = float(np.sqrt((off[..., 0] ** 2).mean()))
        if best is None or error < best.moisture_error:
            best = _Moves(np.asarray(design, float), through, solved, error)
    assert best is not None
    return best


def _box(x: Array) -> Array:
    """Coordinates that vary, from −1 to 1."""
    low, size = x.min(axis=1, keepdims=True), np.ptp(x, axis=1, keepdims=True)
    varied = size[:, 0] > 1e-9
    return np.asarray(2 * (x - low)[varied] / size[varied] - 1)


def _states(x: Array, most: int, held_out: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Hours that stand for all, half of them far apart; others held out. All of few, one of equals."""
    count = x.shape[1] if len(x) else 1
    if count <= most + held_out:
        return np.arange(count), np.arange(0)
    spread = representatives(x, most // 2)
    order = np.random.default_rng(SEED).permutation(np.setdiff1d(np.arange(count), spread))
    states, held = np.split(order[: most - len(spread) + held_out], [most - len(spread)])
    return np.concatenate([spread, states]), held


def _monomials(x: Array, degree: int) -> Array:
    """Products of coordinates up to a degree, (hours, terms)."""
    of = (itertools.combinations_with_replacement(range(len(x)), n) for n in range(degree + 1))
    return np.asarray(np.stack([np.prod(x[list(i)], axis=0) for some in of for i in some], axis=1), float)
