"""A bed that is nowhere even, as parallel columns: some deep, some slow, all under one pressure drop.

The floor is K columns of area shares w. Pellets pass at s of the mean speed, the bed is l of the mean depth, both
normal over the floor: Gauss–Hermite nodes 0 and ±√3 standard deviations with weights 2/3, 1/6, 1/6, so Σw = Σw s =
Σw l = 1 and the mean of anything smooth is right to fifth order. Columns are cases of the models like any other: K
times as many, column after column.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np

from coolsim.support.fields import Array

NODES, WEIGHTS = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0]), np.array([1.0, 4.0, 1.0]) / 6
MOST = 0.40  # largest standard deviation, as a share of the mean: the outer nodes stay above 0.3 of it
PLACES = 25  # along each deviation, equally probable: what tenths are read from


@dataclass(frozen=True)
class Deviations:
    """Standard deviations over the floor, (cases,): of the depth as a share and as a length, of the speed."""

    depth_share: Array
    depth_length: Array  # m; added to the share's
    speed: Array  # share

    def of_depth(self, depth: Array) -> Array:
        """Share of a bed's depth [m], no larger than can be computed."""
        return np.minimum(self.depth_share + self.depth_length / depth, MOST)


@dataclass(frozen=True)
class Columns:
    """Columns of the beds of `cases` cases, (K, cases); K = depths × speeds, the speeds next to each other."""

    area: Array  # share of the floor, w
    depth: Array  # of the mean, l
    speed: Array  # of the mean, s
    depths: int
    speeds: int
    deviations: tuple[Array, Array]  # of depth and of speed, as shares, (cases,)

    @property
    def count(self) -> int:
        return len(self.area)

    @property
    def cases(self) -> int:
        return self.area.shape[1]

    @property
    def case(self) -> Any:
        """Of which case each column is, column after column."""
        return np.tile(np.arange(self.cases), self.count)

    def apart(self, values: Array) -> Array:
        """Values (…, K · cases) as (…, K, cases)."""
        return values.reshape(*values.shape[:-1], self.count, self.cases)

    def mean(self, values: Array, shares: Array) -> Array:
        """Mean of values (…, K · cases) by shares (K, cases) that sum to 1."""
        return (self.apart(values) * shares).sum(axis=-2)

    def sampled(self, values: Array) -> Array:
        """Values (…, K · cases) at equally probable places of the floor, (…, places, cases).

        Along each normal variable a parabola through the three nodes.
        """
        by_depth, by_speed = (_read(n) for n in (self.depths, self.speeds))
        grid = values.reshape(*values.shape[:-1], self.depths, self.speeds, self.cases)
        read = np.einsum("pd,qs,...dsn->...pqn", by_depth, by_speed, grid)
        return read.reshape(*read.shape[:-3], -1, self.cases)

    def places(self) -> tuple[Array, Array]:
        """Depth and speed, as shares of the mean, at the same places, (places, cases)."""
        variables = [_probable() if n > 1 else np.zeros(1) for n in (self.depths, self.speeds)]
        depth, speed = (1 + u[:, None] * sigma for u, sigma in zip(variables, self.deviations))
        both = np.broadcast_arrays(depth[:, None], speed[None])
        return both[0].reshape(-1, self.cases), both[1].reshape(-1, self.cases)


def _probable() -> Array:
    """Equally probable values of a normal variable; scipy's own would load for longer than a prediction takes."""
    return np.array([NormalDist().inv_cdf((k + 0.5) / PLACES) for k in range(PLACES)])


def _read(nodes: int) -> Array:
    """Weights (places, nodes) of Lagrange's parabola at equally probable places; one node holds everywhere."""
    if nodes == 1:
        return np.ones((1, 1))
    u = _probable() / np.sqrt(3.0)  # in nodes: −1, 0, 1
    return np.stack([u * (u - 1) / 2, 1 - u**2, u * (u + 1) / 2], axis=1)


def columns_of(deviations: Deviations, depth: Array) -> Columns:
    """The columns of beds of a mean depth [m], (cases,): three along each deviation that any of them has."""
    sigma = deviations.of_depth(depth), np.minimum(deviations.speed, MOST)
    along = [(NODES, WEIGHTS) if (s > 0).any() else (np.zeros(1), np.ones(1)) for s in sigma]
    (u, w_u), (v, w_v) = along
    depths, speeds = (1 + node[:, None] * s for node, s in zip((u, v), sigma))
    shape = len(u), len(v), len(depth)

    def flat(values: Array) -> Array:
        return np.ascontiguousarray(np.broadcast_to(values, shape)).reshape(-1, len(depth))

    weights = (w_u[:, None] * w_v)[..., None]
    return Columns(flat(weights), flat(depths[:, None]), flat(speeds[None]), len(u), len(v), sigma)
