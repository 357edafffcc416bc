"""What to dial in, as text and as JSON, whatever the machine: what to set and gain on top, then what it gives."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.machines.conditioner import WATER, ranges
from coolsim.output import lever_tables, lines, tables, verdicts
from coolsim.output.cost_tables import by_stage, costs, money
from coolsim.output.page import NARROW, Page, beside, joined, pretty, table, wrapped
from coolsim.output.quantities import at_limit, rounded_down, setting_text, text
from coolsim.output.smallest_changes import heated_air, out_of_reach, smallest_changes
from coolsim.scenario import units as u
from coolsim.simulate.feed_following import conditioned_otherwise
from coolsim.studies.prerequisites import HIGHEST_FEED_MOISTURE
from coolsim.support.dual_units import temperature
from coolsim.support.visible import visible

if TYPE_CHECKING:
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.settings.answer import Chosen, Reached, SettingsAnswer

NOTHING = 1e-3  # of the cost of today: less is no gain


def advised(case: Case, advice: Advice, page: Page, sure: str = "", roomy: bool = False) -> str:
    """Return the answer to what to set as text; where the target is out of reach, that comes first.

    `sure` tells how sure the settings are; `roomy`: they are to keep off target and limits, for a chance.
    """
    answer = advice.answer
    parts = [
        tables.heading(case.title, page),
        tables.first(answer.result, page),
        to_set(case, answer, page, roomy),
        tables.answer(answer.result, page),
        tables.warnings(answer.result, page, tables.LEVELS[:1]),
        what_it_gives(case, advice, page, sure, roomy),
        around(advice, page),
        tables.warnings(answer.result, page, tables.LEVELS[1:]),
    ]
    return joined(parts)


def to_set(case: Case, answer: SettingsAnswer, page: Page, roomy: bool = False) -> str:
    """Today beside what to set, and what that gains."""
    parts = [
        "" if answer.met else out_of_reach(answer, page, roomy),
        "".join(wrapped(line, page) for line in _doubt(answer)),
        _set(case, answer, page),
        *(zones(stage.settings, page, stage.name) for stage in answer.stages),
        "" if answer.stages else zones(answer.settings, page),
        "".join(wrapped(line, page) for line in (*_gain(case, answer, roomy), *_conditioner(answer))),
    ]
    return joined(parts)


def what_it_gives(case: Case, advice: Advice, page: Page, sure: str = "", roomy: bool = False) -> str:
    """Wishes and limits at the settings, what alone would do, costs, and how far settings reach."""
    answer = advice.answer
    names = [stage.name for stage in answer.stages]
    parts = [
        verdicts.verdict_tables(answer.verdicts, page, names),
        sure,
        "" if answer.met else smallest_changes(answer, page) + heated_air(advice.heated, answer, page),
        lines.stages(answer.result, page) if answer.stages else "",
        costs(case, answer.cost, page, bool(ranges(case)) and case.conditioning.temperature is not None),
        by_stage(answer, page) if answer.stages else "",
        "".join(wrapped(line, page) for line in _sentences(case, advice, page, roomy)),
    ]
    return joined(parts)


def around(advice: Advice, page: Page) -> str:
    """What one step of each thing does, and each alone from end to end."""
    bars = "" if advice.levers is None else lever_tables.summary(advice.levers, page)
    return joined([one_step(advice.answer, page), bars])


# -- what to set, and what that gains


def _unopened(one: Chosen, to: str, page: Page) -> tuple[str, str]:
    """What to print of something that nobody opens: it stays, or moves with the feed that the conditioner makes."""
    q = one.setting.quantity
    if math.isnan(one.now + one.to) or text(q, one.now, page) == text(q, one.to, page):
        return to, "as given"
    return text(q, one.to, page), "follows the feed"


def _set(case: Case, answer: SettingsAnswer, page: Page) -> str:
    """Return today's settings beside those to set, and what they give; what nobody opens is said to stay."""
    title = ("cheapest" if unlikely(answer) else "set") if answer.met else "nearest"
    rows: list[tuple[str, ...]] = [("", "today", title, "")]
    for one in answer.chosen:
        s = one.setting
        now = "-" if math.isnan(one.now) else text(s.quantity, one.now, page)
        # the nearest state is on no dial, and nobody shall type it
        to = setting_text(s.quantity, one.to, s.step if answer.met else 0.0, page)
        rows.append((s.label, now, *((to, "") if s.opened else _unopened(one, to, page))))
    rows += [(one.label, one.now, one.to, "") for one in answer.choices]
    rows += [(label, now, to, "") for label, now, to in _follows(answer, page)]
    before, after = answer.now.result.pellets_out, answer.result.pellets_out
    for name, digits in (("moisture", 2), ("temperature", 1)):
        q, field = QUANTITIES[name], {"moisture": "moisture_wb"}.get(name, name)
        pair = (text(q, float(getattr(out, field)), page, digits) for out in (before, after))
        rows.append((f"exit {q.label}", *pair, ""))
    if answer.now.chance is not None and answer.chance is not None:
        pair = (verdicts.chance_text(x) for x in (answer.now.chance, answer.chance))
        rows.append(("chance that all is kept", *pair, ""))
    currency = f" in {case.costs.currency}" if case.costs.currency else ""
    rows.append((f"cost per hour{currency}", money(answer.now.cost.total), money(answer.cost.total), ""))
    lost = [cost.overdried_feed for cost in (answer.now.cost, answer.cost)]
    if max(lost) > NOTHING * abs(answer.now.cost.total):
        rows.append(("  of which weight given away", *map(money, lost), ""))
    bold = (0, *range(1, 1 + len(answer.chosen) + len(answer.choices)))
    return beside(rows, page, right=(1, 2), bold=bold)


def _follows(answer: SettingsAnswer, page: Page) -> Iterator[tuple[str, str, str]]:
    """What follows from the settings and is read on the machine: a fan's airflow, a belt's depth, time."""
    parts: Sequence[tuple[Any, Any, str]]
    if answer.stages:
        now = answer.now_settings if isinstance(answer.now_settings, tuple) else ()
        parts = [(a, b, f"{s.name}: ") for a, b, s in zip(now, answer.settings, answer.stages)]
    else:
        parts = [(answer.now_settings, answer.settings, "")]
    told = {one.setting.key for one in answer.chosen}
    for k, (before, after, prefix) in enumerate(parts, 1):
        for name in ("airflow", "fan_speed", "bed_depth", "residence_time", "duration"):
            key = f"{k}.{name}" if prefix else name
            pair = [getattr(x, name, math.nan) for x in (before, after)]
            batch = name == "duration" and math.isnan(getattr(after, "belt_speed", math.nan))
            if key in told or math.isnan(pair[1]) or batch:
                continue
            q = QUANTITIES["residence_time" if name == "duration" else name]
            yield f"{prefix}{q.label}", *(text(q, x, page) for x in pair)  # type: ignore[misc]


def zones(settings: Any, page: Page, name: str = "") -> str:
    """Return what each zone of a belt is set to; nothing for other machines."""
    if not getattr(settings, "zone_airflow", ()):
        return ""
    hot, air = QUANTITIES["inlet_air_temperature"], QUANTITIES["airflow"]
    each = zip(settings.zone_inlet_air_temperature, settings.zone_airflow)
    rows = [
        (f"{k}", "not heated" if T is None else text(hot, T, page), text(air, V, page))
        for k, (T, V) in enumerate(each, 1)
    ]
    title = f"zone of {name}" if name else "zone"
    return table([(title, "inlet air", "airflow"), *rows], page, right=(1, 2), bold=(0,))


def nothing_to_gain(answer: SettingsAnswer) -> bool:
    """Whether today's settings keep everything and cost as little."""
    return answer.now.met and answer.gain.cost_per_hour <= NOTHING * abs(answer.now.cost.total)


def _gain(case: Case, answer: SettingsAnswer, roomy: bool) -> Iterator[str]:
    """Say what the settings change against today's, or that there is nothing to gain; `roomy` as in `advised`."""
    if not answer.met:
        return
    gain, now = answer.gain, answer.now
    currency = f" {case.costs.currency}" if case.costs.currency else ""
    hours = f"{gain.hours_per_year:.0f} hours a year{', assumed: [shift] says how many' * gain.hours_assumed}"
    if not now.met:
        broken = dict.fromkeys(v.constraint.quantity.label for v in now.verdicts if not v.met)
        more = (
            f"{money(-gain.cost_per_hour)}{currency} per hour more"
            if gain.cost_per_hour < 0
            else (f"{money(gain.cost_per_hour)}{currency} per hour less")
        )
        yield f"Today's settings do not keep: {', '.join(broken)}. These do, for {more}."
    elif roomy and gain.cost_per_hour < 0:
        yield (
            f"Set for the chance that was asked for, at {money(-gain.cost_per_hour)}{currency} per hour more "
            "than today's."
        )
    elif nothing_to_gain(answer):
        yield "Nothing to gain: today's settings keep everything and cost as little."
    else:
        hour, year = (f"{money(x)}{currency}" for x in (gain.cost_per_hour, gain.cost_per_year))
        yield f"Gain{_whose(answer)}: {hour} per hour, {year} per year ({hours})."


def _doubt(answer: SettingsAnswer) -> Iterator[str]:
    """Say before anything is set that it is not likely enough to rely on."""
    words = verdicts.doubt(answer.chance)
    if answer.met and words:
        scenario = visible(getattr(answer.case.source, "name", "") or "SCENARIO")
        yield (
            f'{words} `coolsim settings {scenario} --chance "{100 * verdicts.LIKELY:.0f} %"` finds surer ones; or '
            "measure what is only assumed, the feed's moisture first."
        )


def unlikely(answer: SettingsAnswer) -> bool:
    """Whether settings are known not to be likely enough."""
    return answer.chance is not None and answer.chance < verdicts.LIKELY


def _whose(answer: SettingsAnswer) -> str:
    return ", if they keep everything" if unlikely(answer) else ""


def _conditioner(answer: SettingsAnswer) -> Iterator[str]:
    """Say how much less or more water goes into the conditioner, where that is set."""
    for one in answer.chosen:
        more = 100 * (one.to - one.now)
        if one.setting.key == WATER and one.setting.opened and abs(more) >= 0.05:
            yield f"In the conditioner: {abs(more):.1f} % of the mash {'more' if more > 0 else 'less'} water."


# -- what it costs


# -- in words


def _sentences(case: Case, advice: Advice, page: Page, roomy: bool) -> Iterator[str]:
    answer = advice.answer
    at = [at_limit(limit, page) for limit in answer.binding]
    at += [f"{stage.name}: {at_limit(limit, page)}" for stage in answer.stages for limit in stage.binding]
    if at:
        words = "At their limits, or as far off as the chance takes" if roomy else "At their limits"
        yield f"{words}: {'; '.join(at) if answer.stages else ', '.join(at)}."
    yield from _of_least_bed(case, answer, page)
    if answer.hardly_matters:
        yield (
            f"The {' and '.join(answer.hardly_matters)} hardly matters for the cost here: this is the smallest "
            "that meets target and limits."
        )
    if advice.window is None:
        yield "No settings keep the limits of the machine, whatever the target."
    else:
        within = f"within the machine's limits{' with that room' if roomy else ''}"
        for word, end in zip(("Driest", "Wettest"), advice.window):
            yield f"{word} exit {within}: {100 * end.moisture_wb:.2f} % at {_in_a_line(end, page)}."
    yield from _required(case, answer)


def _of_least_bed(case: Case, answer: SettingsAnswer, page: Page) -> Iterator[str]:
    """Say what the least time in the bed or its least depth costs."""
    least = answer.least_bed
    if least is None:
        return
    stands = ", ".join(f"{c.setting.label} {text(c.setting.quantity, c.now, page)}" for c in least.chosen)
    without = ", ".join(text(c.setting.quantity, c.to, page) for c in least.chosen)
    at = {c.setting.key: c.to for c in answer.chosen}
    if any(abs(at[c.setting.key] - c.now) > c.setting.step for c in least.chosen):
        stands += ", before the steps of the dials"
    currency = f" {case.costs.currency}" if case.costs.currency else ""
    if answer.met:
        costs_so = (
            f"costs {money(max(least.cost_per_hour, 0.0))}{currency} per hour: without it {without} would do"
        )
    elif least.kept_without:
        costs_so = f"stands in the way: with {without} all would be kept"
    else:
        costs_so = f"does not stand in the way: not with {without} either would all be kept"
    yield f"The least bed ({stands}) {costs_so}."


def _in_a_line(end: Reached, page: Page) -> str:
    """The settings of an end of the window, of all that is opened."""
    shown = [one for one in end.chosen if one.setting.opened]
    return ", ".join(f"{one.setting.label} {text(one.setting.quantity, one.to, page)}" for one in shown)


def _required(case: Case, answer: SettingsAnswer) -> Iterator[str]:
    target, now, need = case.target.moisture, 100 * case.feed.moisture, answer.required_feed_moisture
    goal = f"For {100 * target:.4g} % now"
    if need is None:
        return
    if math.isnan(need):
        yield f"{goal}, no feed is dry enough: another limit or wish stands in the way."
    elif need > HIGHEST_FEED_MOISTURE - 1e-4:
        most = 100 * HIGHEST_FEED_MOISTURE
        yield f"{goal}, the feed may come in at {most:.0f} % at least; no wetter was tried."
    else:
        verb = "the feed may come in at" if answer.met else "bring the feed to"
        yield f"{goal}, {verb} {rounded_down(need)} % or drier; it is at {now:.4g} %."
        yield from _by_conditioning(case, float(need))


def _by_conditioning(case: Case, need: float) -> Iterator[str]:
    """What the conditioner would have to do for a feed of that moisture."""
    before, after = case.conditioning, conditioned_otherwise(case, need)
    if after is None:
        return
    more = 100 * (after.water - (before.water or 0.0))
    if after.temperature == before.temperature and abs(more) >= 0.05:
        word = "more" if more > 0 else "less"
        yield f"That is about {abs(more):.1f} % of the mash {word} water in the conditioner."
    elif after.temperature != before.temperature:
        dry = " without water" if before.water else ""
        at = temperature(after.temperature)
        yield f"That is conditioning{dry} at about {at}; colder feed dries less, try it."


# -- out of reach


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
    words = f"{change:+.{digits}f}"
    return words if float(words) else words[1:]


# -- JSON
