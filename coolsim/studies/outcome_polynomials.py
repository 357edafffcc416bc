"""Outcomes of a plant as polynomials of its knobs: a few hundred predictions, then any number of states.

Exits are smooth in the knobs, though costs and limits have kinks: so outcomes are fitted, and weighed afterwards.
An even bed on a coarse mesh gives the shape at many Chebyshev nodes; what unevenness adds to it takes some of them,
what the full mesh adds hardly varies and takes few.
A plant in several weathers has one polynomial in each; points come weather by weather, equally many of each.
"""

from __future__ import annotations

import copy
import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from coolsim.machines.plant import Outcome, Plant, outcome_of, spread
from coolsim.model.solve import Resolution
from coolsim.numerics.nodes import through_nodes
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

LOGARITHMIC = ("airflow", "bed_depth")
# nodes per knob, by how bent outcomes are along it: of the shape, of what unevenness and what the full mesh add
NODES = {
    "airflow": (9, 5, 3),
    "bed_depth": (5, 3, 3),
    "inlet_air_temperature": (4, 3, 2),
    "conditioning_water": (4, 2, 2),
    "conditioning_temperature": (4, 2, 2),
    "feed_moisture": (3, 1, 2),
}
LEAST_SOLVED = 0.5  # share of the nodes without which a fit means nothing
_SPANNING = ("pressure_drop", "lift_off")  # decades
_LOGS = np.array([[f.name in _SPANNING] for f in dataclasses.fields(Outcome)])


@dataclass(frozen=True)
class Box:
    """Ranges of knobs, their ends numbers or one per weather; within, each knob runs from −1 to 1."""

    ranges: dict[str, tuple[Any, Any]]

    @property
    def names(self) -> list[str]:
        return list(self.ranges)

    def of(self, weathers: NDArray[np.intp]) -> Box:
        """The ranges in some of the weathers."""
        return Box({n: (_of(low, weathers), _of(high, weathers)) for n, (low, high) in self.ranges.items()})

    def knobs(self, x: Array) -> dict[str, Array]:
        """Knobs at points (N, knobs)."""
        found = {}
        for (name, ends), t in zip(self.ranges.items(), x.T):
            ends = spread(ends[0], len(t)), spread(ends[1], len(t))
            low, high = np.log(ends) if name in LOGARITHMIC else ends
            value = low + (high - low) * (t + 1) / 2
            found[name] = np.clip(np.exp(value) if name in LOGARITHMIC else value, *ends)
        return found

    def place(self, name: str, value: Any) -> Any:
        """Where values of one knob, whose range is the same in all weathers, are from −1 to 1."""
        low, high = self.ranges[name]
        if not high > low:
            return np.zeros(np.shape(value))
        if name in LOGARITHMIC:
            low, high, value = np.log(low), np.log(high), np.log(value)
        return 2 * (value - low) / (high - low) - 1


def _of(ends: Any, weathers: NDArray[np.intp]) -> Any:
    return ends if np.ndim(ends) == 0 else ends[weathers]


def combined(axes: list[Array]) -> Array:
    """All combinations of values along axes: (N, axes), the last axis running fastest."""
    return np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)


def pack(outcome: Outcome) -> Array:
    """Outcomes as rows of smooth numbers (outcomes, N)."""
    rows = np.array([getattr(outcome, f.name) for f in dataclasses.fields(Outcome)])
    return np.where(_LOGS, np.log(np.where(_LOGS, rows, 1.0)), rows)


def unpack(rows: Array) -> Outcome:
    return Outcome(*np.where(_LOGS, np.exp(np.where(_LOGS, rows, 0.0)), rows))


class Fit:
    """Polynomials of outcomes over a box, through the shape on a coarse mesh and the full mesh's additions."""

    def __init__(self, plant: Plant, box: Box, coarse: Resolution, full: Resolution) -> None:
        self.plant, self.box = plant, box
        self.varied = [name for name, (low, high) in box.ranges.items() if np.any(high > low)]
        many, some, few = ([NODES[n][k] if n in self.varied else 1 for n in box.names] for k in range(3))
        even = plant.even()
        self.coefficients = _through(even, box, many, coarse)  # (weathers, nodes..., outcomes)
        added = [(few, _through(even, box, few, full, self))]
        if even is not plant:
            added.append((some, _through(plant, box, some, coarse, self)))
        for nodes, more in added:
            self.coefficients[(slice(None), *(slice(n) for n in nodes))] += more

    def of(self, weathers: NDArray[np.intp]) -> Fit:
        """The polynomials of some of the weathers, each as often as it is named; of the only one: themselves."""
        if self.plant.weathers == 1:
            return self
        part = copy.copy(self)
        part.plant, part.box = self.plant.of(weathers), self.box.of(weathers)
        part.coefficients = self.coefficients[weathers]
        return part

    def __call__(self, x: Array) -> Array:
        """Rows of outcomes (outcomes, N) at points (N, knobs)."""
        rows, first = self.coefficients, chebyshev.chebvander(x[:, 0], self.coefficients.shape[1] - 1)
        rows = first.reshape(len(rows), -1, rows.shape[1]) @ rows.reshape(*rows.shape[:2], -1)
        rows = rows.reshape(len(x), *self.coefficients.shape[2:])
        for t, n in zip(x.T[1:], self.coefficients.shape[2:]):
            values = chebyshev.chebvander(t, n - 1)
            rows = (values[:, None] @ rows.reshape(len(x), n, -1)).reshape(len(x), *rows.shape[2:])
        return np.ascontiguousarray(rows.T)

    def on_grid(self, axes: list[Array]) -> Array:
        """Rows of outcomes (outcomes, N) at all combinations of values along the knobs, weather by weather."""
        rows = self.coefficients
        for t, n in zip(axes, self.coefficients.shape[1:]):
            rows = np.tensordot(rows, chebyshev.chebvander(t, n - 1), axes=(1, 1))
        rows = np.moveaxis(rows, 1, 0)  # outcomes came after weathers once all knobs were summed
        return np.ascontiguousarray(rows).reshape(len(_LOGS), -1)


def _through(plant: Plant, box: Box, nodes: list[int], mesh: Resolution, base: Fit | None = None) -> Array:
    """Coefficients (weathers, nodes..., outcomes) through predictions at Chebyshev nodes, less those of `base`."""
    axes = [chebyshev.chebpts1(n) for n in nodes]
    x = np.tile(combined(axes), (plant.weathers, 1))
    rows = _predicted(plant, box.knobs(x), mesh)
    if base:
        rows = rows - base(x)
    by_weather = rows.reshape(len(rows), plant.weathers, -1)  # a view
    for each in np.moveaxis(by_weather, 1, 0):
        solved = np.asarray(np.isfinite(each).all(axis=0))
        if solved.mean() < LEAST_SOLVED:
            raise NotConverged(f"{(~solved).sum()} of {len(solved)} states of the survey did not converge")
        if not solved.all():
            each[:, ~solved] = _smoothly(combined(axes), each, solved, nodes)
    return through_nodes(rows.T.reshape(plant.weathers, *nodes, -1), range(1, 1 + len(nodes)))


def _predicted(plant: Plant, knobs: dict[str, Array], mesh: Resolution) -> Array:
    """Rows of outcomes (outcomes, N), nan for states that do not solve."""
    try:
        return pack(outcome_of(plant.predicted(knobs, mesh)))
    except NotConverged as error:
        solved = ~np.isin(np.arange(len(next(iter(knobs.values())))), error.failed)
    rows = np.full((len(_LOGS), len(solved)), np.nan)
    if solved.any():
        rows[:, solved] = _predicted(plant, {n: v[solved] for n, v in knobs.items()}, mesh)
    return rows


def _smoothly(x: Array, rows: Array, solved: NDArray[np.bool_], nodes: list[int]) -> Array:
    """Rows at the nodes that are not solved, by the smoothest polynomial through the others.

    Of all that pass through them, the one of least coefficients, where each degree counts three times the one
    before. What a search returns is predicted: this only has to lead it past a hole.
    """
    V, weight = np.ones((len(x), 1)), np.ones(1)
    for t, n in zip(x.T, nodes):
        V = (V[:, :, None] * chebyshev.chebvander(t, n - 1)[:, None]).reshape(len(x), -1)
        weight = (weight[:, None] * 3.0 ** -np.arange(n)).ravel()
    through, *_ = np.linalg.lstsq(V[solved] * weight, rows[:, solved].T)
    return np.asarray((V[~solved] * weight @ through).T)
