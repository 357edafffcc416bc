"""A machine through a year of weather: hours predicted, weighed, held against target and limits.

With settings fixed the exit answers smoothly to the air outside. So some hours are predicted side by side and
read for all others (`response`); hours held out are predicted in full. What an hour costs and breaks is weighed by
its machine: of a cooler after its outcomes were read, since its fan's curve kinks; of a dryer and a line where they
are predicted, and what they cost and break is read like their outcomes. The weather of the hour in which a bed is
laid counts for all of its drying.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case, Line
from coolsim.case.result import Result
from coolsim.case.streams import Air
from coolsim.machines import Machine, machine_of
from coolsim.machines.base import appraised, weighed
from coolsim.machines.plant import Outcome, Plant, excesses, outcome_of, with_knobs
from coolsim.physics import air
from coolsim.scenario.weather import Weather
from coolsim.simulate import dryer_simulation, line
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.feed_following import in_air_each
from coolsim.simulate.finishing import store_of
from coolsim.simulate.inputs import Inputs, gather
from coolsim.simulate.prediction import cooling, predict_inputs
from coolsim.simulate.requirements import Constraint, constraints_of, in_weather_of
from coolsim.studies.optimise.batching import Mesh
from coolsim.studies.optimise.machines import MESHES
from coolsim.studies.outcome_rows import pack, unpack
from coolsim.studies.years.cell_planes import corrected, error_of_groups
from coolsim.studies.years.response import (
    AIR,
    KNOBS,
    SEED,
    Cheap,
    Error,
    Predictor,
    Response,
    Rows,
    cooler,
    coordinates,
    respond,
    smooth,
)
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

SAMPLES = (80, 160, 320)  # hours that a map of marches is fitted to, in rounds
HELD_OUT = 24
APART = 1 / 6  # of the hours, that no chart is told from: some of them check it
BOUND = {"moisture": 2e-4, "temperature": 0.1, "water_activity": 3e-3}  # about what `predict` answers to
AT_ONCE = 100  # marched in one call: more save nothing
OF_COOLERS = len(dataclasses.fields(Outcome))
ADDED = ("electricity", "heat", "feed", "feed_moisture", "hottest", "deviation")  # rows below those
FIRST = OF_COOLERS + len(ADDED)  # row of the first constraint: how far it is broken

Index = NDArray[np.intp]


@dataclass(frozen=True)
class Site:
    """A case in its weather, with everything that it must keep."""

    case: Case
    weather: Weather
    constraints: tuple[Constraint, ...]
    apart: NDArray[np.bool_]  # hours that are held out of maps with other settings

    @cached_property
    def machine(self) -> Machine:
        """The machine of the case."""
        return machine_of(self.case)

    @property
    def marched(self) -> bool:
        """Whether it is a dryer or a line."""
        return self.case.cooler.arrangement != "counter-flow"

    @cached_property
    def points(self) -> Array:
        """The hours as points of a map (AIR then KNOBS, hours) over which only the air outside varies."""
        w = self.weather
        Y = air.humidity_ratio_from_relative_humidity(w.temperature, w.relative_humidity, w.pressure)
        varied = [w.temperature, Y, w.pressure]
        return np.vstack([*varied, np.zeros((len(AIR) + len(KNOBS) - len(varied), len(w)))])

    def of(self, hours: Index) -> Site:
        """The same in some of the hours."""
        return Site(self.case, self.weather.rows(hours), self.constraints, self.apart[hours])

    def during(self, hour: int, case: Case | None = None) -> Case:
        """A case, that of the site if left out, in the weather of an hour."""
        w = self.weather
        there = Air(*(float(a[hour]) for a in (w.temperature, w.relative_humidity, w.pressure)))
        return dataclasses.replace(case or self.case, air=there)

    # -- of coolers, which are solved as arrays of numbers

    @cached_property
    def plant(self) -> Plant:
        """Fan and prices."""
        return Plant(self.case)

    @cached_property
    def inputs(self) -> Inputs:
        """All hours with the settings as they are."""
        return gather([self.case], self.weather.air)

    @property
    def moister(self) -> Array:
        """What the feed is moister by in each hour than in the air of the case: settings tell it as of that air."""
        return self.inputs.moisture_wb - self.case.feed.moisture

    def coordinates(self, inputs: Inputs, hours: Any = slice(None)) -> Array:
        """States in some hours as points of a map over settings."""
        points = coordinates(inputs, True)
        points[-1] = points[-1] - self.moister[hours]
        return points

    def excess(self, inputs: Inputs, state: Any, limits: Sequence[Constraint] | None = None) -> Array:
        """How far each limit is broken by weighed states, in its scale (limits, …)."""
        outside = dataclasses.replace(self.case.air, temperature=inputs.outside_temperature)
        case = dataclasses.replace(self.case, air=outside)
        return excesses(case, state, in_weather_of(self.constraints if limits is None else limits, case))


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


def site_of(case: Case, weather: Weather) -> Site:
    """A case in its weather."""
    apart = np.random.default_rng(SEED).random(len(weather)) < APART
    return Site(case, weather, tuple(constraints_of(case)), apart)


def as_it_is(site: Site) -> HourlySettings:
    """The settings of the scenario in every hour."""
    return HourlySettings((site.case,), np.zeros(len(site.weather), np.intp))


# -- predicted


def mapped(site: Site) -> Response | None:
    """A map of the weather with the settings as they are, at any error; None where hours are too few for one."""
    x, by = _asked(site, as_it_is(site))
    return respond(x, by, at_any_error=True)


def read(site: Site, base: Response | None) -> Found:
    """Rows of all hours with the settings as they are: from their map where it keeps its bound, or directly."""
    hourly = as_it_is(site)
    x, by = _asked(site, hourly)
    if base is None or not base.error.within(by.bound):
        return directly(site, hourly)
    return Found(_whole(site, hourly, base(x)), base.error)


def read_off(site: Site, hourly: HourlySettings, base: Response) -> Found:
    """Rows of all hours of a cooler off a map over weather and settings, as exact as it is."""
    return Found(_whole(site, hourly, base(_asked(site, hourly, True)[0])), base.error)


def followed(site: Site, hourly: HourlySettings, base: Response | None, checked: bool = True) -> Found:
    """Rows of all hours set so: what a map lacks in each cell is a bent plane of the weather.

    base: of marches over the weather with today's settings, of coolers over weather and settings.
    Unchecked, to look ahead: without an error.
    """
    if base is not None:
        x, by = _asked(site, hourly, True)
        found = corrected(base, x, hourly.which, by, site.apart, checked)
        if found is not None:
            return Found(_whole(site, hourly, found[0]), found[1])
    return directly(site, hourly)


def checked(site: Site, hourly: HourlySettings, found: Found, base: Response | None) -> Found:
    """Rows that were told unchecked with their error; told anew where they do not keep their bound."""
    if base is None:
        return found
    by = _asked(site, hourly, True)[1]
    error = error_of_groups(found.rows, hourly.which, by, site.apart)
    if error is not None and error.within(by.bound):
        return Found(found.rows, error)
    return followed(site, hourly, base)


def directly(site: Site, hourly: HourlySettings) -> Found:
    """Rows of all hours, each predicted in full; equal hours once."""
    x, by = _asked(site, hourly)
    _, first, same = np.unique(np.vstack([x, hourly.which]), axis=1, return_index=True, return_inverse=True)
    return Found(_whole(site, hourly, by.exact(first)[:, same]), None)


def points_of(site: Site, hourly: HourlySettings) -> Array:
    """Hours with their settings as points (coordinates, hours); of marches what is set follows from the weather."""
    return _asked(site, hourly)[0]


def _asked(site: Site, hourly: HourlySettings, over_settings: bool = False) -> tuple[Array, Predictor]:
    """Hours as points of a map, over settings of coolers, too, if asked; and what predicts them."""
    store = store_of(site.case)
    if site.marched:
        return site.points, _of_marches(site, hourly, store)
    inputs = inputs_of(site, hourly)
    return site.coordinates(inputs) if over_settings else coordinates(inputs), cooler(inputs, store)


def inputs_of(site: Site, hourly: HourlySettings) -> Inputs:
    """The hours of a cooler with its settings."""
    if hourly.cases == (site.case,):
        return site.inputs
    now, w = site.inputs, site.weather
    same = np.array([case is site.case for case in hourly.cases])[hourly.which]

    def column(get: Any) -> Array:
        return np.array([get(case) for case in hourly.cases], float)[hourly.which]

    inlet = column(lambda c: c.cooler.inlet_air_temperature)  # nan: as it comes
    flow = np.where(same, now.dry_air * now.outside_volume, column(lambda c: c.cooler.airflow))
    knobs = {
        "airflow": flow,
        "bed_depth": column(lambda c: c.cooler.bed_depth),
        "feed_moisture": column(lambda c: c.feed.moisture) + site.moister,
        "inlet_air_temperature": np.where(np.isnan(inlet), w.temperature, inlet),
    }
    return with_knobs(now, knobs)


def set_so(site: Site, values: Mapping[str, float]) -> Case:
    """The case of a site with its settings; no inlet temperature (nan) is air as it comes.

    An inlet temperature of coolers stays as it is: machines cut it off at the one state of [air].
    """
    if site.marched:
        return site.machine.at(values)
    case, of = site.case, dict(values)
    feed = dataclasses.replace(case.feed, moisture=of.pop("feed_moisture", case.feed.moisture))
    inlet = of.pop("inlet_air_temperature", np.nan)
    heater = None if np.isnan(inlet) else inlet
    cooler = dataclasses.replace(case.cooler, air_ratio=None, inlet_air_temperature=heater, **of)
    return dataclasses.replace(case, feed=feed, cooler=cooler)


def _whole(site: Site, hourly: HourlySettings, rows: Array) -> Array:
    """All rows from those that were read."""
    return _of_kinks(site, rows) if site.marched else _weighed(site, inputs_of(site, hourly), rows)


def _of_kinks(site: Site, rows: Array) -> Array:
    """How far the water activity is beyond its bound has a kink, and follows from itself."""
    activity = unpack(rows[:OF_COOLERS]).water_activity
    for row, c in enumerate(site.constraints, FIRST):
        if c.key == "water_activity":
            rows[row] = c.violation(activity)
    return rows


def _weighed(site: Site, inputs: Inputs, outcome: Array) -> Array:
    """All rows of coolers, from the rows of their outcomes."""
    good = np.isfinite(outcome).all(axis=0)
    if not good.any():
        raise NotConverged("no hour could be computed; try `coolsim predict` for one of them")
    safe = np.where(good, outcome, outcome[:, good].mean(axis=1, keepdims=True))
    state = site.plant.standing(inputs, unpack(safe))
    added = (state.power, state.heat, inputs.throughput, inputs.moisture_wb, 0.0, 0.0)
    own = [np.broadcast_to(row, good.shape) for row in added]
    return np.where(good, np.vstack([safe, *own, site.excess(inputs, state)]), np.nan)


# -- marches


def _of_marches(site: Site, hourly: HourlySettings, store: Any) -> Predictor:
    """Predicts hours; first on the rough mesh, which is off by nearly the same in all weather."""

    def rows(mesh: Mesh) -> Rows:
        return lambda hours: solved(site, hourly, hours, mesh)

    def lacking(hours: Index) -> Array:
        outside = site.weather.temperature[hours]
        fine, coarse = (smooth(store, rows(mesh)(hours), outside) for mesh in ("quick", "rough"))
        return fine - coarse

    cheap = Cheap(rows("rough"), lacking, degree=2, states=16)
    return Predictor(rows("quick"), rows("full"), HELD_OUT, BOUND, store, SAMPLES, cheap)


def solved(site: Site, hourly: HourlySettings, hours: Index, mesh: Mesh = "quick") -> Array:
    """Rows (rows, some) of some hours, on a mesh of `studies.optimise.machines`."""
    return predicted(site, [site.during(int(k), hourly.cases[hourly.which[k]]) for k in hours], mesh)


def predicted(site: Site, cases: Sequence[Case], mesh: Mesh) -> Array:
    """Rows (rows, cases) of cases of the site's machine; nan for those that fail."""
    cases = in_air_each(cases)
    rows = np.full((FIRST + len(site.constraints), len(cases)), np.nan)
    kinds = np.array([line.kind(case) for case in cases])
    most = AT_ONCE if site.marched else len(cases)
    for kind in dict.fromkeys(kinds):
        alike = np.flatnonzero(kinds == kind)
        for part in np.array_split(alike, -(-len(alike) // most)):
            rows[:, part] = _rows(site, [cases[k] for k in part], mesh)
    return rows


def _rows(site: Site, cases: list[Case], mesh: Mesh) -> Array:
    """Rows of cases of one kind, solved side by side."""
    try:
        result = _solved(cases, mesh)
    except NotConverged as error:
        good = np.setdiff1d(np.arange(len(cases)), error.failed)
        rows = np.full((FIRST + len(site.constraints), len(cases)), np.nan)
        if 0 < len(good) < len(cases):
            rows[:, good] = _rows(site, [cases[k] for k in good], mesh)
        return rows
    each, spread = np.ones(len(cases), bool), result.spread
    found = weighed(site.machine, cases, result, each, site.constraints)
    ends = (0.0, 0.0) if spread is None else (spread.hottest, spread.deviation_wb)
    moist = np.array([case.feed.moisture for case in cases])
    added = (found.electricity, found.heat, found.feed, moist, *ends)
    own = [np.broadcast_to(row, len(cases)) for row in added]
    return np.vstack([pack(outcome_of(result)), *own, found.violations])


def _solved(cases: list[Case], mesh: Mesh) -> Result:
    of_dryers, of_coolers = MESHES[mesh]
    if cases[0].cooler.arrangement == "counter-flow":
        return predict_inputs(gather(cases), of_coolers)
    with on_one_thread():
        if isinstance(cases[0].cooler, Line):
            dry = partial(dryer_simulation.solved, resolution=of_dryers)
            return line.run(cases, False, cooling(of_coolers), dry)
        return dryer_simulation.dry(cases, None, many=True, resolution=of_dryers)


def settings_read(site: Site, cases: Sequence[Case]) -> list[dict[str, float]]:
    """How dryers or lines are set, by the keys of settings; nothing where a line, which is predicted, fails.

    Machines of a line are fed by each other; settings of a dryer stand in its case.
    """
    if not isinstance(site.case.cooler, Line):
        return [site.machine.read(case, None) for case in cases]  # type: ignore[arg-type]
    found = appraised(site.machine, cases, checked=False)
    each = enumerate(zip(cases, found.computed))
    return [site.machine.read(case, found.result_of(k)) if well else {} for k, (case, well) in each]
