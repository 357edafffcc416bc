"""How a quantity is told: as text in the reader's units, and as JSON in the unit of its name."""

from __future__ import annotations

import math
from typing import Any

from coolsim.case.quantities import QUANTITIES, Quantity, called
from coolsim.machines.base import INCH
from coolsim.output.page import Page, pretty
from coolsim.scenario import units as u
from coolsim.simulate.requirements import AtLimit
from coolsim.support.dual_units import rounded

MOST_DIGITS = 6  # behind the point, where it takes as many to tell a value from its bound
ODD_DIGITS = 2  # behind the point, more than a quantity has, of what was typed as finely as that
FINE = 0.03  # of a dial's step: what is told is no further from what is set


def unit_of(q: Quantity, page: Page) -> str:
    """The unit in which a page shows a quantity; nothing for a bare number."""
    if q.dimension == "number":
        return ""
    return (q.us if page.units == "us" else q.si) or page.unit(u.DIMENSIONS[q.dimension])


def shown(q: Quantity, value: float, page: Page) -> float:
    """A stored value in that unit."""
    unit = unit_of(q, page)
    return u.shown(value, u.DIMENSIONS[q.dimension], unit) if unit else value


def digits_of(q: Quantity, page: Page) -> int:
    """How many digits stand behind the point."""
    return q.us_digits if page.units == "us" and q.us_digits is not None else q.digits


def text(q: Quantity, value: Any, page: Page, digits: int | None = None) -> str:
    """A stored value as a person reads it; a difference of moistures in points."""
    if math.isnan(value):
        return "unknown"
    digits = digits_of(q, page) if digits is None else digits
    unit = "points" if q.points else pretty(unit_of(q, page))
    return f"{shown(q, float(value), page):.{digits}f} {unit}".rstrip()


def value_and_bound(q: Quantity, value: float, bound: float, page: Page) -> tuple[str, str]:
    """A value and its bound with as many digits as tell them apart: no "70 % is not met: 70 %"."""
    for digits in range(digits_of(q, page), MOST_DIGITS + 1):
        both = text(q, value, page, digits), bound_text(q, bound, page, digits)
        if text(q, bound, page, digits) != both[0]:
            return both
    return both


def bound_text(q: Quantity, bound: float, page: Page, digits: int | None = None) -> str:
    """A bound as it was typed; where that was in other units, with `digits`, or as many as the quantity has."""
    usual = digits_of(q, page)
    typed = _typed_digits(shown(q, bound, page), usual + ODD_DIGITS, 0)
    return text(q, bound, page, typed if typed is not None else usual if digits is None else digits)


def _typed_digits(x: float, most: int, least: int) -> int | None:
    """How many digits behind the point a number was typed with; None where it has more than `most`."""
    exact = (n for n in range(least, most + 1) if math.isclose(round(x, n), x, rel_tol=1e-9, abs_tol=1e-9))
    return next(exact, None)


def setting_text(q: Quantity, value: float, step: float, page: Page) -> str:
    """A setting: a round number of its dial, typed back it is the same; else no further off than `FINE`."""
    if math.isnan(value):
        return "none gives this" if q.name == "fan_speed" else "unknown"
    if not step or math.isnan(step):
        return text(q, value, page)
    digits, x = digits_of(q, page), shown(q, value, page)
    typed = _typed_digits(x, digits + ODD_DIGITS, digits)
    if typed is not None:
        return text(q, value, page, typed)
    fine = abs(shown(q, value + step, page) - x) * FINE
    while digits < MOST_DIGITS and abs(round(x, digits) - x) > fine:
        digits += 1
    return text(q, value, page, digits)


def at_limit(limit: AtLimit, page: Page) -> str:
    """A limit's name and where a state stands."""
    name, _, end = limit.limit.partition(", ")
    q = called(name)
    if q.name == "fan_curve":
        return f"the {q.label}"
    value = "none" if math.isnan(limit.value) else text(q, limit.value, page)
    words = f"{end} {name}".strip() if end in ("", "lowest", "highest") else f"{name}, {end}"
    return f"{words} ({value})"


def written(q: Quantity, value: float) -> tuple[float | None, str]:
    """A stored value as JSON has it, and its unit; None where it is not known."""
    if not math.isfinite(value):
        return None, q.unit
    if not q.unit:
        return value, ""
    return u.shown(value, u.DIMENSIONS[q.dimension], q.unit), q.unit


def at_limits(limits: tuple[AtLimit, ...]) -> list[dict[str, Any]]:
    """Limits with their values as JSON has them."""
    found = []
    for limit in limits:
        value, unit = written(called(limit.limit.partition(", ")[0]), limit.value)
        found.append({"limit": limit.limit, "value": value, "unit": unit})
    return found


def depth(metres: float, page: Page) -> str:
    """A depth of a bed."""
    return text(QUANTITIES["bed_depth"], metres, page)


def shaft_power(power: float, page: Page) -> str:
    """A motor's, with three digits that count."""
    return _of_power(power, shaft_unit(page))


def shaft_unit(page: Page) -> str:
    """What motors are told in; heat has a unit of its own."""
    return "hp" if page.units == "us" else "kW"


def density_digits(page: Page) -> int:
    return 3 if page.units == "us" else 2


def heating(power: float, page: Page) -> str:
    """A heater's, with three digits that count."""
    return _of_power(power, page.unit(u.POWER))


def _of_power(power: float, unit: str) -> str:
    return f"{rounded(u.shown(power, u.POWER, unit))} {unit}"


def standard_motor(power: float, page: Page) -> str:
    """A motor by the kW that it is sold by, behind what they are in the reader's units."""
    metric = _of_power(power, "kW")
    return metric if page.units == "si" else f"{shaft_power(power, page)} ({metric})"


def rounded_down(moisture: float) -> str:
    """Return a highest moisture in % with one digit, never more than it is.

    >>> rounded_down(0.14999), rounded_down(0.149)
    ('14.9', '14.9')
    """
    return f"{math.floor(1000 * moisture + 1e-9) / 10:.1f}"


# -- a machine to build

AS_TYPED = 0.01  # of a size: what is printed of it is as exact as a step of a dial this large would be


def area_of(area: float, page: Page) -> str:
    """A floor, with as many digits as typing it back takes."""
    return setting_text(QUANTITIES["floor_area"], area, AS_TYPED * area, page)


def rounded_area(area: float, page: Page) -> str:
    """A floor as a person compares it, rounded up."""
    q = QUANTITIES["floor_area"]
    step = 10.0 ** -digits_of(q, page)
    x = math.ceil(shown(q, area, page) / step - 1e-6) * step
    return f"{x:.{digits_of(q, page)}f} {pretty(unit_of(q, page))}"


def length_of(length: float, page: Page) -> str:
    """A length, likewise."""
    return setting_text(QUANTITIES["zone_length"], length, AS_TYPED * length, page)


def built(length: float, page: Page) -> str:
    """A length as it is measured out: in US units in feet, and inches to the half.

    >>> built(1.4015, Page(units="us")), built(0.9144, Page(units="us")), built(1.4015, Page())
    ('4 ft 7 in', '3 ft 0 in', '1.40 m')
    """
    if page.units == "si":
        return page.number(length, u.LENGTH, 2)
    feet, inches = divmod(round(2 * length / INCH) / 2, 12)
    return f"{feet:.0f} ft {inches:g} in"


def pressure_of(pressure: float, page: Page) -> str:
    return page.number(pressure, u.PRESSURE, 1 if page.units == "us" else 0)
