"""Settings that meet target and limits with a chance, beside the usual ones, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from coolsim.case.case import Case
from coolsim.output import quantities
from coolsim.output import uncertainties as sure
from coolsim.output.cost_tables import mass_unit, money, per_mass
from coolsim.output.json import group
from coolsim.output.page import Page, grid, joined, wrapped
from coolsim.output.settings_json import of_settings
from coolsim.output.verdicts import chance_text
from coolsim.scenario import units as u
from coolsim.simulate.requirements import wishes_of

if TYPE_CHECKING:
    from coolsim.simulate.requirements import AtLimit
    from coolsim.studies.propagation.answer import Uncertainty
    from coolsim.studies.settings.answer import SettingsAnswer
    from coolsim.studies.settings.chance_constrained import SettingsWithChance


def summary(case: Case, answer: SettingsAnswer, alone: SettingsWithChance | None, page: Page) -> str:
    """Return how sure the settings of an answer are, and beside them those that have the chance.

    alone: those that have it are the answer itself. Nothing, where nothing of it was asked.
    """
    stages = [stage.name for stage in answer.stages]
    if alone is not None:
        lines = "".join(wrapped(line, page) for line in _obstacles(case, alone, page))
        return joined([sure.summary(alone.uncertainty, page, alone.chance, stages), lines])
    there, found = answer.uncertainty, answer.surely
    if there is None or found is None:
        return ""
    return joined([sure.summary(there, page, stages=stages), _comparison(case, answer, there, found, page)])


def _comparison(
    case: Case, usual: SettingsAnswer, there: Uncertainty, found: SettingsWithChance, page: Page
) -> str:
    wanted = f"{100 * found.chance:.4g} %"
    if usual.met and there.chance >= found.chance:
        return wrapped(f"The settings above {_what(there)} with a chance of {wanted} as they are.", page)
    columns = [_column(case, usual, there, page), _column(case, found.answer, found.uncertainty, page)]
    rows = [(label, *(column[label] for column in columns)) for label in columns[0]]
    titles = (f"For a chance of {wanted}, set", "instead of", "this")
    text = grid(titles, rows, page)
    if not found.kept:
        text += wrapped(
            f"No settings within [limits] were found that have a chance of {wanted}; these are the surest.",
            page,
        )
    return text + "".join(wrapped(line, page) for line in _obstacles(case, found, page))


def _what(sure: Uncertainty) -> str:
    return "meet the target" if sure.all_kept is None else "meet the target and keep all limits"


def _column(case: Case, answer: SettingsAnswer, there: Uncertainty, page: Page) -> dict[str, str]:
    """Settings, exit, chance and cost, by their labels."""
    out = answer.result.pellets_out
    currency = case.costs.currency
    cost = f"cost in {currency}" if currency else "cost"
    return {
        **{
            one.setting.label: quantities.setting_text(one.setting.quantity, one.to, one.setting.step, page)
            for one in answer.chosen
        },
        "exit moisture": page.number(float(out.moisture_wb), u.FRACTION, 2),
        "exit temperature": page.number(float(out.temperature), u.TEMPERATURE, 1),
        "chance that the target is met": chance_text(there.all_met or 0.0),
        **({} if there.all_kept is None else {"and all limits kept": chance_text(there.all_kept)}),
        f"{cost} per {mass_unit(page)}": money(answer.cost.per_tonne * per_mass(page)),
    }


def _obstacles(case: Case, found: SettingsWithChance, page: Page) -> Iterator[str]:
    """Where no settings have the chance: what stands in the way, and which wish is the least sure."""
    if found.kept:
        return
    held = [quantities.at_limit(one, page) for one in limiting(found)]
    if held:
        yield f"In the way of a surer target: {', '.join(held)}. What leaves it open may be measured closer, too."
    chances = (*found.uncertainty.wishes, *found.uncertainty.limits)
    if len(chances) > 1:
        name, least = min(chances, key=lambda one: one[1])
        yield f"The least sure is {name}: {chance_text(least)}."


def limiting(found: SettingsWithChance) -> tuple[AtLimit, ...]:
    """Limits that the settings stand at or break; not the wishes, whose room the search chose."""
    wishes = {c.called for c in wishes_of(found.case)}
    each = {one.limit: one for one in (*found.answer.broken, *found.answer.binding)}
    return tuple(one for name, one in each.items() if name not in wishes)


def written(case: Case, answer: SettingsAnswer, alone: SettingsWithChance | None) -> dict[str, Any]:
    """Return "uncertainty" and "surely" in the JSON of settings; nothing, where nothing of it was asked."""
    if alone is not None:
        return {"uncertainty": sure.written(alone.uncertainty) | {"chance": alone.chance}}
    found = answer.surely
    if answer.uncertainty is None or found is None:
        return {}
    return {
        "uncertainty": sure.written(answer.uncertainty),
        "surely": {
            "chance": found.chance,
            "kept": found.kept,
            **of_settings(case, found.answer),
            "pellets_out": group(found.answer.result.pellets_out, "pellets_out"),
            "uncertainty": sure.written(found.uncertainty),
        },
    }
