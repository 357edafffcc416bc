"""A dryer or a line through a year of weather: hours predicted, weighed, held against target and limits.

With settings fixed the exit answers smoothly to the air outside. So a few dozen hours are predicted side by side
and read for all others, as those of coolers are (`response`); hours held out are predicted in full. What an hour
breaks and costs is read the same way: it is weighed by its machine where it is predicted. The weather of the hour
in which a bed is laid counts for all of its drying.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case, Line
from coolsim.case.costs import HOUR, given_away
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines import Machine, machine_of
from coolsim.machines.base import bill, one, weighed
from coolsim.machines.dryers import DryerSettings
from coolsim.machines.plant import Outcome, Settings, outcome_of
from coolsim.physics import air
from coolsim.scenario.weather import Weather
from coolsim.simulate import dryer_simulation, line
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.finishing import store_of
from coolsim.simulate.prediction import cooling
from coolsim.simulate.requirements import FEASIBLE, Constraint, constraints_of, harms
from coolsim.studies.drying.batching import Mesh
from coolsim.studies.line.outcomes import MESHES
from coolsim.studies.outcome_polynomials import pack, unpack
from coolsim.studies.years.hours import DIRECT, MAP, Hours, OfDryers
from coolsim.studies.years.response import (
    AIR,
    KNOBS,
    Cheap,
    Error,
    Predictor,
    Response,
    Rows,
    corrected,
    respond,
    smooth,
)
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

SAMPLES = (
    80,
    160,
    320,
)  # hours that a map is fitted to, in rounds: weather alone takes fewer than settings do
HELD_OUT = 24
CORRECTING = (8, 24)  # hours predicted of each cell, in rounds
BOUND = {"moisture": 2e-4, "temperature": 0.1, "water_activity": 3e-3}  # about what `predict` answers to
AT_ONCE = 100  # solved in one call: more save nothing
OF_COOLERS = len(dataclasses.fields(Outcome))
ADDED = (
    "electricity",
    "heat",
    "feed",
    "hottest",
    "deviation",
)  # rows below those; below them, one per constraint
FIRST = OF_COOLERS + len(ADDED)  # row of the first constraint: how far it is broken

Index = NDArray[np.intp]


@dataclass(frozen=True)
class MachineSite:
    """A machine in its weather, with everything that it must keep."""

    case: Case
    weather: Weather
    constraints: tuple[Constraint, ...]

    @cached_property
    def machine(self) -> Machine:
        """The machine of the case."""
        return machine_of(self.case)

    @cached_property
    def points(self) -> Array:
        """The hours as points of a map (AIR then KNOBS, hours): only the air outside varies."""
        w = self.weather
        Y = air.humidity_ratio_from_relative_humidity(w.temperature, w.relative_humidity, w.pressure)
        varied = [w.temperature, Y, w.pressure]
        return np.vstack([*varied, np.zeros((len(AIR) + len(KNOBS) - len(varied), len(w)))])

    def of(self, hours: Index) -> MachineSite:
        """The same in some of the hours."""
        return MachineSite(self.case, self.weather.rows(hours), self.constraints)

    def during(self, hour: int, case: Case | None = None) -> Case:
        """A case, that of the place if left out, in the weather of an hour."""
        w = self.weather
        there = Air(*(float(a[hour]) for a in (w.temperature, w.relative_humidity, w.pressure)))
        return dataclasses.replace(case or self.case, air=there)


@dataclass(frozen=True)
class HourlySettings:
    """The machine as it is set in each hour: one of some cases that differ in settings, and maybe in their feed."""

    cases: tuple[Case, ...]
    which: Index  # (hours,)

    def of(self, hours: Index) -> HourlySettings:
        """The same in some of the hours."""
        return HourlySettings(self.cases, self.which[hours])


@dataclass(frozen=True)
class Found:
    """Rows (rows, hours), nan where an hour failed; the error of their map."""

    rows: Array
    error: Error | None

    @property
    def violations(self) -> Array:
        """How far each constraint is broken, in its scale (constraints, hours)."""
        return self.rows[FIRST:]


def machine_site(case: Case, weather: Weather) -> MachineSite:
    """A case in its weather."""
    return MachineSite(case, weather, tuple(constraints_of(case)))


def as_it_is(place: MachineSite) -> HourlySettings:
    """The settings of the scenario in every hour."""
    return HourlySettings((place.case,), np.zeros(len(place.weather), np.intp))


# -- predicted


def mapped(place: MachineSite) -> Response | None:
    """A map of the weather with the settings as they are, at any error; None where hours are too few for one."""
    return respond(place.points, _predictor(place, as_it_is(place)), SAMPLES, True)


def _predictor(place: MachineSite, hourly: HourlySettings) -> Predictor:
    """Predicts hours; first on the rough mesh, which is off by nearly the same in all weather."""
    store = store_of(place.case)

    def rows(mesh: Mesh) -> Rows:
        return lambda hours: solved(place, hourly, hours, mesh)

    def lacking(hours: Index) -> Array:
        outside = place.weather.temperature[hours]
        fine, coarse = (smooth(store, rows(mesh)(hours), outside) for mesh in ("quick", "rough"))
        return fine - coarse

    cheap = Cheap(rows("rough"), lacking, degree=2, states=16)
    return Predictor(rows("quick"), rows("full"), HELD_OUT, BOUND, store, cheap, CORRECTING)


def read(place: MachineSite, base: Response | None) -> Found:
    """Rows of all hours with the settings as they are: from their map where it keeps its bound, or directly."""
    if base is None or not base.error.within(BOUND):
        return directly(place, as_it_is(place))
    return Found(_bounded(place, base(place.points)), base.error)


def followed(
    place: MachineSite, hourly: HourlySettings, base: Response | None, checked: bool = True
) -> Found:
    """Rows of all hours set so: what the map of today lacks in each way is a bent plane of the weather.

    Unchecked, to look ahead: without an error.
    """
    if base is not None:
        found = corrected(base, place.points, hourly.which, _predictor(place, hourly), checked)
        if found is not None:
            return Found(_bounded(place, found[0]), found[1])
    return directly(place, hourly)


def _bounded(place: MachineSite, rows: Array) -> Array:
    """Rows read from a map: how far the water activity is beyond its bound has a kink, and follows from itself."""
    activity = unpack(rows[:OF_COOLERS]).water_activity
    for row, c in enumerate(place.constraints, FIRST):
        if c.key == "water_activity":
            rows[row] = c.violation(activity)
    return rows


def directly(place: MachineSite, hourly: HourlySettings) -> Found:
    """Rows of all hours, each predicted in full; equal hours once."""
    x = np.vstack([place.points, hourly.which])
    _, first, same = np.unique(x, axis=1, return_index=True, return_inverse=True)
    return Found(solved(place, hourly, first, "full")[:, same], None)


def solved(place: MachineSite, hourly: HourlySettings, hours: Index, mesh: Mesh = "quick") -> Array:
    """Rows (rows, some) of some hours, on a mesh of `studies.line.outcomes`."""
    return predicted(place, [place.during(int(k), hourly.cases[hourly.which[k]]) for k in hours], mesh)


def predicted(place: MachineSite, cases: Sequence[Case], mesh: Mesh) -> Array:
    """Rows (rows, cases) of cases of the place's machine; nan for those that fail."""
    cases = in_air_each(cases)
    rows = np.full((FIRST + len(place.constraints), len(cases)), np.nan)
    kinds = np.array([line.kind(case) for case in cases])
    for kind in dict.fromkeys(kinds):
        alike = np.flatnonzero(kinds == kind)
        for part in np.array_split(alike, -(-len(alike) // AT_ONCE)):
            rows[:, part] = _rows(place, [cases[k] for k in part], mesh)
    return rows


def _rows(place: MachineSite, cases: list[Case], mesh: Mesh) -> Array:
    """Rows of cases of one kind, solved side by side."""
    try:
        result = _solved(cases, mesh)
    except NotConverged as error:
        good = np.setdiff1d(np.arange(len(cases)), error.failed)
        rows = np.full((FIRST + len(place.constraints), len(cases)), np.nan)
        if 0 < len(good) < len(cases):
            rows[:, good] = _rows(place, [cases[k] for k in good], mesh)
        return rows
    each, spread = np.ones(len(cases), bool), result.spread
    found = weighed(place.machine, cases, result, each, place.constraints)
    ends = (0.0, 0.0) if spread is None else (spread.hottest, spread.deviation_wb)
    added = (found.electricity, found.heat, found.feed, *ends)
    own = [np.broadcast_to(row, len(cases)) for row in added]
    return np.vstack([pack(outcome_of(result)), *own, found.violations])


def _solved(cases: list[Case], mesh: Mesh) -> Result:
    of_dryers, of_coolers = MESHES[mesh]
    with on_one_thread():
        if isinstance(cases[0].cooler, Line):
            return line.run(
                cases, False, cooling(of_coolers), partial(dryer_simulation.solved, resolution=of_dryers)
            )
        return dryer_simulation.dry(cases, None, many=True, resolution=of_dryers)


# -- judged


def judged(place: MachineSite, hourly: HourlySettings, found: Found) -> Hours:
    """Hold hours against target and limits; a failed hour (nan) counts nowhere."""
    computed = np.asarray(np.isfinite(found.rows).all(axis=0))
    if not computed.any():
        raise NotConverged("no hour could be computed; try `coolsim predict` for one of them")
    rows = np.where(computed, found.rows, found.rows[:, computed].mean(axis=1, keepdims=True))
    outcome, added = unpack(rows[:OF_COOLERS]), dict(zip(ADDED, rows[OF_COOLERS:FIRST]))
    broken = (rows[FIRST:] > FEASIBLE) & computed
    moist = np.array([case.feed.moisture for case in hourly.cases])[hourly.which]
    solid = added["feed"] * (1 - moist)
    lost = given_away(place.case, solid, outcome.moisture)
    cost = bill(place.case, added["electricity"], added["heat"], added["feed"], solid, outcome.moisture)
    settings, of_dryer = _settings(hourly, found)
    return Hours(
        weather=place.weather,
        settings=settings,
        feed_moisture=moist,
        outcome=unpack(found.rows[:OF_COOLERS]),
        product=HOUR * solid / (1 - outcome.moisture),
        given_away=HOUR * np.maximum(lost, 0.0),
        electricity=added["electricity"] / 1e3,
        heat=added["heat"] / 1e3,
        cost=cost.total,
        within=computed & ~broken.any(axis=0),
        **harms(place.constraints, broken),
        computed=computed,
        method=DIRECT if found.error is None else MAP,
        error=found.error,
        dryer=of_dryer,
    )


def rows_of(hours: Hours, violations: Array) -> Array:
    """The rows behind hours that were judged, given how far each constraint is broken in them."""
    wet = hours.product * (1 - hours.outcome.moisture) / (1 - hours.feed_moisture) / HOUR
    nothing = np.zeros_like(wet)
    added = (1e3 * hours.electricity, 1e3 * hours.heat, wet, nothing, nothing)
    return np.vstack([pack(hours.outcome), *added, violations])


def _settings(hourly: HourlySettings, found: Found) -> tuple[Settings, OfDryers | None]:
    """What is set in each hour; of a line, whose machines have settings of their own, nothing here."""
    nothing = np.full(len(hourly.which), np.nan)
    if isinstance(hourly.cases[0].cooler, Line):
        return Settings(*[nothing] * len(dataclasses.fields(Settings))), None
    each = [machine_of(case).named_settings(case, None) for case in hourly.cases]  # type: ignore[arg-type]
    names = (f.name for f in dataclasses.fields(DryerSettings) if not f.name.startswith("zone"))
    s = {name: np.array([getattr(told, name) for told in each], float)[hourly.which] for name in names}
    of_cooler = Settings(s["airflow"], nothing, s["bed_depth"], s["duration"], s["inlet_air_temperature"])
    hottest, deviation = found.rows[FIRST - 2 : FIRST]
    return of_cooler, OfDryers(s["recirculation"], s["belt_speed"], hottest, deviation)


def settings_read(cases: Sequence[Case]) -> list[dict[str, float]]:
    """How cases are set, by the keys of settings; nothing where a line, of which it is predicted, fails."""
    return [
        {} if result is UNKNOWN else machine_of(case).read(case, result)
        for case, result in zip(cases, _results(cases))
    ]


UNKNOWN = object()  # in the place of a result


def _results(cases: Sequence[Case]) -> list[Any]:
    """Predictions of lines, whose machines are fed by each other; settings of dryers stand in their cases."""
    found: list[Any] = [UNKNOWN if isinstance(case.cooler, Line) else None for case in cases]
    of_lines = [k for k, known in enumerate(found) if known is UNKNOWN]
    kinds = np.array([line.kind(cases[k]) for k in of_lines])
    for kind in dict.fromkeys(kinds):
        alike = np.array(of_lines)[kinds == kind]
        try:
            result = _solved([cases[int(k)] for k in alike], "quick")
        except NotConverged as error:
            alike = np.delete(alike, error.failed)
            if not len(alike):
                continue
            result = _solved([cases[int(k)] for k in alike], "quick")
        for n, k in enumerate(alike):
            found[k] = one(result, n)
    return found
