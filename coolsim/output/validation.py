"""The table of what the model was held against: printed, and as JSON."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from coolsim.output.page import NARROW, Page, joined, pretty, table, wrapped
from coolsim.scenario.units import DIFFUSIVITY, FRACTION, shown
from coolsim.validation import Comparison

_WORDS = {"within": "within", "overlaps": "band meets it", "apart": "apart"}
_HEAD = (
    "Held against published numbers, and tuned to none of them. What their sources do not say had to be assumed: "
    "it stands below, and the band in brackets is what it leaves open. The difference counts from the middle of "
    "what was measured."
)
_STAR = "* The same source stands behind a default, so this proves less."


def summary(comparisons: Sequence[Comparison], page: Page) -> str:
    """Return the comparisons as text: a table of numbers, then what each is, assumes and comes from."""
    parts = [
        wrapped(_HEAD, page),
        _table(comparisons, page),
        wrapped(_STAR, page),
        counted(comparisons, page),
    ]
    return joined([*parts, *(_note(number, c, page) for number, c in enumerate(comparisons, 1))])


def _table(comparisons: Sequence[Comparison], page: Page) -> str:
    if page.width < NARROW:
        return "".join(_line(number, c, page) for number, c in enumerate(comparisons, 1))
    rows = [("", "", "measured", "computed", "difference")]
    for number, c in enumerate(comparisons, 1):
        found = f"{_quantity(c, c.computed, page)}\n{_band(c, page)}"
        off = f"{difference(c, page)}\n{_WORDS[c.agreement]}"
        rows.append((_label(number, c), in_degrees_of(page, c.name), measured(c, page), found, off))
    return table(rows, page, right=(0,), bold=(0,))


def _line(number: int, c: Comparison, page: Page) -> str:
    found = f"computed {computed(c, page)}, {difference(c, page)}: {_WORDS[c.agreement]}"
    return wrapped(
        f"{_label(number, c)} {in_degrees_of(page, c.name)}: measured {measured(c, page)}, {found}", page
    )


def _note(number: int, c: Comparison, page: Page) -> str:
    return (
        wrapped(f"{_label(number, c)} {in_degrees_of(page, c.name)}", page, style="bold")
        + wrapped(
            f"Measured: {in_degrees_of(page, c.measured_in_words)}. Source: {c.source}.", page, indent=3
        )
        + wrapped(f"Assumed: {in_degrees_of(page, c.assumed)}.", page, indent=3)
    )


_DEGREES = re.compile(
    r"(?P<per>per )?(?P<low>\d+)(?:(?P<to>–| to | and )(?P<high>\d+))? (?P<unit>°C|°F|K)\b(?!\)| \()"
)


def in_degrees_of(page: Page, words: str) -> str:
    """What a source says in words, its degrees those of the page.

    >>> in_degrees_of(Page(units="us"), "at 80–90 °C, 5–8 K above, points per 11 K")
    'at 176–194 °F, 9–14 °F above, points per 20 °F'
    >>> in_degrees_of(Page(), "from 97 to 190 °F, per 10 °F")
    'from 36 to 88 °C, per 6 K'
    """

    def turned(found: re.Match[str]) -> str:
        unit, us = found["unit"], page.units == "us"
        if us == (unit == "°F"):
            return found[0]
        difference = unit == "K" or bool(found["per"])
        zero = 0.0 if difference else 32.0
        ends = [float(end) for end in (found["low"], found["high"]) if end]
        told = [f"{1.8 * x + zero if us else (x - zero) / 1.8:.0f}" for x in ends]
        to = "°F" if us else "K" if difference else "°C"
        return f"{found['per'] or ''}{(found['to'] or '').join(told)} {to}"

    return _DEGREES.sub(turned, words)


def _label(number: int, c: Comparison) -> str:
    return f"{number}{'' if c.independent else '*'}"


def _band(c: Comparison, page: Page) -> str:
    return f"[{_number(c, c.band[0], page)}, {_number(c, c.band[1], page)}]"


def counted(comparisons: Sequence[Comparison], page: Page) -> str:
    """Return in how many of them computed and measured agree."""
    within, meets, apart = (sum(c.agreement == word for c in comparisons) for word in _WORDS)
    return wrapped(
        f"Of {len(comparisons)}, {within} lie within what was measured, of {meets} more the band meets it, and "
        f"{apart} are apart.",
        page,
    )


def measured(c: Comparison, page: Page) -> str:
    """Return what was measured: a number, a range, or the end that it does not pass."""
    low, high = c.measured
    if math.isinf(high):
        return f"above {_quantity(c, low, page)}"
    if math.isinf(low):
        return f"below {_quantity(c, high, page)}"
    if low == high:
        return _quantity(c, low, page)
    return f"{_number(c, low, page)} – {_quantity(c, high, page)}"


def computed(c: Comparison, page: Page) -> str:
    """Return what is computed of it, with its band."""
    return f"{_quantity(c, c.computed, page)} {_band(c, page)}"


def difference(c: Comparison, page: Page) -> str:
    """Return the difference with its sign; that of moistures in points."""
    sign = "+" if c.difference >= 0 else "−"
    unit = "points" if c.measure.dimension is FRACTION else pretty(_unit(c, page))
    return f"{sign}{_number(c, abs(c.difference), page)} {unit}".rstrip()


def written(comparisons: Sequence[Comparison], version: str) -> dict[str, Any]:
    """Return what --json writes: every comparison in its practical SI unit, open ends as null."""
    page = Page()
    return {"coolsim": version, "comparisons": [_written(c, page) for c in comparisons]}


def _written(c: Comparison, page: Page) -> dict[str, Any]:
    def number(x: float) -> float | None:
        return None if math.isinf(x) else _shown(c, x, page)

    return {
        "name": c.name,
        "source": c.source,
        "measured_in_words": c.measured_in_words,
        "assumed": c.assumed,
        "unit": _unit(c, page),
        "measured": [number(x) for x in c.measured],
        "computed": number(c.computed),
        "band": [number(x) for x in c.band],
        "difference": number(c.difference),
        "agreement": c.agreement,
        "independent": c.independent,
    }


def _unit(c: Comparison, page: Page) -> str:
    of = c.measure
    if of.dimension is None:
        return ""
    return (of.us if page.units == "us" else of.si) or page.unit(of.dimension)


def _shown(c: Comparison, value: float, page: Page) -> float:
    return value if c.measure.dimension is None else shown(value, c.measure.dimension, _unit(c, page))


def _number(c: Comparison, value: float, page: Page) -> str:
    number = _shown(c, value, page)
    if c.measure.dimension is DIFFUSIVITY:
        return f"{number:.2g}"
    digits = (
        c.measure.us_digits if page.units == "us" and c.measure.us_digits is not None else c.measure.digits
    )
    return f"{number:.{digits}f}".replace("-", "−")


def _quantity(c: Comparison, value: float, page: Page) -> str:
    return f"{_number(c, value, page)} {pretty(_unit(c, page))}".rstrip()
