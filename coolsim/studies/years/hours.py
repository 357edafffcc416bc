"""Hours of weather with settings: predicted, weighed, held against target and limits, summed up."""

from __future__ import annotations

import copy
import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.costs import HOUR, KILOWATT_HOUR, cost_of, given_away
from coolsim.machines.plant import Outcome, Plant, Settings, Weighed, excesses
from coolsim.model.bed import take
from coolsim.scenario.weather import Weather
from coolsim.simulate.finishing import store_of
from coolsim.simulate.inputs import Inputs, gather
from coolsim.simulate.requirements import FEASIBLE, Constraint, constraints_of, harms, hung
from coolsim.studies.outcome_rows import unpack
from coolsim.studies.years.response import (
    Error,
    Response,
    cooler,
    coordinates,
    corrected,
    respond,
    solve,
)
from coolsim.support.display import Displayed
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array, documented

MAP, DIRECT = "map", "direct"
Mask = NDArray[np.bool_]


@dataclass(frozen=True, repr=False)
class OfDryers(Displayed):
    """What an hour of a dryer has besides; arrays (rows,), nan where the dryer has no such thing."""

    recirculation: Array = documented("-", "share of the exhaust blown in again; of a batch")
    belt_speed: Array = documented("m/s", "of a belt", json="belt_speed_m_min", factor=60.0)
    pellet_temperature: Array = documented(
        "°C", "of the hottest layer at any time", json="pellet_temperature_C"
    )
    deviation: Array = documented("kg/kg wet", "standard deviation of moisture over the bed")


@dataclass(frozen=True, repr=False)
class Hours(Displayed):
    """Each interval of the weather with its settings and what came of them; arrays (rows,)."""

    weather: Weather = documented("-", "the air outside")
    settings: Settings = documented("-", "what was set")
    feed_moisture: Array = documented("kg/kg wet", "of the feed")
    outcome: Outcome = documented("-", "what left the cooler")
    product: Array = documented("kg/h", "wet pellets leaving", json="product_kg_h")
    given_away: Array = documented("kg/h", "weight lost by drying below the target", json="given_away_kg_h")
    electricity: Array = documented("kW", "of the fan", json="electricity_kW")
    heat: Array = documented("kW", "that warms the inlet air", json="heat_kW")
    cost: Array = documented("1/h", "electricity, heat and weight given away")
    within: Mask = documented("-", "meets target and limits")
    too_wet: Mask = documented("-", "moisture or water activity above the target: moulds may grow")
    too_dry: Mask = documented("-", "moisture below target less tolerance")
    too_warm: Mask = documented("-", "warmer above the air outside than the target allows")
    over_limit: Mask = documented("-", "a limit of the machine is broken, or a dryer's maximum_deviation")
    computed: Mask = documented("-", "false where the computation failed: counted in nothing else")
    method: str = documented("-", "map or direct")
    error: Error | None = documented("-", "largest error of the map on hours held out")
    dryer: OfDryers | None = documented("-", "what only a dryer has", default=None)


@dataclass(frozen=True, repr=False)
class Tally(Displayed):
    """Sums over hours."""

    hours: float = documented("h", "hours counted", json="hours")
    within: float = documented("h", "hours that meet target and limits", json="within_h")
    too_wet: float = documented("h", "hours too wet: moulds may grow", json="too_wet_h")
    too_dry: float = documented("h", "hours too dry: below the target's tolerance", json="too_dry_h")
    too_warm: float = documented("h", "hours too warm above the air outside", json="too_warm_h")
    over_limit: float = documented(
        "h", "hours in which a limit of the machine is broken", json="over_limit_h"
    )
    not_computed: float = documented("h", "hours that could not be computed", json="not_computed_h")
    product: float = documented("kg", "wet pellets that left", json="product_t", factor=1e-3)
    product_too_wet: float = documented(
        "kg", "of these, in hours too wet", json="product_too_wet_t", factor=1e-3
    )
    given_away: float = documented("kg", "weight lost by drying below the target", json="given_away_kg")
    electricity: float = documented("kWh", "of the fan", json="electricity_kWh")
    heat: float = documented("kWh", "that warmed the inlet air", json="heat_kWh")
    cost_electricity: float = documented("1", "in the scenario's currency")
    cost_heat: float = documented("1", "in the scenario's currency")
    cost_given_away: float = documented("1", "in the scenario's currency")
    cost: float = documented("1", "all three")
    moisture_wb: float = documented("kg/kg wet", "mean exit moisture")
    temperature: float = documented("°C", "mean exit temperature", json="temperature_C")


class Site:
    """A case in its weather: what hours and settings are weighed with."""

    def __init__(self, case: Case, weather: Weather) -> None:
        self.case = case
        self.weather = weather
        self.plant = Plant(self.case)
        self.inputs = gather([self.case], weather.air)
        self.limits = constraints_of(self.case)
        # what the feed is moister by in each hour than in the air of the case, where it follows from the weather:
        # settings tell its moisture as of that air
        self.moister = self.inputs.moisture_wb - self.case.feed.moisture

    def coordinates(self, inputs: Inputs, hours: Any = slice(None)) -> Array:
        """States in some hours as points of a map over settings."""
        points = coordinates(inputs, True)
        points[-1] = points[-1] - self.moister[hours]
        return points

    def at(self, case: Case) -> Site:
        """The same weather, fan, prices and limits with other numbers of feed, cooler or material."""
        other = copy.copy(self)
        other.case = dataclasses.replace(
            case, fan=self.case.fan, costs=self.case.costs, limits=self.case.limits
        )
        other.plant = copy.copy(self.plant)
        other.plant.case = other.case
        return other

    def weighed(self, inputs: Inputs, outcome: Outcome) -> Weighed:
        """Weigh states whose settings stand in their inputs."""
        return self.plant.standing(inputs, outcome)

    def excess(self, inputs: Inputs, state: Weighed, limits: list[Constraint] | None = None) -> Array:
        """How far each limit is broken, in its scale (limits, …)."""
        outside = dataclasses.replace(self.case.air, temperature=inputs.outside_temperature)
        case = dataclasses.replace(self.case, air=outside)
        return excesses(case, state, hung(self.limits if limits is None else limits, case))


def followed(
    site: Site, inputs: Inputs, group: NDArray[np.intp], base: Response, direct: bool = False
) -> Hours:
    """Predict all hours with settings that are the same within a group, from a map over weather and settings."""
    found = (
        None
        if direct
        else corrected(base, site.coordinates(inputs), group, cooler(inputs, store_of(site.case)))
    )
    if found is None:
        return predicted(site, inputs, direct=True)
    rows, error = found
    return judged(site, inputs, rows, MAP, error)


def read_off(site: Site, inputs: Inputs, base: Response) -> Hours:
    """All hours read off a map over weather and settings, as exact as it is."""
    return judged(site, inputs, base(site.coordinates(inputs)), MAP, base.error)


def predicted(site: Site, inputs: Inputs, direct: bool = False) -> Hours:
    """Predict all hours with the settings in `inputs`: by a map where that keeps its bound, or one by one."""
    response = None if direct else respond(coordinates(inputs), cooler(inputs, store_of(site.case)))
    if response is None:
        _, first, same = np.unique(coordinates(inputs), axis=1, return_index=True, return_inverse=True)
        rows = solve(take(inputs, first)).rows[:, same]  # equal hours are predicted once
        return judged(site, inputs, rows, DIRECT, None)
    return judged(site, inputs, response(coordinates(inputs)), MAP, response.error)


def judged(site: Site, inputs: Inputs, rows: Array, method: str, error: Error | None) -> Hours:
    """Hold outcomes (outcomes, N) against target and limits; a failed hour (nan) counts nowhere."""
    computed = np.asarray(np.isfinite(rows).all(axis=0))
    if not computed.any():
        raise NotConverged("no hour could be computed; try `coolsim predict` for one of them")
    safe = np.where(computed, rows, rows[:, computed].mean(axis=1, keepdims=True))
    outcome = unpack(safe)
    state = site.weighed(inputs, outcome)
    broken = (site.excess(inputs, state) > FEASIBLE) & computed
    solid = inputs.throughput * (1 - inputs.moisture_wb)
    lost = given_away(site.case, solid, outcome.moisture)
    return Hours(
        weather=site.weather,
        settings=state.settings,
        feed_moisture=inputs.moisture_wb,
        outcome=unpack(rows),
        product=HOUR * solid / (1 - outcome.moisture),
        given_away=HOUR * np.maximum(lost, 0.0),
        electricity=np.broadcast_to(state.power / 1e3, computed.shape),
        heat=np.broadcast_to(state.heat / 1e3, computed.shape),
        cost=state.cost.total,
        within=computed & ~broken.any(axis=0),
        **harms(site.limits, broken),
        computed=computed,
        method=method,
        error=error,
    )


def tally(case: Case, hours: Hours, which: Mask | None = None) -> Tally:
    """Sum hours, or some of them, at the prices of a case."""
    some = np.ones(len(hours.computed), bool) if which is None else which
    step, prices, counted = hours.weather.step, case.costs, some & hours.computed

    def time(mask: Mask) -> float:
        return step * float((mask & some).sum())

    def total(values: Array) -> float:
        return step * float(values[counted].sum())

    def mean(values: Array) -> float:
        return float(values[counted].mean()) if counted.any() else float("nan")

    electricity, heat, given_away = (total(v) for v in (hours.electricity, hours.heat, hours.given_away))
    # amounts of the whole time, as if of one second
    joules = {"electricity": electricity * KILOWATT_HOUR / HOUR, "heat": heat * KILOWATT_HOUR / HOUR}
    cost = cost_of(prices, 1.0, **joules, given_away=given_away / HOUR)
    return Tally(
        hours=time(some),
        within=time(hours.within),
        too_wet=time(hours.too_wet),
        too_dry=time(hours.too_dry),
        too_warm=time(hours.too_warm),
        over_limit=time(hours.over_limit),
        not_computed=time(~hours.computed),
        product=total(hours.product),
        product_too_wet=total(np.where(hours.too_wet, hours.product, 0.0)),
        given_away=given_away,
        electricity=electricity,
        heat=heat,
        cost_electricity=float(cost.electricity),
        cost_heat=float(cost.heat),
        cost_given_away=float(cost.overdried_feed),
        cost=float(cost.total),
        moisture_wb=mean(hours.outcome.moisture),
        temperature=mean(hours.outcome.temperature),
    )


def monthly(case: Case, hours: Hours) -> tuple[tuple[int, Tally], ...]:
    """Sums of each calendar month that the weather has, over all its years."""
    months = hours.weather.month
    return tuple((int(m), tally(case, hours, months == m)) for m in np.unique(months))
