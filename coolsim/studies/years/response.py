"""How the exit answers to weather and settings: a polynomial through some of many states, checked on others.

The exit is smooth in the air outside and in the settings, so a few hundred predictions say what thousands would.
Half of the states it is fitted to are spread out to the corners, half are drawn as they come. The degree is the one
that does best on parts of them left out in turn; the error that counts is the largest on states that neither fit
nor choice has seen. Where it is above the bound, more states are predicted, and in the end there is no polynomial.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from coolsim.machines.base import FULL, QUICK
from coolsim.machines.plant import Outcome, outcome_of
from coolsim.model.bed import take
from coolsim.model.family import representatives
from coolsim.model.solve import Resolution
from coolsim.physics.store import Store
from coolsim.simulate.inputs import Inputs, even
from coolsim.simulate.prediction import predict_inputs
from coolsim.studies.outcome_rows import pack
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

# The bound of a map, on states held out; answers are asked to be right to 2e-4 and 0.1 K
BOUND = {"moisture": 1e-4, "temperature": 0.07, "water_activity": 3e-3}
SAMPLES = (100, 300, 700)  # states fitted, in rounds
HELD_OUT = 100
ENDS = 40  # states so far out that the fit needs them: a polynomial held out there would be asked to guess
PARTS = 4  # of the states fitted, each left out in turn to choose the degree
DEGREES = range(2, 10)
MOST_TERMS = 0.4  # per state fitted; beyond, the fit follows the noise
# Along these the exit is nearly straight over what they vary by
DEGREE_OF = {"pressure": 1, "heated_by": 3, "feed_moisture": 2}
SEED = 4

AIR = ("temperature", "humidity_ratio", "pressure", "heated_by")  # of the hour
KNOBS = ("airflow", "bed_depth", "feed_moisture")  # of the settings


@dataclass(frozen=True)
class Error:
    """Largest error of a map on the states held out."""

    moisture: float  # kg/kg wet
    temperature: float  # K
    water_activity: float
    states: int  # how many were held out

    def within(self, bound: Mapping[str, float]) -> bool:
        return all(getattr(self, name) <= most for name, most in bound.items())


def solve(inputs: Inputs, resolution: Resolution = FULL) -> Array:
    """Predict states: outcomes as rows (outcomes, N), nan where the computation failed."""
    failed = np.zeros(len(inputs.radius), bool)
    try:
        result = predict_inputs(inputs, resolution)
    except NotConverged as error:
        result, failed[np.asarray(error.failed, int)] = error.best, True
    return np.where(failed, np.nan, pack(outcome_of(result)))


def coordinates(inputs: Inputs, by_volume: bool = False) -> Array:
    """States as points (AIR then KNOBS, N).

    by_volume: the airflow is a volume, whatever it looks like: that of settings is, and so a map over them.
    """
    i = inputs
    airflow = i.dry_air * i.outside_volume
    # where dry air is what was set, the volume would bring back what the air's coordinates say already
    dry = not by_volume and np.ptp(np.log(i.dry_air)) < np.ptp(np.log(airflow))
    flow = i.dry_air if dry else airflow
    heated_by = i.inlet_air_temperature - i.outside_temperature
    air = [i.outside_temperature, i.humidity_ratio, i.pressure, heated_by]
    return np.array([*air, np.log(flow), np.log(i.bed_depth), i.moisture_wb])


def smooth(store: Store, rows: Array, outside: Array) -> Array:
    """Rows of outcomes (outcomes, …) with the moisture that is as active in place of the water activity."""
    found = rows.copy()
    found[_ACTIVITY] = store.moisture(rows[_ACTIVITY], outside)
    return found


def unsmoothed(store: Store, rows: Array, outside: Array) -> Array:
    """The way back."""
    found = rows.copy()
    found[_ACTIVITY] = store.activity(rows[_ACTIVITY], outside)
    return found


@dataclass(frozen=True)
class Response:
    """A polynomial of outcomes over the box of states it was fitted in."""

    low: Array  # (coordinates,)
    high: Array
    degree: int
    coefficients: Array  # (terms of the air, terms of the knobs, outcomes)
    error: Error
    store: Store

    def __call__(self, x: Array) -> Array:
        """Rows of outcomes (outcomes, N) at points (coordinates, N)."""
        return unsmoothed(self.store, self.smooth(x), x[0])

    def smooth(self, x: Array) -> Array:
        """The same as the store has them smooth."""
        parts = np.array_split(np.arange(x.shape[1]), max(1, x.shape[1] // 5000))  # bounds the memory
        return np.concatenate([self._few(x[:, part]) for part in parts], axis=1)

    def _few(self, x: Array) -> Array:
        t, (_, of_air, of_knobs) = self._scaled(x), _terms(self._varied(), self.degree)
        knobs = _products(t[len(AIR) :], of_knobs)
        by_knobs = np.tensordot(
            _products(t[: len(AIR)], of_air), self.coefficients, axes=1
        )  # (N, knob terms, outcomes)
        return np.asarray(np.einsum("nk,nko->on", knobs, by_knobs))

    def across(self, air: Array, knobs: Array) -> Array:
        """Outcomes (outcomes, H, K) of every hour (AIR, H) with every setting (KNOBS, K)."""
        whole = np.concatenate([air, np.broadcast_to(self.low[len(AIR) :, None], (len(KNOBS), air.shape[1]))])
        t_air = self._scaled(whole)[: len(AIR)]
        whole = np.concatenate(
            [np.broadcast_to(self.low[: len(AIR), None], (len(AIR), knobs.shape[1])), knobs]
        )
        t_knobs = self._scaled(whole)[len(AIR) :]
        _, of_air, of_knobs = _terms(self._varied(), self.degree)
        by_knobs = np.tensordot(_products(t_air, of_air), self.coefficients, axes=1)
        rows = np.moveaxis(np.tensordot(by_knobs, _products(t_knobs, of_knobs), axes=(1, 1)), 1, 0)
        return unsmoothed(self.store, rows, np.broadcast_to(air[0][:, None], rows.shape[1:]))

    def _scaled(self, x: Array) -> Array:
        """From −1 to 1 over the box, and no further: a polynomial is nothing outside of it."""
        return np.clip(_scaled(x, self.low, self.high), -1.0, 1.0)

    def _varied(self) -> tuple[bool, ...]:
        return tuple(bool(v) for v in self.high > self.low)


Rows = Callable[[NDArray[np.intp]], Array]


@dataclass(frozen=True)
class Cheap:
    """What predicts states nearly, at a fraction of the price, and what that lacks.

    What is lacking hardly varies: with even beds and on coarse meshes exits are off by about as much everywhere.
    """

    rows: Rows
    lacking: Rows  # what rows lack, as the store has them smooth; asked of some states only
    degree: int  # of what is lacking over a whole map
    states: int  # it is fitted to


@dataclass(frozen=True)
class Predictor:
    """What predicts states by their numbers, as rows of outcomes (outcomes, some): those of Outcome first."""

    rows: Rows
    exact: Rows  # those held out
    held_out: int
    bound: Mapping[str, float]
    store: Store
    samples: tuple[int, ...] = SAMPLES  # states that a map is fitted to, in rounds
    cheap: Cheap | None = None  # tried before `rows`

    def over(self, x: Array) -> Rows:
        """States of a map over x (coordinates, N), the cheap way: what is lacking is a polynomial.

        It is fitted to some of the states that are asked for first.
        """
        cheap, more = self.cheap, None
        assert cheap is not None

        def rows(index: NDArray[np.intp]) -> Array:
            nonlocal more
            if more is None:
                some = index[:: max(len(index) // cheap.states, 1)]
                added = cheap.lacking(some)
                good = np.isfinite(added).all(axis=0)
                more = _polynomial(x[:, some[good]], added[:, good], *_box(x), cheap.degree, self.store)
            return self._with(cheap, x, index, more.smooth(x[:, index]))

        return rows

    def group_by_group(self, x: Array, groups: Sequence[NDArray[np.intp]]) -> Array:
        """Rows of states, group by group, the cheap way: what is lacking is that in the middle of each."""
        assert self.cheap is not None
        added = self.cheap.lacking(np.array([_middle(x, some) for some in groups]))
        good = np.isfinite(added).all(axis=0)
        if good.any():  # where it fails, as much is lacking as elsewhere
            added = np.where(good, added, added[:, good].mean(axis=1, keepdims=True))
        more = np.repeat(added, [len(some) for some in groups], axis=1)
        return self._with(self.cheap, x, np.concatenate(groups), more)

    def _with(self, cheap: Cheap, x: Array, index: NDArray[np.intp], more: Array) -> Array:
        outside = x[0, index]
        return unsmoothed(self.store, smooth(self.store, cheap.rows(index), outside) + more, outside)


def _middle(x: Array, some: NDArray[np.intp]) -> int:
    """The state that is nearest to the middle of some."""
    place = unit(x[: len(AIR), some])
    return int(some[((place - place.mean(axis=1, keepdims=True)) ** 2).sum(axis=0).argmin()])


def cooler(inputs: Inputs, store: Store) -> Predictor:
    """Predicts states of a cooler; of uneven beds as even ones, and what unevenness adds on a coarse mesh."""

    def rows(index: NDArray[np.intp]) -> Array:
        return solve(take(inputs, index))

    def of_even_beds(index: NDArray[np.intp]) -> Array:
        return solve(even(take(inputs, index)))

    def unevenness(index: NDArray[np.intp]) -> Array:
        some = take(inputs, index)
        coarse = (solve(i, QUICK) for i in (some, even(some)))
        uneven, level = (smooth(store, each, some.outside_temperature) for each in coarse)
        return uneven - level

    cheap = None if inputs.deviations is None else Cheap(of_even_beds, unevenness, degree=4, states=200)
    return Predictor(rows, rows, HELD_OUT, BOUND, store, cheap=cheap)


def respond(
    x: Array, by: Predictor, samples: tuple[int, ...] | None = None, at_any_error: bool = False
) -> Response | None:
    """Fit a map to states of one case; None where it does not keep its bound on the states held out.

    x: coordinates (AIR then KNOBS, N) of the states that will be asked for, or of states drawn from them; only some
    are predicted.
    """
    low, high = _box(x)
    samples, varied = samples or by.samples, high > low
    if not varied.any() or samples[0] + by.held_out > x.shape[1] // 2:
        return None
    held, spread, drawn = _parted(_scaled(x, low, high)[varied], samples[-1] // 2, by.held_out)
    checks, counts = by.exact(held), [count for count in samples if count <= x.shape[1] // 2]
    ways: list[Rows] = [by.over(x), by.rows] if by.cheap else [by.rows]
    for way, rows in enumerate(ways, 1):
        known, chosen = np.zeros((len(checks), x.shape[1])), held[:0]
        for count in counts:
            wanted = np.concatenate([spread[: count // 2], drawn[: count - count // 2]])
            new = wanted[~np.isin(wanted, chosen)]
            known[:, new] = rows(new)
            chosen = np.concatenate([chosen, new])
            fitted = _fitted(x[:, chosen], smooth(by.store, known[:, chosen], x[0, chosen]), low, high, by)
            error = error_of(fitted(x[:, held]), checks)
            if error.within(by.bound) or (at_any_error and way == len(ways) and count == counts[-1]):
                return dataclasses.replace(fitted, error=error)
    return None


def _box(x: Array) -> tuple[Array, Array]:
    """Lowest and highest of each coordinate; what does not vary is the same to the last digit."""
    low, high = x.min(axis=1), x.max(axis=1)
    return low, np.where(np.isclose(low, high, rtol=1e-9, atol=1e-9), low, high)


def unit(x: Array) -> Array:
    return np.asarray(x / np.maximum(np.ptp(x, axis=1, keepdims=True), 1e-9))


def _parted(x: Array, most: int, held_out: int) -> tuple[NDArray[np.intp], ...]:
    """States held out (half of them near the corners), states spread to the corners, and others as they come."""
    order = np.random.default_rng(SEED).permutation(x.shape[1])
    spread = representatives(x, min(most + held_out, x.shape[1]))
    corners = spread[ENDS : ENDS + held_out : 2]
    spread, order = spread[~np.isin(spread, corners)], order[~np.isin(order, spread)]
    held, drawn = np.split(order, [held_out - len(corners)])
    return np.concatenate([corners, held]), spread, drawn


def _fitted(x: Array, rows: Array, low: Array, high: Array, by: Predictor) -> Response:
    """The polynomial of the degree that does best on parts left out in turn, fitted to all."""
    good = np.isfinite(rows).all(axis=0)
    x, rows = x[:, good], rows[:, good]
    parts = np.array_split(np.random.default_rng(SEED).permutation(x.shape[1]), PARTS)
    scale = np.full((len(rows), 1), np.inf)  # what has no bound does not choose
    scale[: len(_ROWS), 0] = [by.bound.get(name, np.inf) for name in _ROWS]
    best, least = DEGREES[0], np.inf
    for degree in DEGREES:
        if _terms(tuple(bool(v) for v in high > low), degree)[0].sum() > MOST_TERMS * x.shape[1]:
            break
        missed = []
        for part in parts:
            rest = np.setdiff1d(np.arange(x.shape[1]), part)
            trial = _polynomial(x[:, rest], rows[:, rest], low, high, degree, by.store)
            missed.append((smooth(by.store, trial(x[:, part]), x[0, part]) - rows[:, part]) / scale)
        score = float(np.sqrt((np.concatenate(missed, axis=1) ** 2).mean(axis=1)).max())
        if score < least:
            best, least = degree, score
    return _polynomial(x, rows, low, high, best, by.store)


def _polynomial(x: Array, rows: Array, low: Array, high: Array, degree: int, store: Store) -> Response:
    kept, of_air, of_knobs = _terms(tuple(bool(v) for v in high > low), degree)
    t = _scaled(x, low, high)
    air, knobs = _products(t[: len(AIR)], of_air), _products(t[len(AIR) :], of_knobs)
    design = (air[:, :, None] * knobs[:, None, :])[:, kept]
    size = np.maximum(np.ptp(rows, axis=1, keepdims=True), 1e-12)
    found = np.linalg.lstsq(design, (rows / size).T, rcond=1e-12)[0] * size.T
    coefficients = np.zeros((*kept.shape, len(rows)))
    coefficients[kept] = found
    return Response(low, high, degree, coefficients, Error(np.inf, np.inf, np.inf, 0), store)


def error_of(found: Array, true: Array) -> Error:
    good = np.isfinite(true).all(axis=0)
    off = np.abs(found - true)[:, good].max(axis=1, initial=0.0)
    of = dict(zip(_ROWS, off))
    return Error(of["moisture"], of["temperature"], of["water_activity"], int(good.sum()))


_ROWS = [f.name for f in dataclasses.fields(Outcome)]
_ACTIVITY = _ROWS.index("water_activity")


def _scaled(x: Array, low: Array, high: Array) -> Array:
    wide = np.where(high > low, high - low, 1.0)[:, None]
    return np.where((high > low)[:, None], 2 * (x - low[:, None]) / wide - 1, 0.0)


@lru_cache(maxsize=64)
def _terms(varied: tuple[bool, ...], degree: int) -> tuple[Array, Array, Array]:
    """Which products of terms of the air and of the knobs are kept; the powers of both, (terms, coordinates)."""
    most = [degree if v else 0 for v in varied]
    most = [min(m, DEGREE_OF.get(name, m)) for m, name in zip(most, (*AIR, *KNOBS))]
    of_air, of_knobs = (
        np.array([p for p in itertools.product(*(range(m + 1) for m in part)) if sum(p) <= degree])
        for part in (most[: len(AIR)], most[len(AIR) :])
    )
    return of_air.sum(axis=1)[:, None] + of_knobs.sum(axis=1) <= degree, of_air, of_knobs


def _products(t: Array, powers: Array) -> Array:
    """Products of Chebyshev polynomials (N, terms) of coordinates t (coordinates, N)."""
    values = [chebyshev.chebvander(a, int(p.max())) for a, p in zip(t, powers.T)]
    product = values[0][:, powers[:, 0]]
    for v, p in zip(values[1:], powers.T[1:]):
        if p.any():
            product = product * v[:, p]
    return np.asarray(product)
