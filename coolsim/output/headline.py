"""The verdict in a word or two, and in a sentence: what a person reads first of a state, a size or a year."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from coolsim.case.result import Warning
from coolsim.output.cost_tables import money
from coolsim.output.page import Page
from coolsim.output.quantities import (
    area_of,
    bound_text,
    built,
    heating,
    length_of,
    shaft_power,
    value_and_bound,
)
from coolsim.output.settings import nothing_to_gain
from coolsim.output.verdicts import LIKELY, SAID, chance_text
from coolsim.scenario import units as u
from coolsim.simulate.bagging_cautions import WETTEST_TENTH, is_urgent
from coolsim.simulate.finishing_cautions import SWEATS
from coolsim.simulate.requirements import harm_of
from coolsim.simulate.verdicts import Verdict
from coolsim.support.dual_units import for_reader

if TYPE_CHECKING:
    from coolsim.case.case import Case
    from coolsim.case.result import PelletsOut
    from coolsim.studies.settings.answer import SettingsAnswer
    from coolsim.studies.sizing.answer import SizeAnswer
    from coolsim.studies.years import Seasons

GOOD, UNSURE, BAD = "good", "unsure", "bad"
_ENOUGH = f"from {100 * LIKELY:.0f} % on it counts as likely enough, assumed"


@dataclass(frozen=True)
class Headline:
    """A verdict: how it looks, in a word or two, and in a sentence."""

    look: str
    word: str
    sentence: str


def of_state(
    out: PelletsOut,
    verdicts: Sequence[Verdict],
    warnings: Sequence[Warning],
    chance: float | None,
    page: Page,
) -> Headline:
    """The verdict on how pellets leave; `chance` that all wishes and limits are kept, where it is known."""
    moisture = page.number(out.moisture_wb, u.FRACTION, 2)
    leave = (
        f"As it stands the pellets leave with {moisture} moisture at "
        f"{page.number(out.temperature, u.TEMPERATURE, 1)}"
    )
    broken = [v for v in verdicts if not v.met]
    dangers = [for_reader(_why(w.text), page.units) for w in warnings if is_urgent(w)]
    said = any(w.startswith("water activity") for w in dangers)  # with its bound
    others = [v for v in broken if not (said and v.constraint.name == "water_activity")]
    told = "; ".join([*dangers, *(_broken(v, page) for v in others)])
    if dangers or any(v.constraint.name == "water_activity" for v in broken):
        return Headline(BAD, "Do not bag", f"{leave}{f': {told}' if told else ''}.")
    if broken:
        done = {harm_of(v.constraint) for v in broken}
        return Headline(
            BAD, next(word for harm, (word, _) in SAID.items() if harm in done), f"{leave}: {told}."
        )
    if not verdicts:
        return Headline(UNSURE, "Nothing to judge by", f"{leave}; the scenario has no target and no limits.")
    if chance is None:
        kept = f"{leave}: every wish and limit is kept; how likely is not known."
        return Headline(UNSURE, "Kept as computed", kept)
    word, look = ("Likely enough to bag", GOOD) if chance >= LIKELY else ("Not likely enough to bag", UNSURE)
    kept = f"every wish and limit is kept as computed, with a chance of {chance_text(chance)} ({_ENOUGH})"
    return Headline(look, word, f"{leave}: {kept}.")


def _why(text: str) -> str:
    """What an urgent caution says is wrong, without whose it is and what to do."""
    words = re.search(f"({WETTEST_TENTH}|{SWEATS}|water activity)[^:;]*", text)
    return re.split("[:;]", text)[0] if words is None else words[0]


def _broken(v: Verdict, page: Page) -> str:
    q, sign = v.constraint.quantity, "≥" if v.constraint.sense < 0 else "≤"
    value = "unknown" if math.isnan(v.value) else value_and_bound(q, v.value, v.constraint.bound, page)[0]
    return f"{q.label} {value} where {sign} {bound_text(q, v.constraint.bound, page)} is asked for"


def of_advice(answer: SettingsAnswer, case: Case) -> str:
    """What the settings found would change, and how likely they are: a sentence beside today's verdict."""
    if not answer.met:
        return "No settings within [limits] keep everything; what alone would do stands below."
    gain, price = answer.gain.cost_per_hour, f" {case.costs.currency}".rstrip()
    if nothing_to_gain(answer):
        return "Other settings gain nothing."
    money_ = f"{money(abs(gain))}{price} per hour {'less' if gain >= 0 else 'more'}"
    if answer.chance is None:
        return f"Set as below it costs {money_}; how likely that keeps everything is not known."
    likely = "likely enough" if answer.chance >= LIKELY else "not likely enough"
    return f"Set as below it costs {money_}, with a chance of {chance_text(answer.chance)}: {likely}."


# -- a size


def of_size(answer: SizeAnswer, page: Page) -> Headline:
    """What to buy, and how sure it serves."""
    if not answer.met:
        return Headline(BAD, "No size serves", "No one floor serves every product in every weather.")
    count = len(answer.served)
    chances = {f"{s.product} in {s.weather}": s.chance for s in answer.served if s.chance is not None}
    serves = f"As computed it serves every product in every weather, {count} in all"
    if len(chances) < count:
        return Headline(UNSURE, to_buy(answer, page), f"{serves}; how likely is not known.")
    who, chance = min(chances.items(), key=lambda one: one[1])
    least = f"the least likely, {who}, has {chance_text(chance)}"
    likely = sum(c >= LIKELY for c in chances.values())
    if likely == count:
        return Headline(
            GOOD, to_buy(answer, page), f"{serves}, each of them likely enough ({_ENOUGH}): {least}."
        )
    some = f"only {likely}" if likely else "none"
    return Headline(
        UNSURE,
        f"{to_buy(answer, page)}: not likely enough yet",
        f"{serves}, but {some} of them likely enough ({_ENOUGH}): {least}. A drier target makes it "
        "surer; so does measuring what is only assumed, the feed's moisture first.",
    )


def to_buy(answer: SizeAnswer, page: Page) -> str:
    """A size in a few words, such as "1.66 m², 4 kW"."""
    assert answer.floor_area is not None
    if answer.fan is not None:
        parts = [area_of(answer.floor_area, page), shaft_power(answer.fan.motor, page)]
    elif answer.belt_length is not None and answer.belt_width is not None:
        width = built(answer.belt_width, page)
        motors = sum(zone.fan.motor for zone in answer.zones)
        parts = [f"belt {length_of(answer.belt_length, page)} × {width}", f"fans {shaft_power(motors, page)}"]
    else:
        (part,) = answer.zones
        parts = [
            f"{answer.dryers} × {area_of(answer.floor_area, page)}",
            f"fan {shaft_power(part.fan.motor, page)}",
        ]
    if answer.heater is not None:
        parts.append(f"heat {heating(answer.heater, page)}")
    return ", ".join(parts)


# -- a year


def of_year(seasons: Seasons) -> Headline:
    """How many hours are right today, and by the strategy that makes most of them right."""
    first, *others = seasons.strategies
    now = first.total
    counted = f"{now.within:.0f} of {now.hours:.0f} h"
    if not others:
        return Headline(
            UNSURE, f"{counted} right", "So many hours of the year keep target and limits as it is."
        )
    chart = others[0].total
    saved, currency = now.cost - chart.cost, seasons.case.costs.currency
    price = f" {currency}".rstrip()
    less = (
        ""
        if math.isnan(saved)
        else f", for {money(abs(saved))}{price} {'less' if saved > 0 else 'more'} a year"
    )
    sentence = (
        f"As it is, {counted} keep target and limits; by the settings chart {chart.within:.0f} h{less}. "
        "As computed: how likely that is in each hour, --uncertainty tells."
    )
    return Headline(UNSURE, f"{now.within:.0f} → {chart.within:.0f} h right", sentence)
