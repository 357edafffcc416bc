"""What a person should look at before pellets are bagged: their wettest tenth, moulds, sweat, warmth."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case, Line
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Result, Warning
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.simulate.finishing import before_coating, coldest_film, target_moisture
from coolsim.simulate.finishing_cautions import MOULDY, SWEATS
from coolsim.simulate.requirements import SWEATING, Constraint, wishes_of
from coolsim.support.dual_units import temperature as _degrees

WARM = 8.0  # K above the air outside; common practice, no source: 5 to 8


WETTEST_TENTH = "the wettest tenth of the pellets"  # how that caution begins
WETTER = 0.01  # kg/kg wet that the wettest tenth may be above the target, where no maximum_deviation is typed


def is_urgent(warning: Warning) -> bool:
    """Whether it is told before all numbers: that pellets are not fit for the bag, though their mean may be.

    Before its words may stand a machine of a line, or product and weather of a size; behind them what is alike.
    """
    return any(words in warning.text for words in (WETTEST_TENTH, SWEATS, MOULDY))


def most_of_wettest_tenth(case: Case) -> float | None:
    """Moisture [kg/kg wet] from which the wettest tenth must not be bagged, whatever the mean is."""
    wanted = target_moisture(case)
    if wanted is None:
        return None
    slack = (case.target.tolerance or 0.0) * case.coating.coat.grown
    return float(wanted + slack + (case.target.maximum_deviation or WETTER))


def unfit(case: Case) -> list[Constraint]:
    """Bounds of what is `is_urgent`, where no wish is as strict: moulds that are active, bags that sweat."""
    found, wishes = [], {c.name: c.bound for c in wishes_of(case)}
    active = before_coating(case)("water_activity", MOULDS_ACTIVE)
    if wishes.get("water_activity", np.inf) > active:
        found.append(Constraint(QUANTITIES["water_activity"], active, of_target=True, assumed=True))
    if case.bag and SWEATING not in wishes:
        found.append(Constraint(QUANTITIES[SWEATING], coldest_film(case), of_target=True, assumed=True))
    return found


def wet_tenth(case: Case, result: Result) -> Warning | None:
    """What must be read first: the mean meets the target and the wettest tenth of the pellets is far above it."""
    wanted, most, tenth = target_moisture(case), most_of_wettest_tenth(case), result.between_pellets
    if most is None or tenth is None:
        return None
    wet = float(tenth.wettest_tenth.moisture_wb)
    if wet <= most:
        return None
    last = case.cooler.stages[-1].cooler if isinstance(case.cooler, Line) else case.cooler
    helps = (
        evener(dataclasses.replace(case, cooler=last))
        if last.arrangement != "counter-flow"
        else ("Level the bed, discharge it evenly, or run it slower.")
    )
    return Warning(
        "check",
        f"{WETTEST_TENTH} leaves at {100 * wet:.1f} %, where {100 * wanted:.4g} % is wished for: do not "
        f"judge by the mean. {helps}",
    )


WARMED = 5.0  # K above a limit; assumed: a few are within what is not known of the heat that binds water


def of_bags(case: Case, result: Result) -> Iterator[Warning]:
    """Pellets whose dry skin takes up water from the core once they lie still: its heat of binding warms them."""
    leave, even = (float(x.temperature) for x in (result.pellets_out, result.after_equalising))
    stated = case.target.maximum_above_ambient
    limit = WARM if stated is None else stated
    if leave - case.air.temperature <= limit and even - case.air.temperature > limit + WARMED:
        yield Warning(
            "check",
            f"pellets leave at {_degrees(leave)} and warm to {_degrees(even)} in a closed bag or bin, where the "
            "dry skin takes up water from the core and binds it: they may sweat. Cool them further, or let them "
            "stand open before bagging.",
        )


def evener(case: Case) -> str:
    """What makes the layers of a dryer's bed more alike.

    Air that changes sides every few minutes leaves its heat in one end of the bed and fetches it back: the ends
    dry, the middle waits.
    """
    c = case.cooler
    if c.arrangement == "belt":
        return "Try less depth, zones with the air the other way, or cooler or moister air."
    if c.mixing != "none":
        return "Try a shorter drying, or cooler or moister air."
    if c.reverse_every is None:
        return "Try less depth, reversals, turning, or cooler or moister air."
    other = "other times between reversals (quicker is not always evener)"
    return f"Try less depth, turning, cooler or moister air, or {other}."
