"""Where nothing meets everything: what alone would do, and what warmer air would."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from coolsim.case.quantities import QUANTITIES
from coolsim.output.page import Page, beside, wrapped
from coolsim.output.quantities import at_limit, text
from coolsim.scenario import units as u

if TYPE_CHECKING:
    from coolsim.studies.settings.advice import Heated
    from coolsim.studies.settings.answer import Change, SettingsAnswer
from coolsim.output.quantities import rounded_down


def out_of_reach(answer: SettingsAnswer, page: Page, chance: bool) -> str:
    missed = [at_limit(limit, page) for limit in answer.broken]
    missed += [f"{stage.name}: {at_limit(limit, page)}" for stage in answer.stages for limit in stage.broken]
    words = f"no settings within the limits meet the target. The nearest still misses: {'; '.join(missed)}."
    if chance:
        words = f"no settings keep as far off target and limits as it takes. Too near: {'; '.join(missed)}."
    return wrapped(
        f"Out of reach{' with the chance asked for' if chance else ''}: {words}", page, style="bold"
    )


def smallest_changes(answer: SettingsAnswer, page: Page) -> str:
    """Return the table of what each thing alone would have to become, from the nearest settings on."""
    rows = [(change.change, _now(change, page), _to(change, page)) for change in answer.smallest_changes]
    titles = ("Alone would do", "nearest", "to")
    return beside([titles, *rows], page, right=(1, 2))


def _now(change: Change, page: Page) -> str:
    if isinstance(change.now, str):
        return change.now
    return "-" if math.isnan(change.now) else text(QUANTITIES[change.quantity], change.now, page)


def _to(change: Change, page: Page) -> str:
    if change.to is None:
        return "not by this alone"
    if isinstance(change.to, str):
        return change.to
    q = QUANTITIES[change.quantity]
    stored = u.convert(change.to, change.unit, u.DIMENSIONS[q.dimension])
    return f"{rounded_down(stored)} %" if q.name == "feed_moisture" else text(q, stored, page)


def heated_air(heated: Heated | None, answer: SettingsAnswer, page: Page) -> str:
    """Say where heated inlet air would buy moisture with exit temperature, and what to do instead."""
    helps = any(c.quantity == "inlet_air_temperature" and c.to is not None for c in answer.smallest_changes)
    if heated is None or helps:
        return ""
    inlet, out = (
        page.number(x, u.TEMPERATURE, 0) for x in (heated.inlet_air_temperature, heated.temperature)
    )
    air = f"inlet air of {inlet} (airflow {page.number(heated.airflow, u.VOLUME_FLOW, 0)})"
    dryer = "Rather bring the feed in drier, or put a dryer before the cooler."
    if not heated.dry_enough:
        words = f"Not even {air} brings the moisture; the pellets would leave at {out}. {dryer}"
    elif heated.too_warm:
        words = (
            f"Heated {air} would bring the moisture, but the pellets would leave at {out}, too warm. {dryer}"
        )
    else:
        words = (
            f"Heated {air} would bring the moisture, the pellets leaving at {out}: to search there, give "
            "limits.inlet_air_temperature."
        )
    return "\n" + wrapped(words, page)
