"""Verdicts on wishes and limits: as a table, as JSON, and the sentence that says what to look at first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from coolsim.output.page import Page, joined, table
from coolsim.output.quantities import bound_text, text, value_and_bound, written
from coolsim.simulate.verdicts import TENTHS, Verdict

LIKELY = 0.8  # chance from which something counts as likely enough; assumed
# What is read first where something is broken, by its harm, the gravest first; and what then.
SAID: Mapping[str, tuple[str, str]] = {
    "too_wet": ("Too wet", "Do not bag it."),
    "too_warm": ("Too warm", "Do not bag it before it has cooled."),
    "over_limit": ("Over a limit", "Do not run it so."),
    "too_dry": ("Too dry", "Weight is given away."),
}


def verdict_tables(verdicts: Sequence[Verdict], page: Page, names: Sequence[str] = ()) -> str:
    """Return a table of wishes, and one of limits; of a line those of each stage, by their names.

    What nobody typed is told only where it is broken, or where a chance says that it may be.
    """
    typed = [v for v in verdicts if not v.constraint.assumed or not v.met or _doubtful(v)]
    parts = [_table("target", [v for v in typed if v.constraint.of_target], page)]
    machine = [v for v in typed if not v.constraint.of_target]
    for place in dict.fromkeys(v.constraint.place for v in machine):
        title = f"limits: {names[int(place) - 1]}" if place else "limits"
        parts.append(_table(title, [v for v in machine if v.constraint.place == place], page))
    return joined(parts)


def _doubtful(v: Verdict) -> bool:
    return v.chance is not None and v.chance < 0.995


def _table(title: str, verdicts: Sequence[Verdict], page: Page) -> str:
    rows = [_row(group, page) for group in _both_sided(verdicts)]
    return table([(title, "", "", ""), *rows], page, right=(2,), bold=(0,)) if rows else ""


def _both_sided(verdicts: Sequence[Verdict]) -> list[list[Verdict]]:
    """A quantity that is held from both sides is one row."""
    found: dict[str, list[Verdict]] = {}
    for v in verdicts:
        found.setdefault(v.constraint.key, []).append(v)
    return list(found.values())


def _row(group: Sequence[Verdict], page: Page) -> tuple[str, str, str, str]:
    return (
        group[0].constraint.quantity.label,
        _wanted(group, page),
        _value(group, page),
        _in_words(group, page),
    )


def _value(group: Sequence[Verdict], page: Page) -> str:
    """Where it stands, with as many digits as tell it from a bound that it breaks."""
    v = next((v for v in group if not v.met), group[0])
    q = v.constraint.quantity
    return text(q, v.value, page) if v.met else value_and_bound(q, v.value, v.constraint.bound, page)[0]


def _wanted(group: Sequence[Verdict], page: Page) -> str:
    q = group[0].constraint.quantity
    bounds = [v.constraint.bound for v in group]
    assumed = " (assumed)" if group[0].constraint.assumed else ""
    if len(group) == 2:
        low, high = sorted(bounds)
        if not group[0].constraint.of_target:
            ends = bound_text(q, low, page).removesuffix(" %"), bound_text(q, high, page)
            return ends[1] if low == high else " – ".join(ends)
        half = bound_text(q, (high - low) / 2, page)
        return f"{bound_text(q, (high + low) / 2, page).removesuffix(' %')} ± {half}"
    sign = "≥" if group[0].constraint.sense < 0 else "≤"
    return f"{sign} {bound_text(q, bounds[0], page)}{assumed}"


def _in_words(group: Sequence[Verdict], page: Page) -> str:
    """Whether it is met, by how much not, and with which chance."""
    broken = [v for v in group if not v.met]
    worst, q = group[0].worst, group[0].constraint.quantity
    beside = "" if worst is None else f"; {TENTHS[q.name].who} {text(q, worst, page)}"
    if broken:
        return f"not met{_miss(broken[0])}{beside}"
    chances = [v.chance for v in group if v.chance is not None]
    if chances:
        return f"met, chance {chance_text(1 - sum(1 - c for c in chances))}{beside}"
    if not all(v.certain for v in group):
        return f"met, but not for all that your inputs leave open{beside}"
    return f"met{beside}"


def _miss(v: Verdict) -> str:
    """Of a moisture by how many points; of others the value beside the bound says it."""
    c = v.constraint
    if c.quantity.name != "moisture":
        return ""
    gap, digits = 100 * abs(v.value - c.bound), 2
    while digits < 6 and not float(f"{gap:.{digits}f}"):
        digits += 1
    return f": {gap:.{digits}f} points {'wetter' if c.sense > 0 else 'drier'}"


def doubt(chance: float | None) -> str:
    """A sentence that warns of a chance that is too small to rely on; nothing, where it is large or not known."""
    if chance is None or chance >= LIKELY:
        return ""
    asked = f"{100 * LIKELY:.0f} %"
    return (
        f"Not likely enough to rely on: {chance_text(chance)} chance, where {asked} is asked for (assumed)."
    )


def chance_text(share: float) -> str:
    """Return a probability no more exactly than the samples tell it, and never as more than it is.

    >>> chance_text(0.0), chance_text(0.798), chance_text(0.8), chance_text(1.0)
    ('under 1 %', '79 %', '80 %', 'over 99 %')
    """
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{math.floor(100 * share + 1e-9)} %"


def as_json(verdicts: Sequence[Verdict]) -> list[dict[str, Any]]:
    """Return "verdicts" of JSON: name, value, bound, unit, margin, whether it is met, and the chance of it."""
    return [_as_json(v) for v in verdicts]


def _as_json(v: Verdict) -> dict[str, Any]:
    c = v.constraint
    value, unit = written(c.quantity, v.value)
    bound, _ = written(c.quantity, float(c.bound))
    # a margin is a difference: of a temperature it has no offset
    margin = None if value is None or bound is None else c.sense * (bound - value)
    found = {"name": c.name, "value": value, "bound": bound, "unit": unit, "margin": margin, "met": v.met}
    found |= {"chance": v.chance}
    if v.worst is not None:
        found["worst_tenth"], _ = written(c.quantity, v.worst)
    if c.place:
        found["stage"] = int(c.place)
    if c.assumed:
        found["assumed"] = True
    return found
