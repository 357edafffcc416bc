"""The settings chart: bands of ambient temperature and relative humidity, and what to set in each.

Each cell's settings are chosen for all of its hours together, through the states that stand for them: those that
give up least (`hours_given_up`: hours too wet before those too dry), then the cheapest. Nothing is assumed about
direction: a grid of settings is looked at, then a finer one around the best.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.machines import Setting
from coolsim.machines.plant import with_settings
from coolsim.model.family import representatives
from coolsim.simulate.inputs import Inputs
from coolsim.studies.fewest_settings import AS_CHEAP, LEAST_COST, as_cheap, fewest
from coolsim.studies.outcome_rows import combined
from coolsim.studies.years.chart_answer import Chart, bands_of
from coolsim.studies.years.hours import Hours, Site
from coolsim.studies.years.hours_given_up import given_up
from coolsim.studies.years.options import GEOMETRIC, SETTINGS, Options, WeighedOptions, weigh_options
from coolsim.support.fields import Array
from coolsim.support.progress import each

REPRESENTATIVES = 24  # states that stand for the hours of a cell
MANY = 96  # where settings that were chosen for other cells are held against them
EXTREMES = 12  # of them, where only the worst counts
# how many values of each thing that may be set are looked at, and in the finer look around the best
GRID = {"airflow": 21, "bed_depth": 9, "inlet_air_temperature": 5, "feed_moisture": 9}
FINER = {"airflow": 9, "bed_depth": 7, "inlet_air_temperature": 3, "feed_moisture": 3}
MARGIN = 0.02  # in the scale of limits: 0.02 point of moisture, 0.1 K; what a map may be off
COARSE_FEED, FINE_FEED = 6, 9  # levels of feed moisture: points, then tenths
TENTH = 0.001  # kg/kg wet: to that a feed is asked for


# -- bands


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


def finer(options: Options, opened: frozenset[str], best: dict[str, float]) -> dict[str, Array]:
    """Combinations between the neighbours of the best on the grid."""
    axes = []
    for name, value in best.items():
        low, high = options.ranges.get(name, (np.nan, np.nan))
        if name not in opened or not low < high:
            axes.append(np.array([value]))
            continue
        if name in GEOMETRIC:
            step = (high / low) ** (1 / (GRID[name] - 1))
            values = value * step ** np.linspace(-1, 1, FINER[name])
        else:
            values = value + (high - low) / (GRID[name] - 1) * np.linspace(-1, 1, FINER[name])
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
    lost = given_up(site.limits, looked.excess, weights, MARGIN)
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
    settings = grid(options, opened, present(site))
    for _ in range(2):
        looked = weigh_options(site, options, states, settings)
        k = best_of(site, looked, weights)
        best = {name: float(values[k]) for name, values in settings.items()}
        settings = finer(options, opened, best)
    looked = weigh_options(site, options, states, settings)
    k = best_of(site, looked, weights)
    best = {name: float(values[k]) for name, values in settings.items()}
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
        lost = list(zip(*given_up(site.limits, looked.excess, weights, MARGIN)))
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


def chart_of(site: Site, options: Options, opened: frozenset[str], like: Chart | None = None) -> Chart:
    """Choose settings for every cell in which there are hours; the feed needed is that of `like`, where given."""
    w = site.weather
    bands = bands_of(w.temperature, w.relative_humidity)
    cell = bands.cell(w.temperature, w.relative_humidity)
    shape = (len(bands.temperature) - 1, len(bands.relative_humidity) - 1)
    found: dict[str, Any] = {
        name: np.full(shape, np.nan) for name in (*present(site), "required_feed_moisture")
    }
    cells = {int(number): np.flatnonzero(cell == number) for number in np.unique(cell)}
    chosen = {k: choose(site, options, opened, cells[k]) for k in each(list(cells), "settings of the boxes")}
    for number, settings in alike(site, options, cells, chosen).items():
        at = np.unravel_index(number, shape)
        for name, value in settings.items():
            found[name][at] = value
        if like is None:
            found["required_feed_moisture"][at] = required_feed(site, options, opened, cells[number])
    if like is not None:
        found["required_feed_moisture"] = like.required_feed_moisture
    return Chart(
        bands=bands,
        hours=w.step * np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape).astype(float),
        met=np.full(shape, np.nan),
        fan_speed=np.full(shape, np.nan),
        residence_time=_dwell(site, found["bed_depth"]),
        **found,
    )


def _dwell(site: Site, depth: Array) -> Array:
    feed = site.case.feed
    return depth * site.case.cooler.floor_area * feed.bulk_density / feed.throughput


def settings_by_hour(site: Site, chart: Chart) -> tuple[Inputs, NDArray[np.intp]]:
    """The site's hours with the settings that the chart gives for each, and the cell of each."""
    w = site.weather
    cell = chart.bands.cell(w.temperature, w.relative_humidity)
    knobs = {name: getattr(chart, name).ravel()[cell] for name in ("airflow", "bed_depth", "feed_moisture")}
    knobs["feed_moisture"] = knobs["feed_moisture"] + site.moister
    inlet = chart.inlet_air_temperature.ravel()[cell]
    knobs["inlet_air_temperature"] = np.where(np.isnan(inlet), w.temperature, inlet)
    return with_settings(site.inputs, knobs), cell


def with_results(chart: Chart, hours: Hours, fan: Setting | None) -> Chart:
    """The chart with what its settings came to: share of hours met, and the fan's speed in the middle hour.

    fan: its dial, where it is the speed that is set: it hardly varies within a cell, and is told to a step.
    """
    w, shape = hours.weather, chart.hours.shape
    cell = chart.bands.cell(w.temperature, w.relative_humidity)
    met, speed = np.full(shape, np.nan), np.full(shape, np.nan)
    for number in np.unique(cell):
        here, at = cell == number, np.unravel_index(number, shape)
        met[at] = hours.within[here].mean()
        speed[at] = np.median(hours.settings.fan_speed[here])
    if fan is not None:
        speed = np.rint(speed / fan.step) * fan.step
    return dataclasses.replace(chart, met=met, fan_speed=speed)


def no_wetter(site: Site, options: Options, chart: Chart, hours: Hours, today: Hours) -> Chart | None:
    """The chart with today's settings in cells where it gives up more than these; None where that is nowhere.

    Only if [limits] allows today's settings.
    """
    now = present(site)
    for name in ("airflow", "bed_depth"):
        low, high = options.ranges[name]
        if not low * (1 - 1e-9) <= now[name] <= high * (1 + 1e-9):
            return None
    w, tables = hours.weather, {name: getattr(chart, name).copy() for name in now}
    cell, changed = chart.bands.cell(w.temperature, w.relative_humidity), False
    for number in np.unique(cell):
        here = cell == number
        its, todays = (
            [int((harm & here).sum()) for harm in (h.over_limit, h.too_wet, h.too_warm)]
            for h in (hours, today)
        )
        if its > todays:
            changed = True
            for name, values in tables.items():
                values[np.unravel_index(number, values.shape)] = now[name]
    if not changed:
        return None
    return dataclasses.replace(chart, **tables, residence_time=_dwell(site, tables["bed_depth"]))
