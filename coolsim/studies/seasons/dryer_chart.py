"""The settings chart of a dryer: in each band of the weather the cheapest settings of its hardest hour.

The hardest hour of a cell is that which leaves the wettest pellets as the dryer is set today. Where the settings
found for it miss target or limits in some hours of the cell, the worst of these is searched as well, then the
typical one. The settings that are right in most hours are kept, of nearly as many those that miss by least. Cells
are searched side by side, by the search of `drying.find`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.errors import NotConverged
from coolsim.fields import Array
from coolsim.machines import dryers as dials
from coolsim.requirements import KEPT, constraints_of
from coolsim.studies.drying.find import best_and_ends
from coolsim.studies.drying.search import Found as State
from coolsim.studies.drying.subject import DRYERS
from coolsim.studies.drying.together import Asking, answered, side_by_side
from coolsim.studies.seasons.chart import MARGIN, Bands, Chart, bands_of
from coolsim.studies.seasons.dryers import Found, Index, Place, Ways, excess, followed, judged
from coolsim.studies.seasons.hours import Hours
from coolsim.studies.seasons.response import Error, Response

MOST_BANDS = 5  # either way: each cell is a search of its own
TWENTIETHS = 20  # hours right are told apart to that, lest few of them are bought with many that miss by more
# To what settings are dialled in, and which way rounded: drier where there is a choice
DIALLED = {
    "airflow": (10 / 3600, np.ceil),
    "bed_depth": (1e-3, np.ceil),
    "duration": (6.0, np.ceil),
    "inlet_air_temperature": (0.1, np.ceil),
    "recirculation": (0.005, np.floor),
}


def why_no_chart(case: Case) -> str:
    """Say what a settings chart of a dryer lacks, or nothing."""
    opened = dials.OPENED[case.cooler.arrangement]
    if not {*opened} & {*case.limits.given()}:
        return f"[limits] opens nothing: give a range for one or more of {', '.join(opened)}"
    if case.costs.electricity is None:
        return '[costs] has no electricity: settings are chosen by cost, such as electricity = "0.15 /kWh"'
    return ""


def charted(place: Place, today: Hours, base: Response | None) -> tuple[Chart, Hours]:
    """Choose settings for every cell in which there are hours, and predict all hours with them."""
    w = place.weather
    bands = bands_of(w.temperature, w.relative_humidity, MOST_BANDS)
    numbers, cell = np.unique(bands.cell(w.temperature, w.relative_humidity), return_inverse=True)
    wettest = np.where(today.computed, today.outcome.moisture, -np.inf)
    hardest = np.array([_most(wettest, cell == k) for k in range(len(numbers))])
    ways = Ways(tuple(_searched(place, hardest)), cell)
    found = followed(place, ways, base)
    for pick in (_worst, _typical):
        again, others = _amiss(place, found, ways, pick, wettest)
        if again:
            ways, found = _better(place, ways, found, again, _searched(place, others), base)
    hours = judged(place, ways, found)
    return _chart(bands, numbers, hours, cell, ways), hours


def _most(values: Array, where: Any) -> int:
    return int(np.flatnonzero(where)[values[where].argmax()])


# -- searched


def _searched(place: Place, hours: Index) -> list[Case]:
    """The dryer with the settings for each of some hours; as it is set today where no search comes to an end."""
    states = answered(side_by_side([_best(_roomy(place, int(k))) for k in hours]))
    return [place.case if s is None else _set_so(place.case, s) for s in states]


def _best(case: Case) -> Asking[State | None]:
    try:
        best, *_ = yield from best_and_ends(case, DRYERS)
    except NotConverged:
        return None
    return best


def _roomy(place: Place, hour: int) -> Case:
    """The case in the weather of an hour, with the room that a map and settings dialled in take."""
    case = dataclasses.replace(place.case, air=place.air(hour))
    room = {c.full_name: MARGIN * c.quantity.scale for c in constraints_of(case)}
    return dataclasses.replace(case, safety_margins=room)


def _set_so(case: Case, state: State) -> Case:
    """The case with the settings of a state, in numbers that can be dialled in."""
    found, ranges = dials.now(state.case), dials.ranges(state.case)
    for name, (low, high) in ranges.items():
        unit, towards = DIALLED[name]
        found[name] = float(np.clip(towards(round(found[name] / unit, 3)) * unit, low, high))
    return dials.dialled(dataclasses.replace(case, air=state.case.air), found)


# -- looked at again


def _amiss(
    place: Place, found: Found, ways: Ways, pick: Callable[[Array, Array, Any], int], wettest: Array
) -> tuple[list[int], Index]:
    """Cells whose settings miss in some hours, and the hour of each to search next."""
    broken = np.nan_to_num(excess(place, found.rows).max(axis=0), nan=-np.inf)
    cells = [k for k in range(len(ways.cases)) if broken[ways.which == k].max() > KEPT]
    return cells, np.array([pick(broken, wettest, ways.which == k) for k in cells], int)


def _worst(broken: Array, wettest: Array, where: Any) -> int:
    """The hour in which most is missed."""
    return _most(broken, where)


def _typical(broken: Array, wettest: Array, where: Any) -> int:
    """The hour that stands in the middle as the dryer is set today."""
    return int(np.flatnonzero(where)[wettest[where].argsort()[where.sum() // 2]])


def _better(
    place: Place, ways: Ways, found: Found, again: list[int], others: list[Case], base: Response | None
) -> tuple[Ways, Found]:
    """In some cells the settings of `others`, where they do better."""
    at = np.flatnonzero(np.isin(ways.which, again))
    cases = list(ways.cases)
    for k, case in zip(again, others):
        cases[k] = case
    trial, part = Ways(tuple(cases), ways.which), place.of(at)
    tried = followed(part, trial.of(at), base)
    rows, taken = found.rows.copy(), list(ways.cases)
    for k in again:
        here = np.flatnonzero(ways.which[at] == k)
        old, new = found.rows[:, at[here]], tried.rows[:, here]
        if _score(part.of(here), new) > _score(part.of(here), old):
            rows[:, at[here]], taken[k] = new, cases[k]
    return Ways(tuple(taken), ways.which), Found(rows, _larger(found.error, tried.error))


def _score(place: Place, rows: Array) -> tuple[float, float]:
    """How well a cell does: hours that are right, in twentieths, then how little is missed on average."""
    over = np.maximum(np.nan_to_num(excess(place, rows).max(axis=0), nan=np.inf), 0.0)
    return float(np.rint(TWENTIETHS * (over <= KEPT).mean())), -float(over.mean())


def _larger(a: Error | None, b: Error | None) -> Error | None:
    """Largest error of two maps; what is predicted directly has none."""
    if a is None or b is None:
        return a or b
    moisture, temperature, activity = (
        max(getattr(a, n), getattr(b, n)) for n in ("moisture", "temperature", "water_activity")
    )
    return Error(moisture, temperature, activity, a.states + b.states)


# -- the chart


def _chart(bands: Bands, numbers: Index, hours: Hours, cell: Index, ways: Ways) -> Chart:
    shape = (len(bands.temperature) - 1, len(bands.relative_humidity) - 1)
    at = np.unravel_index(numbers, shape)

    def table(values: Any) -> Array:
        cells = np.full(shape, np.nan)
        cells[at] = values
        return cells

    each = [dials.settings_of(case) for case in ways.cases]
    nothing = np.full(shape, np.nan)
    count = np.bincount(cell, minlength=len(numbers))
    return Chart(
        bands=bands,
        hours=np.nan_to_num(table(hours.weather.step * count)),
        met=table(np.bincount(cell, hours.within, len(numbers)) / count),
        fan_speed=nothing,
        airflow=table([s.airflow for s in each]),
        bed_depth=table([s.bed_depth for s in each]),
        residence_time=table([s.duration for s in each]),
        inlet_air_temperature=table([s.inlet_air_temperature for s in each]),
        feed_moisture=table(hours.feed_moisture[0]),
        required_feed_moisture=nothing,
        recirculation=table([s.recirculation for s in each]),
        belt_speed=table([s.belt_speed for s in each]),
    )
