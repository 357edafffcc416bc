"""How sure an exit is, as text and as JSON."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from coolsim.output import dryer_uncertainty
from coolsim.output.json import group
from coolsim.output.library import between, dimension_of
from coolsim.output.page import Page, joined, pretty, table, wrapped
from coolsim.output.verdicts import chance_text
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.studies.propagation.answer import Contributor, Interval, Known, Uncertainty

LEAST_SHOWN = 0.005  # share of either spread; smaller ones are named together


def summary(found: Uncertainty, page: Page, wanted: float | None = None, stages: Sequence[str] = ()) -> str:
    """Return intervals, chances and contributors as text.

    wanted: the chance that settings were to have; stages: names of the machines of a line.
    """
    intervals, chances = _intervals(found, page), _chances(found, page, wanted, stages)
    return joined([intervals, chances, _contributors(found, page), _words(found, page)])


def _intervals(found: Uncertainty, page: Page) -> str:
    def row(label: str, interval: Interval, dimension: u.Dimension, digits: int) -> tuple[str, ...]:
        ends = page.between((interval.low, interval.high), dimension, digits)
        return label, ends, page.number(interval.middle, dimension, digits)

    activity = found.water_activity
    rows = [
        (f"How sure, by {found.samples} samples", "19 times in 20", "middle"),
        row("exit moisture", found.moisture_wb, u.FRACTION, 2),
        row("exit temperature", found.temperature, u.TEMPERATURE, 1),
        (
            "water activity, evened out",
            f"{activity.low:.2f} – {activity.high:.2f}",
            f"{activity.middle:.2f}",
        ),
    ]
    rows += [row(*one) for one in dryer_uncertainty.rows(found)]
    return table(rows, page, right=(1, 2), bold=(0,))


def _chances(found: Uncertainty, page: Page, wanted: float | None, stages: Sequence[str]) -> str:
    rows, words = [], ""
    if found.all_met is not None:
        rows.append(("chance that the target is met", chance_text(found.all_met)))
        if len(found.wishes) > 1:
            rows += [(f"  {name}", chance_text(share)) for name, share in found.wishes]
        words = "" if wanted is None else wrapped(_words_of_chance(found, wanted), page)
    if found.limits:
        rows.append(("chance that a limit is kept", ""))
        rows += [(f"  {_of_stage(name, stages)}", chance_text(share)) for name, share in found.limits]
    if found.all_kept is not None:
        rows.append(("chance that all of this holds", chance_text(found.all_kept)))
    if not rows:
        return ""
    return table(rows, page, right=(1,), bold=(0,)) + words


def _of_stage(limit: str, stages: Sequence[str]) -> str:
    """The name of a limit: of a line with that of its machine in place of its number."""
    number, colon, name = limit.partition(": ")
    return f"{stages[int(number) - 1]}: {name}" if colon and stages else limit


def _words_of_chance(found: Uncertainty, wanted: float) -> str:
    asked = f"with the {100 * wanted:.4g} % asked for"
    off, held, verb = "the target", "it is met", "meet the target"
    if found.all_kept is not None:
        off, held = "target and limits", "the target is met and every limit kept, all of it together,"
        verb = "meet the target and keep every limit, all of it together,"
    if found.chance >= wanted:
        return f"These settings keep off {off} so that {held} {asked}."
    return f"No settings within [limits] were found that {verb} {asked}; these come nearest."


def _contributors(found: Uncertainty, page: Page) -> str:
    summary = [c for c in found.contributors if max(c.moisture_share, c.temperature_share) >= LEAST_SHOWN]
    left = [1.0 - sum(getattr(c, f"{x}_share") for c in summary) for x in ("moisture", "temperature")]
    rows = [
        row
        for c in summary
        for row in rows_of(c.parts or (c,), (c.moisture_share, c.temperature_share), page)
    ]
    rows.append(
        ("together, and all others", "", share_text(max(left[0], 0.0)), share_text(max(left[1], 0.0)))
    )
    titles = ("what leaves it open", "19 times in 20", "moisture", "temperature")
    return table([titles, *rows], page, right=(1, 2, 3), bold=(0,))


def share_text(share: float) -> str:
    return f"{100 * share:.0f} %"


def rows_of(parts: Sequence[Known], shares: Sequence[float], page: Page) -> list[tuple[str, ...]]:
    """One row; below it, of numbers of one fit, the range of each: what is known of them alone, without a share."""
    cells = [share_text(share) for share in shares]
    if len(parts) == 1:
        return [(_plain(parts[0].name), _ends(parts[0], page), *cells)]
    return [
        (f"{len(parts)} numbers of one fit", "", *cells),
        *((f"  {_plain(known.name)}", _ends(known, page), *("" for _ in cells)) for known in parts),
    ]


def _plain(name: str) -> str:
    """A name as it is read: a key of the scenario as it is typed, a number of the material in words."""
    return name if "." in name else name.replace("_", " ")


def _ends(known: Known, page: Page) -> str:
    if known.unit:
        return f"{known.low:.4g} – {known.high:.4g} {pretty(known.unit)}"
    return between(known.low, known.high, dimension_of(known.name), page)


def _words(found: Uncertainty, page: Page) -> str:
    lines = [
        "Shares are of the variance. What carries no ± in the scenario counts as exact; the model itself, "
        "and how well a sample stands for the line, are not in it."
    ]
    if any(len(c.parts) > 1 for c in found.contributors):
        lines.append(
            "Numbers of one fit err together, as the material's [correlation] says: their share is that of all."
        )
    if found.unsolved:
        lines.append(f"{found.unsolved} of {found.samples + found.unsolved} samples could not be solved.")
    return "".join(wrapped(line, page) for line in lines)


def written(found: Uncertainty) -> dict[str, Any]:
    """Return what stands below "uncertainty" in the JSON of predict."""
    exits = ("moisture_wb", "temperature", "water_activity")
    names = {"temperature": "temperature_C"}
    return {
        **{names.get(name, name): group(getattr(found, name), name) for name in exits},
        "met": {"all": found.all_met, **dict(found.wishes)},
        "limits_kept": dict(found.limits),
        "all_kept": found.all_kept,
        "contributors": [_written(c) for c in found.contributors],
        "samples": found.samples,
        "unsolved": found.unsolved,
        **dryer_uncertainty.written(found),
    }


def _written(c: Contributor) -> dict[str, Any]:
    alone = group(dataclasses.replace(c, parts=()), "contributors") or {}
    return alone | {"parts": [group(known, "parts") for known in c.parts]}
