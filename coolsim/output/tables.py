"""What people read: short tables with the answer on top. Text only; works at 40 columns and in ASCII."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import BetweenPellets, Energy, FanRun, Result, Warning
from coolsim.output import library, lines, verdicts
from coolsim.output.finishing import finishing
from coolsim.output.page import Page, beside, heat_per_water, joined, pretty, table, wrapped
from coolsim.output.quantities import pressure_of
from coolsim.output.upstream import coming
from coolsim.scenario import inputs, typed_as
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension
from coolsim.simulate.bagging_cautions import is_urgent
from coolsim.simulate.finishing import target_moisture
from coolsim.simulate.verdicts import verdicts_of
from coolsim.support.fields import Number

LEVELS = ("danger", "check", "note")
LEAST_FLASH = 5e-5  # kg/kg wet; less would read 0.00 %
_STYLES = {"danger": "bold red", "check": "yellow", "note": ""}  # beside the word, never instead of it


def predicted(case: Case, result: Result, page: Page, sure: str = "", chance: float | None = None) -> str:
    """Return the answer to one case as text; `sure` tells how sure it is, `chance` that all is kept, if known."""
    # an answer that cannot be must not be read without its danger, which a long table would hide
    parts = [heading(case.title, page), first(result, page), doubt(case, result, chance, page)]
    parts += [answer(result, page)]
    parts += [warnings(result, page, LEVELS[:1])]
    names = [run.name for run in result.stages]
    parts += [verdicts.verdict_tables(verdicts_of(case, result), page, names)]
    parts += [lines.stages(result, page)] if result.stages else []
    parts += [lines.schedule(result.schedule, page)] if result.schedule and not result.stages else []
    parts += [coming(case, page), finishing(case, result, page), sure]
    parts += [course(case, result, page)] if result.history is not None else []
    of_last = f" ({result.stages[-1].name})" if result.stages else ""
    parts += [group(title + of_last, rows, page) for title, rows in details(case, result, page).items()]
    parts += [balances(result, page), warnings(result, page, LEVELS[1:])]
    return joined(parts)


def doubt(case: Case, result: Result, chance: float | None, page: Page) -> str:
    """Say before all numbers that what is met as computed is too unsure to rely on."""
    words = verdicts.doubt(chance)
    if not words or not all(v.met for v in verdicts_of(case, result)):
        return ""
    return wrapped(f"{words} Measure what leaves it open most (below), or aim for drier pellets.", page)


def understood(case: Case, page: Page) -> str:
    """Return every input of a case as text, with what was typed for it where that differs."""
    lines = []
    for key, text in inputs(case, page.units, digits=6).items():
        was = typed_as(case, key)
        same = not was or was.replace(" ", "") == text.replace(" ", "")
        lines.append(wrapped(f"{key} = {text}" + ("" if same else f"   (typed {was})"), page))
    return joined([heading(case.title, page), "".join(lines), library.sorption_points(case.material, page)])


# -- the parts of a prediction


def answer(result: Result, page: Page) -> str:
    """Return the exit with two accuracies: how exactly it was solved, and what the inputs leave open."""
    out, accuracy, band = result.pellets_out, result.accuracy, result.input_band
    error = u.shown(float(accuracy.temperature_error), u.DIFFERENCE, page.unit(u.DIFFERENCE))
    rows = [
        (
            "exit moisture",
            page.number(out.moisture_wb, u.FRACTION, 2),
            f"± {_rounded_up(100 * float(accuracy.moisture_error_wb))} points",
            _open(band.moisture_wb if band else None, u.FRACTION, 2, page),
        ),
        (
            "exit temperature",
            page.number(out.temperature, u.TEMPERATURE, 1),
            f"± {_rounded_up(error)} {pretty(page.unit(u.DIFFERENCE))}",
            _open(band.temperature if band else None, u.TEMPERATURE, 1, page),
        ),
    ]
    titles = ("", "value", "solved to", "your inputs leave open")
    return beside([titles, *rows], page, right=(1, 2, 3), bold=(1, 2))


def _open(ends: tuple[Any, Any] | None, dimension: Dimension, digits: int, page: Page) -> str:
    """Return the band that the assumed material numbers leave, as text."""
    return "not asked" if ends is None else page.between(ends, dimension, digits)


def _rounded_up(size: float) -> str:
    """Return an error bound with one digit, rounded up; nothing is claimed to be exact.

    >>> _rounded_up(0.0149), _rounded_up(0.0), _rounded_up(0.3)
    ('0.02', '0.0001', '0.3')
    """
    size = max(size, 1e-4)
    step = 10.0 ** math.floor(math.log10(size))
    return f"{math.ceil(size / step - 1e-9) * step:.1g}"


def details(case: Case, result: Result, page: Page) -> dict[str, list[tuple[str, str]]]:
    out, air, bed, after = result.pellets_out, result.air_out, result.bed, result.after_equalising

    def row(label: str, value: Any, dimension: Dimension, digits: int, unit: str = "") -> tuple[str, str]:
        return label, page.number(value, dimension, digits, unit)

    us = page.units == "us"
    dryer = result.energy is not None
    flash = float(result.feed_in.flash_loss_wb)
    bed_is = "with fines" if case.feed.fines else "clean bed"
    return {
        "Pellets": [
            *([row("lost to flashing at the inlet", flash, u.FRACTION, 2)] if flash >= LEAST_FLASH else []),
            row("mass flow, of the line" if dryer else "mass flow", out.mass_flow, u.MASS_FLOW, 0),
            row("moisture, dry basis", out.moisture_db, u.FRACTION, 2),
            row("surface moisture, dry basis", out.surface_moisture_db, u.FRACTION, 2),
            ("water activity", f"{float(out.water_activity):.3f}"),
            row("temperature once evened out", after.temperature, u.TEMPERATURE, 1),
            ("water activity once evened out", f"{float(after.water_activity):.3f}"),
        ],
        ("Air leaving the bed, mean" if dryer else "Air leaving the bed"): [
            row("temperature", air.temperature, u.TEMPERATURE, 1),
            row("relative humidity", air.relative_humidity, u.FRACTION, 1),
            row("humidity ratio", air.humidity_ratio, u.HUMIDITY_RATIO, 1, "grain/lb" if us else "g/kg"),
            row("wet bulb", air.wet_bulb, u.TEMPERATURE, 1),
            row("dew point", air.dew_point, u.TEMPERATURE, 1),
        ],
        "Bed": [
            row("depth", bed.depth, u.LENGTH, 1 if us else 3, "in" if us else "m"),
            row("time in the bed", bed.residence_time, u.TIME, 1),
            row("air blown per wet feed" if dryer else "dry air per wet feed", bed.air_ratio, u.AIR_RATIO, 2),
            row("face velocity", bed.face_velocity, u.SPEED, 0 if us else 2),
            row("air speed, share of lifting speed", bed.lift_off, u.FRACTION, 0),
            (f"pressure drop, {bed_is}", pressure_of(float(bed.pressure_drop), page)),
            row(f"water given to the air{', of the line' * dryer}", bed.evaporation, u.MASS_FLOW, 1),
        ],
        **({"Fan": _fan(result.fan, page)} if result.fan else {}),
        **({"Between pellets": _between(unlike, page)} if (unlike := result.between_pellets) else {}),
        **_dryer_details(case, result, page),
    }


def _between(told: BetweenPellets, page: Page) -> list[tuple[str, str]]:
    """How unlike the pellets are that leave together, by dry solid."""
    wettest = told.wettest_tenth
    return [
        ("moisture, middle 80 %", page.between(told.moisture_wb, u.FRACTION, 1)),
        ("wettest tenth", page.number(wettest.moisture_wb, u.FRACTION, 1)),
        ("its water activity, evened out", f"{float(wettest.water_activity):.3f}"),
        ("temperature, middle 80 %", page.between(told.temperature, u.TEMPERATURE, 1)),
        ("warmest tenth", page.number(told.warmest_tenth.temperature, u.TEMPERATURE, 1)),
    ]


def _dryer_details(case: Case, result: Result, page: Page) -> dict[str, list[tuple[str, str]]]:
    """How even a dryer's bed is, and what it spends."""
    energy, spread = result.energy, result.spread
    if energy is None or spread is None:
        return {}
    return {
        "Evenness of the bed": [
            ("driest layer", page.number(spread.driest_wb, u.FRACTION, 1)),
            ("wettest layer", page.number(spread.wettest_wb, u.FRACTION, 1)),
            ("standard deviation", f"{100 * float(spread.deviation_wb):.1f} points"),
        ],
        **_spent(result.stages[-1].case if result.stages else case, energy, page),
    }


def _spent(case: Case, energy: Energy, page: Page) -> dict[str, list[tuple[str, str]]]:
    """What is spent on a batch, or all the time on a belt, whose energy is given per hour."""
    belt = case.cooler.arrangement == "belt"

    def row(label: str, value: Number, whole: Dimension, rate: Dimension, unit: str = "") -> tuple[str, str]:
        of, value = (rate, value / 3600) if belt else (whole, value)
        return label, page.number(value, of, 1 if "kW" in (unit or page.unit(of)) else 0, unit * belt)

    return {
        "Power of the belt" if belt else "Energy of a batch": [
            row("of wet feed", energy.feed, u.MASS, u.MASS_FLOW),
            row("that weighs, once dried", energy.product, u.MASS, u.MASS_FLOW),
            row("heat to the air", energy.heat, u.ENERGY, u.POWER),
            row("fans, bed only", energy.fan, u.ENERGY, u.POWER, "kW"),
            ("heat per water lost", heat_per_water(energy.heat_per_water, page)),
        ]
    }


COURSE_ROWS = 8


def course(case: Case, result: Result, page: Page) -> str:
    """Return a dryer's course at equal parts of its time, and when it reaches the target moisture."""
    history = result.history
    assert history is not None
    columns = (history.moisture_wb, history.bottom_moisture_wb, history.top_moisture_wb)
    rows = []
    for t in np.linspace(0, history.time[-1], COURSE_ROWS + 1)[1:]:
        moistures = (float(np.interp(t, history.time, f)) for f in columns)
        cells = (page.number(m, u.FRACTION, 1) for m in moistures)
        T = float(np.interp(t, history.time, history.temperature))
        rows.append((page.number(t, u.TIME, 1), *cells, page.number(T, u.TEMPERATURE, 1)))
    text = table([("after", "mean", "bottom", "top", "pellets"), *rows], page, right=(0, 1, 2, 3, 4))
    if history.zone[-1] == 0:
        began = page.number(history.time[history.zone > 0][-1], u.TIME, 1)
        text += wrapped(f"cooled with outside air from {began} on", page)
    wanted = target_moisture(case)
    return text if wanted is None else text + wrapped(_reached(result, wanted, page), page)


def _reached(result: Result, wanted: float, page: Page) -> str:
    """Say when the mean moisture first falls to what is wanted."""
    history = result.history
    assert history is not None
    time, M = history.time, history.moisture_wb
    below = np.flatnonzero(wanted >= M)
    if not len(below):
        return f"mean moisture does not reach {100 * wanted:.4g} % in this time"
    k = max(int(below[0]), 1)
    share = min((M[k - 1] - wanted) / max(M[k - 1] - M[k], 1e-12), 1.0)
    t = float(time[k - 1] + share * (time[k] - time[k - 1]))
    return f"mean moisture reaches {100 * wanted:.4g} % after {page.number(t, u.TIME, 0)}"


def _fan(fan: FanRun, page: Page) -> list[tuple[str, str]]:
    """Return how the fan runs; what its curve does not tell is said to be unknown."""

    def row(label: str, value: Any, dimension: Dimension, digits: int, unit: str = "") -> tuple[str, str]:
        known = not math.isnan(float(value))
        return label, page.number(value, dimension, digits, unit) if known else "unknown"

    us = page.units == "us"
    rows = [
        row("speed, of full", fan.speed, u.FRACTION, 1),
        row("flow at its inlet", fan.flow, u.VOLUME_FLOW, 0),
        row("pressure", fan.pressure, u.PRESSURE, 1 if us else 0),
        ("electric power", "unknown" if math.isnan(fan.power) else f"{1e-3 * float(fan.power):.2f} kW"),
    ]
    if float(fan.temperature_rise) > 0.0:
        rows.append(row("warms the air by", fan.temperature_rise, u.DIFFERENCE, 1))
    return rows


def balances(result: Result, page: Page) -> str:
    accuracy = result.accuracy
    rows = [
        ("water, of the water entering", f"{100 * abs(float(accuracy.water_imbalance)):.1g} %"),
        (
            "heat, of the feed's heat above the air outside",
            f"{100 * abs(float(accuracy.energy_imbalance)):.1g} %",
        ),
    ]
    return group("What does not balance", rows, page)


def warnings(result: Warned, page: Page, levels: Sequence[str]) -> str:
    """Return the warnings of some levels, in that order, each with its level as a word."""
    return "".join(
        warning_text(warning, page)
        for level in levels
        for warning in result.warnings
        if warning.level == level and not is_urgent(warning)
    )


def warning_text(warning: Warning, page: Page) -> str:
    """Return a warning with its level as a word."""
    return wrapped(f"{warning.level}: {warning.text}", page, style=_STYLES[warning.level])


# -- layout


def group(title: str, rows: Sequence[tuple[str, ...]], page: Page) -> str:
    return table([(title, ""), *rows], page, right=(1,), bold=(0,))


class Warned(Protocol):
    """An answer with warnings."""

    @property
    def warnings(self) -> tuple[Warning, ...]:
        """What to look at."""


def first(result: Warned, page: Page) -> str:
    """Return what must be read before the mean: a wettest tenth far off the target, and pellets that will mould."""
    wet = [w for w in result.warnings if is_urgent(w)]
    return "".join(warning_text(w, page) for w in wet)


def heading(title: str, page: Page) -> str:
    return wrapped(title, page, style="bold")
