"""A size, as text: body and fan on top, then what fixes them, each product in each weather, and other floors."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from coolsim.case import Case
from coolsim.output import tables
from coolsim.output.page import NARROW, Page, grid, joined, table, wrapped
from coolsim.output.quantities import at_limit
from coolsim.output.quantities import depth as depth_of
from coolsim.output.settings import money
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.requirements import AtLimit
    from coolsim.studies.sizing.answer import Governs, Missed, Served, SizeAnswer

_PARTS = {
    "floor": "no smaller floor",
    "depth": "depth of the bed",
    "flow": "the fan's flow",
    "pressure": "the fan's pressure",
    "energy": "most energy per tonne",
    "heater": "heater",
}


def sized(case: Case, answer: SizeAnswer, page: Page) -> str:
    """Return the answer to how large; where there is none, what stands in the way."""
    parts = [tables.heading(case.title, page)]
    if answer.met:
        parts += [
            _to_buy(answer, page),
            fixed_by(answer.governing, _PARTS, at_limit, page),
            _each(case, answer, page),
            _floors(case, answer, page),
        ]
    else:
        parts += [_no_size(case, answer, page)]
    return joined([*parts, tables.warnings(answer, page, tables.LEVELS)])  # type: ignore[arg-type]


def _to_buy(answer: SizeAnswer, page: Page) -> str:
    body, fan = answer.body, answer.fan
    assert body is not None and fan is not None and answer.bed_depth is not None
    assert answer.floor_area is not None and answer.airflow is not None
    rows = [
        ("floor area", area_of(answer.floor_area, page)),
        ("  if round, diameter", page.number(body.diameter, u.LENGTH, 2)),
        ("  if square, side", page.number(body.side, u.LENGTH, 2)),
        ("deepest bed", depth_of(body.bed_depth, page)),
        ("  with freeboard, height", page.number(body.height, u.LENGTH, 2)),
        ("air through the bed", page.number(answer.airflow, u.VOLUME_FLOW, 0)),
        ("fan, flow at its inlet", page.number(fan.flow, u.VOLUME_FLOW, 0)),
        (f"  pressure, bed's + {answer.margin:.0%}", pressure_of(fan.pressure, page)),
        ("  density of that air", page.number(fan.density, u.DENSITY, 3 if page.units == "us" else 2)),
        ("  power at the shaft", kilowatts(fan.shaft_power)),
        ("motor, next standard", kilowatts(fan.motor)),
    ]
    if answer.heater is not None:
        rows.append(("heat to the inlet air", kilowatts(answer.heater)))
    energy = answer.specific_energy
    assert energy is not None
    rows.append(("most energy, clean bed", f"{energy * per_mass(page):.2f} kWh/{mass_unit(page)}"))
    return table([("To buy", ""), *rows], page, right=(1,), bold=(0, 1, 8, 11))


def fixed_by(
    governing: Sequence[Governs],
    parts: Mapping[str, str],
    limit_text: Callable[[AtLimit, Page], str],
    page: Page,
) -> str:
    """Return which product in which weather fixes each part of a size; `parts`: how they are called."""
    rows = []
    for g in governing:
        limits = ", ".join(limit_text(limit, page) for limit in g.limits) or "none of its limits"
        rows.append((parts[g.part], f"{g.product}, {g.weather}", limits))
    if page.width >= NARROW:
        return table([("What fixes it", "", "at its limits"), *rows], page, bold=(0,))
    return wrapped("What fixes it", page, style="bold") + "".join(
        wrapped(f"{part}: {who} (at its limits: {limits})", page, indent=2) for part, who, limits in rows
    )


def _each(case: Case, answer: SizeAnswer, page: Page) -> str:
    """Return what each product does in each weather, with its settings."""
    titles = ["at its own settings", "airflow", "bed", "dwell", "exit", "", f"kWh/{mass_unit(page)}"]
    priced, heated = bool(case.costs), answer.heater is not None
    titles += [f"cost/{mass_unit(page)}"] if priced else []
    titles += ["inlet air"] if heated else []
    rows = [(f"{s.product}, {s.weather}", *_run(s, priced, heated, page)) for s in answer.served]
    return grid(titles, rows, page)


def _run(s: Served, priced: bool, heated: bool, page: Page) -> Iterator[str]:
    yield page.number(s.settings.airflow, u.VOLUME_FLOW, 0)
    yield depth_of(s.settings.bed_depth, page)
    yield page.number(s.settings.residence_time, u.TIME, 1)
    yield page.number(s.moisture_wb, u.FRACTION, 2)
    yield page.number(s.temperature, u.TEMPERATURE, 1)
    yield f"{s.specific_energy * per_mass(page):.2f}"
    if priced and s.cost_per_tonne is not None:
        yield money(s.cost_per_tonne * per_mass(page))
    if heated:
        yield page.number(s.settings.inlet_air_temperature, u.TEMPERATURE, 1)


def _floors(case: Case, answer: SizeAnswer, page: Page) -> str:
    priced, mass = bool(case.costs), mass_unit(page)
    titles = ["floor", "deepest bed", "fan", "", "motor", f"kWh/{mass}, mean"]
    titles += [f"cost/{mass}, mean", ""] if priced else [""]
    rows = []
    for f in answer.curve:
        row = [area_of(f.floor_area, page), depth_of(f.bed_depth, page)]
        row += [page.number(f.fan_flow, u.VOLUME_FLOW, 0), pressure_of(f.fan_pressure, page)]
        row += [kilowatts(f.motor), f"{f.specific_energy * per_mass(page):.2f}"]
        row += [money(f.cost_per_tonne * per_mass(page))] if f.cost_per_tonne is not None else []
        row.append("taken" if f.floor_area == answer.floor_area else "")
        rows.append(tuple(row))
    return grid(titles, rows, page)


# -- no size


def _no_size(case: Case, answer: SizeAnswer, page: Page) -> str:
    fixed = case.sizing.floor_area
    where = f"A floor of {area_of(fixed, page)} does not serve" if fixed else "No floor serves"
    text = wrapped(f"{where} every product in every weather within the limits.", page, style="bold")
    if answer.smallest_floor is not None:
        text += wrapped(f"From {area_of(answer.smallest_floor, page)} on, all are served.", page)
    if not answer.missed:
        text += wrapped("Each is served on some floor, but no one floor serves all of them.", page)
    return text + "".join(wrapped(line, page) for line in (_missed(m, page) for m in answer.missed))


def _missed(m: Missed, page: Page) -> str:
    at = (
        f"floor {area_of(m.floor_area, page)}, bed {depth_of(m.settings.bed_depth, page)}, airflow "
        f"{page.number(m.settings.airflow, u.VOLUME_FLOW, 0)}"
    )
    driest = (
        f"{page.number(m.driest, u.FRACTION, 2)}, leaving at {page.number(m.temperature, u.TEMPERATURE, 1)}"
    )
    return f"{m.product} in {m.weather}: driest possible {driest} ({at}); breaks {_all(m.broken, page)}."


def _all(limits: tuple[AtLimit, ...], page: Page) -> str:
    return ", ".join(at_limit(limit, page) for limit in limits)


# -- units


def area_of(area: float, page: Page) -> str:
    return page.number(area, u.AREA, 1 if page.units == "us" else 2).replace("m2", "m²").replace("ft2", "ft²")


def pressure_of(pressure: float, page: Page) -> str:
    return page.number(pressure, u.PRESSURE, 1 if page.units == "us" else 0)


def kilowatts(power: float) -> str:
    return f"{power / 1e3:.3g} kW"


def mass_unit(page: Page) -> str:
    return "short ton" if page.units == "us" else "t"


def per_mass(page: Page) -> float:
    """What a number per tonne is multiplied by to be per mass of this page."""
    return u.shown(1e-3, u.MASS_PRICE, f"/{mass_unit(page).replace(' ', '_')}")
