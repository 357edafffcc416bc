"""What to dial in, as text: the settings on top, what they give and cost, and what else could be reached."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from coolsim.case import Case
from coolsim.output import tables
from coolsim.output.page import NARROW, Page, joined, pretty, table, wrapped
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension
from coolsim.studies.asked import HIGHEST_FEED_MOISTURE

if TYPE_CHECKING:
    from coolsim.machines.plant import Cost, Settings
    from coolsim.studies.settings.advice import Advice, Heated
    from coolsim.studies.settings.find import AtLimit, Change, SettingsAnswer

# How a limit's value is shown, by its name: dimension and digits (None: a bare number).
_SHOWN: dict[str, tuple[Dimension | None, int]] = {
    "moisture": (u.FRACTION, 2),
    "above ambient": (u.DIFFERENCE, 1),
    "water activity": (None, 3),
    "exhaust relative humidity": (u.FRACTION, 1),
    "lift-off": (u.FRACTION, 0),
    "bed pressure drop": (u.PRESSURE, 1),
    "fan speed": (u.FRACTION, 1),
    "airflow": (u.VOLUME_FLOW, 0),
    "bed depth": (u.LENGTH, 1),
    "inlet air temperature": (u.TEMPERATURE, 1),
    "air ratio": (u.AIR_RATIO, 2),
    "residence time": (u.TIME, 1),
}
_CHANGED = {"%": u.FRACTION, "degC": u.TEMPERATURE, "m3/h": u.VOLUME_FLOW, "min": u.TIME}  # by Change.unit
# What may be set, by what is printed of it: keys of [limits].
OPENED_BY = {
    "airflow": ("airflow", "fan_speed"),
    "bed_depth": ("bed_depth", "residence_time"),
    "inlet_air_temperature": ("inlet_air_temperature",),
}


def advised(case: Case, advice: Advice, page: Page, sure: str = "", roomy: bool = False) -> str:
    """Return the answer to what to set as text; where the target is out of reach, that comes first.

    `sure` tells how sure the settings are; `roomy`: they are to keep off target and limits, for a chance.
    """
    answer = advice.answer
    parts = [
        tables.heading(case.title, page),
        "" if answer.met else _out_of_reach(answer, page, roomy),
        _dial_in(case, answer, page),
        tables.answer(answer.result, page),
        tables.warnings(answer.result, page, tables.LEVELS[:1]),
        tables.verdict(case, answer.result, page),
        tables.limits(case, answer.result, page),
        sure,
        "" if answer.met else _smallest_changes(case, answer, page) + _dryer(advice.heated, answer, page),
        costs(case, answer.cost, page),
        "".join(wrapped(text, page) for text in _sentences(case, advice, page, roomy)),
        one_step(answer, page),
        tables.warnings(answer.result, page, tables.LEVELS[1:]),
    ]
    return joined(parts)


# -- what to set


def dialled(case: Case, settings: Settings, page: Page) -> list[tuple[str, str, str]]:
    """What is dialled in: label, value, and the knob."""
    rows = []
    if case.fan:
        rows.append(("fan speed", _speed(settings), "airflow"))
    rows.append(("airflow", _airflow(settings, page), "airflow"))
    rows.append(("depth of the bed", depth_of(settings.bed_depth, page), "bed_depth"))
    rows.append(("dwell", page.number(settings.residence_time, u.TIME, 1), "bed_depth"))
    if case.limits.inlet_air_temperature is not None:
        inlet = page.number(settings.inlet_air_temperature, u.TEMPERATURE, 1)
        rows.append(("inlet air", inlet, "inlet_air_temperature"))
    return rows


def _dial_in(case: Case, answer: SettingsAnswer, page: Page) -> str:
    """Return the settings; what the scenario does not open is said to stay."""
    opened = case.limits.given()
    shown = [
        (label, text, "" if any(key in opened for key in OPENED_BY[knob]) else "as given")
        for label, text, knob in dialled(case, answer.settings, page)
    ]
    title = "Set" if answer.met else "Nearest settings"
    return table([(title, "", ""), *shown], page, right=(1,), bold=tuple(range(len(shown) + 1)))


def _speed(settings: Settings) -> str:
    return "none gives this" if math.isnan(settings.fan_speed) else f"{100 * settings.fan_speed:.1f} %"


def _airflow(settings: Settings, page: Page) -> str:
    return page.number(settings.airflow, u.VOLUME_FLOW, 0)


def depth_of(depth: float, page: Page) -> str:
    return page.number(depth, u.LENGTH, 1, "in" if page.units == "us" else "cm")


def _in_a_line(case: Case, settings: Settings, page: Page) -> str:
    parts = [f"airflow {_airflow(settings, page)}"]
    if not math.isnan(settings.fan_speed):
        parts.append(f"fan {_speed(settings)}")
    parts.append(f"bed {depth_of(settings.bed_depth, page)}")
    parts.append(f"dwell {page.number(settings.residence_time, u.TIME, 1)}")
    if case.limits.inlet_air_temperature is not None:
        parts.append(f"inlet air {page.number(settings.inlet_air_temperature, u.TEMPERATURE, 1)}")
    return ", ".join(parts)


# -- what it costs


def costs(case: Case, cost: Cost, page: Page) -> str:
    currency = case.costs.currency
    mass = "short ton" if page.units == "us" else "t"
    rows = [("electricity", cost.electricity)]
    if case.costs.heat is not None or cost.heat > 0.0:
        rows.append(("heat", cost.heat))
    rows += [("overdried feed", cost.overdried_feed), ("total", cost.total)]
    tonnes = 3.6 * case.feed.throughput
    per_mass = u.shown(1e-3, u.MASS_PRICE, f"/{mass.replace(' ', '_')}")
    shown = [(label, money(hourly), money(hourly / tonnes * per_mass)) for label, hourly in rows]
    titles = (f"Cost in {currency}" if currency else "Cost", "per hour", f"per {mass}")
    return table([titles, *shown], page, right=(1, 2), bold=(0, len(shown)))


def money(amount: float) -> str:
    """Return an amount with three digits, and none behind the point where it is large.

    >>> money(0.033476), money(12.345), money(1234.5), money(0.0)
    ('0.0335', '12.3', '1234', '0')
    """
    if math.isnan(amount):
        return "unknown"
    if abs(amount) < 5e-4:  # less than any currency can show
        return "0"
    return f"{amount:.{max(0, 2 - math.floor(math.log10(abs(amount))))}f}"


# -- in words


def _sentences(case: Case, advice: Advice, page: Page, roomy: bool) -> Iterator[str]:
    answer = advice.answer
    if answer.binding:
        yield f"{standing(roomy)}: {', '.join(at_limit(limit, page) for limit in answer.binding)}."
    if answer.hardly_matters:
        dwell = " (dwell)" if "residence time" in answer.hardly_matters else ""
        yield (
            f"The {' and '.join(answer.hardly_matters)}{dwell} hardly matters for the cost here: this is the "
            "smallest that meets target and limits."
        )
    if advice.window is None:
        yield "No settings keep the limits of the machine, whatever the target."
    else:
        for word, end in zip(("Driest", "Wettest"), advice.window):
            at = _in_a_line(case, end.settings, page)
            yield f"{word} exit {within(roomy)}: {100 * end.moisture_wb:.2f} % at {at}."
    yield _required(case, answer)


def standing(roomy: bool) -> str:
    """Return what stands before limits; `roomy`: numbers that are not exact stand off theirs, for a chance."""
    return "At their limits, or as far off as the chance takes" if roomy else "At their limits"


def within(roomy: bool) -> str:
    return f"within the machine's limits{' with that room' if roomy else ''}"


def at_limit(limit: AtLimit, page: Page) -> str:
    """Return a limit's name and value."""
    name, _, end = limit.limit.partition(", ")
    if name == "fan curve":
        return "the falling side of the fan's curve"
    dimension, digits = _SHOWN[name]
    if math.isnan(limit.value):
        value = "none"
    elif dimension is u.LENGTH:
        value = depth_of(limit.value, page)
    elif dimension is None:
        value = f"{limit.value:.{digits}f}"
    else:
        value = page.number(limit.value, dimension, digits)
    return f"{end} {name} ({value})" if end else f"{name} ({value})"


def _required(case: Case, answer: SettingsAnswer) -> str:
    target, now, need = case.target, 100 * case.feed.moisture, answer.required_feed_moisture
    goal = f"For {100 * target.moisture:.4g} % now"
    if need is None:
        return f"{goal}, no feed is dry enough: another limit or wish stands in the way."
    if need > HIGHEST_FEED_MOISTURE - 1e-4:
        most = 100 * HIGHEST_FEED_MOISTURE
        return f"{goal}, the feed may come in at {most:.0f} % at least; no wetter was tried."
    verb = "the feed may come in at" if answer.met else "bring the feed to"
    return f"{goal}, {verb} {rounded_down(need)} % or drier; it is at {now:.4g} %."


def rounded_down(moisture: float) -> str:
    """Return a highest moisture in % with one digit, never more than it is.

    >>> rounded_down(0.14999), rounded_down(0.149)
    ('14.9', '14.9')
    """
    return f"{math.floor(1000 * moisture + 1e-9) / 10:.1f}"


# -- out of reach


def _out_of_reach(answer: SettingsAnswer, page: Page, chance: bool) -> str:
    missed = ", ".join(at_limit(limit, page) for limit in answer.broken)
    return out_of_reach(missed, page, chance)


def out_of_reach(missed: str, page: Page, chance: bool) -> str:
    """Return that no settings serve; `chance`: as far off target and limits as it takes."""
    words = f"no settings within the limits meet the target. The nearest still misses: {missed}."
    if chance:
        words = f"no settings keep as far off target and limits as it takes. Too near: {missed}."
    return wrapped(
        f"Out of reach{' with the chance asked for' if chance else ''}: {words}", page, style="bold"
    )


def _smallest_changes(case: Case, answer: SettingsAnswer, page: Page) -> str:
    """Return what each thing alone would have to become."""
    settings = answer.settings
    now = {
        "feed moisture": case.feed.moisture,
        "feed temperature": case.feed.temperature,
        "inlet air temperature": settings.inlet_air_temperature,
        "airflow": settings.airflow,
        "dwell": settings.residence_time,
    }
    rows = []
    for change in answer.smallest_changes:
        dimension = _CHANGED[change.unit]
        digits = 0 if dimension is u.VOLUME_FLOW else 1
        rows.append((change.change, page.number(now[change.change], dimension, digits), _to(change, page)))
    return alone_would_do(rows, page)


def alone_would_do(rows: list[tuple[str, str, str]], page: Page) -> str:
    """Return the table of what each thing alone would have to become: name, value now, value that serves."""
    titles = ("Alone would do", "now", "to")
    if page.width >= NARROW:
        return table([titles, *rows], page, right=(1, 2), bold=(0,))
    return wrapped(titles[0], page, style="bold") + "".join(
        wrapped(f"{label}: {to} (now {at})", page, indent=2) for label, at, to in rows
    )


def _to(change: Change, page: Page) -> str:
    if change.to is None:
        return "not by this alone"
    dimension = _CHANGED[change.unit]
    stored = u.convert(change.to, change.unit, dimension)
    if dimension is u.FRACTION:
        return f"{rounded_down(stored)} %"
    return page.number(stored, dimension, 0 if dimension is u.VOLUME_FLOW else 1)


def _dryer(heated: Heated | None, answer: SettingsAnswer, page: Page) -> str:
    """Say where heated inlet air would buy moisture with exit temperature, and what to do instead."""
    helps = any(c.change == "inlet air temperature" and c.to is not None for c in answer.smallest_changes)
    if heated is None or helps:
        return ""
    inlet, out = (
        page.number(x, u.TEMPERATURE, 0) for x in (heated.inlet_air_temperature, heated.temperature)
    )
    air = f"inlet air of {inlet} (airflow {page.number(heated.airflow, u.VOLUME_FLOW, 0)})"
    dryer = "Rather bring the feed in drier, or put a dryer before the cooler."
    if not heated.dry_enough:
        text = f"Not even {air} brings the moisture; the pellets would leave at {out}. {dryer}"
    elif heated.too_warm:
        text = (
            f"Heated {air} would bring the moisture, but the pellets would leave at {out}, too warm. {dryer}"
        )
    else:
        text = (
            f"Heated {air} would bring the moisture, the pellets leaving at {out}: to search there, give "
            "limits.inlet_air_temperature."
        )
    return "\n" + wrapped(text, page)


# -- one step


def one_step(answer: SettingsAnswer, page: Page) -> str:
    """Return what one step of each thing adds to the exit."""
    out, unit = answer.result.pellets_out, page.unit(u.DIFFERENCE)
    rows = []
    for step in answer.one_step:
        wetter = 100 * (step.moisture_wb - float(out.moisture_wb))
        warmer = u.shown(step.temperature - float(out.temperature), u.DIFFERENCE, unit)
        label = step.change.replace("+1 °C", "+1.8 °F") if page.units == "us" else step.change
        rows.append((label, _signed(wetter, 2), _signed(warmer, 1)))
    long = page.width >= NARROW
    titles = ("One step", "exit moisture, points" if long else "points")
    degrees = f"exit temperature, {pretty(unit)}" if long else pretty(unit)
    return table([(*titles, degrees), *rows], page, right=(1, 2), bold=(0,))


def _signed(change: float, digits: int) -> str:
    """Return a change with its sign, unless it rounds to nothing.

    >>> _signed(0.123, 2), _signed(-0.001, 2)
    ('+0.12', '0.00')
    """
    text = f"{change:+.{digits}f}"
    return text if float(text) else text[1:]
