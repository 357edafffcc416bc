"""Pellets as they leave a machine, with their profile: what the next one is fed.

A cooler's pellets are all alike. A dryer's bed is not: driest where the air came in. It is mixed when it is
emptied, and goes on as pellets that all have the mean of its profiles, and its mean temperature: pellets that
differ still differ a while later, but neither model follows more than one kind. The heat that dry pellets would
give if they took water from wet ones (⟨Q⟩ of the mean profile less the mean of ⟨Q⟩) is not set free, as pellets
are taken to keep their water: in a bed of 1 to 19 % it would be 20 K.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.model import dryer as dr
from coolsim.model import drying, solve
from coolsim.model.bed import Bed, Fed
from coolsim.model.pellet_shells import Shells, on_shells, shaped_shells
from coolsim.numerics.stages import DOWN, exits
from coolsim.support.fields import Array

NONE = 0.0  # kg/kg dry; a scheme's exit can undershoot it


@dataclass(frozen=True)
class Leaving:
    """Pellets of many cases, (…, cases)."""

    bed: Bed  # that they leave, with its numbers of the pellets
    shells: Shells
    moisture: Array  # of the shells, (n, B)
    mean: Array  # X̄
    enthalpy: Array  # H
    bound_heat: Array  # ⟨Q⟩
    temperature: Array
    size: Array  # radius as a share of what it was as this machine's feed
    entered_moisture: Array  # X̄ and H of the pellets that the machine took, as it took them
    entered_enthalpy: Array

    @property
    def fed(self) -> Fed:
        return Fed(self.shells.volume, self.moisture, self.bound_heat)


def of_coolers(bed: Bed, solutions: Sequence[solve.Solution]) -> Leaving:
    """What the cases of a bed leave it as."""
    n = max(len(s.problem.shells.volume) for s in solutions)
    return _gathered(bed, solve.graded_shells(bed, n), [(s.index, *_cooled(s)) for s in solutions])


def _cooled(s: solve.Solution) -> tuple[Array, Array, dict[str, Array]]:
    problem, out = s.problem, s.outlet
    V = problem.shells.volume
    T = problem.laws.pellet_temperature(problem.bed, out.moisture, out.enthalpy, out.bound_heat)
    numbers = {
        "mean": out.moisture,
        "enthalpy": out.enthalpy,
        "bound_heat": out.bound_heat,
        "temperature": T,
        "size": np.ones_like(T),
        "entered_moisture": (V * problem.feed_shells).sum(axis=0),
        "entered_enthalpy": problem.feed[0],
    }
    return V, exits(DOWN, s.state.chain[-1]), numbers


def of_dryers(bed: Bed, solutions: Sequence[drying.Solution]) -> Leaving:
    """What the cases of a bed leave it as, mixed."""
    n = max(len(s.dryer.shells.volume) for s in solutions)
    exponent = np.empty(bed.cases)
    for s in solutions:
        exponent[s.index] = s.dryer.exponent
    shells = shaped_shells(n, np.full(bed.cases, solve.GRADING), exponent)
    return _gathered(bed, shells, [(s.index, *_of_dryer(s)) for s in solutions])


def _of_dryer(s: drying.Solution) -> tuple[Array, Array, dict[str, Array]]:
    dryer, end = s.dryer, s.marches[-1].pellets
    w = dr.point_weights(dryer.z)
    mean, T = drying.mean_exit(s)
    X = (w[:, None] * end.moisture).sum(axis=0)
    Q = (dryer.shells.volume * dryer.bed.bound_water(X)[0]).sum(axis=0)
    numbers = {
        "mean": mean,
        "enthalpy": dryer.laws.pellet_enthalpy(dryer.bed, mean, T, Q),
        "bound_heat": Q,
        "temperature": T,
        "size": dr.radius_share(dryer, mean),
        "entered_moisture": (w * dr.means(dryer, s.start.moisture)[0]).sum(axis=0),
        "entered_enthalpy": (w * s.start.enthalpy).sum(axis=0),
    }
    return dryer.shells.volume, X, numbers


def _gathered(bed: Bed, shells: Shells, parts: list[tuple[Any, Array, Array, dict[str, Array]]]) -> Leaving:
    """Cases of several meshes on the finest of them."""
    moisture = np.empty(shells.volume.shape)
    numbers = {name: np.empty(bed.cases) for name in parts[0][3]}
    for index, V, X, columns in parts:
        X = np.maximum(X, NONE)
        X *= columns["mean"] / (V * X).sum(axis=0)
        moisture[:, index] = on_shells(Fed(V, X, columns["bound_heat"]), shells.volume[:, index])
        for name, column in columns.items():
            numbers[name][index] = column
    return Leaving(bed, shells, moisture, **numbers)


def fitted(leaving: Leaving, moisture: Array, bound_heat: Array) -> Leaving:
    """The same profile at another mean (cases,): what is left of it where some water has flashed off."""
    scaled = leaving.moisture * (moisture / leaving.mean)
    return dataclasses.replace(leaving, moisture=scaled, mean=moisture, bound_heat=bound_heat)
