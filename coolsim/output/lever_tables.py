"""What moves the exit, and how far: bars of characters on a terminal, numbers in a table, JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.output.page import Page, pretty, table, wrapped
from coolsim.output.quantities import digits_of, shown, unit_of, written
from coolsim.scenario import units as u
from coolsim.simulate.finishing import target_moisture

if TYPE_CHECKING:
    from coolsim.studies.lever_study import Levers, Span

LEAST_BAR, MOST_BAR = 18, 40  # columns
WITH_TEMPERATURE = 72  # columns of a page from which the temperatures find room


def summary(levers: Levers, page: Page) -> str:
    """Return how far each thing alone moves the exit; as bars where the page is wide enough for them."""
    names = [f"{s.label} {ends_text(s.quantity, s.ends, page)}" for s in levers.spans]
    warm = page.width >= WITH_TEMPERATURE
    temperatures = [_temperatures(s, page) if warm else "" for s in levers.spans]
    others = max(map(len, names)) + 2 + (max(map(len, temperatures)) + 2 if warm else 0)
    bar = min(page.width - others, MOST_BAR)
    if page.writer is not None:
        return numbers(levers, page)
    if bar < LEAST_BAR:
        lines = (f"{name}: {_moistures(s, page)}" for name, s in zip(names, levers.spans))
        title = wrapped("Each thing alone, from end to end", page, style="bold")
        return title + "".join(wrapped(line, page, indent=2) for line in lines)
    low, high = _axis(levers)
    bars = [_bar(levers, s, low, high, bar) for s in levers.spans]
    ends = f"{100 * low:.1f}", f"{100 * high:.1f} %"
    scale = ends[0] + " " * (bar - len("".join(ends))) + ends[1]
    degrees = f"exit, {pretty(page.unit(u.TEMPERATURE))}" if warm else ""
    every: list[tuple[str, ...]] = [("Each thing alone", scale, degrees), *zip(names, bars, temperatures)]
    return table([row[: 2 + warm] for row in every], page, right=(2,) if warm else (), bold=(0,)) + wrapped(
        _legend(levers), page
    )


def numbers(levers: Levers, page: Page) -> str:
    """Return the same as a table of numbers."""
    rows = [
        (s.label + ("" if s.may_be_set else " (range assumed)"), ends_text(s.quantity, s.ends, page),
         _moistures(s, page), f"{_temperatures(s, page)} {pretty(page.unit(u.TEMPERATURE))}", _limits(s))
        for s in levers.spans
    ]  # fmt: skip
    titles = ("each thing alone", "from – to", "exit moisture", "exit temperature", "")
    return table([titles, *rows], page, right=(1, 2, 3), bold=(0,))


def _axis(levers: Levers) -> tuple[float, float]:
    target = target_moisture(levers.case)
    known = [x for s in levers.spans for x in s.moisture_wb if math.isfinite(x)]
    known += [levers.moisture_wb] + ([] if target is None else [target])
    low, high = min(known), max(known)
    return low, max(high, low + 1e-4)


def _bar(levers: Levers, s: Span, low: float, high: float, width: int) -> str:
    """A row of characters: = from end to end, - and + the ends, o today, | the target."""

    def at(moisture: float) -> int:
        return round((moisture - low) / (high - low) * (width - 1))

    row = [" "] * width
    ends = [(x, sign) for x, sign in zip(s.moisture_wb, "-+") if math.isfinite(x)]
    places = [at(x) for x, _ in ends] + [at(levers.moisture_wb)]
    for k in range(min(places), max(places) + 1):
        row[k] = "="
    target = target_moisture(levers.case)
    if target is not None:
        row[at(target)] = "|"
    row[at(levers.moisture_wb)] = "o"
    for x, sign in ends:
        row[at(x)] = sign
    return "".join(row).rstrip()


def _legend(levers: Levers) -> str:
    target = target_moisture(levers.case)
    words = "Exit moisture: - at the low end, + at the high end"
    words += f", o today ({100 * levers.moisture_wb:.2f} %)"
    words += "" if target is None else f", | target ({100 * target:.4g} %)"
    over = [f"{s.label} at its {end} end" for s in levers.spans for end in _broken(s)]
    assumed = [s.label for s in levers.spans if not s.may_be_set]
    words += f". Assumed: how far {' and '.join(_listed(assumed))} may go" if assumed else ""
    return words + (f". Breaks a limit: {', '.join(over)}." if over else ".")


def _listed(words: list[str]) -> list[str]:
    return [", ".join(words[:-1]), words[-1]] if len(words) > 1 else words


def _broken(s: Span) -> list[str]:
    return [end for end, kept in zip(("low", "high"), s.kept) if not kept]


def _limits(s: Span) -> str:
    return f"breaks a limit at its {' and '.join(_broken(s))} end" if _broken(s) else ""


def _moistures(s: Span, page: Page) -> str:
    return _pair(s.moisture_wb, QUANTITIES["moisture"], page, 2) + " %"


def _temperatures(s: Span, page: Page) -> str:
    return _pair(s.temperature, QUANTITIES["temperature"], page, 1)


def _pair(ends: tuple[float, float], q: Quantity, page: Page, digits: int) -> str:
    return " – ".join("unknown" if math.isnan(x) else f"{shown(q, x, page):.{digits}f}" for x in ends)


def ends_text(q: Quantity, ends: tuple[float, float], page: Page) -> str:
    """Two ends of a range with their unit, and no more digits than they have."""
    return f"{' – '.join(_short(q, x, page) for x in ends)} {pretty(unit_of(q, page))}".rstrip()


def _short(q: Quantity, value: float, page: Page) -> str:
    text = f"{shown(q, value, page):.{digits_of(q, page)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def end_text(q: Quantity, value: float, page: Page) -> str:
    """One end, with its unit."""
    return f"{_short(q, value, page)} {pretty(unit_of(q, page))}".rstrip()


def as_json(levers: Levers) -> list[dict[str, Any]]:
    """Return "levers" of JSON, the longest first."""
    return [_as_json(s) for s in levers.spans]


def _as_json(s: Span) -> dict[str, Any]:
    def known(x: float) -> float | None:
        return x if math.isfinite(x) else None

    (low, unit), (high, _) = (written(s.quantity, x) for x in s.ends)
    return {
        "name": s.key,
        "now": written(s.quantity, s.now)[0],
        "low": low,
        "high": high,
        "unit": unit,
        "may_be_set": s.may_be_set,
        "moisture_wb": [known(x) for x in s.moisture_wb],
        "temperature_C": [known(x) for x in s.temperature],
        "limits_kept": list(s.kept),
    }
