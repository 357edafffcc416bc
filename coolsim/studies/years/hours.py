"""Hours of weather with settings: predicted, weighed, held against target and limits, summed up."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case, Line
from coolsim.case.costs import HOUR, KILOWATT_HOUR, cost_of, given_away
from coolsim.machines.base import bill
from coolsim.machines.dryers import DryerSettings
from coolsim.machines.plant import Outcome, Settings
from coolsim.scenario.weather import Weather
from coolsim.simulate.requirements import FEASIBLE, harms
from coolsim.studies.outcome_rows import pack, unpack
from coolsim.studies.years.response import Error
from coolsim.studies.years.site import ADDED, FIRST, OF_COOLERS, Found, HourlySettings, Site, inputs_of
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
    pellet_temperature: Array = documented("°C", "of the hottest layer at any time")
    deviation: Array = documented("kg/kg wet", "standard deviation of moisture over the bed")


@dataclass(frozen=True, repr=False)
class Hours(Displayed):
    """Each interval of the weather with its settings and what came of them; arrays (rows,)."""

    weather: Weather = documented("-", "the air outside")
    settings: Settings = documented("-", "what was set")
    feed_moisture: Array = documented("kg/kg wet", "of the feed")
    outcome: Outcome = documented("-", "what left the cooler")
    product: Array = documented("kg/h", "wet pellets leaving")
    given_away: Array = documented("kg/h", "weight lost by drying below the target")
    electricity: Array = documented("kW", "of the fan")
    heat: Array = documented("kW", "that warms the inlet air")
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
    within: float = documented("h", "hours that meet target and limits")
    too_wet: float = documented("h", "hours too wet: moulds may grow")
    too_dry: float = documented("h", "hours too dry: below the target's tolerance")
    too_warm: float = documented("h", "hours too warm above the air outside")
    over_limit: float = documented("h", "hours in which a limit of the machine is broken")
    not_computed: float = documented("h", "hours that could not be computed")
    product: float = documented("kg", "wet pellets that left", json="product_t", factor=1e-3)
    product_too_wet: float = documented(
        "kg", "of these, in hours too wet", json="product_too_wet_t", factor=1e-3
    )
    given_away: float = documented("kg", "weight lost by drying below the target")
    electricity: float = documented("kWh", "of the fan")
    heat: float = documented("kWh", "that warmed the inlet air")
    cost_electricity: float = documented("1", "in the scenario's currency")
    cost_heat: float = documented("1", "in the scenario's currency")
    cost_given_away: float = documented("1", "in the scenario's currency")
    cost: float = documented("1", "all three")
    moisture_wb: float = documented("kg/kg wet", "mean exit moisture")
    temperature: float = documented("°C", "mean exit temperature")


def judged_hours(site: Site, hourly: HourlySettings, found: Found) -> Hours:
    """Hold hours against target and limits; a failed hour (nan) counts nowhere."""
    computed = np.asarray(np.isfinite(found.rows).all(axis=0))
    if not computed.any():
        raise NotConverged("no hour could be computed; try `coolsim predict` for one of them")
    rows = np.where(computed, found.rows, found.rows[:, computed].mean(axis=1, keepdims=True))
    outcome, added = unpack(rows[:OF_COOLERS]), dict(zip(ADDED, rows[OF_COOLERS:FIRST]))
    broken = (rows[FIRST:] > FEASIBLE) & computed
    solid = added["feed"] * (1 - added["feed_moisture"])
    lost = given_away(site.case, solid, outcome.moisture)
    cost = bill(site.case, added["electricity"], added["heat"], added["feed"], solid, outcome.moisture)
    settings, of_dryer = _settings(site, hourly, rows)
    return Hours(
        weather=site.weather,
        settings=settings,
        feed_moisture=added["feed_moisture"],
        outcome=unpack(found.rows[:OF_COOLERS]),
        product=HOUR * solid / (1 - outcome.moisture),
        given_away=HOUR * np.maximum(lost, 0.0),
        electricity=added["electricity"] / 1e3,
        heat=added["heat"] / 1e3,
        cost=cost.total,
        within=computed & ~broken.any(axis=0),
        **harms(site.constraints, broken),
        computed=computed,
        method=DIRECT if found.error is None else MAP,
        error=found.error,
        dryer=of_dryer,
    )


def rows_of(hours: Hours, violations: Array) -> Array:
    """The rows behind hours that were judged, given how far each constraint is broken in them."""
    wet = hours.product * (1 - hours.outcome.moisture) / (1 - hours.feed_moisture) / HOUR
    nothing = np.zeros_like(wet)
    added = (1e3 * hours.electricity, 1e3 * hours.heat, wet, hours.feed_moisture, nothing, nothing)
    return np.vstack([pack(hours.outcome), *added, violations])


def _settings(site: Site, hourly: HourlySettings, rows: Array) -> tuple[Settings, OfDryers | None]:
    """What is set in each hour; of a line, whose machines have settings of their own, nothing here."""
    if not site.marched:
        return site.plant.standing(inputs_of(site, hourly), unpack(rows[:OF_COOLERS])).settings, None
    nothing = np.full(len(hourly.which), np.nan)
    if isinstance(site.case.cooler, Line):
        return Settings(*[nothing] * len(dataclasses.fields(Settings))), None
    each = [site.machine.named_settings(case, None) for case in hourly.cases]  # type: ignore[arg-type]
    names = (f.name for f in dataclasses.fields(DryerSettings) if not f.name.startswith("zone"))
    s = {name: np.array([getattr(one, name) for one in each], float)[hourly.which] for name in names}
    of_cooler = Settings(s["airflow"], nothing, s["bed_depth"], s["duration"], s["inlet_air_temperature"])
    hottest, deviation = rows[FIRST - 2 : FIRST]
    return of_cooler, OfDryers(s["recirculation"], s["belt_speed"], hottest, deviation)


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
