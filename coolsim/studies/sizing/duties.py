"""The duties of a cooler to buy: each product in each weather, per square metre of floor.

Points are arrays that broadcast with the duties' own, so that one call predicts and weighs any grid.
"""

from __future__ import annotations

import copy
import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import ENERGY_ALONE, Cost, cost_of, weight_given_away
from coolsim.case.streams import Air
from coolsim.equipment import duct
from coolsim.equipment.duct import AirState
from coolsim.machines.plant import Outcome, Settings, Weighed, excesses, outcome_of
from coolsim.model.bed import take
from coolsim.model.solve import Resolution
from coolsim.physics import air, packed_bed
from coolsim.simulate.finishing import headspace_dew_point
from coolsim.simulate.inputs import Inputs, even, gather
from coolsim.simulate.least_bed import depths_to_choose, least_time
from coolsim.simulate.prediction import predict_inputs
from coolsim.simulate.requirements import SWEATING, Constraint
from coolsim.simulate.result_building import interleave
from coolsim.studies.sizing.fans import efficiencies
from coolsim.studies.sizing.service import limits_to_keep
from coolsim.support.fields import Array

# s, looked at where [limits] has none; common practice (no source) is 4 to 15 minutes
DWELL = (60.0, 1800.0)
FLUX_SPAN = 25.0  # lowest air flux looked at, as a part of the highest that the limit of lift-off allows
ROOM = 1.1  # highest flux looked at, above what lifts off in outside air: exhaust that is colder lifts later


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
        self.efficiency, self.motor_efficiency = efficiencies(case)
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
        asked = self.demand(points, outcome)
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

    def demand(self, points: Points, outcome: Outcome, margin: float = 0.0) -> duct.Demand:
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


def _at(inputs: Inputs, points: Points) -> Inputs:
    """Inputs of duties, set as points say; the floor is what the flux makes it."""
    return dataclasses.replace(
        inputs,
        floor_area=inputs.throughput / points.flux,
        dry_air=points.air_ratio * inputs.throughput,
        bed_depth=points.depth,
        inlet_air_temperature=points.inlet,
    )
