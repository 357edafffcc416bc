"""The duties of a cooler to buy: each product in each weather, per square metre of floor.

What leaves a counter-flow bed depends on its floor only through the fluxes. So a duty is surveyed once over
air flux, air ratio, dwell and inlet-air temperature, for floors of every size: polynomials as in
`outcome_polynomials`, but of all duties side by side. Dwell and air ratio decide the exit; at the same two, the
flux hardly changes it and takes few nodes. Points are arrays that broadcast with the duties' own, so that one
call weighs any grid.
"""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev

from coolsim.case.case import Air, Case, DesignWeather, FanData, Product
from coolsim.case.costs import ENERGY_ALONE, Cost, cost_of, weight_given_away
from coolsim.case.result import Warning
from coolsim.equipment import duct, fan
from coolsim.equipment.duct import AirState
from coolsim.machines.plant import Outcome, Settings, Weighed, excesses, outcome_of
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.numerics.nodes import through_nodes
from coolsim.physics import air, packed_bed
from coolsim.scenario.weather import read_weather
from coolsim.simulate.finishing import headspace_dew_point, uncoated
from coolsim.simulate.inputs import Inputs, even, gather
from coolsim.simulate.prediction import predict_inputs
from coolsim.simulate.requirements import SWEATING, Constraint, constraints_of, depths_to_choose, least_time
from coolsim.simulate.result_building import interleave
from coolsim.studies.climate import design_weather
from coolsim.studies.outcome_polynomials import combined, pack, unpack
from coolsim.support.fields import Array

# s, looked at where [limits] has none; common practice (no source) is 4 to 15 minutes
DWELL = (60.0, 1800.0)
FLUX_SPAN = 25.0  # lowest air flux looked at, as a part of the highest that the limit of lift-off allows
ROOM = 1.1  # highest flux looked at, above what lifts off in outside air: exhaust that is colder lifts later
# nodes along air flux, air ratio, dwell, inlet temperature: of the shape, and what the full mesh adds
NODES = (3, 8, 5, 1), (2, 3, 3, 1)
FEWER = (3, 6, 4, 3), (2, 2, 3, 2)  # where the inlet air can be heated
APART = (
    0.05  # of half the range of air flux, from which a line through what two states add is told from noise
)
RESERVE = 0.10  # of throughput, where sizing.reserve is not typed; assumed: common practice, no source


# ---- What is to be served -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Service:
    """Each product in each weather, product by product: names, and the case of the machine alone."""

    names: list[tuple[str, str]]
    cases: list[Case]  # at the throughput of the scenario
    on_dial: bool = True  # whether sizes are round numbers, and settings steps of their dials
    curve: bool = True  # whether other floors are told beside the one that is taken

    @property
    def rated(self) -> list[Case]:
        """The same with the reserve: what floor, fans and heaters are for."""
        return [_with_more(one, reserve_of(one)) for one in self.cases]

    @property
    def case(self) -> Case:
        """What all have in common: machine, limits, costs and the size asked for."""
        return self.cases[0]

    @property
    def load(self) -> float:
        """Throughput as a share of what the machine is for."""
        return 1 / (1 + reserve_of(self.case))


def service_of(case: Case, on_dial: bool = True, curve: bool = True) -> Service:
    """What a machine alone is to serve."""
    pairs, cases = duties_of(case)
    return Service([(p.name, w.name) for p, w in pairs], cases, on_dial, curve)


def reserve_of(case: Case) -> float:
    """Throughput beyond that of the feed for which a size is, as a share."""
    typed = case.sizing.reserve
    return RESERVE if typed is None else float(typed)


def of_reserve(case: Case) -> Iterator[Warning]:
    """What is kept free of the throughput, where nobody typed it."""
    typed = case.source.get("sizing")
    if not (isinstance(typed, Mapping) and "reserve" in typed):
        yield Warning(
            "note",
            f"sizing.reserve is not given: floor, fans and heaters are for {reserve_of(case):.0%} more feed "
            "(assumed, no source).",
        )


def rounded_up(size: float) -> float:
    """A size with three digits, no smaller than it is: what is built, and typed back.

    >>> rounded_up(1.3747), rounded_up(0.05), rounded_up(12.0001)
    (1.38, 0.05, 12.1)
    """
    step = 10.0 ** (math.floor(math.log10(size)) - 2)
    return round(math.ceil(size / step * (1 - 1e-9)) * step, 12)


def _with_more(case: Case, share: float) -> Case:
    """The case with so much more feed."""
    return dataclasses.replace(
        case, feed=dataclasses.replace(case.feed, throughput=case.feed.throughput * (1 + share))
    )


def limits_to_keep(case: Case) -> list[Constraint]:
    """Wishes and limits that a cooler to buy must keep; not those of the fan that is there."""
    limits = dataclasses.replace(case.limits, fan_speed=None)
    return constraints_of(dataclasses.replace(case, fan=FanData(), limits=limits))


# ---- Coolers ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Points:
    """States of duties; arrays that broadcast with each other and with `duty`."""

    duty: Any  # index of the duty
    flux: Any  # wet feed, kg/(m² s)
    air_ratio: Any  # kg dry air per kg wet feed
    depth: Any  # m
    inlet: Any  # °C

    def each(self) -> Points:
        """The same, as flat arrays of one length."""
        return Points(*(a.ravel() for a in np.broadcast_arrays(*vars(self).values())))


class Duties:
    """Products times weathers, product by product, for one cooler to buy."""

    def __init__(self, names: Sequence[tuple[str, str]], cases: Sequence[Case]) -> None:
        case = cases[0]
        self.case, self.names, self.cases = case, names, cases
        # bounds differ from duty to duty, where a line takes each one's exit otherwise
        each = zip(*map(limits_to_keep, cases))
        self.limits = [
            dataclasses.replace(same[0], bound=np.array([c.bound for c in same], float)) for same in each
        ]
        forms = np.array([c.material.isotherm.equation for c in self.cases])
        self.groups = [
            (index, gather([self.cases[int(i)] for i in index]))
            for index in (np.flatnonzero(forms == form) for form in np.unique(forms))
        ]
        self.duct = duct.duct_of(case.duct)
        self.position = case.fan.position or "draw-through"
        self.efficiency = case.fan.efficiency or fan.ASSUMED_EFFICIENCY
        self.motor_efficiency = case.fan.motor_efficiency or fan.ASSUMED_MOTOR_EFFICIENCY
        self.prices = case.costs or ENERGY_ALONE
        known = (
            *("outside_temperature", "humidity_ratio", "pressure", "outside_volume", "inlet_air_temperature"),
            *("throughput", "moisture_wb", "bulk_density", "void_fraction", "radius"),
        )
        self.known = {name: self._number(name) for name in known}
        self.known["target"] = np.array([c.target.moisture for c in cases], float)

    def __len__(self) -> int:
        return len(self.cases)

    def even(self) -> Duties:
        """The same with even beds; themselves, where they are."""
        if all(inputs.deviations is None for _, inputs in self.groups):
            return self
        other = copy.copy(self)
        other.groups = [(at, even(inputs)) for at, inputs in self.groups]
        return other

    def _number(self, name: str) -> Array:
        column = np.empty(len(self.cases))
        for index, inputs in self.groups:
            column[index] = getattr(inputs, name)
        return column

    def of(self, name: str, points: Points) -> Array:
        """A number of each point's duty."""
        return self.known[name][points.duty]

    # ---- Ranges ---------------------------------------------------------------------------------------

    def air_flux(self, highest_lift_off: float) -> tuple[Array, Array]:
        """Lowest and highest dry-air flux [kg/(m² s)] looked at, of each duty."""
        k = self.known
        T, Y, p = k["outside_temperature"], k["humidity_ratio"], k["pressure"]
        lifting = packed_bed.lift_off_velocity(
            2 * k["radius"],
            k["bulk_density"],
            k["void_fraction"],
            air.moist_density(T, Y, p),
            air.viscosity(T),
        )
        highest = ROOM * highest_lift_off * lifting / k["outside_volume"]
        return highest / FLUX_SPAN, highest

    def depths(self) -> tuple[float, float]:
        """Shallowest and deepest bed [m]."""
        low, high = self.case.sizing.bed_depth
        return depths_to_choose(self.case, (low, high))

    def dwell(self) -> tuple[float, float]:
        """Shortest and longest dwell [s]."""
        low, high = self.case.limits.residence_time or DWELL
        return min(max(low, least_time(self.case)), high), high

    def inlet(self) -> tuple[Array, Array]:
        """Coolest and hottest inlet air [°C] of each duty; equal where it cannot be chosen."""
        given = self.case.limits.inlet_air_temperature
        fixed = self.known["inlet_air_temperature"]
        if given is None:
            return fixed, fixed
        cool, hot = (np.maximum(self.known["outside_temperature"], end) for end in given)
        return cool, hot

    # ---- States ---------------------------------------------------------------------------------------

    def predicted(self, points: Points, resolution: Resolution) -> Outcome:
        """Predict states; flat arrays, as from `Points.each`."""
        parts, places = [], []
        for index, laid in self.groups:
            at = np.flatnonzero(np.isin(points.duty, index))
            if len(at):
                here = take(points, at)
                inputs = _at(take(laid, np.searchsorted(index, here.duty)), here)
                parts.append(outcome_of(predict_inputs(inputs, resolution)))
                places.append(at)
        return parts[0] if len(parts) == 1 else interleave(parts, places)

    def weighed(self, points: Points, outcome: Outcome) -> Weighed:
        """Weigh states whose outcome is known: what they take and cost per hour, with a clean bed."""
        asked = self.asked(points, outcome)
        power = asked.flow * asked.pressure / (self.efficiency * self.motor_efficiency)
        depth, inlet = points.depth, points.inlet
        airflow = self.dry_air(points) * self.of("outside_volume", points)
        dwell = depth * self.of("bulk_density", points) / points.flux
        settings = Settings(airflow, np.nan, depth, dwell, inlet)
        humidity = air.relative_humidity(
            outcome.air_temperature, outcome.air_humidity, self.of("pressure", points)
        )
        off = np.full(np.shape(power), -1.0)
        heat = self.heat(points)
        cost = self._cost(points, outcome, power, heat)
        return Weighed(settings, outcome, humidity, cost, power, heat, off)

    def asked(self, points: Points, outcome: Outcome, margin: float = 0.0) -> duct.Demand:
        """What bed and duct ask of the fan, the bed's drop raised by a margin."""
        T, Y = (self.of(name, points) for name in ("outside_temperature", "humidity_ratio"))
        return duct.demand(
            self.duct,
            self.position,
            self.dry_air(points) * self.of("outside_volume", points),
            outcome.pressure_drop * (1 + margin),
            AirState(T, Y),
            AirState(outcome.air_temperature, outcome.air_humidity),
            self.of("pressure", points),
        )

    def dry_air(self, points: Points) -> Array:
        return points.air_ratio * self.of("throughput", points)

    def heat(self, points: Points) -> Array:
        """Heat [W] that warms the inlet air."""
        T, Y = (self.of(name, points) for name in ("outside_temperature", "humidity_ratio"))
        return self.dry_air(points) * (air.enthalpy(points.inlet, Y) - air.enthalpy(T, Y))

    def _cost(self, points: Points, outcome: Outcome, power: Array, heat: Array) -> Cost:
        fed = self.of("throughput", points)
        solid = fed * (1 - self.of("moisture_wb", points))
        lost = weight_given_away(solid, outcome.moisture, self.of("target", points))
        return cost_of(self.prices, fed, electricity=power, heat=heat, given_away=lost)

    def excesses(self, points: Points, state: Weighed, limits: list[Constraint]) -> Array:
        """How far limits are broken, (limits, …); ≤ 0 where kept."""
        T = self.of("outside_temperature", points)
        here = [dataclasses.replace(c, bound=c.bound[points.duty]) for c in limits]
        found = excesses(dataclasses.replace(self.case, air=Air(T, 0.5)), state, here)
        for row, c in enumerate(here):
            if c.quantity.name == SWEATING and len({id(one.material) for one in self.cases}) > 1:
                found[row] = c.violation(self._dew_points(points, state.outcome))
        return found

    def _dew_points(self, points: Points, o: Outcome) -> Array:
        """Dew points in the bags of each product, by its own isotherm."""
        found = np.empty(np.shape(o.moisture))
        duty = np.broadcast_to(points.duty, found.shape)
        for k in np.unique(duty):
            at = duty == k
            found[at] = headspace_dew_point(self.cases[int(k)], o.moisture[at], o.even_temperature[at])
        return found


def duties_of(case: Case) -> tuple[list[tuple[Product, DesignWeather]], list[Case]]:
    """Each product in each weather of [sizing], product by product: their names, and the case of each.

    What is wished of coated pellets is turned there, since it hangs on the air outside and on the material.
    """
    sizing = case.sizing
    products = sizing.product or (Product("the feed", case.material, case.feed),)
    if sizing.product and case.arrival is not None:  # a product states its feed: only the weather acts on it
        typed = dataclasses.replace(case.arrival, typed=("moisture", "temperature"))
        case = dataclasses.replace(case, arrival=typed)
    weathers = sizing.weather or (DesignWeather("the air outside", case.air),)
    airs = _design_airs(case, weathers)
    cases = [
        uncoated(dataclasses.replace(case, material=p.material, feed=p.feed, air=a))
        for p in products
        for a in airs
    ]
    return [(p, w) for p in products for w in weathers], cases


def _design_airs(case: Case, weathers: Sequence[DesignWeather]) -> list[Air]:
    """The air of each design weather; of a percentile, the hour of the weather file nearest to it."""
    record = read_weather(case) if any(w.air is None for w in weathers) else None
    airs = []
    for w in weathers:
        if w.air is None and record is not None and w.percentile is not None:
            hour = design_weather(record, w.percentile).air
            airs.append(Air(*(float(getattr(hour, f.name)[0]) for f in dataclasses.fields(Air))))
        elif w.air is not None:
            airs.append(w.air)
    return airs


def _at(inputs: Inputs, points: Points) -> Inputs:
    """Inputs of duties, set as points say; the floor is what the flux makes it."""
    return dataclasses.replace(
        inputs,
        one_case=False,
        floor_area=inputs.throughput / points.flux,
        dry_air=points.air_ratio * inputs.throughput,
        bed_depth=points.depth,
        inlet_air_temperature=points.inlet,
    )


# ---- Polynomials --------------------------------------------------------------------------------------


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

    def lay_on_unevenness(self, points: Points) -> None:
        """Learn what unevenness adds to even beds from two states of each duty, all the first ones first.

        It is a line in the air flux, since that is what tells how the air is shared out: over whole ranges, where
        a bed may be left as it came, polynomials of it erred by more than it is where a cooler is at its best.
        """
        if self.duties.even() is self.duties:
            return
        rows = [pack(d.predicted(points, self.coarse)) for d in (self.duties, self.duties.even())]
        first, second = np.moveaxis((rows[0] - rows[1]).reshape(len(rows[0]), 2, -1), 0, -1)
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
        return self.duties.weighed(points, unpack_any(rows))


def unpack_any(rows: Array) -> Outcome:
    """`outcome_polynomials.unpack` for rows (outcomes, …) of any shape."""
    outcome = unpack(rows.reshape(len(rows), -1))
    return Outcome(*(getattr(outcome, f.name).reshape(rows.shape[1:]) for f in dataclasses.fields(Outcome)))
