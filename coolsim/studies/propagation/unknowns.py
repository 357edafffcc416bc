"""What is known only to some ±, as normal variables behind the numbers of a case, and what errs together."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coolsim.case.case import Case
from coolsim.physics.correlations import among
from coolsim.scenario import bounds, retyped
from coolsim.scenario.plus_minus import PlusMinus
from coolsim.simulate.assumed_ranges import BULK_DENSITY, depth_of_mass, varied_numbers
from coolsim.simulate.feed_following import in_air_each
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, numbers, with_number

NORMAL_95 = 1.959963984540054  # standard deviations on each side of a 95 % interval


@dataclass(frozen=True)
class Unknown:
    """Something with a ±, and how the numbers of a case follow a normal variable."""

    name: str
    ends: tuple[float, float]  # of its 95 % interval
    unit: str
    changes: Callable[[Array], dict[str, Array]]  # what a normal variable adds to the numbers, by path


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
