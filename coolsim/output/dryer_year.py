"""What a dryer's year says in other words than a cooler's: its chart, its strategies and its notes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case import Batch, Case
from coolsim.fields import Array
from coolsim.machines.dryers import OPENED
from coolsim.output.page import Page, pretty
from coolsim.quantities import QUANTITIES
from coolsim.scenario import units as u
from coolsim.studies.seasons import Seasons, Strategy
from coolsim.studies.seasons.chart import Chart


def sentence(case: Case, strategy: Strategy) -> str:
    """What the chart is, and how far it goes."""
    limits, total = case.limits.given(), strategy.total
    opened = ", ".join(QUANTITIES[name].called for name in OPENED[case.cooler.arrangement] if name in limits)
    return (
        f"follow the settings chart ({opened}), each band set for the hour in it that dries worst. "
        f"It meets {100 * total.within / total.hours:.1f} % of all hours."
    )


def shown(case: Case, chart: Chart, page: Page) -> Iterator[tuple[str, Array, int]]:
    """What [limits] opens, a table each: title, values and digits."""
    limits = case.limits
    batch = isinstance(case.cooler, Batch)
    if limits.inlet_air_temperature is not None:
        unit = page.unit(u.TEMPERATURE)
        where = "" if batch else " of the hottest zone; the other heated zones keep their distance"
        hot = np.vectorize(lambda T: u.shown(float(T), u.TEMPERATURE, unit))(chart.inlet_air_temperature)
        yield f"Air blown in, {pretty(unit)}{where}", hot, 1
    if limits.airflow is not None:
        unit = page.unit(u.VOLUME_FLOW)
        of_zones = "" if batch else ", all zones together"
        yield f"Airflow, {pretty(unit)}{of_zones}", chart.airflow * u.shown(1.0, u.VOLUME_FLOW, unit), 0
    if limits.recirculation is not None and chart.recirculation is not None:
        yield "Recirculation, %", 100 * chart.recirculation, 1
    if limits.duration is not None:
        yield "Drying time, min", chart.residence_time / 60, 1
    if {"bed_depth", "residence_time"} & {*limits.given()}:
        unit = page.unit(u.LENGTH)
        yield f"Bed depth, {pretty(unit)}", chart.bed_depth * u.shown(1.0, u.LENGTH, unit), 1
        yield "Dwell, min: the belt's speed", chart.residence_time / 60, 1
    yield "Hours that this meets, %", 100 * chart.met, 0


def notes(seasons: Seasons) -> Iterator[str]:
    """What a year of a dryer takes for granted."""
    case = seasons.case
    limits = case.limits
    yield "weights, heat and cost are of the scenario's throughput, as if the dryer always kept up with it."
    if isinstance(case.cooler, Batch):
        yield "a batch is dried in the weather of one hour, also where it takes longer."
        hours = _behind(seasons)
        if hours:
            yield (
                f"in {hours:.0f} hours of {seasons.strategies[-1].name} the dryers of [schedule] do not keep up "
                "with the throughput: shorten limits.duration, or add a dryer."
            )
    if case.costs.heat is None and case.costs:
        yield "heat has no price (costs.heat): drying with it counts as free."
    if len(seasons.strategies) > 1 and limits.maximum_pellet_temperature is None:
        yield "no limits.maximum_pellet_temperature is given: the chart may heat pellets as far as its air does."
    if case.fan.efficiency is None:
        yield "no fan.efficiency is given: electricity is priced with an assumed 55 %, bed only."
    yield "warm feed in a pile or a stopped dryer can heat itself, and its dust burns: local fire code decides."


def _behind(seasons: Seasons) -> float:
    """Hours of the last strategy in which batches come faster than the dryers of [schedule] take them."""
    case, hours = seasons.case, seasons.strategies[-1].hours
    times = case.schedule
    if not times:
        return 0.0
    mass = case.feed.bulk_density * case.cooler.floor_area * hours.settings.bed_depth
    cycle = times.filling + hours.settings.residence_time + case.cooler.cooling_time + times.emptying
    return hours.weather.step * float((case.feed.throughput * cycle > times.dryers * mass * (1 + 1e-9)).sum())
