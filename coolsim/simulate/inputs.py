"""Many cases side by side: every number the models need as an array (cases,), in SI.

Here the outside air becomes dry air per second, and feed that would boil flashes.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import partial
from typing import Any

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.streams import Air
from coolsim.model.bed import Bed, Fed, tabulate_bound_water
from coolsim.model.columns import Deviations
from coolsim.physics import air, packed_bed, pellet
from coolsim.physics.pellet import Diffusivity
from coolsim.physics.sorption import Isotherm
from coolsim.physics.store import store_temperature
from coolsim.simulate.feed_following import in_air, in_air_each
from coolsim.support.fields import Array, shapes


@dataclass(frozen=True)
class Inputs:
    """Numbers of cases that share a form of isotherm; `shape` is that of the outside air (one case: empty)."""

    shape: tuple[int, ...]
    isotherm: Isotherm  # of arrays
    diffusivity: Diffusivity  # of arrays
    specific_heat: Array
    conductivity: Array
    radius: Array  # of the equivalent sphere
    throughput: Array  # kg/s wet
    moisture_wb: Array  # as fed, before any flash
    feed_temperature: Array  # as fed, before any flash
    bulk_density: Array
    void_fraction: Array
    flashed_moisture_db: Array  # kg/kg dry, as it enters the bed
    flashed_temperature: Array  # °C, as it enters the bed
    floor_area: Array
    bed_depth: Array
    outside_temperature: Array
    humidity_ratio: Array  # of the outside air, and so of the air that enters
    pressure: Array
    outside_volume: Array  # m³ of moist outside air per kg dry air
    inlet_air_temperature: Array
    dry_air: Array  # kg/s through the bed
    dry_solid: Array  # kg/s
    store_temperature: Array  # °C, at which the water activity is judged
    fed: Fed | None = None  # where the feed comes from another machine
    deviations: Deviations | None = None  # None: all beds are even
    resistance: Any = 1.0  # pressure drop as a multiple of the clean bed's


@dataclass(frozen=True)
class Stated:
    """What cases of one form of isotherm state, number by number, each (cases,); nan where not stated."""

    isotherm: Isotherm  # of arrays
    diffusivity: Diffusivity  # of arrays
    specific_heat: Array
    conductivity: Array
    diameter: Array
    length: Array
    throughput: Array
    feed_moisture: Array  # kg/kg wet, as everywhere above the model
    feed_temperature: Array
    bulk_density: Array
    void_fraction: Array
    floor_area: Array
    bed_depth: Array
    airflow: Array  # or air_ratio
    air_ratio: Array
    inlet_air_temperature: Array  # of a heater, if there is one
    ambient_temperature: Array
    relative_humidity: Array
    pressure: Array
    store_temperature: Array
    deviations: Deviations | None = None  # None: all beds are even
    resistance: Any = 1.0  # pressure drop as a multiple of the clean bed's


def gather(cases: Sequence[Case], weather: Air | None = None) -> Inputs:
    """Lay cases of one form of isotherm side by side.

    `weather` replaces the air of a single case and may hold arrays: then one case per entry.
    """
    numbers, shape = stated(cases, weather)
    return inputs_of(numbers, shape)


def stated(cases: Sequence[Case], weather: Air | None = None) -> tuple[Stated, tuple[int, ...]]:
    """The numbers of cases as they state them, and the shape of the outside air; arguments as of `gather`."""
    cases = in_air_each(cases) if weather is None else [in_air(c, weather) for c in cases]
    airs = [c.air for c in cases] if weather is None else [weather]
    columns = [np.array([getattr(a, f.name) for a in airs], float) for f in fields(Air)]
    columns = [c[0] for c in columns] if len(airs) == 1 else columns
    # the numbers of a case that is alone may all be arrays
    own = [(c.feed, c.cooler, c.material) for c in cases] if len(cases) == 1 else []
    shape = np.broadcast_shapes(*(c.shape for c in columns), *shapes(tuple(own)))
    T, RH, p = (np.broadcast_to(c, shape).ravel() for c in columns)

    def numbers(get: Callable[[Case], Any]) -> Array:
        """One number per case, or those of the only case; None becomes nan."""
        column = np.asarray(get(cases[0]) if own else [get(c) for c in cases], float)
        return np.ascontiguousarray(np.broadcast_to(column, shape).ravel())

    constants = range(len(cases[0].material.isotherm.constants))
    isotherm = Isotherm(
        cases[0].material.isotherm.equation,
        tuple(numbers(partial(_constant, i)) for i in constants),
        numbers(lambda c: c.material.isotherm.fat),
        numbers(lambda c: c.material.isotherm.scale),
    )
    law: dict[str, Any] = {f.name: numbers(partial(_diffusivity, f.name)) for f in fields(Diffusivity)}
    numbers_stated = Stated(
        isotherm=isotherm,
        diffusivity=Diffusivity(**law),
        specific_heat=numbers(lambda c: c.material.specific_heat),
        conductivity=numbers(lambda c: c.material.conductivity),
        diameter=numbers(lambda c: c.feed.diameter),
        length=numbers(lambda c: c.feed.length),
        throughput=numbers(lambda c: c.feed.throughput),
        feed_moisture=numbers(lambda c: c.feed.moisture),
        feed_temperature=numbers(lambda c: c.feed.temperature),
        bulk_density=numbers(lambda c: c.feed.bulk_density),
        void_fraction=numbers(lambda c: c.feed.void_fraction),
        floor_area=numbers(lambda c: c.cooler.floor_area),
        bed_depth=numbers(lambda c: c.cooler.bed_depth),
        airflow=numbers(lambda c: c.cooler.airflow),
        air_ratio=numbers(lambda c: c.cooler.air_ratio),
        inlet_air_temperature=numbers(lambda c: c.cooler.inlet_air_temperature),
        ambient_temperature=T,
        relative_humidity=RH,
        pressure=p,
        store_temperature=numbers(lambda c: c.target.water_activity_at),
        deviations=_deviations(cases, numbers),
        resistance=packed_bed.resistance_with_fines(numbers(lambda c: c.feed.fines or 0.0)),
    )
    return numbers_stated, shape


def inputs_of(s: Stated, shape: tuple[int, ...]) -> Inputs:
    """What the models need, from what cases state."""
    fed, M, T, p = s.throughput, s.feed_moisture, s.ambient_temperature, s.pressure
    X, T_in = pellet.flash(s.isotherm, s.specific_heat, M / (1 - M), s.feed_temperature, p)
    Y = air.humidity_ratio_from_relative_humidity(T, s.relative_humidity, p)
    volume = air.dry_air_volume(T, Y, p)
    return Inputs(
        shape=shape,
        isotherm=s.isotherm,
        diffusivity=s.diffusivity,
        specific_heat=s.specific_heat,
        conductivity=s.conductivity,
        radius=pellet.equivalent_sphere_radius(s.diameter, s.length),
        throughput=fed,
        moisture_wb=M,
        feed_temperature=s.feed_temperature,
        bulk_density=s.bulk_density,
        void_fraction=s.void_fraction,
        flashed_moisture_db=X,
        flashed_temperature=T_in,
        floor_area=s.floor_area,
        bed_depth=s.bed_depth,
        outside_temperature=T,
        humidity_ratio=Y,
        pressure=p,
        outside_volume=volume,
        # outside air that is already warmer than the heater's setting is not cooled
        inlet_air_temperature=np.fmax(T, s.inlet_air_temperature),
        dry_air=np.where(np.isnan(s.air_ratio), s.airflow / volume, s.air_ratio * fed),
        dry_solid=fed * (1 - M),
        store_temperature=store_temperature(s.store_temperature, T),
        deviations=s.deviations,
        resistance=s.resistance,
    )


def unevenness(cooler: Any) -> str:
    """In what the bed of a cooler or dryer is stated to be uneven, as words behind its kind; none if it is even."""
    return " uneven" * is_uneven(cooler) + " slow" * bool(getattr(cooler, "speed_deviation", None))


def is_uneven(cooler: Any) -> bool:
    """Whether the bed of a cooler or dryer is stated to be uneven."""
    return any(np.any(getattr(cooler, name, None)) for name in _DEVIATIONS)


def even(inputs: Inputs) -> Inputs:
    """The same with even beds."""
    return dataclasses.replace(inputs, deviations=None)


def with_even_bed(case: Case) -> Case:
    """The case with even beds, which take a third to a ninth of the columns; itself, where they are."""
    if not isinstance(case.cooler, Line):
        even = _without_deviations(case.cooler)
        return case if even is case.cooler else dataclasses.replace(case, cooler=even)
    if not any(is_uneven(stage.cooler) for stage in case.cooler.stages):
        return case
    stages = (dataclasses.replace(s, cooler=_without_deviations(s.cooler)) for s in case.cooler.stages)
    return dataclasses.replace(case, cooler=Line(tuple(stages)))


def _without_deviations(cooler: Any) -> Any:
    if not is_uneven(cooler):
        return cooler
    stated = (name for name in _DEVIATIONS if getattr(cooler, name, None) is not None)
    return dataclasses.replace(cooler, **dict.fromkeys(stated, None))


DEVIATION = "_deviation"  # in the names of keys that state how uneven a bed is
_DEVIATIONS = ("depth_deviation", "depth_deviation_length", "speed_deviation")


def _deviations(
    cases: Sequence[Case], numbers: Callable[[Callable[[Case], float]], Array]
) -> Deviations | None:
    if not any(is_uneven(c.cooler) for c in cases):
        return None
    return Deviations(*(numbers(partial(_deviation, name)) for name in _DEVIATIONS))


def _deviation(name: str, case: Case) -> Any:
    value = getattr(case.cooler, name, None)
    return 0.0 if value is None else value


def _constant(i: int, case: Case) -> Any:
    return case.material.isotherm.constants[i]


def _diffusivity(name: str, case: Case) -> float:
    return getattr(case.material.diffusivity, name)


def bed_of(inputs: Inputs) -> Bed:
    """The bed that the model solves: dry fluxes per floor area, feed after any flash."""
    return Bed(
        radius=inputs.radius,
        conductivity=inputs.conductivity,
        specific_heat=inputs.specific_heat,
        solid_density=inputs.bulk_density * (1 - inputs.moisture_wb) / (1 - inputs.void_fraction),
        void_fraction=inputs.void_fraction,
        diffusivity=inputs.diffusivity,
        isotherm=inputs.isotherm,
        bound_water=tabulate_bound_water(inputs.isotherm, len(inputs.radius)),
        solid_flux=inputs.dry_solid / inputs.floor_area,
        air_flux=inputs.dry_air / inputs.floor_area,
        depth=inputs.bed_depth,
        pressure=inputs.pressure,
        feed_moisture_db=inputs.flashed_moisture_db,
        feed_temperature=inputs.flashed_temperature,
        inlet_air_temperature=inputs.inlet_air_temperature,
        inlet_humidity_ratio=inputs.humidity_ratio,
        fed=inputs.fed,
        resistance=inputs.resistance,
    )
