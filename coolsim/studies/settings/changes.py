"""Around the settings found: what one step of each thing does, and what alone would bring the target."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.case import Air, Case
from coolsim.errors import NotConverged
from coolsim.fields import Array, documented
from coolsim.machines.plant import Plant, excesses
from coolsim.model.solve import Resolution
from coolsim.physics import air
from coolsim.requirements import Constraint
from coolsim.studies import search as searching
from coolsim.studies.search import FULL, SURVEY, Found

HOTTEST_INLET = 110.0  # °C; dryers of feed rarely blow hotter air
LEAST_SHARE, LARGEST_SHARE = 0.2, 5.0  # of the present airflow and dwell
LOOKS = 41, 9, 9  # values of each thing tried over its span, then twice closely about the nearest that serves


@dataclass(frozen=True)
class Step:
    """What one change of the weather, feed or settings does to the exit, the rest left alone."""

    change: str = documented("-", "the change")
    moisture_wb: float = documented("kg/kg wet", "exit moisture after it")
    temperature: float = documented("°C", "exit temperature after it", json="temperature_C")


@dataclass(frozen=True)
class Change:
    """The smallest change of one thing alone that makes the target reachable; `to` is None where none does."""

    change: str = documented("-", "what is changed")
    to: float | None = documented("as `unit`", "its new value")
    unit: str = documented("-", "unit of `to`")


@dataclass(frozen=True)
class Lever:
    """A thing to change alone: its present value, how far to look, and how its values are shown."""

    name: str
    knob: str
    now: float
    ends: tuple[float, float]
    unit: str
    shown: float = 1.0  # factor


def one_step(case: Case, found: Found) -> tuple[Step, ...]:
    """Exit after one step of weather, feed, fan and dwell, from the settings found."""
    base = {n: float(v) for n, v in found.knobs.items()}
    settings = found.tried.settings
    now = {
        "airflow": float(settings.airflow[0]),
        "bed_depth": float(settings.bed_depth[0]),
        "inlet_air_temperature": float(settings.inlet_air_temperature[0]),
    } | base
    per_minute = now["bed_depth"] * 60.0 / float(settings.residence_time[0])
    now["feed_moisture"] = case.feed.moisture
    more: tuple[tuple[str, dict[str, float], dict[str, float]], ...] = (
        ("ambient +1 °C", {"temperature": case.air.temperature + 1.0}, {}),
        ("ambient +5 % RH", {"relative_humidity": min(case.air.relative_humidity + 0.05, 1.0)}, {}),
        ("feed moisture +1 point", {}, {"feed_moisture": now["feed_moisture"] + 0.01}),
        ("airflow +5 %", {}, {"airflow": 1.05 * now["airflow"]}),
        ("dwell +1 min", {}, {"bed_depth": now["bed_depth"] + per_minute}),
    )
    weathers = [{**vars(case.air), **air_} for _, air_, _ in more]
    there = Air(**{name: np.array([weather[name] for weather in weathers]) for name in vars(case.air)})
    states = [now | knobs for _, _, knobs in more]
    knobs = {name: np.array([state[name] for state in states]) for name in now}
    if "inlet_air_temperature" not in base:
        del knobs["inlet_air_temperature"]
    out = Plant(dataclasses.replace(case, air=there)).predicted(knobs, FULL).pellets_out
    return tuple(Step(m[0], float(M), float(T)) for m, M, T in zip(more, out.moisture_wb, out.temperature))


def smallest_changes(
    case: Case, limits: list[Constraint], found: Found, feed: float | None
) -> tuple[Change, ...]:
    """For each thing alone, the value nearest to the present one with which everything is met.

    Feed moisture is the wettest that some settings within the limits bring to the target. For each other thing
    all the rest stays as found: another airflow, say, could do with a smaller change of dwell.
    """
    levers = _levers(case, found)
    plant, best = Plant(case), _over(levers, [lever.ends for lever in levers], LOOKS[0])
    served = _served(plant, limits, found, levers, best, SURVEY)
    nearest = [_nearest(lever, values, good) for lever, values, good in zip(levers, best, served)]
    width = [(lever.ends[1] - lever.ends[0]) / (LOOKS[0] - 1) for lever in levers]
    for count in LOOKS[1:]:
        open_ = [k for k, value in enumerate(nearest) if value is not None]
        if not open_:
            break
        close = [levers[k] for k in open_]
        spans = [(nearest[k] - width[k], nearest[k] + width[k]) for k in open_]  # type: ignore[operator]
        values = _over(close, spans, count)
        served = _served(plant, limits, found, close, values, FULL)
        for k, tried, good in zip(open_, values, served):
            nearest[k] = _nearest(levers[k], tried, good)
            width[k] *= 2 / (count - 1)
    shown = [None if x is None else x * lever.shown for x, lever in zip(nearest, levers)]
    changes = [Change(lever.name, to, lever.unit) for lever, to in zip(levers, shown)]
    return (Change("feed moisture", None if feed is None else 100.0 * feed, "%"), *changes)


def _levers(case: Case, found: Found) -> list[Lever]:
    settings, ambient = found.tried.settings, float(case.air.temperature)
    boiling = float(air.saturation_temperature(case.air.pressure))
    inlet, airflow, depth, dwell = (
        float(x[0])
        for x in (
            settings.inlet_air_temperature,
            settings.airflow,
            settings.bed_depth,
            settings.residence_time,
        )
    )

    def shares(now: float) -> tuple[float, float]:
        return LEAST_SHARE * now, LARGEST_SHARE * now

    fed = case.feed.temperature
    return [
        Lever("feed temperature", "feed_temperature", fed, (ambient, boiling - 1.0), "degC"),
        Lever("inlet air temperature", "inlet_air_temperature", inlet, (ambient, HOTTEST_INLET), "degC"),
        Lever("airflow", "airflow", airflow, shares(airflow), "m3/h", 3600.0),
        Lever("dwell", "bed_depth", depth, shares(depth), "min", dwell / depth / 60.0),
    ]


def _over(levers: list[Lever], spans: list[tuple[float, float]], count: int) -> list[Array]:
    """Values of each lever over a span, as far as it reaches."""
    return [np.linspace(max(a, x.ends[0]), min(b, x.ends[1]), count) for x, (a, b) in zip(levers, spans)]


def _nearest(lever: Lever, values: Array, good: NDArray[np.bool_]) -> float | None:
    served = values[good]
    return float(served[np.abs(served - lever.now).argmin()]) if len(served) else None


def _served(
    plant: Plant,
    limits: list[Constraint],
    found: Found,
    levers: list[Lever],
    values: list[Array],
    mesh: Resolution,
) -> list[NDArray[np.bool_]]:
    """Which values of each lever alone meet everything; all of them predicted side by side."""
    count = sum(map(len, values))
    settings, feed = found.tried.settings, plant.case.feed
    now = {
        "airflow": settings.airflow,
        "bed_depth": settings.bed_depth,
        "inlet_air_temperature": found.knobs.get(
            "inlet_air_temperature", plant.inputs.inlet_air_temperature
        ),  # as the heater is set: what a fan adds changes with the airflow
        "feed_moisture": feed.moisture,
        "feed_temperature": feed.temperature,
    }
    knobs = {name: np.full(count, float(np.ravel(value)[0])) for name, value in now.items()}
    ends = np.cumsum([len(v) for v in values])
    for lever, tried, end in zip(levers, values, ends):
        knobs[lever.knob][end - len(tried) : end] = tried
    return np.split(_met(plant, limits, knobs, mesh), ends[:-1])


def _met(
    plant: Plant, limits: list[Constraint], knobs: dict[str, Array], mesh: Resolution
) -> NDArray[np.bool_]:
    """Whether states meet everything. Far-off values may not solve: they do not count as meeting anything."""
    try:
        tried = plant.tried(knobs, mesh)
    except NotConverged as error:
        met = np.zeros(len(knobs["airflow"]), bool)
        solved = np.setdiff1d(np.arange(len(met)), error.failed)
        if len(solved):
            met[solved] = _met(plant, limits, {n: v[solved] for n, v in knobs.items()}, mesh)
        return met
    return np.asarray((excesses(plant.case, tried, limits) <= searching.KEPT).all(axis=0))
