"""How answers show themselves (`coolsim.support.display`): by the printer of their command, in few lines or in all.

A part of an answer, which no command prints, is shown by its fields with their units.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from coolsim.case.quantities import QUANTITIES
from coolsim.output.page import Page, joined, table, wrapped
from coolsim.output.quantities import text as text_of
from coolsim.scenario.units import known_system

LINES, WIDTH = 12, 80  # of a repr
ROWS = 24  # of a table of many cases; the frame has all


def text(answer: Any, units: str = "si", width: int = WIDTH) -> str:
    """All that is printed of an answer."""
    return printed(answer, Page(width=width, units=known_system(units)))


def html(answer: Any) -> str:
    """The same as tables of a notebook."""
    from coolsim.output.report.markup import html_page

    return printed(answer, html_page("si"))


def short(answer: Any) -> str:
    """The beginning of it, where the answer stands: whole paragraphs, as many as there is room for."""
    lines = printed(answer, Page(width=WIDTH)).rstrip("\n").split("\n")
    if len(lines) <= LINES:
        return "\n".join(lines)
    ends = [k for k, line in enumerate(lines[:LINES]) if not line]
    room = ends[-1] if ends and ends[-1] > LINES // 2 else LINES - 1
    return "\n".join([*lines[:room], "… more in .summary(), its numbers in .to_frame()"])


def printed(answer: Any, page: Page) -> str:
    """An answer on a page, by the printer of its class."""
    return _PRINTERS.get(type(answer).__name__, _fields)(answer, page)


# -- by the printers of commands, imported late: each brings the room of its question along


def _result(answer: Any, page: Page) -> str:
    from coolsim.output import tables

    if np.ndim(answer.pellets_out.moisture_wb):
        return _many(answer, page)
    if answer.case is not None:
        return tables.predicted(answer.case, answer, page)
    return joined([tables.first(answer, page), tables.answer(answer, page), _fields(answer, page)])


def _many(answer: Any, page: Page) -> str:
    """Of many cases: how far their answers lie apart."""
    read = {
        "moisture": answer.pellets_out.moisture_wb,
        "temperature": answer.pellets_out.temperature,
        "water_activity": answer.in_store.water_activity,
        "lift_off": answer.bed.lift_off,
        "bed_pressure_drop": answer.bed.pressure_drop,
    }
    count = np.size(answer.pellets_out.moisture_wb)
    rows: list[tuple[str, ...]] = [(f"{count} cases", "lowest", "middle", "highest")]
    for name, values in read.items():
        q = QUANTITIES[name]
        known = np.ravel(values)[np.isfinite(np.ravel(values))]
        ends = (np.min(known), np.median(known), np.max(known)) if known.size else (np.nan,) * 3
        rows.append((q.label, *(text_of(q, float(x), page) for x in ends)))
    return table(rows, page, right=(1, 2, 3), bold=(0,))


def _sweep(answer: Any, page: Page) -> str:
    """What was varied, how far the answers lie apart, and what failed."""
    rows: list[tuple[str, ...]] = [("varied", "from", "to", "values")]
    for one in answer.swept:
        rows.append((one.key, str(one.typed[0]), str(one.typed[-1]), f"{len(one.typed)}"))
    of = len(answer.outside)
    first = wrapped(
        f"check: {answer.failed} of {of} points could not be predicted, and are nan", page, "yellow"
    )
    parts = [wrapped(answer.case.title, page, "bold") + (first if answer.failed else "")]
    parts += [table(rows, page, right=(1, 2, 3), bold=(0,)), _many(answer.result, page)]
    why = (wrapped(f"{f.count} not predicted, first at {f.first}: {f.reason}", page) for f in answer.failures)
    return joined([*parts, "".join(why)])


def _stage(answer: Any, page: Page) -> str:
    """A machine of a line by itself, without the target, which is of the line."""
    from coolsim.output import tables

    result = answer.result
    if np.ndim(result.pellets_out.moisture_wb):
        return _many(result, page)
    parts = [tables.heading(answer.case.title, page), tables.answer(result, page)]
    parts += [
        tables.group(title, rows, page) for title, rows in tables.details(answer.case, result, page).items()
    ]
    return joined([*parts, tables.warnings(result, page, tables.LEVELS)])


def _case(answer: Any, page: Page) -> str:
    from coolsim.output import tables

    return tables.understood(answer, page)


def _settings(answer: Any, page: Page) -> str:
    from coolsim.output import chance_constrained, settings
    from coolsim.studies.settings.advice import Advice, window_of

    case = answer.now.case
    found = Advice(answer, window_of(answer), None)  # nothing is predicted to be shown
    return settings.advised(case, found, page, chance_constrained.summary(case, answer, None, page))


def _advice(advice: Any, page: Page) -> str:
    from coolsim.output import settings

    return settings.advised(advice.answer.now.case, advice, page)


def _by_weather(answer: Any, page: Page) -> str:
    """What to set in each weather."""
    columns: dict[str, tuple[str, Any]] = {
        "air outside": ("temperature", answer.air.temperature),
        "exit moisture": ("moisture", answer.result.pellets_out.moisture_wb),
        "exit temperature": ("temperature", answer.result.pellets_out.temperature),
    }
    if not isinstance(answer.settings, tuple):
        for name in ("airflow", "bed_depth", "inlet_air_temperature", "duration"):
            if hasattr(answer.settings, name):
                columns[QUANTITIES[name].label] = (name, getattr(answer.settings, name))
    shape, count = np.shape(answer.met), int(np.size(answer.met))
    flat = {
        title: (QUANTITIES[name], np.broadcast_to(values, shape).reshape(-1))
        for title, (name, values) in columns.items()
    }
    met = np.ravel(answer.met)
    rows = [(*flat, "met")]
    for k in range(min(count, ROWS)):
        cells = (text_of(q, float(values[k]), page) for q, values in flat.values())
        rows.append((*cells, "yes" if met[k] else "no"))
    rest = f"… and {count - ROWS} more: to_frame() has all" if count > ROWS else ""
    title = f"{count} weathers, the target is met in {int(met.sum())}"
    shown = table(rows, page, right=range(len(flat)), bold=(0,))
    return wrapped(title, page, "bold") + shown + (wrapped(rest, page) if rest else "")


def _size(answer: Any, page: Page) -> str:
    from coolsim.output import sizes

    return _fields(answer, page) if answer.case is None else sizes.sized(answer.case, answer, page)


def _seasons(answer: Any, page: Page) -> str:
    from coolsim.output import years

    return years.year(answer, page)


def _fit(answer: Any, page: Page) -> str:
    from coolsim.output import fits

    return fits.fitted(answer.case, answer, page)


def _plan(answer: Any, page: Page) -> str:
    from coolsim.output import plans

    return plans.planned(answer, page)


def _uncertainty(answer: Any, page: Page) -> str:
    from coolsim.output import uncertainties

    return uncertainties.summary(answer, page)


def _sensitivities(answer: Any, page: Page) -> str:
    """Slopes of exit moisture and temperature, of one case; of many their lowest and highest."""
    rows: list[tuple[str, ...]] = [("what one unit more does", "", "exit moisture", "exit temperature")]
    for place, one in (("", answer), *((f"stage {k}, ", s) for k, s in enumerate(answer.stages, 1))):
        for field in dataclasses.fields(one):
            slopes = getattr(one, field.name)
            if field.name not in ("result", "stages") and slopes is not None:
                moisture, temperature = (_ends(x) for x in (slopes.moisture_wb, slopes.temperature))
                label = place + field.name.replace("_", " ")
                rows.append((label, field.metadata["unit"], f"{moisture} kg/kg", f"{temperature} K"))
    return table(rows, page, right=(2, 3), bold=(0,))


def _ends(x: Any) -> str:
    return f"{float(x):.3g}" if np.ndim(x) == 0 else f"{np.min(x):.3g} … {np.max(x):.3g}"


def _levers(answer: Any, page: Page) -> str:
    from coolsim.output import lever_tables

    return lever_tables.summary(answer, page)


def _weather(answer: Any, page: Page) -> str:
    from coolsim.output import years

    return "".join(wrapped(words, page) for words in years.weather_text(answer))


def _material(answer: Any, page: Page) -> str:
    from coolsim.output import library

    return library.material(answer, page)


_PRINTERS: Mapping[str, Callable[[Any, Page], str]] = {
    "Case": _case,
    "Result": _result,
    "StageRun": _stage,
    "Sweep": _sweep,
    "SettingsAnswer": _settings,
    "Advice": _advice,
    "SettingsByWeather": _by_weather,
    "SizeAnswer": _size,
    "Seasons": _seasons,
    "FitAnswer": _fit,
    "Plan": _plan,
    "Uncertainty": _uncertainty,
    "Sensitivities": _sensitivities,
    "Weather": _weather,
    "Material": _material,
    "Levers": _levers,
}


# -- parts: by their fields


def _fields(part: Any, page: Page) -> str:
    rows = [(type(part).__name__, "", ""), *_rows(part)]
    return table(rows, page, right=(1,), bold=(0,))


def _rows(part: Any) -> Iterator[tuple[str, str, str]]:
    for field in dataclasses.fields(part):
        unit = field.metadata.get("unit", "")
        yield field.name, _shown(getattr(part, field.name)), "" if unit == "-" else unit


def _shown(value: Any) -> str:
    """A value in some words, however much it holds."""
    if isinstance(value, np.ndarray) and value.size and value.dtype.kind == "f":
        known = value[np.isfinite(value)]
        ends = f"{known.min():.5g} … {known.max():.5g}" if known.size else "nan"
        return f"{' × '.join(map(str, value.shape)) or 'one'} numbers, {ends}"
    if isinstance(value, np.ndarray):
        return f"{value.size} values"
    if dataclasses.is_dataclass(value):
        return type(value).__name__
    if isinstance(value, tuple) and value and all(isinstance(x, float) for x in value) and len(value) < 4:
        return ", ".join(f"{x:.6g}" for x in value)
    if isinstance(value, tuple | Mapping):
        return f"{len(value)} entries" if value else "none"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
