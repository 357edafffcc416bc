"""What a machine to buy is to serve: each product in each weather, with a reserve of throughput."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.case.tables import DesignWeather, Product
from coolsim.machines.base import airflow_step
from coolsim.scenario.weather import read_weather
from coolsim.simulate.finishing import uncoated
from coolsim.studies.climate import design_weather
from coolsim.support.dual_units import FOOT

RESERVE = 0.10  # of throughput, where sizing.reserve is not typed; assumed: common practice, no source


@dataclass(frozen=True)
class Service:
    """Each product in each weather, product by product: names, and the case of the machine alone."""

    names: list[tuple[str, str]]
    cases: list[Case]  # at the throughput of the scenario
    on_dial: bool = True  # whether sizes are round numbers, and settings steps of their dials
    curve: bool = True  # whether other floors are told beside the one that is taken

    @property
    def rated(self) -> list[Case]:
        """The same with the reserve: what floor, fans and heaters are for."""
        return [_with_more(one, reserve_of(one)) for one in self.cases]

    @property
    def case(self) -> Case:
        """What all have in common: machine, limits, costs and the size asked for."""
        return self.cases[0]

    @property
    def load(self) -> float:
        """Throughput as a share of what the machine is for."""
        return 1 / (1 + reserve_of(self.case))


def service_of(case: Case, on_dial: bool = True, curve: bool = True) -> Service:
    """What a machine alone is to serve."""
    pairs, cases = duties_of(case)
    return Service([(p.name, w.name) for p, w in pairs], cases, on_dial, curve)


def reserve_of(case: Case) -> float:
    """Throughput beyond that of the feed for which a size is, as a share."""
    typed = case.sizing.reserve
    return RESERVE if typed is None else float(typed)


def rounded_up(size: float) -> float:
    """A size with three digits, no smaller than it is: what is built, and typed back.

    >>> rounded_up(1.3747), rounded_up(0.05), rounded_up(12.0001)
    (1.38, 0.05, 12.1)
    """
    step = 10.0 ** (math.floor(math.log10(size)) - 2)
    return round(math.ceil(size / step * (1 - 1e-9)) * step, 12)


def floor_up(area: float, units: str) -> float:
    """The same of a floor [m²], in m² or ft².

    >>> round(floor_up(1.5375, "us") / FOOT**2, 9)
    16.6
    """
    unit = FOOT**2 if units == "us" else 1.0
    return unit * rounded_up(area / unit)


def dial_to(airflow: float, units: str) -> float:
    """The end of the airflow's dial: a step of it, no less than an airflow [m³/s]."""
    step = airflow_step(airflow, units)
    return step * math.ceil(airflow / step * (1 - 1e-9))


def _with_more(case: Case, share: float) -> Case:
    """The case with so much more feed."""
    return dataclasses.replace(
        case, feed=dataclasses.replace(case.feed, throughput=case.feed.throughput * (1 + share))
    )


def duties_of(case: Case) -> tuple[list[tuple[Product, DesignWeather]], list[Case]]:
    """Each product in each weather of [sizing], product by product: their names, and the case of each.

    What is wished of coated pellets is turned there, since it hangs on the air outside and on the material.
    """
    sizing = case.sizing
    products = sizing.product or (Product("the feed", case.material, case.feed),)
    if sizing.product and case.arrival is not None:  # a product states its feed: only the weather acts on it
        typed = dataclasses.replace(case.arrival, typed=("moisture", "temperature"))
        case = dataclasses.replace(case, arrival=typed)
    weathers = sizing.weather or (DesignWeather("the air outside", case.air),)
    airs = _design_airs(case, weathers)
    cases = [
        uncoated(dataclasses.replace(case, material=p.material, feed=p.feed, air=a))
        for p in products
        for a in airs
    ]
    return [(p, w) for p in products for w in weathers], cases


def _design_airs(case: Case, weathers: Sequence[DesignWeather]) -> list[Air]:
    """The air of each design weather; of a percentile, the hour of the weather file nearest to it."""
    record = read_weather(case) if any(w.air is None for w in weathers) else None
    airs = []
    for w in weathers:
        if w.air is None and record is not None and w.percentile is not None:
            hour = design_weather(record, w.percentile).air
            airs.append(Air(*(float(getattr(hour, f.name)[0]) for f in dataclasses.fields(Air))))
        elif w.air is not None:
            airs.append(w.air)
    return airs
