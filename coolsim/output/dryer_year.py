"""What a year of a dryer or a line says in other words than a cooler's: its chart, its strategies and its notes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.machine import Batch
from coolsim.machines import machine_of
from coolsim.output import quantities
from coolsim.output.page import Page, pretty
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.years import Seasons
from coolsim.studies.years.chart_answer import CHART, FEED, Chart, Dial
from coolsim.support.fields import Array


def words(case: Case) -> dict[str, str]:
    """What each chart is."""
    opened = dict.fromkeys(s.label for s in machine_of(case).settings if s.opened)
    return {
        CHART: f"follow the settings chart ({', '.join(opened)}), "
        "each band set for the hour in it that dries worst",
        FEED: "the same chart, that also asks for drier feed in bands where as it comes some hours are missed",
    }


def shown(chart: Chart, page: Page) -> Iterator[tuple[str, Array, int]]:
    """What [limits] opens, a table each: title, values and digits; then what comes of it."""
    for dial in chart.dials:
        q, label = dial.setting.quantity, dial.setting.label
        unit = pretty(quantities.unit_of(q, page))
        values = np.vectorize(lambda x, q=q: quantities.shown(q, float(x), page))(dial.values)
        yield f"{label[0].upper()}{label[1:]}, {unit}{_OF_BELT.get(q.name, '')}", values, _digits(dial, page)
    yield "Feed moisture it needs, % or drier", 100 * chart.required_feed_moisture, 1
    yield "Hours that this meets, %", 100 * chart.met, 0


_OF_BELT = {"belt_speed": "; the throughput stays, so a slower belt is a deeper bed"}


def _digits(dial: Dial, page: Page) -> int:
    """As many as its steps take; an end of a range that is on no step takes one more than usual."""
    q = dial.setting.quantity
    some = dial.values[np.isfinite(dial.values)]
    texts = [quantities.setting_text(q, float(x), dial.setting.step, page).split()[0] for x in some]
    usual = quantities.digits_of(q, page)
    return min(max((len(text.partition(".")[2]) for text in texts), default=usual), usual + 1)


def notes(seasons: Seasons) -> Iterator[str]:
    """What a year of a dryer takes for granted."""
    case = seasons.case
    limits = case.limits
    yield "weights, heat and cost are of the scenario's throughput, or of as much of it as the dryers take."
    if isinstance(case.cooler, Line):
        yield "settings of a line are in its chart; the table of hours leaves those of single machines empty."
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
    if len(seasons.strategies) > 1 and is_dryer(case) and limits.maximum_pellet_temperature is None:
        yield "no limits.maximum_pellet_temperature is given: the chart may heat pellets as far as its air does."
    if case.fan.efficiency is None and not isinstance(case.cooler, Line):
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
