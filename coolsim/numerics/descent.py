"""Lowest values within limits, from many starts at once: sequential quadratic programming in a trust region.

For functions of a few unknowns that cost little and are asked for by the thousand. All runs take a step
together; one that has settled is not asked again. A step is the lowest point of a quadratic model within
straightened limits, found by interior points. Where the limits cannot all be kept, it leads to where the
worst of them is broken least: each may be exceeded by one common excess, at a high price. A step must lower
score + weight · worst excess; where only the limits' bend spoils it, it is corrected once for that bend.

Sources: Nocedal & Wright, Numerical Optimization, 2nd ed., ch. 16.6 (interior points) and 18.5 (trust region,
second-order correction) (memory, high).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.support.fields import Array

REACH = 0.005  # of differences for slopes and curvatures: values are smooth, or tables finer than this
DEAR = 1e4  # price of one unit of excess, in units of the score: above any that a limit is worth
LEAST_CURVATURE = 1e-4  # a ten-thousandth of the score across the whole range is nothing to find
PROMISING = 1e-9  # decrease of the score that is worth a step
FORGET = 0.1  # of an earlier, higher weight of excess that still counts
MOST_STEPS, MOST_INNER = 40, 60
FIRST_RADIUS, WIDEST, CLOSEST = 0.4, 1.0, 1e-6  # of the trust region; at the last, a run has settled
GOOD, FAIR, POOR = 0.75, 0.25, 0.02  # share of the promised decrease: widen, keep, refuse
AT_END = 1e-9  # from an end of the range: at it
LEAST = 1e-15  # of a slack or multiplier
DONE = 1e-11  # mean product of slack and multiplier at which interior points stop
SINGULAR = 1e-14  # added to a matrix of unit diagonal, which rounding could make singular

Index = NDArray[np.intp]
# of points (runs, k, n) and the runs they belong to: scores (runs, k) and excesses (runs, k, m)
Look = Callable[[Array, Index], tuple[Array, Array]]


@dataclass(frozen=True)
class Model:
    """Score, over its scale, and excesses about a point of each run, to second order."""

    value: Array  # (runs, 1 + m)
    slope: Array  # (runs, 1 + m, n)
    curve: Array  # (runs, 1 + m, n, n)

    def of(self, index: Index) -> Model:
        return Model(self.value[index], self.slope[index], self.curve[index])

    def put(self, index: Index, part: Model) -> None:
        self.value[index], self.slope[index], self.curve[index] = part.value, part.slope, part.curve

    def merit(self, weight: Array) -> Array:
        return _merit(self.value, weight)


def descend(look: Look, start: Array, movable: NDArray[np.bool_]) -> Array:
    """Bottoms reached from `start` (runs, n) within excess ≤ 0 and −1 ≤ x ≤ 1, moving what is `movable`.

    Excesses should be of the size 1 where a limit is broken badly.
    """
    x, open_ = np.array(start), np.arange(len(start))
    scale = np.maximum(np.abs(look(x[:, None], open_)[0][:, 0]), 1e-6)
    radius, weight = np.full(len(x), FIRST_RADIUS), np.ones(len(x))

    def expanded(points: Array, runs: Index) -> Model:
        return _expanded(look, points, movable[runs], runs, scale[runs])

    model = expanded(x, open_)
    prices = np.zeros((len(x), model.value.shape[1] - 1))
    for _ in range(MOST_STEPS):
        here, at, reach = model.of(open_), x[open_], radius[open_, None]
        ends = np.maximum(-reach, -1 - at), np.minimum(reach, 1 - at)
        bend = _convex(here.curve[:, 0] + np.einsum("bm,bmij->bij", prices[open_], here.curve[:, 1:]))
        step, price = lowest(bend, here.slope[:, 0], here.slope[:, 1:], here.value[:, 1:], *ends)
        step *= movable[open_]
        weight[open_] = w = np.maximum(FORGET * weight[open_], 2 * price.sum(axis=1))
        promised = here.merit(w) - _merit(_modelled(here, bend, step), w)
        there = expanded(at + step, open_)
        gained = (here.merit(w) - there.merit(w)) / np.maximum(promised, 1e-15)
        bent = np.flatnonzero((gained < FAIR) & (promised > PROMISING))
        if len(bent):
            part, runs = here.of(bent), open_[bent]
            excess = there.value[bent, 1:] - _times(part.slope[:, 1:], step[bent])
            other, _ = lowest(
                bend[bent], part.slope[:, 0], part.slope[:, 1:], excess, *(e[bent] for e in ends)
            )
            other *= movable[runs]
            beside = expanded(at[bent] + other, runs)
            more = (part.merit(w[bent]) - beside.merit(w[bent])) / np.maximum(promised[bent], 1e-15)
            better = np.flatnonzero(more > gained[bent])
            step[bent[better]], gained[bent[better]] = other[better], more[better]
            there.put(bent[better], beside.of(better))
        taken = np.flatnonzero(gained > POOR)
        x[open_[taken]] = np.clip(at[taken] + step[taken], -1, 1)
        prices[open_[taken]] = price[taken]
        model.put(open_[taken], there.of(taken))
        length = np.abs(step).max(axis=1)
        wider = np.where(gained > GOOD, np.maximum(radius[open_], 2 * length), radius[open_])
        radius[open_] = np.minimum(np.where(gained < FAIR, 0.3 * length, wider), WIDEST)
        open_ = open_[(length > CLOSEST) & (radius[open_] > CLOSEST) & (promised > PROMISING)]
        if not len(open_):
            break
    return np.where(1 - np.abs(x) < AT_END, np.sign(x), x)


def _merit(value: Array, weight: Array) -> Array:
    return value[:, 0] + weight * np.maximum(value[:, 1:].max(axis=1, initial=0.0), 0.0)


def _modelled(here: Model, bend: Array, step: Array) -> Array:
    """Values after a step, as the step was found: the score with all curvature, limits straight."""
    after = here.value + _times(here.slope, step)
    after[:, 0] += 0.5 * (step * _times(bend, step)).sum(axis=1)
    return after


def _convex(bend: Array) -> Array:
    """Curvatures made positive, direction by direction."""
    size, way = np.linalg.eigh(bend)
    size = np.maximum(np.abs(size), LEAST_CURVATURE)
    return np.asarray((way * size[:, None]) @ np.swapaxes(way, 1, 2))


def _expanded(look: Look, x: Array, movable: NDArray[np.bool_], runs: Index, scale: Array) -> Model:
    """Values, slopes and curvatures at x (runs, n), by differences.

    They are taken about a point far enough within −1 to 1, and carried to x.
    """
    n = x.shape[1]
    middle = np.clip(x, -1 + REACH, 1 - REACH)
    ways = [REACH * movable * axis for axis in np.eye(n)]
    pairs = [(i, j) for i in range(n) for j in range(i)]
    beside = [*ways, *(-way for way in ways), *(ways[i] + ways[j] for i, j in pairs)]
    score, excess = look(np.stack([x, middle, *(middle + way for way in beside)], axis=1), runs)
    v = np.concatenate([score[..., None] / scale[:, None, None], excess], axis=2)
    up, down, both = np.split(v[:, 2:], [n, 2 * n], axis=1)
    slope = np.moveaxis(up - down, 1, 2) / (2 * REACH)
    curve = np.zeros((*slope.shape, n))
    for i in range(n):
        curve[..., i, i] = (up[:, i] - 2 * v[:, 1] + down[:, i]) / REACH**2
    for k, (i, j) in enumerate(pairs):
        curve[..., i, j] = curve[..., j, i] = (both[:, k] - up[:, i] - up[:, j] + v[:, 1]) / REACH**2
    return Model(v[:, 0].copy(), slope + _times(curve, (x - middle)[:, None]), curve)


def lowest(
    H: Array, g: Array, A: Array, e: Array, low: Array, high: Array, dear: float = DEAR
) -> tuple[Array, Array]:
    """Steps d (runs, n) of lowest ½ d'H d + g'd + dear · t with e + A d ≤ t, t ≥ 0, low ≤ d ≤ high; multipliers.

    H (runs, n, n) positive definite, A (runs, m, n), e (runs, m) → d, and the multipliers of e (runs, m).
    Mehrotra's predictor and corrector, from the middle of the box, which keeps every limit with t large.
    """
    runs, m, n = A.shape
    G = np.zeros((runs, m + 1 + 2 * n, n + 1))
    G[:, :m, :n], G[:, : m + 1, n] = A, -1.0
    G[:, m + 1 : m + 1 + n, :n], G[:, m + 1 + n :, :n] = np.eye(n), -np.eye(n)
    h = np.concatenate([-e, np.zeros((runs, 1)), high, -low], axis=1)
    Q = np.zeros((runs, n + 1, n + 1))
    Q[:, :n, :n] = H
    c = np.concatenate([g, np.full((runs, 1), dear)], axis=1)
    y = np.zeros((runs, n + 1))
    y[:, :n] = 0.5 * (low + high)
    y[:, n] = np.maximum((e + _times(A, y[:, :n])).max(axis=1, initial=0.0), 0.0) + 0.1
    s = h - _times(G, y)
    price = np.ones_like(s)
    price[:, : m + 1] = dear / (m + 1)
    for _ in range(MOST_INNER):
        mean = (s * price).mean(axis=1)
        open_ = mean > DONE
        if not open_.any():
            break
        newton = _newton(Q, G, _times(Q, y) + c, s, price)
        _, ds, dp = newton(s * price)
        room = np.minimum(_room(s, ds), _room(price, dp))[:, None]
        ahead = ((s + room * ds) * (price + room * dp)).mean(axis=1)
        centre = (ahead / mean) ** 3 * mean
        dy, ds, dp = newton(s * price + ds * dp - centre[:, None])
        room = np.minimum(1.0, 0.995 * np.minimum(_room(s, ds), _room(price, dp)))
        room = np.where(open_, room, 0.0)[:, None]
        y, s, price = y + room * dy, np.maximum(s + room * ds, LEAST), np.maximum(price + room * dp, LEAST)
    return np.clip(y[:, :n], low, high), price[:, :m]


def _newton(Q: Array, G: Array, gradient: Array, s: Array, price: Array) -> Callable[[Array], Any]:
    """Steps of y, slacks and multipliers that bring the products s · price down by a given amount."""
    G_T = np.swapaxes(G, 1, 2)
    dual = gradient + _times(G_T, price)
    M = Q + (G_T * (price / s)[:, None]) @ G
    unit = 1 / np.sqrt(np.diagonal(M, axis1=1, axis2=2))
    M = M * unit[:, :, None] * unit[:, None] + SINGULAR * np.eye(M.shape[1])

    def steps(product: Array) -> tuple[Array, Array, Array]:
        right = unit * (_times(G_T, product / s) - dual)
        dy = unit * np.linalg.solve(M, right[..., None])[..., 0]
        ds = -_times(G, dy)
        return dy, ds, -(product + price * ds) / s

    return steps


def _times(matrix: Array, vector: Array) -> Array:
    return np.asarray((matrix @ vector[..., None])[..., 0])


def _room(value: Array, step: Array) -> Any:
    """Longest step that keeps all of `value` positive."""
    return 1.0 / np.maximum((-step / value).max(axis=1), 1e-12)
