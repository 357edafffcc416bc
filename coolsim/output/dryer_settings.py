"""What to dial in on a dryer, as text: the settings on top, then what they give and cost, and what else."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from coolsim.case import Case
from coolsim.output import settings as of_coolers
from coolsim.output import tables
from coolsim.output.page import Page, joined, table, wrapped
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension

if TYPE_CHECKING:
    from coolsim.machines.dryers import DryerSettings
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.settings.find import AtLimit, Change, Reached, SettingsAnswer

# How a value is shown, by the name of a limit or knob: dimension and digits (None: a bare number).
SHOWN: dict[str, tuple[Dimension | None, int]] = {
    "moisture": (u.FRACTION, 2),
    "temperature": (u.TEMPERATURE, 1),
    "feed moisture": (u.FRACTION, 1),
    "feed temperature": (u.TEMPERATURE, 1),
    "water activity": (None, 3),
    "deviation": (u.FRACTION, 2),
    "pellet temperature": (u.TEMPERATURE, 1),
    "exhaust relative humidity": (u.FRACTION, 1),
    "lift-off": (u.FRACTION, 0),
    "bed pressure drop": (u.PRESSURE, 1),
    "airflow": (u.VOLUME_FLOW, 0),
    "inlet air temperature": (u.TEMPERATURE, 1),
    "drying time": (u.TIME, 1),
    "cooling time": (u.TIME, 1),
    "recirculation": (u.FRACTION, 1),
    "bed depth": (u.LENGTH, 1),
}


def advised(case: Case, advice: Advice, page: Page, sure: str = "", roomy: bool = False) -> str:
    """Return the answer to what to set on a dryer; where the target is out of reach, that comes first.

    `sure` tells how sure the settings are; `roomy`: they are to keep off target and limits, for a chance.
    """
    answer = advice.answer
    parts = [
        tables.heading(case.title, page),
        "" if answer.met else _out_of_reach(answer, page, roomy),
        _dial_in(case, answer, page),
        zones(answer.settings, page),
        tables.answer(answer.result, page),
        tables.warnings(answer.result, page, tables.LEVELS[:1]),
        tables.verdict(case, answer.result, page),
        tables.limits(case, answer.result, page),
        sure,
        "" if answer.met else _smallest_changes(case, answer, page),
        of_coolers.costs(case, answer.cost, page),
        "".join(wrapped(text, page) for text in _sentences(case, answer, advice.window, page, roomy)),
        of_coolers.one_step(answer, page),
        tables.warnings(answer.result, page, tables.LEVELS[1:]),
    ]
    return joined(parts)


def dialled(case: Case, settings: DryerSettings, page: Page) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """What is dialled in: label, value, and the keys of [limits] that open it."""
    belt = case.cooler.arrangement == "belt"
    if not math.isnan(settings.inlet_air_temperature):
        label = "air blown in, hottest zone" if belt else "air blown in"
        at = page.number(settings.inlet_air_temperature, u.TEMPERATURE, 1)
        yield label, at, ("inlet_air_temperature",)
    airflow = page.number(settings.airflow, u.VOLUME_FLOW, 0)
    if belt:
        share = settings.airflow / sum(zone.airflow for zone in case.cooler.zones)
        yield "airflow of all zones", airflow, ("airflow",)
        yield "that is, of each zone's as given", f"{100 * share:.1f} %", ("airflow",)
        speed = page.number(60 * settings.belt_speed, u.LENGTH, 2, "ft" if page.units == "us" else "m")
        yield "belt speed", f"{speed}/min", ("bed_depth", "residence_time")
        yield (
            "depth of the bed",
            of_coolers.depth_of(settings.bed_depth, page),
            ("bed_depth", "residence_time"),
        )
        yield "dwell", page.number(settings.duration, u.TIME, 1), ("bed_depth", "residence_time")
    else:
        yield "airflow", airflow, ("airflow",)
        yield "drying time", page.number(settings.duration, u.TIME, 1), ("duration",)
        yield "recirculation", page.number(settings.recirculation, u.FRACTION, 1), ("recirculation",)


def _dial_in(case: Case, answer: SettingsAnswer, page: Page) -> str:
    opened = case.limits.given()
    rows = [
        (label, value, "" if any(key in opened for key in keys) else "as given")
        for label, value, keys in dialled(case, answer.settings, page)
    ]
    title = "Set" if answer.met else "Nearest settings"
    return table([(title, "", ""), *rows], page, right=(1,), bold=tuple(range(len(rows) + 1)))


def zones(settings: DryerSettings, page: Page) -> str:
    """Return what each zone of a belt is set to."""
    if not settings.zone_airflow:
        return ""
    rows = [
        (
            f"{number}",
            "not heated" if hot is None else page.number(hot, u.TEMPERATURE, 1),
            page.number(airflow, u.VOLUME_FLOW, 0),
        )
        for number, (hot, airflow) in enumerate(
            zip(settings.zone_inlet_air_temperature, settings.zone_airflow), 1
        )
    ]
    return table([("zone", "air blown in", "airflow"), *rows], page, right=(1, 2), bold=(0,))


def _in_a_line(case: Case, settings: DryerSettings, page: Page) -> str:
    return ", ".join(f"{label} {value}" for label, value, keys in dialled(case, settings, page))


def _sentences(
    case: Case, answer: SettingsAnswer, window: tuple[Reached, Reached] | None, page: Page, roomy: bool
) -> Iterator[str]:
    if answer.binding:
        yield f"{of_coolers.standing(roomy)}: {', '.join(at_limit(limit, page) for limit in answer.binding)}."
    if window is None:
        yield "No settings keep the limits of the machine, whatever the target."
    for word, end in zip(("Driest", "Wettest"), window or ()):
        at = _in_a_line(case, end.settings, page)
        yield f"{word} exit {of_coolers.within(roomy)}: {100 * end.moisture_wb:.2f} % at {at}."


def _value(name: str, value: float, page: Page) -> str:
    dimension, digits = SHOWN[name]
    if dimension is None:
        return f"{value:.{digits}f}"
    if dimension is u.LENGTH:
        return of_coolers.depth_of(value, page)
    return page.number(value, dimension, digits)


def at_limit(limit: AtLimit, page: Page) -> str:
    name, _, end = limit.limit.partition(", ")
    return f"{end} {name} ({_value(name, limit.value, page)})".strip()


def _out_of_reach(answer: SettingsAnswer, page: Page, chance: bool) -> str:
    missed = ", ".join(at_limit(limit, page) for limit in answer.broken)
    return of_coolers.out_of_reach(missed, page, chance)


def _smallest_changes(case: Case, answer: SettingsAnswer, page: Page) -> str:
    """Return what each thing alone would have to become."""
    s = answer.settings
    now = {
        "feed moisture": case.feed.moisture,
        "feed temperature": case.feed.temperature,
        "inlet air temperature": s.inlet_air_temperature,
        "airflow": s.airflow,
        "drying time": s.duration,
        "cooling time": getattr(case.cooler, "cooling_time", 0.0),  # of a batch
        "recirculation": s.recirculation,
        "bed depth": s.bed_depth,
    }
    rows = [(c.change, _value(c.change, now[c.change], page), _to(c, page)) for c in answer.smallest_changes]
    return of_coolers.alone_would_do(rows, page)


def _to(change: Change, page: Page) -> str:
    if change.to is None:
        return "not by this alone"
    dimension, _ = SHOWN[change.change]
    assert dimension is not None
    stored = u.convert(change.to, change.unit, dimension)
    if change.change == "feed moisture":  # the nearest digit may be too wet
        return f"{of_coolers.rounded_down(stored)} %"
    return _value(change.change, stored, page)
