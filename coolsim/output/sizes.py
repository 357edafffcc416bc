"""A size of any machine, as text: what to buy on top, what fixes it, each product in each weather, other floors."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.machines.base import DIALS, airflow_step
from coolsim.output import tables, verdicts
from coolsim.output.cost_tables import mass_unit, money, money_per, per_mass
from coolsim.output.page import Page, beside, grid, heat_per_water, joined, table, wrapped
from coolsim.output.quantities import (
    area_of,
    at_limit,
    built,
    density_digits,
    heating,
    length_of,
    pressure_of,
    rounded_area,
    setting_text,
    shaft_power,
    standard_motor,
)
from coolsim.output.quantities import depth as depth_of
from coolsim.output.verdicts import LIKELY
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.studies.sizing.answer import AirPart, Governs, Missed, Served, SizeAnswer

_PARTS = {
    "floor": "no smaller floor",
    "depth": "depth of the bed",
    "time": "longest drying",
    "flow": "the fan's flow",
    "pressure": "the fan's pressure",
    "energy": "most energy per tonne",
    "heater": "heater",
}
EACH = ("exit", "~", "air blown in", "belt", "bed", "airflow", "recirc.", "time")  # what matters most


def sized(case: Case, answer: SizeAnswer, page: Page) -> str:
    """Return the answer to how large; where there is none, what stands in the way."""
    parts = [tables.heading(case.title, page), "".join(wrapped(line, page) for line in _doubt(answer))]
    parts += [tables.first(answer, page), to_buy(case, answer, page), why_so_large(case, answer, page)]
    return joined([*parts, tables.warnings(answer, page, tables.LEVELS)])


def _doubt(answer: SizeAnswer) -> Iterator[str]:
    """Say before anything is bought that it is not likely enough to serve."""
    chances = [s.chance for s in answer.served if s.chance is not None]
    unsure = sum(chance < LIKELY for chance in chances)
    if unsure:
        yield (
            f"Not likely enough to buy by: {unsure} of {len(chances)} rows below have less than the "
            f"{100 * LIKELY:.0f} % chance of keeping everything that is asked for (assumed); the least likely has "
            f"{verdicts.chance_text(min(chances))}. Measure what is only assumed, the feed's moisture first, or "
            "size for a drier target."
        )


def to_buy(case: Case, answer: SizeAnswer, page: Page) -> str:
    """What to buy; where no size serves, what stands in the way."""
    if not answer.met:
        return _no_size(case, answer, page)
    return _to_buy(answer, page)


def why_so_large(case: Case, answer: SizeAnswer, page: Page) -> str:
    """What fixes a size, each product in each weather, and other floors."""
    if not answer.met:
        return ""
    parts = [
        _zones(answer, page) if answer.arrangement == "belt" else "",
        _fixed_by(answer.governing, page),
        _least_bed(case, answer, page),
        _each(case, answer, page),
        _floors(case, answer, page),
    ]
    return joined(parts)


# -- what to buy


def _to_buy(answer: SizeAnswer, page: Page) -> str:
    of = {"counter-flow": _cooler, "batch": _batch, "belt": _belt}[answer.arrangement]
    rows = [*of(answer, page), *_energy(answer, page)]
    title = f"To buy: {answer.stage}" if answer.stage else "To buy"
    large = [k for k, (label, _) in enumerate(rows, 1) if k == 1 or label.startswith(("motor", "heat"))]
    return table([(title, built_for(answer, page)), *rows], page, right=(1,), bold=(0, *large))


def built_for(answer: SizeAnswer, page: Page) -> str:
    """For how much feed it is, of products that differ for the most."""
    case = answer.case
    each = {} if case is None else {p.feed.throughput for p in case.sizing.product} or {case.feed.throughput}
    if not each:
        return ""
    fed = page.number(max(each), u.MASS_FLOW, 0)
    return f"for {'up to ' if len(each) > 1 else ''}{fed}" + (
        f" and {100 * answer.reserve:.0f} % more" if answer.reserve else ""
    )


def _cooler(answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    body, fan = answer.body, answer.fan
    assert body is not None and fan is not None and answer.floor_area is not None
    yield "floor area", area_of(answer.floor_area, page)
    yield "  if round, diameter", built(body.diameter, page)
    yield "  if square, side", built(body.side, page)
    yield "deepest bed", depth_of(body.bed_depth, page)
    yield "  body with freeboard, height inside", built(body.height, page)
    yield "air through the bed", page.number(answer.airflow or 0.0, u.VOLUME_FLOW, 0)
    yield "fan, flow at its inlet", page.number(fan.flow, u.VOLUME_FLOW, 0)
    yield from _fan(fan, answer, page)
    if answer.heater is not None:
        yield "heat to the inlet air", heating(answer.heater, page)


def _batch(answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    (part,) = answer.zones
    assert answer.floor_area is not None and answer.bed_depth is not None and answer.batch_mass is not None
    yield "batch dryers, side by side", f"{answer.dryers}"
    yield "floor area of each", area_of(answer.floor_area, page)
    yield "  if square, side", built(math.sqrt(answer.floor_area), page)
    yield "deepest bed, as filled", depth_of(answer.bed_depth, page)
    yield "heaviest batch", page.number(answer.batch_mass, u.MASS, 0)
    yield "batches of each in 8 h, at most", f"{answer.batches_per_shift:.1f}"
    yield "longest drying", page.number(answer.drying_time or 0.0, u.TIME, 1)
    yield "air through the bed of each", page.number(part.airflow, u.VOLUME_FLOW, 0)
    yield "fan of each, mean flow of hot air", page.number(part.fan.flow, u.VOLUME_FLOW, 0)
    yield from _fan(part.fan, answer, page)
    if answer.heater is not None:
        yield "heater, of one dryer", heating(answer.heater, page)


def _belt(answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    assert answer.floor_area is not None and answer.bed_depth is not None
    assert answer.belt_width is not None and answer.belt_length is not None
    yield "floor area of the belt", area_of(answer.floor_area, page)
    yield f"  length, at a width of {built(answer.belt_width, page)}", length_of(answer.belt_length, page)
    yield "deepest bed, as laid", depth_of(answer.bed_depth, page)
    yield "longest time in the bed", page.number(answer.drying_time or 0.0, u.TIME, 1)
    if answer.heater is not None:
        yield "heaters, all zones", heating(answer.heater, page)


def _fan(fan: Any, answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    yield f"  pressure, bed's + {100 * answer.margin:.0f} %", pressure_of(fan.pressure, page)
    yield "  density of the air at its inlet", page.number(fan.density, u.DENSITY, density_digits(page))
    yield "  power at the shaft", shaft_power(fan.shaft_power, page)
    yield "motor, next standard", standard_motor(fan.motor, page)


def _energy(answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    assert answer.specific_energy is not None
    digits, mass = (2 if answer.heat_per_water is None else 0), mass_unit(page)
    yield "most energy, clean bed", f"{answer.specific_energy * per_mass(page):.{digits}f} kWh/{mass}"
    if answer.heat_per_water is not None:
        yield "  most heat per water lost", heat_per_water(answer.heat_per_water, page)


def _zones(answer: SizeAnswer, page: Page) -> str:
    titles = ["zone", "length", "air", "fan, mean", "pressure", "motor", "heater"]
    rows = [(f"{number}", *_zone(zone, page)) for number, zone in enumerate(answer.zones, 1)]
    return grid(titles, rows, page, ())


def _zone(zone: AirPart, page: Page) -> Iterator[str]:
    assert zone.length is not None
    yield length_of(zone.length, page)
    yield setting_text(QUANTITIES["airflow"], zone.airflow, airflow_step(zone.airflow, page.units), page)
    yield page.number(zone.fan.flow, u.VOLUME_FLOW, 0)
    yield pressure_of(zone.fan.pressure, page)
    yield shaft_power(zone.fan.motor, page)
    yield "none" if zone.heater is None else heating(zone.heater, page)


def _fixed_by(governing: Sequence[Governs], page: Page) -> str:
    """Return which product in which weather fixes each part of a size."""
    rows = []
    for g in governing:
        limits = ", ".join(at_limit(limit, page) for limit in g.limits) or "none of its limits"
        rows.append((_PARTS[g.part], f"{g.product}, {g.weather}", limits))
    return beside([("What fixes it", "", "at its limits"), *rows], page)


def _least_bed(case: Case, answer: SizeAnswer, page: Page) -> str:
    """Return what it costs that something stands at the least time in the bed, or its least depth."""
    other = answer.without_least_bed
    if other is None or other.floor_area is None or answer.floor_area is None:
        return ""
    floors = [page.number(area, u.AREA, 2) for area in (other.floor_area, answer.floor_area)]
    same = answer.is_as_large(other.floor_area)
    words = "At the least time in the bed, or its least depth. Without: "
    words += "the same floor" if same else f"{floors[0]} of floor (in place of {floors[1]})"
    if other.bed_depth is not None and answer.bed_depth is not None:
        words += (
            f", {depth_of(other.bed_depth, page)} of bed (in place of {depth_of(answer.bed_depth, page)})"
        )
    cost = answer.mean_cost_per_tonne
    if cost is not None and other.cost_per_tonne is not None:
        now, then = (money(x * per_mass(page)) for x in (cost, other.cost_per_tonne))
        words += f", {then} per {mass_unit(page)} (in place of {now})"
    return wrapped(f"{words}.", page)


# -- each product in each weather


def _each(case: Case, answer: SizeAnswer, page: Page) -> str:
    """Return how each product is set in each weather, how it leaves, what that takes and how sure it is."""
    set_so = [dict(_set_so(answer, s, page)) for s in answer.served]
    takes = [dict(_takes(case, answer, s, page)) for s in answer.served]
    how_sure = ("chance", "least sure of", money_per(case, page))
    return joined(
        [
            _by_product("at its own settings", answer, set_so, EACH, page),
            _by_product("what it takes", answer, takes, how_sure, page),
        ]
    )


def _by_product(
    name: str, answer: SizeAnswer, cells: Sequence[dict[str, str]], most: Sequence[str], page: Page
) -> str:
    """A table with a row for each product in each weather; `most`: the columns that matter most."""
    titles = list(dict.fromkeys(title for one in cells for title in one))
    several, rows, before = len({s.product for s in answer.served}) > 1, [], None
    for s, one in zip(answer.served, cells):
        if several and s.product != before:
            rows.append((s.product, *[""] * len(titles)))
            before = s.product
        rows.append((f"{'  ' * several}{s.weather}", *(one.get(title, "-") for title in titles)))
    first = [titles.index(t) + 1 for t in most if t in titles]
    return grid([name, *(t.rstrip("~") for t in titles)], rows, page, first)


def _set_so(answer: SizeAnswer, s: Served, page: Page) -> Iterator[tuple[str, str]]:
    """Titles and texts; a title that ends in ~ is none."""
    yield from settings(s.settings, answer, page)
    yield "exit", page.number(s.moisture_wb, u.FRACTION, 2)
    yield "~", page.number(s.temperature, u.TEMPERATURE, 1)
    if s.line_exit is not None:
        yield "exit of the line", page.number(s.line_exit.moisture_wb, u.FRACTION, 2)
        yield "~~", page.number(s.line_exit.temperature, u.TEMPERATURE, 1)


def _takes(case: Case, answer: SizeAnswer, s: Served, page: Page) -> Iterator[tuple[str, str]]:
    if s.deviation is not None and case.target.maximum_deviation is not None:
        yield "deviation", f"{100 * s.deviation:.2f} points"
    if answer.heater is not None:
        yield "heat", heating(s.heat, page)
    yield "load", f"{100 * s.load:.0f} %"
    mass, dryer = mass_unit(page), s.heat_per_water is not None
    yield f"kWh/{mass}", f"{s.specific_energy * per_mass(page):.{0 if dryer else 2}f}"
    if s.cost_per_tonne is not None:
        yield money_per(case, page), money(s.cost_per_tonne * per_mass(page))
    if s.chance is not None:
        least = min(s.verdicts, key=lambda v: 1.0 if v.chance is None else v.chance)
        yield "chance", verdicts.chance_text(s.chance)
        yield (
            "least sure of",
            f"{least.constraint.quantity.label}, {verdicts.chance_text(least.chance or 0.0)}",
        )


def settings(settings: Any, answer: SizeAnswer, page: Page) -> Iterator[tuple[str, str]]:
    """Return what is set, as it is typed back."""
    dial = DIALS[page.units]
    steps = {**dial, "bed_depth": dial["dryer_bed_depth"]}
    titles = {
        "inlet_air_temperature": "inlet air" if answer.arrangement == "counter-flow" else "air blown in",
        "airflow": "airflow",
        "bed_depth": "bed",
        "belt_speed": "belt",
        "duration": "time",
        "residence_time": "time",
        "recirculation": "recirc.",
    }
    for name, title in titles.items():
        value = getattr(settings, name, math.nan)
        if name == "inlet_air_temperature" and math.isnan(value):
            yield title, "not heated"
        elif math.isnan(value) or (title == "inlet air" and answer.heater is None):
            continue
        elif name == "residence_time" or (name == "duration" and answer.arrangement == "belt"):
            yield title, page.number(value, u.TIME, 1)  # follows from the others
        else:
            step = airflow_step(value, page.units) if name == "airflow" else steps[name]
            yield title, setting_text(QUANTITIES[name], value, step, page)


# -- other floors


def _floors(case: Case, answer: SizeAnswer, page: Page) -> str:
    mass, taken = mass_unit(page), (answer.floor_area or 0.0) * (answer.dryers or 1)
    titles = ["floor, all dryers" if answer.arrangement == "batch" else "floor", "deepest bed"]
    fans = all(f.motor is not None for f in answer.curve)
    titles += ["fan", "", "motor"] if fans else []
    titles += [f"kWh/{mass}, mean"] + ([f"{money_per(case, page)}, mean"] if case.costs else []) + [""]
    rows = []
    for f in answer.curve:
        same = math.isclose(f.floor_area, taken, rel_tol=1e-9)
        area = area_of(f.floor_area, page) if same else rounded_area(f.floor_area, page)
        row = [area, depth_of(f.bed_depth, page)]
        if f.fan_flow is not None and f.fan_pressure is not None and f.motor is not None:
            row += [page.number(f.fan_flow, u.VOLUME_FLOW, 0), pressure_of(f.fan_pressure, page)]
            row += [shaft_power(f.motor, page)]
        row += [f"{f.specific_energy * per_mass(page):.{2 if fans else 0}f}"]
        row += [money(f.cost_per_tonne * per_mass(page))] if f.cost_per_tonne is not None else []
        row.append("taken" if same else "")
        rows.append(tuple(row))
    cost = [k for k, title in enumerate(titles) if title.startswith(money_per(case, page))]
    first = [len(titles) - 1, 1, *cost, *(k for k, title in enumerate(titles) if title == "motor")]
    at = f"Every floor at {100 * (1 + answer.reserve):.0f} % of the throughput. " if answer.reserve else ""
    return grid(titles, rows, page, first) + wrapped(f"{at}{why_taken(answer)}", page)


def why_taken(answer: SizeAnswer) -> str:
    """Why a size has the floor that it has."""
    if answer.case is None:
        return ""
    asked = answer.case.sizing
    if asked.floor_area is not None:
        return "The floor that is taken was asked for (sizing.floor_area)."
    most = f"{100 * asked.above_least:.0f} %"
    return f"Taken is the smallest floor that runs within {most} of the cheapest (sizing.above_least)."


# -- no size


def _no_size(case: Case, answer: SizeAnswer, page: Page) -> str:
    fixed = case.sizing.floor_area
    where = f"A floor of {area_of(fixed, page)} does not serve" if fixed else "No floor serves"
    of = f" for {answer.stage}" if answer.stage else ""
    more = (
        f" at {100 * (1 + answer.reserve):.0f} % of the throughput (sizing.reserve)" if answer.reserve else ""
    )
    words = f"{where} every product in every weather within the limits{of}{more}."
    text = wrapped(words, page, style="bold")
    if answer.smallest_floor is not None:
        text += wrapped(f"From {rounded_area(answer.smallest_floor, page)} on, all are served.", page)
    elif not answer.missed:
        text += wrapped("Each is served on some floor, but no one floor serves all of them.", page)
    return text + "".join(wrapped(line, page) for m in answer.missed for line in _missed(m, answer, page))


def _missed(m: Missed, answer: SizeAnswer, page: Page) -> Iterator[str]:
    driest = (
        f"{page.number(m.driest, u.FRACTION, 2)}, leaving at {page.number(m.temperature, u.TEMPERATURE, 1)}"
    )
    told = ", ".join(f"{name} {text}" for name, text in settings(m.settings, answer, page))
    broken = ", ".join(at_limit(limit, page) for limit in m.broken) or "none alone, but not all at once"
    yield (
        f"{m.product} in {m.weather}: driest possible {driest} (floor {rounded_area(m.floor_area, page)}, {told}); "
        f"breaks {broken}."
    )
    if m.binding:
        ends = ", ".join(at_limit(limit, page) for limit in m.binding)
        yield f"It stands at {ends}: room there would help, as would a drier feed or more air per floor area."
