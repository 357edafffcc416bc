"""The survey of a cooler to buy: outcomes of all its duties as polynomials.

What leaves a counter-flow bed depends on its floor only through the fluxes. So a duty is surveyed once over air
flux, air ratio, dwell and inlet-air temperature, for floors of every size, all duties side by side. Dwell and air
ratio decide the exit; at the same two, the flux hardly changes it and takes few nodes.
"""

from __future__ import annotations

import copy

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.machines.plant import Weighed
from coolsim.model.solve import Resolution
from coolsim.numerics.nodes import through_nodes
from coolsim.studies.outcome_rows import combined, pack, unpack
from coolsim.studies.sizing.duties import Duties, Points
from coolsim.support.fields import Array

# nodes along air flux, air ratio, dwell, inlet temperature: of the shape, and what the full mesh adds
NODES = (3, 8, 5, 1), (2, 3, 3, 1)
FEWER = (3, 6, 4, 3), (2, 2, 3, 2)  # where the inlet air can be heated
APART = (
    0.05  # of half the range of air flux, from which a line through what two states add is told from noise
)


class Survey:
    """Outcomes of all duties as polynomials of air flux, air ratio, dwell and inlet-air temperature."""

    def __init__(self, duties: Duties, highest_lift_off: float, coarse: Resolution, full: Resolution) -> None:
        self.duties, self.coarse = duties, coarse
        low, high = duties.air_flux(highest_lift_off)
        ratio, dwell = (np.log(ends) for ends in (duties.case.sizing.air_ratio, duties.dwell()))
        one = np.ones(len(duties))
        cool, hot = duties.inlet()
        self.low = np.stack([np.log(low), ratio[0] * one, dwell[0] * one, cool])
        self.high = np.stack([np.log(high), ratio[1] * one, dwell[1] * one, hot])
        self.varied = [bool(np.any(b > a)) for a, b in zip(self.low, self.high)]
        chosen = FEWER if self.varied[3] else NODES
        many, few = ([n if v else 1 for n, v in zip(nodes, self.varied)] for nodes in chosen)
        even = duties.even()
        self.unevenness: Array | float = 0.0  # what it adds to even beds, in coefficients, once that is known
        self.coefficients = self._through(even, many, coarse)
        self.coefficients[(slice(None), *(slice(n) for n in few))] += self._through(
            even, few, full, less=True
        )

    def of(self, duties: Duties) -> Survey:
        """The same polynomials for the same products and weathers at another throughput.

        Per floor area nothing changes with it; what little the feed of a line does, predictions correct.
        """
        other = copy.copy(self)
        other.duties = duties
        return other

    def __call__(self, points: Points) -> Array:
        """Rows of outcomes (outcomes, N) at flat points."""
        return self._at(self.coefficients + self.unevenness, points)

    def added_by_unevenness(self, points: Points) -> Array:
        """What of that uneven beds add to even ones."""
        return self._at(self.unevenness + np.zeros_like(self.coefficients), points)

    def measured_unevenness(self, points: Points) -> Array:
        """The same by predictions of both, on a coarse mesh: the difference of the two needs no finer one."""
        uneven, even = (pack(d.predicted(points, self.coarse)) for d in (self.duties, self.duties.even()))
        return uneven - even

    def lay_on_unevenness(self, points: Points) -> None:
        """Learn what unevenness adds to even beds from two states of each duty, all the first ones first.

        It is a line in the air flux, since that is what tells how the air is shared out: over whole ranges, where
        a bed may be left as it came, polynomials of it erred by more than it is where a cooler is at its best.
        """
        if self.duties.even() is self.duties:
            return
        rows = self.measured_unevenness(points)
        first, second = np.moveaxis(rows.reshape(len(rows), 2, -1), 0, -1)
        x, y = self._places(points)[0].reshape(2, -1, 1)
        apart = np.abs(y - x) > APART
        slope = np.where(apart, (second - first) / np.where(apart, y - x, 1.0), 0.0)
        self.unevenness = added = np.zeros_like(self.coefficients)
        added[:, 0, 0, 0, 0] = np.where(apart, first - slope * x, (first + second) / 2)
        if self.varied[0]:
            added[:, 1, 0, 0, 0] = slope

    def _at(self, coefficients: Array, points: Points) -> Array:
        table = coefficients[points.duty]
        for x in self._places(points):
            values = chebyshev.chebvander(x, table.shape[1] - 1)
            table = np.einsum("ni,ni...->n...", values, table)
        return table.T

    def on_grids(self, duty: Array, flux: Array, ratio: Array, depth: Array, inlet: Array) -> Array:
        """Rows (outcomes, N, ratios, depths, inlets) on a grid for each of N floors of a duty, of a flux.

        duty, flux: (N,); ratio, depth, inlet: (N, points along each).
        """
        x = self._places(Points(duty[:, None], flux[:, None], ratio, ratio, ratio))[:2]
        sized = Points(duty[:, None], flux[:, None], np.ones_like(depth), depth, depth)
        warmed = Points(duty[:, None], flux[:, None], np.ones_like(inlet), np.ones_like(inlet), inlet)
        x += [self._places(sized)[2], self._places(warmed)[3]]
        table = (self.coefficients + self.unevenness)[duty]
        g, r, d, t = (chebyshev.chebvander(a, n - 1) for a, n in zip(x, table.shape[1:]))
        count, ratios = ratio.shape
        both = (g[..., :, None] * r[..., None, :]).reshape(count, ratios, -1)  # flux follows from the ratio
        table = both @ table.reshape(count, both.shape[2], -1)
        table = table.reshape(count, ratios, d.shape[2], t.shape[2], -1)
        return np.einsum("nrdtq,nxd,nyt->qnrxy", table, d, t, optimize=True)

    def _places(self, points: Points) -> list[Array]:
        """Where points are along each axis, from −1 to 1."""
        dwell = points.depth * self.duties.of("bulk_density", points) / points.flux
        with np.errstate(divide="ignore", invalid="ignore"):
            values = (
                np.log(points.flux * points.air_ratio),
                np.log(points.air_ratio),
                np.log(dwell),
                points.inlet,
            )
            low, high = self.low[:, points.duty], self.high[:, points.duty]
            return [np.where(b > a, 2 * (v - a) / (b - a) - 1, 0.0) for v, a, b in zip(values, low, high)]

    def _through(self, duties: Duties, nodes: list[int], mesh: Resolution, less: bool = False) -> Array:
        """Coefficients (duties, nodes…, outcomes) through predictions at Chebyshev nodes, less what is known."""
        axes = [chebyshev.chebpts1(n) for n in nodes]
        x = combined(axes)[:, :, None]  # (points, axes, duties)
        g, r, dwell, inlet = np.moveaxis(self.low + (self.high - self.low) * (x + 1) / 2, 1, 0)
        duty = np.arange(len(self.duties))
        flux = np.exp(g - r)
        depth = np.exp(dwell) * flux / self.duties.known["bulk_density"]
        points = Points(np.broadcast_to(duty, g.shape), flux, np.exp(r), depth, inlet).each()
        rows = pack(duties.predicted(points, mesh))
        rows = rows - self(points) if less else rows
        table = np.moveaxis(rows.reshape(len(rows), *nodes, len(duty)), (-1, 0), (0, -1))
        return through_nodes(table, range(1, 1 + len(nodes)))

    def state(self, points: Points, rows: Array) -> Weighed:
        """Weigh points whose rows are known."""
        return self.duties.weighed(points, unpack(rows))
