"""Beds that are not even, laid out as columns: what each column is fed and blown, and the mean of what they give.

Pressure is the same under all columns, so a thin one takes more air than a deep one. Dry solid goes through a
column of a cooler as it is quick (w s), into one of a batch as it is deep (w l), through one of a belt as both.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.result import BetweenPellets
from coolsim.model import drying, leaving, solve
from coolsim.model.bed import take
from coolsim.model.columns import NODES, Columns, columns_of
from coolsim.model.drying import Phase
from coolsim.model.leaving import Leaving
from coolsim.physics import air, packed_bed
from coolsim.physics.sorption import Isotherm
from coolsim.simulate.inputs import Inputs, bed_of, even
from coolsim.simulate.pellet_spread import between_pellets, joined
from coolsim.support.fields import Array

AT_ONCE = 1_000_000  # samples of pellets sorted at once, for memory
COLUMNS = 30_000  # of cases that are laid out at once, for memory: 1.5 kB each


@dataclass(frozen=True)
class UnevenBeds:
    """Cases as their columns, column after column, and the shares of a case that each stands for, (K, cases)."""

    inputs: Inputs  # of K · cases
    columns: Columns
    solid: Array  # of the dry solid
    air: Array  # of the dry air
    lying: bool  # whether the pellets lie in a column, and so are the more the deeper it is

    def of_solid(self, values: Array) -> Array:
        """Mean of values (…, K · cases) by dry solid."""
        return self.columns.mean(values, self.solid)

    def of_floor(self, values: Array) -> Array:
        """Mean of values (…, K · cases), per m² of floor, or of belt that passes."""
        return self.columns.mean(values, self.columns.area * self.columns.speed)

    def of_air(self, values: Array) -> Array:
        """Mean of values (…, K · cases) by dry air."""
        return self.columns.mean(values, self.air)

    def highest(self, values: Array) -> Array:
        """Highest of values (K · cases)."""
        return self.columns.apart(values).max(axis=-2)

    def lowest(self, values: Array) -> Array:
        """Lowest of values (K · cases)."""
        return self.columns.apart(values).min(axis=-2)

    def who(self, cases: Any) -> Any:
        """All columns of some cases, column after column."""
        return (self.columns.cases * np.arange(self.columns.count)[:, None] + cases).reshape(-1)


def blocks(inputs: Inputs) -> list[Any]:
    """Cases that are laid out at once, block by block: all of them where they are even, or few."""
    who, most = np.arange(len(inputs.radius)), COLUMNS // len(NODES) ** 2
    return [who] if inputs.deviations is None else np.array_split(who, max(-(-len(who) // most), 1))


def columns_of_coolers(inputs: Inputs) -> UnevenBeds | None:
    """Coolers as their columns; None where all are even."""
    if inputs.deviations is None:
        return None
    columns = columns_of(inputs.deviations, inputs.bed_depth)
    flow = inputs.dry_air / inputs.floor_area
    blown = air_shares(inputs, columns, flow, inputs.inlet_air_temperature)
    return _in_columns(inputs, columns, blown, lying=False)


def columns_of_dryers(inputs: Inputs) -> UnevenBeds | None:
    """Batches or belts as their columns; None where all are even. Their air is split phase by phase: `apart`."""
    if inputs.deviations is None:
        return None
    columns = columns_of(inputs.deviations, inputs.bed_depth)
    return _in_columns(inputs, columns, columns.area, lying=True)


def apart(beds: UnevenBeds, inputs: Inputs, phases: tuple[Phase, ...]) -> tuple[Phase, ...]:
    """Phases of dryers as their columns meet them: each takes its share of the air, and its time on a belt.

    A column's exhaust goes back into itself: the models know no plenum that it is mixed in.
    """
    columns = beds.columns
    each = []
    for phase in phases:
        aim = np.where(np.isfinite(phase.supply.set_temperature), phase.supply.set_temperature, -np.inf)
        share = air_shares(inputs, columns, phase.air_flux, np.maximum(aim, inputs.outside_temperature))
        own = take(phase, columns.case)
        programme = own.programme
        programme = dataclasses.replace(programme, duration=programme.duration / columns.speed.reshape(-1))
        flux = own.air_flux * (share / columns.area).reshape(-1)
        each.append(dataclasses.replace(own, air_flux=flux, programme=programme))
    return tuple(each)


def _in_columns(inputs: Inputs, columns: Columns, blown: Array, lying: bool) -> UnevenBeds:
    solid = columns.area * columns.speed * (columns.depth if lying else 1.0)
    each = take(even(inputs), columns.case)
    flat = {name: share.reshape(-1) for name, share in (("solid", solid), ("air", blown))}
    each = dataclasses.replace(
        each,
        floor_area=each.floor_area * columns.area.reshape(-1),
        bed_depth=each.bed_depth * columns.depth.reshape(-1),
        throughput=each.throughput * flat["solid"],
        dry_solid=each.dry_solid * flat["solid"],
        dry_air=each.dry_air * flat["air"],
    )
    return UnevenBeds(each, columns, solid, blown, lying)


def air_shares(inputs: Inputs, columns: Columns, flux: Array, temperature: Array) -> Array:
    """Share of the dry air that each column takes, (K, cases), of a mean flux [kg/(m² s)] entering at °C.

    By Ergun at the state of the air that enters, where mass and volume are shared out alike.
    """
    T, Y, p = temperature, inputs.humidity_ratio, inputs.pressure
    mean = flux * air.dry_air_volume(T, Y, p)
    depth = columns.depth * inputs.bed_depth
    bed = 2 * inputs.radius, inputs.void_fraction, air.moist_density(T, Y, p), air.viscosity(T)
    velocity, _ = packed_bed.split_of_air(mean, depth, columns.area, *bed)
    share = columns.area * velocity / mean
    return np.asarray(share / share.sum(axis=0))


def leaving_of_coolers(inputs: Inputs, solutions: Sequence[solve.Solution]) -> Leaving:
    """What leaves coolers, mixed where they are uneven."""
    beds = columns_of_coolers(inputs)
    left = leaving.of_coolers(bed_of(inputs if beds is None else beds.inputs), solutions)
    return left if beds is None else _mixed(left, beds, inputs)


def leaving_of_dryers(inputs: Inputs, solutions: Sequence[drying.Solution]) -> Leaving:
    """What leaves dryers, mixed."""
    beds = columns_of_dryers(inputs)
    left = leaving.of_dryers(bed_of(inputs if beds is None else beds.inputs), solutions)
    return left if beds is None else _mixed(left, beds, inputs)


def _mixed(left: Leaving, beds: UnevenBeds, inputs: Inputs) -> Leaving:
    """Pellets of columns as pellets that all have the mean of their profiles, as model.leaving mixes layers."""
    bed, shells = bed_of(inputs), take(left.shells, np.arange(beds.columns.cases))
    mean, moisture = beds.of_solid(left.mean), beds.of_solid(left.moisture)
    capacity = inputs.specific_heat + air.HEAT_CAPACITY_WATER * mean
    T = beds.of_solid(left.enthalpy + left.bound_heat) / capacity
    Q = (shells.volume * bed.bound_water(moisture)[0]).sum(axis=0)
    return Leaving(
        bed,
        shells,
        moisture,
        mean,
        enthalpy=capacity * T - Q,
        bound_heat=Q,
        temperature=T,
        size=beds.of_solid(left.size),
        entered_moisture=beds.of_solid(left.entered_moisture),
        entered_enthalpy=beds.of_solid(left.entered_enthalpy),
    )


def between(
    beds: UnevenBeds, isotherm: Isotherm, moisture: Array, temperature: Array, evened: Array
) -> BetweenPellets:
    """How unlike pellets of columns are: moisture [kg/kg dry] and temperature [°C] of columns (K · cases), or of
    layers of equal dry solid in each (layers, K · cases). Many cases block by block, for memory."""
    columns, layers = beds.columns, len(np.atleast_2d(moisture))
    most = max(AT_ONCE // (layers * len(columns.places()[0])), 1)
    parts = []
    for some in np.array_split(np.arange(columns.cases), -(-columns.cases // most)):
        part, who = take(columns, some), beds.who(some)
        X, T = (part.sampled(np.atleast_2d(values)[:, who]) for values in (moisture, temperature))
        X = np.maximum(X, 0.0)  # a parabola may undershoot what is nearly dry
        depth, speed = part.places()
        solid = np.broadcast_to(speed * depth if beds.lying else speed, X.shape)
        X, T, solid = (a.reshape(-1, part.cases) for a in (X, T, solid))
        parts.append(between_pellets(take(isotherm, some), X, T, solid, evened[some]))
    return joined(parts)
