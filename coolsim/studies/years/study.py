"""The study of a year: strategies side by side, each hour by hour."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case, Line
from coolsim.machines.conditioner import held
from coolsim.machines.plant import knob_range
from coolsim.scenario.weather import Weather, read_weather
from coolsim.simulate.requirements import is_dryer
from coolsim.studies import prerequisites
from coolsim.studies.prerequisites import is_typed
from coolsim.studies.years import dryer_hours, dryer_strategies
from coolsim.studies.years.chart import Chart, chart_of, no_wetter, settings_by_hour, with_results
from coolsim.studies.years.hours import Hours, Site, Tally, followed, monthly, predicted, read_off, tally
from coolsim.studies.years.options import Options, options_of
from coolsim.studies.years.propagation import YearUncertainty, unknowns_of_year, year_uncertainty
from coolsim.studies.years.reachable_hours import reachable
from coolsim.studies.years.uncertainty_samples import SureCoolers, SureMachines, World
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array, documented
from coolsim.support.progress import Progress, each, in_steps, tells

AS_THEY_ARE = "settings as they are"
CHART = "settings chart"
HEATED = "settings chart, inlet air heated"
FEED = "settings chart, feed moisture adjusted"
SURE = 2  # strategies that are told how sure they are: as it is, and the chart

Way = tuple[str, frozenset[str]]


@dataclass(frozen=True, repr=False)
class Strategy(Displayed):
    """One way to run the cooler through the weather."""

    name: str = documented("-", "what is done")
    hours: Hours = documented("-", "every hour")
    total: Tally = documented("-", "sums over all hours")
    months: tuple[tuple[int, Tally], ...] = documented("-", "sums of each calendar month")
    chart: Chart | None = documented("-", "the settings chart that is followed, if any", default=None)
    reachable: NDArray[np.bool_] | None = documented(
        "-", "hours in which some settings of those opened meet target and limits", default=None
    )
    violations: Array | None = documented(
        "-",
        "of dryers and lines: how far each constraint is broken, in its scale, (constraints, hours)",
        default=None,
    )
    sure: YearUncertainty | None = documented("-", "how sure its sums are, if asked", default=None)

    @property
    def reachable_met(self) -> float:
        """Share of the reachable hours that meet target and limits (1 where none is reachable)."""
        if self.reachable is None or not self.reachable.any():
            return 1.0
        return float(self.hours.within[self.reachable].mean())


@dataclass(frozen=True, repr=False)
class Seasons(Displayed):
    """The answer of `seasons`."""

    case: Case = documented("-", "what was asked")
    weather: Weather = documented("-", "the air outside, with what was left out of its file")
    strategies: tuple[Strategy, ...] = documented("-", "strategies; the first is the settings as they are")


@takes_a_case
@tells
def seasons(
    case: Case,
    *,
    direct: bool = False,
    weather: Weather | None = None,
    chart: bool = True,
    uncertainty: bool = False,
    progress: Progress = None,
) -> Seasons:
    """Run a case through the weather that its [weather] names, hour by hour.

    direct: predict each hour by itself, not by a map of the exit over weather and settings.
    weather: in place of that of [weather].
    chart: also make a settings chart and follow it, where `why_no_chart` has nothing against it.
    uncertainty: also say how sure the sums are, of the settings as they are and of the first chart.
    progress: who hears how far it is, as `coolsim.support.progress` says.

    Needs [target] moisture; raises InputError naming what is missing or wrong.
    """
    weather = weather_to_ask(case, weather, uncertainty)
    found = Seasons(case, weather, strategies_of(case, weather, direct, chart))
    return how_sure(found) if uncertainty else found


def how_sure(found: Seasons) -> Seasons:
    """The same year, with how sure the sums of its first two strategies are; raises as `year_uncertainty` does."""
    with threadpool_limits(limits=1, user_api="blas"):
        sure = [_sure(found, one) for one in each(found.strategies[:SURE], "how sure the year is")]
    return dataclasses.replace(found, strategies=(*sure, *found.strategies[SURE:]))


def _sure(found: Seasons, strategy: Strategy) -> Strategy:
    """A strategy with how sure its sums are."""
    case = held(found.case)
    if case.cooler.arrangement == "counter-flow":
        site = Site(case, found.weather)
        settings = site.inputs if strategy.chart is None else settings_by_hour(site, strategy.chart)[0]
        world: World = SureCoolers(site, strategy.hours, settings)
    else:
        here = dryer_hours.place_of(case, found.weather)
        assert strategy.violations is not None
        world = SureMachines(
            here, strategy.hours, strategy.violations, dryer_strategies.ways_of(here, strategy.chart)
        )
    return dataclasses.replace(strategy, sure=year_uncertainty(world))


def strategies_of(
    case: Case, weather: Weather, direct: bool = False, chart: bool = True
) -> tuple[Strategy, ...]:
    """Run all strategies."""
    case = held(case)
    with_chart = chart and not why_no_chart(case)
    if case.cooler.arrangement != "counter-flow":
        return tuple(_of_marches(case, weather, direct, with_chart))
    ways = list(_ways(case)) if with_chart else []
    with threadpool_limits(limits=1, user_api="blas"):  # the matrices are small: sharing them costs more
        return tuple(_strategies(Site(case, weather), ways, direct))


def _strategies(site: Site, ways: list[Way], direct: bool) -> list[Strategy]:
    with in_steps(1 + bool(ways)) as step:
        step("hours with the settings as they are")
        strategies = [_strategy(AS_THEY_ARE, site.case, predicted(site, site.inputs, direct))]
        if not ways:
            return strategies
        step("a map over weather and settings")
        options, opened, first = options_of(site), _opened(site.case), None
    for name, more in ways:
        strategies.append(_followed(name, site, options, opened | more, direct, strategies[0].hours, first))
        first = first or strategies[-1]
    return strategies


def chart_alone(case: Case) -> Chart:
    """The settings chart of the year that a case names, without the other strategies and what could be reached.

    Raises InputError as `seasons` does, and where there is nothing to choose.
    """
    weather = weather_to_ask(case)
    if case.cooler.arrangement != "counter-flow":
        here = dryer_hours.place_of(case, weather)
        base = dryer_hours.mapped(here)
        found = dryer_hours.read(here, base)
        return dryer_strategies.chart_alone(dryer_strategies.searched(here, found, base))
    with threadpool_limits(limits=1, user_api="blas"):
        site = Site(case, weather)
        options = options_of(site)

        def hours_of(chart: Chart) -> Hours:
            return read_off(site, settings_by_hour(site, chart)[0], options.response)

        today = read_off(site, site.inputs, options.response)
        return _charted(site, options, chart_of(site, options, _opened(case)), today, hours_of)[0]


def _of_marches(case: Case, weather: Weather, direct: bool, chart: bool) -> Iterator[Strategy]:
    """Of a dryer or a line: the settings as they are, a chart, and one that also asks for drier feed."""
    here = dryer_hours.place_of(case, weather)
    with in_steps(1) as step:
        step("hours with the settings as they are")
        base, today = None if direct else dryer_hours.mapped(here), dryer_hours.as_it_is(here)
        found = dryer_hours.read(here, base)
    as_it_is = _strategy(AS_THEY_ARE, case, dryer_hours.judged(here, today, found))
    yield dataclasses.replace(as_it_is, violations=found.violations)
    if chart:
        cells = dryer_strategies.searched(here, found, base)
        first = dryer_strategies.chart_of(cells, found)
        yield _strategy_of(CHART, case, first)
        yield _strategy_of(FEED, case, dryer_strategies.with_feed(cells, first, base))


def _strategy_of(name: str, case: Case, found: dryer_strategies.Followed) -> Strategy:
    way = _strategy(name, case, found.hours)
    return dataclasses.replace(way, chart=found.chart, reachable=found.reachable, violations=found.violations)


def why_no_chart(case: Case) -> str:
    """Say what a settings chart lacks, or nothing."""
    if isinstance(case.cooler, Line) and not prerequisites.opens_something(case):
        return "[stage.limits] opens nothing: give a range for something that may be set on a stage"
    if is_dryer(case) and not prerequisites.opens_something(case):
        names = ", ".join(prerequisites.may_be_set(case))
        return f"[limits] opens nothing: give a range for one or more of {names}"
    if case.cooler.arrangement == "counter-flow" and not _opened(case):
        return "[limits] opens nothing: give a range for airflow or fan_speed, or for bed_depth or residence_time"
    if case.costs.electricity is None:
        return '[costs] has no electricity: settings are chosen by cost, such as electricity = "0.15 /kWh"'
    return ""


def _opened(case: Case) -> frozenset[str]:
    """What an operator may turn, by the names of options.SETTINGS."""
    ranges = knob_range(case)
    return frozenset(n for n in ("airflow", "bed_depth") if n in ranges and ranges[n][0] < ranges[n][1])


def _ways(case: Case) -> Iterator[Way]:
    yield CHART, frozenset()
    if case.limits.inlet_air_temperature is not None:
        yield HEATED, frozenset({"inlet_air_temperature"})
    yield FEED, frozenset({"feed_moisture"})


def _followed(
    name: str,
    site: Site,
    options: Options,
    opened: frozenset[str],
    direct: bool,
    today: Hours,
    first: Strategy | None,
) -> Strategy:
    """Make a chart of what is opened and follow it; `first` is the strategy with the least opened."""
    same_feed = first is not None and "inlet_air_temperature" not in opened
    like = first.chart if first and same_feed else None
    chart, hours = _charted(
        site,
        options,
        chart_of(site, options, opened, like),
        today,
        lambda chart: followed(site, *settings_by_hour(site, chart), options.response, direct),
    )
    way = _strategy(name, site.case, hours)
    reached = reachable(site, options, opened, first.reachable if first else None)
    reached = reached | hours.within  # the map may be a hair off at the edge
    return dataclasses.replace(way, chart=chart, reachable=reached)


def _charted(
    site: Site, options: Options, chart: Chart, today: Hours, hours_of: Callable[[Chart], Hours]
) -> tuple[Chart, Hours]:
    """A chart with what it comes to, and the year by it; where it gives up more than today, as today."""
    hours = hours_of(chart)
    other = no_wetter(site, options, chart, hours, today)
    if other is not None:
        chart, hours = other, hours_of(other)
    return with_results(chart, hours, options.fan), hours


def _strategy(name: str, case: Case, hours: Hours) -> Strategy:
    return Strategy(name, hours, tally(case, hours), monthly(case, hours))


def weather_to_ask(case: Case, weather: Weather | None = None, uncertainty: bool = False) -> Weather:
    """The weather of a case that is fit for a year; raises InputError with every fault of both."""
    faults = []
    try:
        check(case, uncertainty)
    except InputError as error:
        faults += error.faults
    if weather is None:
        try:
            weather = read_weather(case)
        except InputError as error:
            faults += error.faults
    if weather is None or faults:
        raise InputError(faults)
    return weather


def check(case: Case, uncertainty: bool = False) -> None:
    """Raise InputError where a scenario cannot be held against a year, or lacks a ± that is asked for."""
    where, faults = getattr(case.source, "where", lambda key: ""), []
    if case.target.moisture is None:
        found = "nothing" if is_typed(case, "target") else "no [target] table"
        allowed = 'a year is held against it: below [target], such as moisture = "12 %"'
        faults.append(Fault(where("target"), "target.moisture", found, allowed))
    faults += _of_cooler(case) if case.cooler.arrangement == "counter-flow" else _of_marched(case)
    if uncertainty:
        try:
            unknowns_of_year(case)
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)


def _of_cooler(case: Case) -> list[Fault]:
    if case.cooler.airflow is not None or case.cooler.air_ratio is not None:
        return []
    where = getattr(case.source, "where", lambda key: "")
    allowed = 'a year needs it in place of fan.speed: predict says what the fan gives, such as "1500 m3/h"'
    return [Fault(where("cooler"), "cooler.airflow", "nothing", allowed)]


def _of_marched(case: Case) -> list[Fault]:
    if not why_no_chart(case):
        try:
            prerequisites.check(case)
        except InputError as error:
            return [fault for fault in error.faults if fault.key != "target.moisture"]
    return []
