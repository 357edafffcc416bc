"""The study of a year: strategies side by side, each hour by hour."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case, Line
from coolsim.machines.conditioner import held
from coolsim.scenario.weather import Weather, read_weather
from coolsim.simulate.requirements import is_dryer
from coolsim.studies import prerequisites
from coolsim.studies.prerequisites import is_typed
from coolsim.studies.years import cooler_cells, marched_charts
from coolsim.studies.years.chart import hourly_settings
from coolsim.studies.years.chart_answer import AS_THEY_ARE, Chart
from coolsim.studies.years.hours import Hours, Tally, judged_hours, monthly, rows_of, tally
from coolsim.studies.years.options import opened_of
from coolsim.studies.years.propagation import YearUncertainty, unknowns_of_year, year_uncertainty
from coolsim.studies.years.site import Found, Site, as_it_is, mapped, read, site_of
from coolsim.studies.years.uncertainty_samples import SampledYear
from coolsim.support.display import Displayed
from coolsim.support.errors import Fault, InputError, joined_to
from coolsim.support.fields import Array, documented
from coolsim.support.progress import Progress, each, in_steps, tells

SURE = 2  # strategies that are told how sure they are: as it is, and the chart


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
        "how far each constraint is broken, in its scale, (constraints, hours)",
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
        sure = [
            _with_uncertainty(found, one) for one in each(found.strategies[:SURE], "how sure the year is")
        ]
    return dataclasses.replace(found, strategies=(*sure, *found.strategies[SURE:]))


def _with_uncertainty(found: Seasons, strategy: Strategy) -> Strategy:
    """A strategy with how sure its sums are."""
    site = site_of(held(found.case), found.weather)
    assert strategy.violations is not None
    rows = rows_of(strategy.hours, strategy.violations)
    world = SampledYear(site, hourly_settings(site, strategy.chart), rows)
    return dataclasses.replace(strategy, sure=year_uncertainty(world))


def strategies_of(
    case: Case, weather: Weather, direct: bool = False, chart: bool = True
) -> tuple[Strategy, ...]:
    """Run all strategies."""
    site = site_of(held(case), weather)
    with threadpool_limits(limits=1, user_api="blas"):  # the matrices are small: sharing them costs more
        return tuple(_strategies(site, direct, chart and not why_no_chart(case)))


def _strategies(site: Site, direct: bool, with_chart: bool) -> Iterator[Strategy]:
    with in_steps(1) as step:
        step("hours with the settings as they are")
        base = None if direct else mapped(site)
        today = read(site, base)
        yield _strategy(AS_THEY_ARE, site, judged_hours(site, as_it_is(site), today), today)
    if with_chart:
        marched = marched_charts.charts(site, today, base) if site.marched else None
        for one in marched or cooler_cells.charts(site, today, direct):
            way = _strategy(one.name, site, one.hours, one.found)
            yield dataclasses.replace(way, chart=one.chart, reachable=one.reachable)


def chart_alone(case: Case) -> Chart:
    """The settings chart of the year that a case names, without the other strategies and what could be reached.

    Raises InputError as `seasons` does, and where there is nothing to choose.
    """
    site = site_of(case, weather_to_ask(case))
    with threadpool_limits(limits=1, user_api="blas"):
        return (marched_charts if site.marched else cooler_cells).chart_alone(site)


def _strategy(name: str, site: Site, hours: Hours, found: Found) -> Strategy:
    sums = tally(site.case, hours), monthly(site.case, hours)
    return Strategy(name, hours, *sums, violations=found.violations)


def why_no_chart(case: Case) -> str:
    """Say what a settings chart lacks, or nothing."""
    if isinstance(case.cooler, Line) and not prerequisites.opens_something(case):
        return "[stage.limits] opens nothing: give a range for something that may be set on a stage"
    if is_dryer(case) and not prerequisites.opens_something(case):
        names = ", ".join(prerequisites.may_be_set(case))
        return f"[limits] opens nothing: give a range for one or more of {names}"
    if case.cooler.arrangement == "counter-flow" and not opened_of(case):
        return "[limits] opens nothing: give a range for airflow or fan_speed, or for bed_depth or residence_time"
    if case.costs.electricity is None:
        return '[costs] has no electricity: settings are chosen by cost, such as electricity = "0.15 /kWh"'
    return ""


def weather_to_ask(case: Case, weather: Weather | None = None, uncertainty: bool = False) -> Weather:
    """The weather of a case that is fit for a year; raises InputError with every fault of both."""
    faults: list[Fault] = []
    with joined_to(faults):
        check(case, uncertainty)
    if weather is None:
        with joined_to(faults):
            weather = read_weather(case)
    if weather is None or faults:
        raise InputError(faults)
    return weather


def check(case: Case, uncertainty: bool = False) -> None:
    """Raise InputError where a scenario cannot be held against a year, or lacks a ± that is asked for."""
    where, faults = getattr(case.source, "where", lambda key: ""), list[Fault]()
    if case.target.moisture is None:
        found = "nothing" if is_typed(case, "target") else "no [target] table"
        allowed = 'a year is held against it: below [target], such as moisture = "12 %"'
        faults.append(Fault(where("target"), "target.moisture", found, allowed))
    faults += _of_cooler(case) if case.cooler.arrangement == "counter-flow" else _of_marched(case)
    if uncertainty:
        with joined_to(faults):
            unknowns_of_year(case)
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
