"""The answers that the tests of pictures draw, predicted once, and every picture by name."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from shipped import level

import coolsim
from coolsim import plots
from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.scenario.weather import Weather
from coolsim.studies.lever_study import LeverMap, Levers, lever_map
from coolsim.studies.planning.answer import Plan
from coolsim.studies.sizing.answer import SizeAnswer
from coolsim.studies.sweeping import Sweep
from coolsim.studies.years import Seasons

ROOT = Path(__file__).parents[2]
AIRFLOWS, DWELLS = (600.0, 1200.0, 2000.0), (4.0, 8.0, 16.0)  # m³/h, min
BELT = "belt-four-zones"
SWEEP = (800.0, 1600.0, 2200.0, 3200.0)  # m³/h; that of the monsoon night among them


def at(case: Case, airflow: float, minutes: float) -> Case:
    """Return the case at an airflow [m³/h] and a dwell."""
    depth = 60 * minutes * case.feed.throughput / (case.feed.bulk_density * case.cooler.floor_area)
    cooler = dataclasses.replace(case.cooler, airflow=airflow / 3600, bed_depth=depth)
    return dataclasses.replace(case, cooler=cooler)


@cache
def case(name: str = "humid-delta") -> Case:
    return level(name)


@cache
def frost() -> Case:
    """Hard frost outside, hot air into the bed: a chart of a wide range."""
    changes = {"air.temperature": "-18 degC", "cooler.inlet_air_temperature": "95 degC"}
    return coolsim.replace(case(), changes)


@cache
def mild() -> Case:
    """Feed hardly warmer than the air: a chart of a narrow range, close to saturation."""
    changes = {"feed.temperature": "35 degC", "feed.moisture": "12 %", "air.relative_humidity": "95 %"}
    return coolsim.replace(case(), changes)


@cache
def uneven() -> Case:
    return coolsim.replace(case(), {"cooler.depth_deviation": "6 cm", "cooler.speed_deviation": "20 %"})


@cache
def heated() -> Case:
    return coolsim.replace(case(), {"cooler.inlet_air_temperature": "60 degC"})


@cache
def answer(name: str = "humid-delta") -> Result:
    return coolsim.predict(case(name))


@cache
def heated_answer() -> Result:
    return coolsim.predict(heated())


@cache
def charted(changed: Callable[[], Case]) -> tuple[Result, Case]:
    return coolsim.predict(changed()), changed()


@cache
def grid() -> Result:
    """Every pair of airflow and dwell, out of order."""
    pairs = [(q, t) for t in DWELLS for q in AIRFLOWS]
    return coolsim.predict([at(case(), *pairs[i]) for i in np.random.default_rng(5).permutation(len(pairs))])


@cache
def crowded() -> Result:
    """From hardly any air, where many levels of moisture lie close together, to much."""
    pairs = [(q, t) for t in (8.0, 26.0) for q in np.geomspace(100, 5000, 9)]
    return coolsim.predict([at(case("monsoon-year"), *pair) for pair in pairs])


@cache
def curves() -> tuple[Result, list[str]]:
    """Dwells from long to short at each airflow, and the names of the curves."""
    pairs = [(q, t) for q in AIRFLOWS for t in reversed(DWELLS)]
    return coolsim.predict([at(case(), *pair) for pair in pairs]), [f"{q:.0f} m³/h" for q, _ in pairs]


@cache
def sweep() -> Result:
    minutes = 60 * 0.5 * 1.6 * 610 / 2000  # of the monsoon night: bed × bulk density / throughput
    return coolsim.predict([at(case("monsoon-night"), q, minutes) for q in SWEEP])


def days() -> Weather:
    """One day in thirty of the monsoon year."""
    units = {"temperature": "degC", "relative_humidity": "%"}
    weather = coolsim.load_weather(ROOT / "scenarios" / "monsoon-year.csv", units=units)
    day = weather.time.astype("datetime64[D]").astype(int) % 30 == 3
    return weather.rows(day).between((6 * 3600.0, 22 * 3600.0))


@cache
def year() -> Seasons:
    """Those days, with a settings chart."""
    return coolsim.seasons(case("monsoon-year"), weather=days())


@cache
def year_as_it_is() -> Seasons:
    """Those days with the settings as they are: of what needs no chart, which takes seconds."""
    return coolsim.seasons(case("monsoon-year"), weather=days(), chart=False)


@cache
def levers(name: str = "humid-delta") -> Levers:
    return coolsim.levers(case(name))


@cache
def mapped(name: str = "humid-delta") -> LeverMap:
    """A cooler as it is, and with more air."""
    more = coolsim.replace(case(name), {"cooler.airflow": "1500 m3/h"})
    found = lever_map(levers(name), answer(name), (more, coolsim.predict(more)))
    assert found is not None
    return found


@cache
def plan() -> Plan:
    return coolsim.plan(case("farm-line"))


@cache
def size() -> SizeAnswer:
    """Of both products, in one of the weathers."""
    buyer = case("cooler-to-buy")
    one = dataclasses.replace(buyer.sizing, weather=buyer.sizing.weather[:1])
    return coolsim.size(dataclasses.replace(buyer, sizing=one))


@cache
def swept() -> Sweep:
    """More airflows and humidities than can be curves, and three temperatures."""
    values = {
        "cooler.airflow": np.linspace(600.0, 2200.0, 8),
        "air.relative_humidity": np.linspace(0.4, 1.0, 7),
        "air.temperature": ["22 degC", "27 degC", "32 degC"],
    }
    return coolsim.sweep(case(), values, units={"cooler.airflow": "m3/h"})


def without_units(picture: Draw) -> Draw:
    """A picture of what has no other units."""
    return lambda units="si", **how: picture(**how)


Draw = Callable[..., Any]
PICTURES: dict[str, tuple[int, Draw]] = {  # name → number of axes, how it is drawn
    "bed": (3, lambda **how: plots.bed(answer(), case=case(), **how)),
    "bed over time": (3, lambda **how: plots.bed(answer(), over="time", **how)),
    "pellet": (1, lambda **how: plots.pellet(answer(), case(), **how)),
    "sweep, a map": (1, lambda **how: swept().plot(at={"air.temperature": 27.0}, **how)),
    "sweep, curves": (1, lambda **how: swept().plot("temperature", at={"air.relative_humidity": 0.8}, **how)),
    "dwell": (2, lambda **how: plots.dwell(*curves(), case=case(), title="airflow", **how)),
    "psychrometric": (1, lambda **how: plots.psychrometric(answer(), case(), **how)),
    "psychrometric, heated": (1, lambda **how: plots.psychrometric(heated_answer(), heated(), **how)),
    "psychrometric, cold": (
        1,
        lambda **how: plots.psychrometric(answer("cold-dry-plateau"), case("cold-dry-plateau"), **how),
    ),
    "psychrometric, frost": (1, lambda **how: plots.psychrometric(*charted(frost), **how)),
    "psychrometric, mild": (1, lambda **how: plots.psychrometric(*charted(mild), **how)),
    "levers": (2, lambda **how: plots.levers(levers(), **how)),
    "levers, line": (2, lambda **how: plots.levers(levers("dryer-then-cooler"), **how)),
    "lever map": (1, lambda **how: plots.lever_map(mapped(), **how)),
    "moisture map": (1, lambda **how: plots.moisture_map(grid(), case(), chosen=answer(), **how)),
    "moisture map, crowded": (1, lambda **how: plots.moisture_map(crowded(), case("monsoon-year"), **how)),
    "fan curve": (
        1,
        lambda **how: plots.fan_curve(answer("monsoon-night"), case("monsoon-night"), sweep(), **how),
    ),
    "isotherms": (1, lambda **how: plots.isotherms(coolsim.load_material("floating-fish-feed"), **how)),
    "isotherms, grain": (1, lambda **how: plots.isotherms(coolsim.load_material("pig-pellets"), **how)),
    "drying curve": (
        2,
        lambda **how: plots.drying_curve(answer("evening-batch"), case=case("evening-batch"), **how),
    ),
    "drying layers": (1, lambda **how: plots.drying_layers(answer("evening-batch"), **how)),
    "belt zones": (2, lambda **how: plots.belt_zones(answer(BELT), case(BELT), **how)),
    "between pellets": (
        2,
        lambda **how: plots.between_pellets(answer("evening-batch"), case("evening-batch"), **how),
    ),
    "between pellets, cooler": (2, lambda **how: plots.between_pellets(*charted(uneven), **how)),
    "balance": (2, lambda **how: plots.balance(answer(), case(), **how)),
    "balance, frost": (2, lambda **how: plots.balance(*charted(frost), **how)),
    "balance, heated": (2, lambda **how: plots.balance(heated_answer(), heated(), **how)),
    "calendar, moisture": (1, lambda **how: plots.calendar(year(), **how)),
    "calendar, fan": (1, lambda **how: plots.calendar(year(), "fan_speed", strategy=1, **how)),
    "strategies": (2, without_units(lambda **how: plots.strategies(year(), **how))),
    "shift": (1, lambda **how: plots.shift(plan(), **how)),
    "along the line": (2, lambda **how: plots.along_the_line(plan(), **how)),
    "to buy": (1, lambda **how: plots.to_buy(size(), **how)),
    "size curve": (2, lambda **how: plots.size_curve(size(), currency="USD", **how)),
}
