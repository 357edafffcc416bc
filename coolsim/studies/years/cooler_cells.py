"""Charts of a cooler: on one map of its exit over weather and settings, which marches cannot have.

Each cell's settings are chosen for all of its hours together, through the states that stand for them: those that
give up least (`hours_given_up`: hours too wet before those too dry), then the cheapest. Nothing is assumed about
direction: a grid of settings is looked at, then a finer one around the best.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from coolsim.model.family import representatives
from coolsim.studies.fewest_settings import AS_CHEAP, LEAST_COST, as_cheap, fewest
from coolsim.studies.outcome_rows import combined
from coolsim.studies.years.chart import Cells, Charted, cells_of, chart_of, no_wetter
from coolsim.studies.years.chart_answer import CHART, FEED, HEATED, MOST_BANDS, Chart
from coolsim.studies.years.hours import Mask, judged_hours
from coolsim.studies.years.hours_given_up import MARGIN, TENTH, given_up
from coolsim.studies.years.options import (
    GEOMETRIC,
    SETTINGS,
    Options,
    WeighedOptions,
    opened_of,
    options_of,
    weigh_options,
)
from coolsim.studies.years.site import (
    Found,
    HourlySettings,
    Site,
    as_it_is,
    followed,
    read_off,
    set_so,
)
from coolsim.support.fields import Array
from coolsim.support.progress import each, in_steps

REPRESENTATIVES = 24  # states that stand for the hours of a cell
MANY = 96  # where settings that were chosen for other cells are held against them
EXTREMES = 12  # of them, where only the worst counts
# how many values of each thing that may be set are looked at, and in the finer look around the best
GRID = {"airflow": 21, "bed_depth": 9, "inlet_air_temperature": 5, "feed_moisture": 9}
FINER = {"airflow": 9, "bed_depth": 7, "inlet_air_temperature": 3, "feed_moisture": 3}
COARSE_FEED, FINE_FEED = 6, 9  # levels of feed moisture: points, then tenths
HOURS_AT_ONCE = 400  # looked at together: bounds the memory


# -- strategies


def charts(site: Site, today: Found, direct: bool = False) -> Iterator[Charted]:
    """Charts of what an operator turns; also with heated air; and also with feed that comes as moist as is best."""
    with in_steps(1) as step:
        step("a map over weather and settings")
        options, opened = options_of(site), opened_of(site.case)
    cells, first = cells_of(site, today, MOST_BANDS), None
    ways = {CHART: opened, HEATED: opened | {"inlet_air_temperature"}, FEED: opened | {"feed_moisture"}}
    for name, more in ways.items():
        if name == HEATED and site.case.limits.inlet_air_temperature is None:
            continue
        needed = first.chart.required_feed_moisture if first and name == FEED else None
        hourly, needs = _chosen(site, options, more, cells, needed)
        base = None if direct else options.response
        found = followed(site, hourly, base)
        hourly, found = no_wetter(site, hourly, found, today, _allowed(site, options))
        hours = judged_hours(site, hourly, found)
        chart = chart_of(site, cells, hourly, hours, needs, options.fan)
        already = hours.within if first is None else first.reachable | hours.within
        reached = reachable(site, options, more, already)
        charted = Charted(name, chart, hours, found, reached)
        first = first or charted
        yield charted


def chart_alone(site: Site) -> Chart:
    """The first chart, whatever could be reached, as exact as the map that it is chosen on."""
    options = options_of(site)
    today = read_off(site, as_it_is(site), options.response)
    cells = cells_of(site, today, MOST_BANDS)
    hourly, needs = _chosen(site, options, opened_of(site.case), cells)
    found = read_off(site, hourly, options.response)
    hourly, found = no_wetter(site, hourly, found, today, _allowed(site, options))
    return chart_of(site, cells, hourly, judged_hours(site, hourly, found), needs, options.fan)


def _chosen(
    site: Site, options: Options, opened: frozenset[str], cells: Cells, needed: Array | None = None
) -> tuple[HourlySettings, Array]:
    """Settings of all cells, and the feed that each needs, which is `needed` where that is known, as a table."""
    hours = {k: cells.hours(k) for k in cells.all}
    chosen = {k: choose(site, options, opened, hours[k]) for k in each(list(hours), "settings of the boxes")}
    settled = alike(site, options, hours, chosen)
    if needed is None:
        needs = np.array([required_feed(site, options, opened, some) for some in hours.values()])
    else:
        needs = needed.ravel()[cells.numbers]
    return HourlySettings(tuple(set_so(site, settled[k]) for k in cells.all), cells.which), needs


def _allowed(site: Site, options: Options) -> bool:
    """Whether [limits] allows today's settings."""
    now = present(site)
    ends = ((now[name], *options.ranges[name]) for name in ("airflow", "bed_depth"))
    return all(low * (1 - 1e-9) <= x <= high * (1 + 1e-9) for x, low, high in ends)


# -- a cell


def grid(
    options: Options, opened: frozenset[str], present: dict[str, float], thin: int = 1
) -> dict[str, Array]:
    """All combinations of values of what is opened (every `thin`-th); the rest as it is at present."""
    axes = []
    for name in present:
        low, high = options.ranges.get(name, (np.nan, np.nan))
        if name not in opened or not low < high:
            axes.append(np.array([present[name]]))
            continue
        space = np.geomspace if name in GEOMETRIC else np.linspace
        values = space(low, high, GRID[name])[::thin]
        heated = name == "inlet_air_temperature"
        axes.append(np.append(np.nan, values) if heated else values)  # not to heat is always possible
    return dict(zip(present, combined(axes).T))


def finer(
    options: Options, opened: frozenset[str], best: dict[str, float], thin: int = 1
) -> dict[str, Array]:
    """Combinations between the neighbours of the best on the grid (of every `thin`-th of its values)."""
    axes = []
    for name, value in best.items():
        low, high = options.ranges.get(name, (np.nan, np.nan))
        if name not in opened or not low < high:
            axes.append(np.array([value]))
            continue
        if name in GEOMETRIC:
            step = (high / low) ** (1 / (GRID[name] - 1))
            values = value * step ** (thin * np.linspace(-1, 1, FINER[name]))
        else:
            values = value + thin * (high - low) / (GRID[name] - 1) * np.linspace(-1, 1, FINER[name])
        step = options.steps.get(name, TENTH)
        axes.append(np.unique(np.clip(np.rint(values / step) * step, low, high)))
    return dict(zip(best, combined(axes).T))


def _at_speeds(options: Options, best: dict[str, float], speed: float) -> dict[str, Array]:
    """Combinations around the best with the fan on steps of its dial: airflow goes with its speed."""
    assert options.fan is not None
    reach = 2 * options.fan.step
    flows = best["airflow"] * options.fan.on_dial(speed - reach, speed + reach) / speed
    low, high = options.ranges["bed_depth"]
    depths = best["bed_depth"] + options.steps["bed_depth"] * np.arange(-1, 2)
    axes = {name: np.array([value]) for name, value in best.items()}
    axes |= {"airflow": flows, "bed_depth": np.unique(np.clip(depths, low, high))}
    return dict(zip(axes, combined(list(axes.values())).T))


def best_of(site: Site, looked: WeighedOptions, weights: Array) -> int:
    """The settings that give up least (`hours_given_up`), then the cheapest, of equals the shallowest bed."""
    lost = given_up(site.constraints, looked.excess, weights, MARGIN)
    cost = np.log(np.maximum(weights @ looked.cost / weights.sum(), LEAST_COST))
    return int(np.lexsort((looked.settings["bed_depth"], np.rint(cost / AS_CHEAP), *reversed(lost)))[0])


def representative_states(
    site: Site, hours: NDArray[np.intp], most: int = REPRESENTATIVES
) -> tuple[NDArray[np.intp], Array]:
    """States that stand for many hours, spread to their extremes; how many hours each stands for."""
    if len(hours) <= most:
        return hours, np.ones(len(hours))
    i = site.inputs
    x = np.stack([a[hours] for a in (i.outside_temperature, i.humidity_ratio, i.pressure)])
    x = x / np.maximum(np.ptp(x, axis=1, keepdims=True), 1e-9)
    chosen = representatives(x, most)
    nearest = ((x[:, :, None] - x[:, None, chosen]) ** 2).sum(axis=0).argmin(axis=1)
    return hours[chosen], np.bincount(nearest, minlength=len(chosen)).astype(float)


def present(site: Site) -> dict[str, float]:
    """Settings as they are, by the names of SETTINGS; no inlet temperature (nan) where the air is not heated."""
    case, i = site.case, site.inputs
    inlet = case.cooler.inlet_air_temperature
    airflow = float(np.median(i.dry_air * i.outside_volume))
    return {
        "airflow": airflow,
        "bed_depth": case.cooler.bed_depth,
        "inlet_air_temperature": np.nan if inlet is None else inlet,
        "feed_moisture": case.feed.moisture,
    }


def choose(site: Site, options: Options, opened: frozenset[str], hours: NDArray[np.intp]) -> dict[str, float]:
    """The settings for some hours together."""
    states, weights = representative_states(site, hours)
    # of inlet temperatures there are too few to leave any out
    thins = (1, 1, None) if "inlet_air_temperature" in opened else (2, 1, None)
    settings = grid(options, opened, present(site), thins[0])
    for thin in thins:
        looked = weigh_options(site, options, states, settings)
        k = best_of(site, looked, weights)
        best = {name: float(values[k]) for name, values in settings.items()}
        if thin:
            settings = finer(options, opened, best, thin)
    speed = float(np.median(looked.fan_speed[:, k]))
    if options.fan is None or "airflow" not in opened or not np.isfinite(speed):
        return best
    settings = _at_speeds(options, best, speed)
    k = best_of(site, weigh_options(site, options, states, settings), weights)
    return {name: float(values[k]) for name, values in settings.items()}


def alike(
    site: Site,
    options: Options,
    cells: Mapping[int, NDArray[np.intp]],
    chosen: Mapping[int, dict[str, float]],
) -> dict[int, dict[str, float]]:
    """As few different settings as serve all cells: whoever follows a chart changes them only where it pays.

    A cell takes those chosen for another where they give up no more in its hours, and cost at most 1 % more.
    """
    tried, own = _distinct(site, options, cells, chosen)
    count = len(tried["airflow"])
    numbers = list(cells)
    serves, settings = np.zeros((count, len(cells)), bool), []
    for k, hours in enumerate(cells.values()):
        states, weights = representative_states(site, hours, MANY)
        settings.append(_at_the_same_speeds(site, options, states, tried))
        for name, value in chosen[numbers[k]].items():  # its own stay as they were chosen
            settings[k][name][own[k]] = value
        looked = weigh_options(site, options, states, settings[k])
        lost = list(zip(*given_up(site.constraints, looked.excess, weights, MARGIN)))
        cost = weights @ looked.cost
        cheap = as_cheap(cost, cost[own[k]])
        serves[:, k] = [lost[j] <= lost[own[k]] and cheap[j] for j in range(count)]
    sizes = np.array([len(hours) for hours in cells.values()], float)
    taken = fewest(serves, sizes)
    return {
        number: {n: float(v[j]) for n, v in settings[k].items() if n != FAN}
        for k, (number, j) in enumerate(zip(cells, taken))
    }


FAN = "fan_speed"


def _distinct(
    site: Site,
    options: Options,
    cells: Mapping[int, NDArray[np.intp]],
    chosen: Mapping[int, dict[str, float]],
) -> tuple[dict[str, Array], list[int]]:
    """The different settings of all cells, with the fan's speed in their own, and which of them each cell has."""
    rows: dict[tuple[float, ...], dict[str, float]] = {}
    own: list[int] = []
    for number, hours in cells.items():
        states, _ = representative_states(site, hours)
        looked = weigh_options(site, options, states, {n: np.array([v]) for n, v in chosen[number].items()})
        speed = float(np.median(looked.fan_speed))
        settings, told = chosen[number] | {FAN: speed}, dict(chosen[number])
        if options.fan is not None and np.isfinite(speed):  # told to a step of its dial
            told["airflow"] = round(speed / options.fan.step)
        key = tuple(np.nan_to_num(list(told.values()), nan=-1.0).tolist())
        rows.setdefault(key, settings)
        own.append(list(rows).index(key))
    return {n: np.array([row[n] for row in rows.values()]) for n in (*SETTINGS, FAN)}, own


def _at_the_same_speeds(
    site: Site, options: Options, states: NDArray[np.intp], tried: dict[str, Array]
) -> dict[str, Array]:
    """Settings in the hours of another cell: where it is the fan's speed that is set, its airflow there differs."""
    if options.fan is None:
        return {name: values.copy() for name, values in tried.items()}
    with np.errstate(invalid="ignore"):
        there = tried[FAN] / np.median(weigh_options(site, options, states, tried).fan_speed, axis=0)
    found = {name: values.copy() for name, values in tried.items()}
    found["airflow"] *= np.where(np.isfinite(there), there, 1.0)
    return found


def required_feed(site: Site, options: Options, opened: frozenset[str], hours: NDArray[np.intp]) -> float:
    """Wettest feed with which settings that are opened meet the target in all these hours; nan where none does."""
    states, _ = representative_states(site, hours, EXTREMES)
    low, high = options.ranges["feed_moisture"]
    machine_knobs, levels = opened - {"feed_moisture"}, np.linspace(low, high, COARSE_FEED)
    wettest = np.nan
    for thin in (2, 1):  # to the point with few settings, then to the tenth or two with more
        machine = grid(options, machine_knobs, present(site), thin)
        count = len(machine["airflow"])
        settings = {name: np.tile(values, len(levels)) for name, values in machine.items()}
        settings["feed_moisture"] = np.repeat(levels, count)
        met = (weigh_options(site, options, states, settings).worst <= -MARGIN).all(axis=0)
        if not met.any():
            return wettest
        wettest = float(settings["feed_moisture"][met].max())
        step = (high - low) / (COARSE_FEED - 1)
        levels = np.linspace(wettest, min(wettest + 1.6 * step, high), FINE_FEED)
    return wettest


# -- what could be reached


def reachable(site: Site, options: Options, opened: frozenset[str], already: Mask | None = None) -> Mask:
    """Hours in which some settings, chosen for that hour alone, meet target and limits.

    Hours `already` known to be reachable with less opened are not looked at again.
    """
    found = np.zeros(len(site.inputs.radius), bool) if already is None else already.copy()
    settings, nearest = grid(options, opened, present(site)), np.zeros(len(found), int)
    open_ = np.flatnonzero(~found)
    for part in np.array_split(open_, max(1, len(open_) // HOURS_AT_ONCE)):
        if len(part):
            looked = weigh_options(site, options, part, settings)
            found[part], nearest[part] = _reached(site, looked), looked.worst.argmin(axis=1)
    for k in np.unique(nearest[~found]):  # what only a sliver between the grid's settings can meet
        part = np.flatnonzero(~found & (nearest == k))
        around = finer(options, opened, {name: float(values[k]) for name, values in settings.items()})
        for some in np.array_split(part, max(1, len(part) // HOURS_AT_ONCE)):
            found[some] = _reached(site, weigh_options(site, options, some, around))
    return found


def _reached(site: Site, looked: WeighedOptions) -> Mask:
    """Whether a setting tried meets all, or two neighbours stand on both sides of the band of moisture."""
    met: Mask = np.asarray((looked.worst <= 0).any(axis=1))
    names = [limit.name for limit in site.constraints]
    if "lowest_moisture" not in names:
        return met
    shape = tuple(len(np.unique(looked.settings[name])) for name in SETTINGS)
    others = [k for k, name in enumerate(names) if name not in ("moisture", "lowest_moisture")]
    kept = np.asarray((looked.excess[others] <= 0).all(axis=0))
    wet, dry = (
        ((looked.excess[names.index(name)] > 0) & kept).reshape(-1, *shape)
        for name in ("moisture", "lowest_moisture")
    )
    for axis in (1, 2):  # airflow and bed depth
        wet_before, dry_before = (np.delete(side, -1, axis) for side in (wet, dry))
        wet_after, dry_after = (np.delete(side, 0, axis) for side in (wet, dry))
        crossed = (wet_before & dry_after) | (dry_before & wet_after)
        met |= crossed.reshape(len(met), -1).any(axis=1)
    return met
