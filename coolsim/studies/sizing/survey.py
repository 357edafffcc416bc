"""Outcomes of a duty over a box: polynomials of the knobs at each of some places along the last axis.

Between the places of a batch, which are many times of one march, go lines; between the few of others, each a state
of its own, a polynomial.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.simulate.dryer_phases import by_kind
from coolsim.simulate.inputs import with_even_bed
from coolsim.studies.optimise.batching import Mesh
from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.optimise.survey import smoothed, terms
from coolsim.studies.sizing.duties import Duty
from coolsim.support.fields import Array

_TINY = 1e-9
ALL = range(len(OUTCOMES))
AT_ITS_END = np.array([np.inf])  # of the times along a march


@dataclass(frozen=True)
class Survey:
    """Outcomes of a duty over a box."""

    duty: Duty
    low: Array
    high: Array
    whole: bool  # whether of all that may be set
    last: Array  # places along the last axis, ascending, (places,)
    coefficients: Array  # (outcomes, places, terms)

    def at(self, u: Array, rows: Sequence[int] = ALL) -> Array:
        """Outcomes as fitted, at coordinates (n, places, axes): (outcomes, n, places), zero if not in rows.

        Knobs but the last are taken of the first of n's places.
        """
        found, some = np.zeros((len(OUTCOMES), *u.shape[:-1])), list(rows)
        V, between = self._terms(self._placed(u[:, 0, :-1])), self._between(u[..., -1])
        found[some] = between(V @ np.swapaxes(self.coefficients[some], 1, 2))
        return found

    def one(self, u: Array) -> Array:
        """Outcomes as they are fitted, at coordinates (axes,): (outcomes,)."""
        return self.at(u[None, None])[:, 0, 0]

    def _between(self, wanted: Array) -> Callable[[Array], Array]:
        """From values at the places of the survey (rows, n, places) to those at wanted ones (rows, n, wanted)."""
        if not self.duty.shortens:
            inside = np.clip(wanted, self.last[0] - 0.1, self.last[-1] + 0.1)
            weights = _through(self._from_minus_one(self.last), self._from_minus_one(inside))
            return lambda values: np.einsum("rnp,nwp->rnw", values, weights)
        after = np.clip(np.searchsorted(self.last, wanted), 1, len(self.last) - 1)
        span = self.last[after] - self.last[after - 1]
        share = np.clip((wanted - self.last[after - 1]) / span, 0.0, 1.0)
        line = np.arange(len(wanted))[:, None]
        return lambda values: (1 - share) * values[:, line, after - 1] + share * values[:, line, after]

    def _from_minus_one(self, places: Array) -> Array:
        low, high = self.low[-1], self.high[-1]
        return (places - 0.5 * (low + high)) / max(0.5 * (high - low), _TINY)

    def nodes(self) -> Array:
        """Coordinates of the states to fit, (states, axes), place after place; a batch's are to its longest."""
        nodes, _ = self.duty.nodes(self.whole)
        knobs = 0.5 * (self.low + self.high)[:-1] + 0.5 * (self.high - self.low)[:-1] * nodes
        ends = self.last[-1:] if self.duty.shortens else self.last
        return np.concatenate([np.column_stack([knobs, np.full(len(knobs), end)]) for end in ends])

    def middle(self) -> Array:
        """Which of the nodes are in the middle of the box, (states,): but of a batch one at each place."""
        nodes = self._placed(self.nodes()[:, :-1])
        return np.asarray((np.abs(nodes) < _TINY).all(axis=1))

    def fitted(self, u: Array, even: Array, uneven: Array | None) -> Survey:
        """The survey through outcomes (outcomes, times, states) at coordinates (states, axes).

        They are of even beds. uneven: of uneven ones in the middle; what these add there is added everywhere.
        """
        rows, middle = even, self.middle()
        if not self.duty.shortens:
            count = -(-len(u) // len(self.last))
            u, middle, rows = u[:count], middle[:count], rows.reshape(len(rows), len(self.last), -1)
        good = np.isfinite(rows).all(axis=(0, 1))
        V, weight = terms(self._placed(u[good, :-1]), *self._degrees)
        table = smoothed(rows[..., good])
        if uneven is not None:
            added = smoothed(uneven.reshape(*rows.shape[:2], 1)) - smoothed(rows[..., middle])
            table = table + np.where(np.isfinite(added), added, 0.0)
        coefficients, *_ = np.linalg.lstsq(V * weight, table.reshape(-1, good.sum()).T)
        weighted = np.asarray((weight[:, None] * coefficients).T, float)
        return dataclasses.replace(self, coefficients=weighted.reshape(*rows.shape[:2], -1))

    @property
    def _degrees(self) -> tuple[int, int]:
        return self.duty.nodes(self.whole)[1]

    def _terms(self, nodes: Array) -> Array:
        return terms(nodes, *self._degrees)[0]

    def _placed(self, u: Array) -> Array:
        """Where knobs (n, knobs) are in the box, from −1 to 1."""
        low, high = self.low[:-1], self.high[:-1]
        half = np.maximum(0.5 * (high - low), _TINY)
        return np.clip((u - 0.5 * (low + high)) / half, -1.2, 1.2)


def _through(nodes: Array, x: Array) -> Array:
    """Weights of values at nodes (m,) in [−1, 1] in the polynomial through them at x (…): (…, m)."""
    V = chebyshev.chebvander(nodes, len(nodes) - 1)
    return np.asarray(chebyshev.chebvander(x, len(nodes) - 1) @ np.linalg.inv(V))


def surveyed(
    duties: Sequence[Duty], about: Sequence[Array] | None = None, width: float = 1.0
) -> list[Survey]:
    """A survey of each duty over all of its box, or about coordinates (axes,); all are solved side by side.

    Beds are even. What unevenness adds is told by the middle of a box about coordinates: a third of the work or
    less. Over the whole box it differs from place to place, and where the best lies another survey tells it.
    width: of the boxes about coordinates, as a share of the whole.
    """
    if about is None:
        empty = [_empty(d, d.low, d.high, True) for d in duties]
    else:
        empty = [_empty(d, *_near(d, u, width), False) for d, u in zip(duties, about)]
    places = [s.nodes() for s in empty]
    along = [s.last if s.duty.shortens else AT_ITS_END for s in empty]
    even = tried(duties, places, along, even=True)
    uneven: Sequence[Array | None] = [None] * len(empty)
    if about is not None and any(with_even_bed(d.case) is not d.case for d in duties):
        uneven = tried(duties, [u[s.middle()] for s, u in zip(empty, places)], along)
    return [s.fitted(*found) for s, found in zip(empty, zip(places, even, uneven))]


def _near(duty: Duty, u: Array, width: float) -> tuple[Array, Array]:
    """Ends of a box about coordinates."""
    half = 0.5 * width * (duty.high - duty.low)
    centre = np.clip(u, duty.low + half, duty.high - half)
    return centre - half, centre + half


def _empty(duty: Duty, low: Array, high: Array, whole: bool) -> Survey:
    share = np.linspace(0.0, 1.0, duty.along[whole])
    share = share if duty.shortens else 0.5 - 0.5 * np.cos(np.pi * share)
    last = low[-1] + share * (high[-1] - low[-1])
    return Survey(duty, low, high, whole, last, np.zeros((0, 0, 0)))


def tried(
    some: Sequence[Duty],
    places: Sequence[Array],
    times: Sequence[Array] | None = None,
    mesh: Mesh = "rough",
    even: bool = False,
) -> list[Array]:
    """Outcomes of duties at coordinates (states, axes): (outcomes, times, states) of each.

    times: logarithms of the times of each duty's batches; none: at the end of each march. What fails is nan. even:
    with even beds.
    """
    times = [AT_ITS_END] * len(some) if times is None else times
    counts = [len(u) for u in places]
    states = [
        duty.state({n: x[j] for n, x in duty.knobs(u).items()})
        for duty, u in zip(some, places)
        for j in range(len(u))
    ]
    states = [with_even_bed(state) for state in states] if even else states
    when = [np.exp(t) for t, count in zip(times, counts) for _ in range(count)]
    found: dict[int, Array] = {}
    for at in (index.tolist() for index in by_kind(states)) if states else ():
        found |= zip(at, some[0].solved([states[i] for i in at], [when[i] for i in at], mesh))
    ends = np.cumsum(counts)
    return [np.stack([found[i] for i in range(end - n, end)], axis=-1) for n, end in zip(counts, ends)]
