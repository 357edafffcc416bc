"""A size of dryers, as text: what to buy on top, then what fixes it, each product in each weather, other floors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from coolsim.case import Case
from coolsim.output import tables
from coolsim.output.page import Page, grid, heat_per_water, joined, table, wrapped
from coolsim.output.quantities import at_limit
from coolsim.output.quantities import depth as depth_of
from coolsim.output.settings import money
from coolsim.output.size import area_of, fixed_by, kilowatts, mass_unit, per_mass, pressure_of
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.machines.dryers import DryerSettings
    from coolsim.studies.drying.sizes.answer import AirPart, DryerMissed, DryerServed, DryerSize

_PARTS = {
    "floor": "no smaller floor",
    "depth": "depth of the bed",
    "time": "longest drying",
    "flow": "a fan's flow",
    "pressure": "a fan's pressure",
    "energy": "most energy per tonne",
    "heater": "heater",
}
# How the value of a limit is shown: dimension and digits (none: a bare number).


def sized(case: Case, answer: DryerSize, page: Page) -> str:
    """Return the answer to how large a dryer; where there is none, what stands in the way."""
    parts = [tables.heading(case.title, page)]
    if answer.met:
        parts += [
            _to_buy(answer, page),
            _zones(answer, page) if answer.arrangement == "belt" else "",
            fixed_by(answer.governing, _PARTS, at_limit, page),
            _each(case, answer, page),
            _floors(case, answer, page),
        ]
    else:
        parts += [_no_size(case, answer, page)]
    return joined([*parts, tables.warnings(answer, page, tables.LEVELS)])  # type: ignore[arg-type]


def _to_buy(answer: DryerSize, page: Page) -> str:
    assert answer.dryers is not None and answer.floor_area is not None and answer.drying_time is not None
    assert answer.specific_energy is not None and answer.heat_per_water is not None
    assert answer.bed_depth is not None
    rows = list(_batch_rows(answer, page) if answer.arrangement == "batch" else _belt_rows(answer, page))
    if answer.heater is not None:
        title = "heater, of one dryer" if answer.arrangement == "batch" else "heaters, all zones"
        rows.append((title, kilowatts(answer.heater)))
    rows += [
        ("most energy, clean bed", f"{answer.specific_energy * per_mass(page):.0f} kWh/{mass_unit(page)}"),
        ("  most heat per water lost", heat_per_water(answer.heat_per_water, page)),
    ]
    return table([("To buy", ""), *rows], page, right=(1,), bold=(0, 1))


def _batch_rows(answer: DryerSize, page: Page) -> Iterator[tuple[str, str]]:
    (part,) = answer.zones
    assert answer.floor_area is not None and answer.bed_depth is not None and answer.batch_mass is not None
    assert answer.drying_time is not None
    yield "batch dryers, side by side", f"{answer.dryers}"
    yield "floor area of each", area_of(answer.floor_area, page)
    yield "  if square, side", page.number(math.sqrt(answer.floor_area), u.LENGTH, 2)
    yield "deepest bed, as filled", depth_of(answer.bed_depth, page)
    yield "heaviest batch", page.number(answer.batch_mass, u.MASS, 0)
    yield "batches of each in 8 h, at most", f"{answer.batches_per_shift:.1f}"
    yield "longest drying", page.number(answer.drying_time, u.TIME, 1)
    yield from _fan_rows(part, answer, page)


def _belt_rows(answer: DryerSize, page: Page) -> Iterator[tuple[str, str]]:
    assert answer.floor_area is not None and answer.bed_depth is not None and answer.drying_time is not None
    assert answer.belt_width is not None and answer.belt_length is not None
    yield "floor area of the belt", area_of(answer.floor_area, page)
    width = page.number(answer.belt_width, u.LENGTH, 2)
    yield f"  length, at a width of {width}", page.number(answer.belt_length, u.LENGTH, 2)
    yield "deepest bed, as laid", depth_of(answer.bed_depth, page)
    yield "longest dwell", page.number(answer.drying_time, u.TIME, 1)


def _fan_rows(part: AirPart, answer: DryerSize, page: Page) -> Iterator[tuple[str, str]]:
    fan = part.fan
    yield "air through the bed of each", page.number(part.airflow, u.VOLUME_FLOW, 0)
    yield "fan of each, mean flow of hot air", page.number(fan.flow, u.VOLUME_FLOW, 0)
    yield f"  pressure, bed's + {answer.margin:.0%}", pressure_of(fan.pressure, page)
    yield "  density of that air", page.number(fan.density, u.DENSITY, 3 if page.units == "us" else 2)
    yield "  power at the shaft", kilowatts(fan.shaft_power)
    yield "motor, next standard", kilowatts(fan.motor)


def _zones(answer: DryerSize, page: Page) -> str:
    titles = ["zone", "length", "air", "fan, mean", "pressure", "motor", "heater"]
    rows = []
    for number, z in enumerate(answer.zones, 1):
        assert z.length is not None
        rows.append(
            (
                f"{number}",
                page.number(z.length, u.LENGTH, 2),
                page.number(z.airflow, u.VOLUME_FLOW, 0),
                page.number(z.fan.flow, u.VOLUME_FLOW, 0),
                pressure_of(z.fan.pressure, page),
                kilowatts(z.fan.motor),
                "none" if z.heater is None else kilowatts(z.heater),
            )
        )
    return grid(titles, rows, page)


def _each(case: Case, answer: DryerSize, page: Page) -> str:
    """Return what each product does in each weather, with its settings."""
    mass, priced = mass_unit(page), bool(case.costs)
    even = case.target.maximum_deviation is not None
    titles = ["at its own settings", "air blown in", "airflow", "bed", "time", "exit"]
    titles += ["deviation"] if even else []
    titles += ["heat", f"kWh/{mass}"] + ([f"cost/{mass}"] if priced else [])
    rows = [(f"{s.product}, {s.weather}", *_run(s, even, priced, page)) for s in answer.served]
    return grid(titles, rows, page)


def _run(s: DryerServed, even: bool, priced: bool, page: Page) -> Iterator[str]:
    hot = s.settings.inlet_air_temperature
    yield "not heated" if math.isnan(hot) else page.number(hot, u.TEMPERATURE, 1)
    yield page.number(s.settings.airflow, u.VOLUME_FLOW, 0)
    yield depth_of(s.settings.bed_depth, page)
    yield page.number(s.settings.duration, u.TIME, 1)
    yield page.number(s.moisture_wb, u.FRACTION, 2)
    if even:
        yield f"{100 * s.deviation:.2f} points"
    yield kilowatts(s.heat)
    yield f"{s.specific_energy * per_mass(page):.0f}"
    if priced and s.cost_per_tonne is not None:
        yield money(s.cost_per_tonne * per_mass(page))


def _floors(case: Case, answer: DryerSize, page: Page) -> str:
    priced, mass = bool(case.costs), mass_unit(page)
    titles = ["floor, all dryers" if answer.arrangement == "batch" else "floor", "deepest bed"]
    titles += [f"kWh/{mass}, mean"] + ([f"cost/{mass}, mean"] if priced else []) + [""]
    rows, taken = [], (answer.floor_area or 0.0) * (answer.dryers or 1)
    for f in answer.curve:
        row = [area_of(f.floor_area, page), depth_of(f.bed_depth, page)]
        row += [f"{f.specific_energy * per_mass(page):.0f}"]
        row += [money(f.cost_per_tonne * per_mass(page))] if f.cost_per_tonne is not None else []
        row.append("taken" if math.isclose(f.floor_area, taken, rel_tol=1e-9) else "")
        rows.append(tuple(row))
    return grid(titles, rows, page)


# -- no size


def _no_size(case: Case, answer: DryerSize, page: Page) -> str:
    fixed = case.sizing.floor_area
    where = f"A floor of {area_of(fixed, page)} does not serve" if fixed else "No floor serves"
    text = wrapped(f"{where} every product in every weather within the limits.", page, style="bold")
    if answer.smallest_floor is not None:
        text += wrapped(f"From {area_of(answer.smallest_floor, page)} on, all are served.", page)
    return text + "".join(wrapped(line, page) for m in answer.missed for line in _missed(m, page))


def _missed(m: DryerMissed, page: Page) -> Iterator[str]:
    exit_ = (
        f"{page.number(m.driest, u.FRACTION, 2)}, leaving at {page.number(m.temperature, u.TEMPERATURE, 1)}"
    )
    broken = ", ".join(at_limit(limit, page) for limit in m.broken) or "none alone, but not all at once"
    yield f"{m.product} in {m.weather}: driest possible {exit_} ({_set_so(m.settings, page)}); breaks {broken}."
    if m.binding:
        ends = ", ".join(at_limit(limit, page) for limit in m.binding)
        yield f"It stands at {ends}: room there would help, as would a drier feed or more air per floor area."


def _set_so(s: DryerSettings, page: Page) -> str:
    hot = s.inlet_air_temperature
    air = "air not heated" if math.isnan(hot) else f"air blown in {page.number(hot, u.TEMPERATURE, 1)}"
    return f"{air}, bed {depth_of(s.bed_depth, page)}, time {page.number(s.duration, u.TIME, 1)}"
