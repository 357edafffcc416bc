"""What to dial in, as text and as JSON, whatever the machine: what to set and gain on top, then what it gives."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.machines.conditioner import KEYS, WATER, ranges
from coolsim.output import json as as_json
from coolsim.output import lever_tables, lines, tables, verdicts
from coolsim.output.page import NARROW, Page, joined, pretty, table, wrapped
from coolsim.output.quantities import at_limit, at_limits, setting_text, text, written
from coolsim.scenario import inputs, typed_back
from coolsim.scenario import units as u
from coolsim.simulate.feed_following import conditioned_otherwise
from coolsim.studies.prerequisites import HIGHEST_FEED_MOISTURE
from coolsim.support.dual_units import temperature

if TYPE_CHECKING:
    from coolsim.case.costs import Cost
    from coolsim.studies.settings.advice import Advice, Heated
    from coolsim.studies.settings.answer import (
        Change,
        Chosen,
        LeastBed,
        Reached,
        SettingsAnswer,
        StageSettings,
    )

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
        "" if answer.met else _out_of_reach(answer, page, roomy),
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
        "" if answer.met else _smallest_changes(answer, page) + _heated(advice.heated, answer, page),
        lines.stages(answer.result, page) if answer.stages else "",
        costs(case, answer.cost, page, bool(ranges(case)) and case.conditioning.temperature is not None),
        _by_stage(answer, page) if answer.stages else "",
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
    title = "set" if answer.met else "nearest"
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
    if page.width >= NARROW:
        return table(rows, page, right=(1, 2), bold=bold)
    return "".join(
        wrapped(f"{label}: {to}{f' ({note})' if note else ''}, today {now}", page)
        for label, now, to, note in rows[1:]
    )


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
    if answer.met and answer.chance is not None and unlikely(answer):
        asked = f"{100 * verdicts.LIKELY:.0f} %"
        yield (
            f"Not likely enough to rely on: {verdicts.chance_text(answer.chance)} chance, where {asked} is asked "
            f'for (assumed). `coolsim settings` with --chance "{asked}" finds surer ones; or measure what is only '
            "assumed, the feed's moisture first."
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


def costs(case: Case, cost: Cost, page: Page, steam: bool = False) -> str:
    """Return what settings cost; `steam`: the conditioner's counts among the heat."""
    currency = case.costs.currency
    mass = "short ton" if page.units == "us" else "t"
    rows = [("electricity", cost.electricity)]
    if case.costs.heat is not None or cost.heat > 0.0:
        rows.append(("heat, steam's too" if steam else "heat", cost.heat))
    rows += [("weight given away", cost.overdried_feed), ("total", cost.total)]
    per_mass = u.shown(1e-3, u.MASS_PRICE, f"/{mass.replace(' ', '_')}")
    share = cost.per_tonne / cost.total if cost.total else 0.0
    columns = [
        summed([hourly for _, hourly in rows]),
        summed([hourly * share * per_mass for _, hourly in rows]),
    ]
    shown = [(label, *cells) for (label, _), *cells in zip(rows, *columns)]
    titles = (f"Cost in {currency}" if currency else "Cost", "per hour", f"per {mass}")
    return table([titles, *shown], page, right=(1, 2), bold=(0, len(shown)))


def summed(amounts: Sequence[float]) -> list[str]:
    """Return amounts, the last of which is the sum of the others, so that they add up as printed.

    >>> summed([0.2034, 0.0, 0.0, 0.2034]), summed([0.0379, 2.244, 0.004, 2.2859])
    (['0.203', '0', '0', '0.203'], ['0.04', '2.25', '0.00', '2.29'])
    """
    *parts, total = amounts
    if math.isnan(total):
        return [money(x) for x in amounts]
    text = money(total)
    digits = len(text.partition(".")[2])
    rounded = [round(x, digits) for x in parts]
    left = float(text) - sum(rounded)
    most = max(range(len(parts)), key=lambda k: (parts[k] - rounded[k]) * math.copysign(1.0, left))
    rounded[most] += left
    return [f"{x:.{digits}f}" if part else "0" for x, part in zip(rounded, parts)] + [text]


def money(amount: float) -> str:
    """Return an amount with three digits, and none behind the point where it is large.

    >>> money(0.033476), money(12.345), money(1234.5), money(0.0)
    ('0.0335', '12.3', '1234', '0')
    """
    if math.isnan(amount):
        return "unknown"
    if abs(amount) < 5e-4:  # less than any currency can show
        return "0"
    return f"{amount:.{max(0, 2 - math.floor(math.log10(abs(amount))))}f}"


def _by_stage(answer: SettingsAnswer, page: Page) -> str:
    """Return which stage takes out how much of the water, and what it costs."""
    water, total = sum(s.water for s in answer.stages), answer.cost.total
    rows = [
        (
            s.name,
            page.number(s.water, u.MASS_FLOW, 1),
            _share(s.water, water),
            money(s.electricity + s.heat),
            _share(s.electricity + s.heat, total),
        )
        for s in answer.stages
    ]
    titles = ("part of each", "takes out", "of the water", "energy per hour", "of the cost")
    return table([titles, *rows], page, right=(1, 2, 3, 4), bold=(0,))


def _share(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole > 0 else "-"


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


def rounded_down(moisture: float) -> str:
    """Return a highest moisture in % with one digit, never more than it is.

    >>> rounded_down(0.14999), rounded_down(0.149)
    ('14.9', '14.9')
    """
    return f"{math.floor(1000 * moisture + 1e-9) / 10:.1f}"


# -- out of reach


def _out_of_reach(answer: SettingsAnswer, page: Page, chance: bool) -> str:
    missed = [at_limit(limit, page) for limit in answer.broken]
    missed += [f"{stage.name}: {at_limit(limit, page)}" for stage in answer.stages for limit in stage.broken]
    words = f"no settings within the limits meet the target. The nearest still misses: {'; '.join(missed)}."
    if chance:
        words = f"no settings keep as far off target and limits as it takes. Too near: {'; '.join(missed)}."
    return wrapped(
        f"Out of reach{' with the chance asked for' if chance else ''}: {words}", page, style="bold"
    )


def _smallest_changes(answer: SettingsAnswer, page: Page) -> str:
    """Return the table of what each thing alone would have to become, from the nearest settings on."""
    rows = [(change.change, _now(change, page), _to(change, page)) for change in answer.smallest_changes]
    titles = ("Alone would do", "nearest", "to")
    if page.width >= NARROW:
        return table([titles, *rows], page, right=(1, 2), bold=(0,))
    return wrapped(titles[0], page, style="bold") + "".join(
        wrapped(f"{label}: {to} (nearest {at})", page, indent=2) for label, at, to in rows
    )


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


def _heated(heated: Heated | None, answer: SettingsAnswer, page: Page) -> str:
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


def document(case: Case, advice: Advice, scenario: str, version: str) -> dict[str, Any]:
    """Return what `settings --json` writes: predict's groups at the settings, and what is particular to it."""
    answer = advice.answer
    driest, wettest = advice.window or (None, None)
    need = answer.required_feed_moisture
    found = as_json.document(answer.case, answer.result, scenario, version) | {
        "inputs": inputs(case),
        **of_settings(case, answer),
        "reachable": {"driest": _end(case, driest), "wettest": _end(case, wettest)},
        "required_feed_moisture_wb": None if need is None or math.isnan(need) else need,
        "one_step": [as_json.group(step, "one_step") for step in answer.one_step],
        "levers": [] if advice.levers is None else lever_tables.as_json(advice.levers),
        "smallest_changes": [
            {"change": change.change, "to": change.to, "unit": change.unit}
            for change in answer.smallest_changes
        ],
        "now": {
            "settings": _settings(case, answer.now_settings),
            "pellets_out": as_json.group(answer.now.result.pellets_out, "pellets_out"),
            "cost": as_json.where_known(answer.now.cost, "cost"),
            "met": answer.now.met,
            "verdicts": verdicts.as_json(answer.now.verdicts),
            "chance": answer.now.chance,
        },
        "chance": answer.chance,
        "gain": as_json.group(answer.gain, "gain"),
    }
    if not answer.met:
        nearest = {"settings": found["settings"], "pellets_out": found["pellets_out"]}
        found |= {"nearest": nearest, "broken": at_limits(answer.broken)}
    return found


def of_settings(case: Case, answer: SettingsAnswer) -> dict[str, Any]:
    """What is set, what it costs, how it stands, and the keys that set it."""
    return {
        "settings": [_stage(stage) for stage in answer.stages]
        if answer.stages
        else as_json.where_known(answer.settings, "settings"),
        "set": typed_back(case, answer.case),
        "conditioner": list(_of_conditioner(answer)),
        "cost": as_json.where_known(answer.cost, "cost") | {"currency": case.costs.currency},
        "exact_cost": answer.exact_cost,
        "choices": [as_json.group(one, "choices") for one in answer.choices],
        "binding": at_limits(answer.binding),
        "least_bed": _least_bed(answer.least_bed),
        "verdicts": verdicts.as_json(answer.verdicts),
    }


def _of_conditioner(answer: SettingsAnswer) -> Iterator[dict[str, Any]]:
    """What is set on the conditioner, in the units of JSON: water as a share of the mash."""
    for one in answer.chosen:
        if one.setting.key in KEYS:
            (now, unit), (to, _) = (written(one.setting.quantity, x) for x in (one.now, one.to))
            opened = one.setting.opened
            yield {"name": one.setting.key, "now": now, "to": to, "unit": unit, "opened": opened}


def _least_bed(least: LeastBed | None) -> dict[str, Any] | None:
    if least is None:
        return None
    each = [
        {"name": c.setting.key, "least": value, "without": written(c.setting.quantity, c.to)[0], "unit": unit}
        for c in least.chosen
        for value, unit in [written(c.setting.quantity, c.now)]
    ]
    return {"cost_per_hour": least.cost_per_hour, "kept_without": least.kept_without, "at": each}


def _settings(case: Case, settings: Any) -> Any:
    if not isinstance(settings, tuple):
        return as_json.where_known(settings, "settings")
    names = (stage.name for stage in case.cooler.stages)
    return [
        {"stage": name, "settings": as_json.where_known(one, "settings")}
        for name, one in zip(names, settings)
    ]


def _stage(stage: StageSettings) -> dict[str, Any]:
    return {
        "stage": stage.name,
        "settings": as_json.where_known(stage.settings, "settings"),
        "water_kg_h": 3600.0 * stage.water,
        "cost": {"electricity": stage.electricity, "heat": stage.heat},
        "binding": at_limits(stage.binding),
        "broken": at_limits(stage.broken),
    }


def _end(case: Case, end: Reached | None) -> dict[str, Any] | None:
    return (
        None if end is None else {"moisture_wb": end.moisture_wb, "settings": _settings(case, end.settings)}
    )
