"""What a size asks of each kind of machine: its duties, its case once it is sized, what it cannot be."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from coolsim.case.case import Case
from coolsim.case.tables import FanData
from coolsim.machines import dryers as dials
from coolsim.machines.plant import Settings
from coolsim.simulate.requirements import is_dryer
from coolsim.studies import prerequisites
from coolsim.studies.sizing import cooler_duties
from coolsim.studies.sizing.answer import Served, SizeAnswer
from coolsim.studies.sizing.cooler_duties import cooler_duty, warmed
from coolsim.studies.sizing.dryer_duties import area_of, dryer_duty
from coolsim.studies.sizing.duties import Duty
from coolsim.studies.sizing.service import Service, floor_up, rounded_up
from coolsim.support import dual_units
from coolsim.support.errors import Fault, InputError


def duties(names: Sequence[tuple[str, str]], cases: Sequence[Case]) -> list[Duty]:
    """Each product in each weather, by their names and cases."""
    return [(dryer_duty if is_dryer(one) else cooler_duty)(*name, one) for name, one in zip(names, cases)]


def built(case: Case, floor: float) -> float:
    """A floor [m²] that can be built and typed, no smaller: of a dryer a round multiple of its own."""
    if not is_dryer(case):
        return floor_up(floor, case.units)
    given = area_of(case)
    return given * rounded_up(floor / given)


def check(service: Service) -> None:
    """Raise InputError, with every fault, where what a cooler is to serve is out of reach of any air or floor."""
    if is_dryer(service.case):
        return
    faults = []
    for (product, weather), one in zip(service.names, service.cases):
        for fault in prerequisites.impossible(one):
            found = f"{fault.found} for {product!r} in {weather!r}"
            faults.append(dataclasses.replace(fault, found=found))
    if faults:
        raise InputError(faults)
    low, high = cooler_duties.floors(duties(service.names, service.rated))
    fixed = service.case.sizing.floor_area
    ranges = "sizing.bed_depth, sizing.air_ratio, limits.maximum_lift_off and limits.residence_time"
    if low > high:
        key, found = "sizing.bed_depth", "ranges that no floor area can keep for all products"
        allowed = f"widen {ranges}"
    elif fixed is not None and not low <= fixed <= high:
        key, found = "sizing.floor_area", dual_units.area(fixed)
        allowed = f"{ranges} leave {dual_units.area(low)} to {dual_units.area(high)}"
    else:
        return
    raise InputError([Fault(prerequisites.where(service.case, key), key, found, allowed)])


def sized(case: Case, answer: SizeAnswer, served: Served) -> Case:
    """The machine to buy with one product in one weather, set as answered; `case` has what is fed."""
    assert answer.floor_area is not None, "there is no size"
    if not is_dryer(case):
        return _sized_cooler(case, answer.floor_area, served)
    assert answer.dryers is not None, "there is no size"
    duty = dryer_duty(served.product, served.weather, case)
    names = ("airflow", "inlet_air_temperature", "recirculation", "duration", "bed_depth")
    known = {n: getattr(served.settings, n, np.nan) for n in names}
    knobs = {n: x for n, x in known.items() if not np.isnan(x) and (duty.shortens or n != "duration")}
    return dials.with_settings(duty.scaled(answer.floor_area * answer.dryers, answer.dryers), knobs)


def _sized_cooler(case: Case, floor_area: float, served: Served) -> Case:
    """A cooler has another fan then than the one that is there."""
    settings = served.settings
    assert isinstance(settings, Settings), "a cooler's"
    cooler = dataclasses.replace(
        warmed(case, settings.inlet_air_temperature),
        floor_area=floor_area,
        bed_depth=settings.bed_depth,
        airflow=settings.airflow,
        air_ratio=None,
    )
    limits = dataclasses.replace(case.limits, fan_speed=None)
    return dataclasses.replace(case, cooler=cooler, limits=limits, fan=FanData())
