"""A fit as text and as JSON."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.output.json import group, head
from coolsim.output.page import NARROW, Page, beside, joined, pretty, table, wrapped
from coolsim.output.tables import LEVELS, heading
from coolsim.scenario import units as u
from coolsim.scenario.units import Dimension
from coolsim.studies.fitting.answer import Exit, FitAnswer, Fitted, Reading

LISTED = 40  # readings printed; the JSON has all
_STYLES = {"danger": "bold red", "check": "yellow", "note": ""}
# How a number is shown: its dimension (None: bare), digits behind the point (None: three that count), where US
# units need others a pair of them.
_SHOWN: dict[str, tuple[Dimension | None, int | tuple[int, int] | None]] = {
    "diffusivity": (u.DIFFUSIVITY, None),
    "activation_energy": (u.MOLAR_ENERGY, 1),
    "moisture_slope": (None, 1),
    "isotherm_shift": (u.FRACTION, 1),
    "specific_heat": (u.SPECIFIC_HEAT, (0, 3)),
    "leakage": (u.FRACTION, 1),
    "airflow_factor": (None, 3),
    "feed_moisture_bias": (u.FRACTION, 2),
}
_QUANTITIES = {
    "moisture": ("moisture", u.FRACTION, u.FRACTION, 2),
    "temperature": ("temperature", u.TEMPERATURE, u.DIFFERENCE, 1),
    "exhaust_temperature": ("exhaust", u.TEMPERATURE, u.DIFFERENCE, 1),
    "exhaust_relative_humidity": ("its humidity", u.FRACTION, u.FRACTION, 1),
}


def fitted(case: Case, answer: FitAnswer, page: Page) -> str:
    """Return a fit as text: the numbers, the exit with them, what looks wrong, every reading, what comes next."""
    count = f"{answer.trials} trial{'s' if answer.trials > 1 else ''} of {answer.file}"
    known = "published ranges count" if answer.priors else "published ranges do not count"
    parts = [
        heading(case.title, page),
        wrapped(f"fitted to {count}; {known}; intervals are of 95 %", page),
        _parameters(answer, page),
        _exits(answer, page),
        _unevenness(answer, page),
        "".join(wrapped(f"check: {s.trial} looks wrong: {s.why}", page, "yellow") for s in answer.suspects),
        "".join(wrapped(f"note: {text}", page) for text in answer.alike),
        _readings(answer, page),
        _next(answer, page),
        "".join(
            wrapped(f"{level}: {w.text}", page, _STYLES[level])
            for level in LEVELS
            for w in answer.warnings
            if w.level == level
        ),
    ]
    return joined(parts)


def value_text(name: str, value: float, page: Page) -> str:
    """Return one value of a number that was fitted, as text."""
    dimension, digits = _SHOWN[name.rpartition(".")[2]]
    number, unit = value, ""
    if dimension is not None:
        unit = page.unit(dimension)
        number = u.shown(value, dimension, unit)
    if isinstance(digits, tuple):
        digits = digits[page.units == "us"]
    text = f"{number:.3g}" if digits is None else f"{round(number, digits) + 0.0:.{digits}f}"
    return f"{text} {pretty(unit)}".rstrip()


def _bare(p: Fitted, value: float, page: Page) -> str:
    return value_text(p.name, value, page).split(" ")[0]


def _parameters(answer: FitAnswer, page: Page) -> str:
    rows = [
        (
            p.name,
            value_text(p.name, p.value, page),
            f"{_bare(p, p.low, page)} – {_bare(p, p.high, page)}",
            _bare(p, p.before, page),
            f"{_bare(p, p.published_low, page)} – {_bare(p, p.published_high, page)}",
        )
        for p in answer.parameters
    ]
    titles = ("", "fitted", "interval", "was", "published")
    return beside([titles, *rows], page, right=(1, 2, 3, 4), least=NARROW + 24)


def _exits(answer: FitAnswer, page: Page) -> str:
    def row(label: str, exit: Exit) -> tuple[str, str, str]:
        moisture = f"{page.number(exit.moisture_wb, u.FRACTION, 2)} ± {100 * exit.within_wb:.2f}"
        within = page.number(exit.within, u.DIFFERENCE, 1)
        return label, moisture, f"{page.number(exit.temperature, u.TEMPERATURE, 1)} ± {within}"

    title = ("the scenario's exit", "moisture", "temperature")
    rows = [title, row("by published numbers", answer.before), row("by the fit", answer.after)]
    return table(rows, page, right=(1, 2), bold=(0,))


def _unevenness(answer: FitAnswer, page: Page) -> str:
    """Return what the scatter between places says of the bed, and how to state it."""
    found = answer.unevenness
    if found is None:
        return ""
    share, low, high, before = (
        f"{100 * x:.1f}" for x in (found.depth_deviation, found.low, found.high, found.before)
    )
    told = f"{found.places} places in {found.trials} trial{'s' * (found.trials > 1)}; stated {before} %"
    if found.depth_deviation == 0.0:
        return wrapped(f"no unevenness of the bed shows (depth deviation up to {high} %), from {told}", page)
    said = f"the bed is uneven: depth deviation {share} % ({low} – {high} %), from {told}"
    return wrapped(f'{said}. To count with it: depth_deviation = "{share} %"', page, "bold")


def _readings(answer: FitAnswer, page: Page) -> str:
    rows = [("trial", "", "measured", "before", "after")]
    for r in answer.readings[:LISTED]:
        place, _, name = r.quantity.rpartition(".")
        label, dimension, difference, digits = _QUANTITIES[name]
        label = f"{label} behind {place.replace('.', ' ')}" if place else label
        unit = page.unit(dimension)
        cells = [f"{u.shown(x, dimension, unit):.{digits}f}" for x in (r.measured, r.before, r.after)]
        within = u.shown(r.within, difference, page.unit(difference))
        rows.append((r.trial, label, f"{cells[0]} ± {within:.{digits}f} {pretty(unit)}", cells[1], cells[2]))
    text = table(rows, page, right=(2, 3, 4), bold=(0,))
    more = len(answer.readings) - LISTED
    text += wrapped(f"and {more} readings more", page) if more > 0 else ""
    return text + wrapped(_misses(answer, page), page)


def _misses(answer: FitAnswer, page: Page) -> str:
    """How far readings are off on the whole, before and after."""
    words = []
    degrees = page.unit(u.DIFFERENCE)
    for name, unit, factor in (
        ("moisture", "points", 100.0),
        ("temperature", pretty(degrees), u.shown(1.0, u.DIFFERENCE, degrees)),
    ):
        off = np.array(
            [(r.before - r.measured, r.after - r.measured) for r in answer.readings if r.quantity == name]
        )
        if len(off):
            before, after = factor * np.sqrt((off**2).mean(axis=0))
            words.append(f"{name} {before:.2f} before, {after:.2f} {unit} after")
    return f"off by (root mean square): {'; '.join(words)}" if words else ""


def _next(answer: FitAnswer, page: Page) -> str:
    if not answer.next:
        return wrapped("No single trial more would make the exit moisture of this scenario much surer.", page)
    rows = [("to measure next", "exit moisture then")]
    rows += [(m.what, f"± {100 * m.within_wb:.2f} points") for m in answer.next[:4]]
    return table(rows, page, right=(1,), bold=(0,))


# -- JSON


def document(case: Case, answer: FitAnswer, scenario: str, version: str) -> dict[str, Any]:
    """Return what `fit --json` writes."""
    return {
        **head(case, scenario, version),
        "trials": {"file": answer.file, "count": answer.trials},
        "priors": answer.priors,
        "parameters": [_written(p) for p in answer.parameters],
        "correlation": [[float(x) for x in row] for row in answer.correlation],
        "scatter": answer.scatter,
        "residuals": [_residual(r) for r in answer.readings],
        "suspects": [dataclasses.asdict(s) for s in answer.suspects],
        "alike": list(answer.alike),
        "exit": {"before": group(answer.before, "before"), "after": group(answer.after, "after")},
        "next": [group(m, "next") for m in answer.next],
        "warnings": [{"level": w.level, "text": w.text} for w in answer.warnings],
        "unevenness": None if answer.unevenness is None else dataclasses.asdict(answer.unevenness),
    }


def _written(p: Fitted) -> dict[str, Any]:
    return dataclasses.asdict(p)


def _residual(r: Reading) -> dict[str, Any]:
    unit = "degC" if r.quantity.endswith("temperature") else "1"
    return {**dataclasses.asdict(r), "residual": r.measured - r.after, "unit": unit}
