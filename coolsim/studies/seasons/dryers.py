"""A batch or belt dryer through a year of weather: hours predicted, weighed, held against target and limits.

With settings fixed the exit answers smoothly to the air outside, which is made up for what leaves and cools at the
end. So a few dozen hours are predicted side by side and read for all others, as those of coolers are (`response`);
hours held out are predicted in full. Weights, heat and costs are of the scenario's throughput. The weather of the
hour in which a bed is laid counts for all of its drying.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim import dried
from coolsim.case import Air, Case
from coolsim.costs import HOUR, cost_of, weight_given_away
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.inputs import Inputs
from coolsim.machines.dryers import DryerSettings, mass_of, settings_of
from coolsim.machines.plant import Outcome, Settings, outcome_of
from coolsim.model import drying
from coolsim.model.bed import take
from coolsim.physics import air
from coolsim.requirements import KEPT, Bounds, bounds_on, constraints_of, harms
from coolsim.result import Result
from coolsim.scenario.weather import Weather
from coolsim.studies.drying.course import OUTCOMES, QUICK
from coolsim.studies.fitted import pack, unpack
from coolsim.studies.seasons.hours import DIRECT, MAP, Hours, OfDryers
from coolsim.studies.seasons.response import Error, Predictor, Response, coordinates, corrected, respond

SAMPLES = (
    80,
    160,
    320,
)  # hours that a map is fitted to, in rounds: weather alone takes fewer than settings do
HELD_OUT = 40
BOUND = {"moisture": 2e-4, "temperature": 0.1, "water_activity": 3e-3}  # about what `predict` answers to
AT_ONCE = 100  # dryers solved in one call: more save nothing
OF_COOLERS = len(dataclasses.fields(Outcome))
ADDED = ("pellet_temperature", "deviation", "heat", "fan")  # rows of outcomes below those of coolers

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Place:
    """A dryer in its weather, with its limits."""

    case: Case
    weather: Weather
    inputs: Inputs
    limits: Bounds

    def of(self, hours: Index) -> Place:
        """The same in some of the hours."""
        return dataclasses.replace(self, weather=self.weather.rows(hours), inputs=take(self.inputs, hours))

    def air(self, hour: int) -> Air:
        w = self.weather
        return Air(*(float(a[hour]) for a in (w.temperature, w.relative_humidity, w.pressure)))


@dataclass(frozen=True)
class Ways:
    """The dryer as it is set in each hour: one of some cases that differ in settings only."""

    cases: tuple[Case, ...]
    which: Index  # (hours,)

    def of(self, hours: Index) -> Ways:
        return Ways(self.cases, self.which[hours])


@dataclass(frozen=True)
class Found:
    """Rows of outcomes (outcomes, hours), nan where an hour failed; the error of their map."""

    rows: Array
    error: Error | None


def place_of(case: Case, weather: Weather) -> Place:
    """A case in its weather."""
    limits = bounds_on(constraints_of(case), OUTCOMES.index)
    return Place(case, weather, dried.gathered([case], weather.air), limits)


def as_it_is(place: Place) -> Ways:
    """The settings of the scenario in every hour."""
    return Ways((place.case,), np.zeros(len(place.weather), np.intp))


# -- predicted


def mapped(place: Place) -> Response | None:
    """A map of the weather with the settings as they are, at any error; None where hours are too few for one."""
    return respond(place.inputs, SAMPLES, True, _predictor(place, as_it_is(place)))


def _predictor(place: Place, ways: Ways) -> Predictor:
    return Predictor(
        lambda hours: solved(place, ways, hours),
        lambda hours: solved(place, ways, hours, dried.DEFAULT),
        HELD_OUT,
        BOUND,
    )


def read(place: Place, base: Response | None) -> Found:
    """Outcomes of all hours with the settings as they are: from their map where it keeps its bound, or directly."""
    if base is None or not base.error.within(BOUND):
        return directly(place, as_it_is(place))
    return Found(base(coordinates(place.inputs)), base.error)


def followed(place: Place, ways: Ways, base: Response | None) -> Found:
    """Outcomes of all hours set so: what the map of today lacks in each way is a bent plane of the weather."""
    if base is not None:
        found = corrected(base, place.inputs, ways.which, _predictor(place, ways))
        if found is not None:
            return Found(*found)
    return directly(place, ways)


def directly(place: Place, ways: Ways) -> Found:
    """Outcomes of all hours, each predicted in full; equal hours once."""
    x = np.vstack([coordinates(place.inputs), ways.which])
    _, first, same = np.unique(x, axis=1, return_index=True, return_inverse=True)
    return Found(solved(place, ways, first, dried.DEFAULT)[:, same], None)


def solved(place: Place, ways: Ways, hours: Index, mesh: drying.Resolution = QUICK) -> Array:
    """Rows of outcomes (outcomes, some) of some hours."""
    parts = np.array_split(hours, max(1, -(-len(hours) // AT_ONCE)))
    return np.concatenate([_solved(place, ways, part, mesh) for part in parts], axis=1)


def _solved(place: Place, ways: Ways, hours: Index, mesh: drying.Resolution) -> Array:
    if len(ways.cases) == 1:
        return _rows(list(ways.cases), take(place.inputs, hours), mesh)
    cases = [dataclasses.replace(ways.cases[ways.which[k]], air=place.air(k)) for k in hours]
    return _rows(cases, dried.gathered(cases), mesh) if cases else np.zeros((OF_COOLERS + len(ADDED), 0))


def _rows(cases: list[Case], inputs: Inputs, mesh: drying.Resolution) -> Array:
    """Solve dryers side by side, one case for all inputs or one for each; nan for those that fail."""
    count = len(inputs.radius)
    try:
        result, _ = dried.solved(cases, inputs, True, mesh)
    except NotConverged as error:
        good = np.setdiff1d(np.arange(count), error.failed)
        rows = np.full((OF_COOLERS + len(ADDED), count), np.nan)
        if len(good):
            some = [cases[k] for k in good] if len(cases) > 1 else cases
            rows[:, good] = _rows(some, take(inputs, good), mesh)
        return rows
    return np.vstack([pack(outcome_of(result)), *_added(cases, result)])


def _added(cases: list[Case], result: Result) -> tuple[Array, ...]:
    """The hottest pellets, deviation over the bed; heat and electricity [J] per kg of wet feed."""
    mass = np.array([mass_of(case) for case in cases])
    energy, spread = result.energy, result.spread
    assert energy is not None and spread is not None
    rows = spread.hottest, spread.deviation_wb, energy.heat / mass, energy.fan / mass
    return tuple(np.broadcast_to(row, spread.hottest.shape) for row in rows)


# -- judged


def judged(place: Place, ways: Ways, found: Found) -> Hours:
    """Hold hours against target and limits; a failed hour (nan) counts nowhere."""
    computed = np.asarray(np.isfinite(found.rows).all(axis=0))
    if not computed.any():
        raise NotConverged("no hour could be computed; try `coolsim predict` for one of them")
    rows = np.where(computed, found.rows, found.rows[:, computed].mean(axis=1, keepdims=True))
    outcome, added = unpack(rows[:OF_COOLERS]), dict(zip(ADDED, rows[OF_COOLERS:]))
    broken = (excess(place, rows) > KEPT) & computed
    feed = place.case.feed
    solid = feed.throughput * (1 - feed.moisture)
    lost = weight_given_away(solid, outcome.moisture, place.case.target.moisture)
    power, heat = (feed.throughput * added[name] for name in ("fan", "heat"))
    cost = cost_of(place.case.costs, feed.throughput, electricity=power, heat=heat, given_away=lost)
    s, nothing = _settings(ways), np.full(len(computed), np.nan)
    hottest, deviation = found.rows[OF_COOLERS : OF_COOLERS + 2]
    return Hours(
        weather=place.weather,
        settings=Settings(s["airflow"], nothing, s["bed_depth"], s["duration"], s["inlet_air_temperature"]),
        feed_moisture=np.full(len(computed), feed.moisture),
        outcome=unpack(found.rows[:OF_COOLERS]),
        product=HOUR * solid / (1 - outcome.moisture),
        given_away=HOUR * np.maximum(lost, 0.0),
        electricity=power / 1e3,
        heat=heat / 1e3,
        cost=cost.total,
        within=computed & ~broken.any(axis=0),
        **harms(place.limits.constraints, broken),
        computed=computed,
        method=DIRECT if found.error is None else MAP,
        error=found.error,
        dryer=OfDryers(s["recirculation"], s["belt_speed"], hottest, deviation),
    )


def excess(place: Place, rows: Array) -> Array:
    """How far each limit is broken, in its scale (limits, hours)."""
    o, w = unpack(rows[:OF_COOLERS]), place.weather
    named = {
        "moisture": o.moisture,
        "temperature": o.temperature,
        "above_ambient": o.temperature - w.temperature,
        "water_activity": o.water_activity,
        "exhaust_relative_humidity": air.relative_humidity(o.air_temperature, o.air_humidity, w.pressure),
        "lift_off": o.lift_off,
        "bed_pressure_drop": o.pressure_drop,
    } | dict(zip(ADDED, rows[OF_COOLERS:]))
    return place.limits.excesses(np.array([named[name] for name in OUTCOMES]))


def _settings(ways: Ways) -> dict[str, Array]:
    """What is set in each hour, by the names of DryerSettings."""
    each = [settings_of(case) for case in ways.cases]
    names = (f.name for f in dataclasses.fields(DryerSettings) if not f.name.startswith("zone"))
    return {name: np.array([getattr(one, name) for one in each], float)[ways.which] for name in names}
