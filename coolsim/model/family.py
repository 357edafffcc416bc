"""Many cases that differ little from each other, as a year of weather over one cooler does.

A few representatives are solved in full. Every other case starts from the nearest one's state and mesh,
moved along the representative's own sensitivities (one Newton step of a slightly changed problem each), and
is then solved to the same tolerance, with an error estimate of its own: the start saves steps, it does not
enter the answer. Cases far from every representative simply take more steps.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from coolsim.model import counterflow as cf
from coolsim.model.bed import Bed, take
from coolsim.model.counterflow import Problem, State, pose
from coolsim.model.solve import Solution
from coolsim.model.surface import Laws
from coolsim.support.fields import Array

REPRESENTATIVES = 200
PERTURBATION = 1e-5  # of a field's range, for a sensitivity


def varying(bed: Bed) -> list[str]:
    """Names of the numbers of a bed that differ between its cases."""
    names = [f.name for f in dataclasses.fields(bed) if isinstance(getattr(bed, f.name), np.ndarray)]
    return [name for name in names if np.ptp(getattr(bed, name)) > 0]


def coordinates(bed: Bed, names: list[str]) -> Array:
    """The varying numbers, each as a share of its range: (names, cases)."""
    values = np.stack([getattr(bed, name) for name in names])
    low = values.min(axis=1, keepdims=True)
    return (values - low) / (values.max(axis=1, keepdims=True) - low)


def representatives(x: Array, count: int = REPRESENTATIVES) -> NDArray[np.intp]:
    """Indices of cases spread over coordinates (names, cases), each the farthest from those before it."""
    chosen = [0]
    distance = np.full(x.shape[1], np.inf)
    while len(chosen) < count:
        distance = np.minimum(distance, ((x - x[:, chosen[-1:]]) ** 2).sum(axis=0))
        chosen.append(int(distance.argmax()))
        if distance[chosen[-1]] == 0:
            return np.array(chosen[:-1])
    return np.array(chosen)


@dataclasses.dataclass(frozen=True)
class Family:
    """Solved representatives on one mesh size, with the sensitivities of their states."""

    x: Array  # coordinates, (names, R)
    problem: Problem
    state: State
    by_coordinate: list[State]  # one per name


def family(names: list[str], x: Array, bed: Bed, solution: Solution) -> Family:
    """Sensitivities of solved cases `solution.index` of a bed with coordinates x (names, cases)."""
    ranges = {name: np.ptp(getattr(bed, name)) for name in names}
    slopes = []
    for name in names:
        p, old = solution.problem, solution.problem.bed
        changed = dataclasses.replace(old, **{name: getattr(old, name) + PERTURBATION * ranges[name]})
        moved, _ = cf.newton_step(pose(changed, p.shells, p.z, p.laws), solution.state)
        slopes.append(
            State(
                (moved.chain - solution.state.chain) / PERTURBATION,
                (moved.points - solution.state.points) / PERTURBATION,
            )
        )
    return Family(x, solution.problem, solution.state, slopes)


def start(members: Family, x: Array, bed: Bed, laws: Laws) -> tuple[Problem, State]:
    """Mesh and first-order state for cases of a bed at coordinates x (names, cases), from the nearest member."""
    distance = sum((a[:, None] - b) ** 2 for a, b in zip(members.x, x))
    nearest = np.argmin(distance, axis=0)
    near, state = take(members.problem, nearest), take(members.state, nearest)
    chain, points = state.chain.copy(), state.points.copy()
    for slope, way in zip(members.by_coordinate, x - members.x[:, nearest]):
        chain += slope.chain[..., nearest] * way
        points += slope.points[..., nearest] * way
    np.maximum(chain, cf.LEAST_MOISTURE_KEPT * state.chain, out=chain)
    least = cf.LEAST_MOISTURE_KEPT * state.points[:, cf.XS]
    np.maximum(points[:, cf.XS], least, out=points[:, cf.XS])
    return pose(bed, near.shells, near.z, laws), State(chain, points)
