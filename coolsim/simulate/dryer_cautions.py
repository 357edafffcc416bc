"""What a person should look at in a dryer: hot air, uneven beds, heaters, cooling, batches that do not keep up."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Batch
from coolsim.case.result import Result, Schedule, Warning
from coolsim.simulate.bagging_cautions import evener, wet_tenth
from coolsim.support.dual_units import heat, mass_flow
from coolsim.support.dual_units import temperature as _degrees

HOT_AIR, FEED_QUALITY = 120.0, 90.0  # °C; common practice, no source: fines char, vitamins and starch suffer
UNEVEN = 0.02  # kg/kg wet of standard deviation over the bed; assumed
DRY_LAYER = 0.05  # kg/kg wet; common practice, no source: brittle pellets, more fines


def over_depth(result: Result) -> float:
    """Standard deviation of moisture [kg/kg wet] over the bed of a dryer; of other machines none."""
    return 0.0 if result.spread is None else float(result.spread.deviation_wb)


def uneven(case: Case, result: Result) -> bool:
    """Whether some pellets leave much wetter than the mean, from any machine of a line."""
    parts = [result, *(run.result for run in result.stages)]
    most = case.target.maximum_deviation
    allowed = UNEVEN if most is None else min(most, UNEVEN)
    return any(over_depth(part) > allowed for part in parts) or wet_tenth(case, result) is not None


def of_dryers(case: Case, result: Result) -> Iterator[Warning]:
    """Heat, fire and dust in general words: what holds on a site is for local codes and licensed practice."""
    spread, history = result.spread, result.history
    assert spread is not None and history is not None
    hottest = float(history.inlet_air_temperature.max())
    if hottest > HOT_AIR:
        yield Warning(
            "check",
            f"air of {_degrees(hottest)} (limit {_degrees(HOT_AIR)}): fines and plugged sections can char and "
            "catch fire. Keep fines out and sections clear; local fire code and licensed practice decide.",
        )
    elif hottest > FEED_QUALITY:
        yield Warning(
            "note",
            f"air of {_degrees(hottest)} can harm feed (vitamins, fats, starch) where pellets reach its "
            f"temperature: ask the formulator above {_degrees(FEED_QUALITY)}.",
        )
    if spread.driest_wb < DRY_LAYER:
        yield Warning(
            "check",
            f"the driest layer leaves at {100 * spread.driest_wb:.1f} % (limit {100 * DRY_LAYER:.0f} %): "
            f"over-dried, brittle, dusty. {evener(case)}",
        )
    if over_depth(result) > UNEVEN and wet_tenth(case, result) is None:
        yield Warning(
            "check",
            f"the bed is uneven: {100 * spread.driest_wb:.1f} % to {100 * spread.wettest_wb:.1f} % over its "
            f"depth. The mean hides wet pellets that mould in the bag. {evener(case)}",
        )
    if getattr(case.cooler, "mixing", "none") == "continuous" and case.cooler.reverse_every is not None:
        yield Warning(
            "note", "reverse_every changes nothing while the pellets are turned all the time (mixing)."
        )
    yield from _of_heater(case, result)
    yield from _of_cooling(case, result)
    fan, duct = case.fan, case.duct
    if duct or fan.curve or fan.rated_flow or fan.position == "blow-through":
        yield Warning(
            "note",
            "of [fan] only the efficiencies count for a dryer so far, of [duct] nothing: airflow is as given, the "
            "fan's heat, false air and what the duct resists are left out.",
        )
    yield Warning(
        "note",
        "warm oily pellets can heat themselves in a pile or a stopped dryer, and their dust can burn and "
        "explode: cool before storing, keep dust down. Local codes and licensed practice decide.",
    )


COLDER, A_WHILE = 1.0, 0.1  # K, and a share of the drying: less is no reason for another heater


def _of_heater(case: Case, result: Result) -> Iterator[Warning]:
    """A batch's heater that does not reach what it aims at: turning that up changes nothing."""
    history, batch = result.history, case.cooler
    assert history is not None
    if not isinstance(batch, Batch) or batch.inlet_air_temperature is None or batch.heater_power is None:
        return
    aim, most = batch.inlet_air_temperature, batch.heater_power
    drying = history.zone > 0
    took, T = np.diff(history.time, prepend=0.0)[drying], history.inlet_air_temperature[drying]
    colder = aim - T > COLDER
    if took[colder].sum() <= A_WHILE * took.sum():
        return
    yield Warning(
        "check",
        f"the heater, {heat(most)}, does not reach {_degrees(aim)}: for {took[colder].sum() / 60:.0f} of "
        f"{took.sum() / 60:.0f} min the air comes in colder, down to {_degrees(T.min())}, and aiming higher "
        "changes nothing. It takes a larger heater, less air, or more recirculation.",
    )


REWETTED = 0.003  # kg/kg wet that a batch takes up while it is cooled; assumed: more shows in what is sold


def _of_cooling(case: Case, result: Result) -> Iterator[Warning]:
    """Pellets drier than the air outside allows take up water from it, and its heat keeps them warm."""
    history = result.history
    assert history is not None
    if history.zone[-1] > 0:  # nothing was cooled
        return
    before, after = float(history.moisture_wb[history.zone > 0][-1]), float(result.pellets_out.moisture_wb)
    if after - before > REWETTED:
        yield Warning(
            "note",
            f"while it is cooled the batch takes up water from the humid air outside: {100 * before:.1f} % when "
            f"the heater goes off, {100 * after:.1f} % at the end. The heat of that keeps pellets warmer than the "
            "air; a shorter cooling takes up less.",
        )


def of_schedule(plan: Schedule) -> Iterator[Warning]:
    if plan.surplus > 0:
        yield Warning(
            "check",
            f"the dryers do not keep up: {100 * plan.load:.0f} % of their capacity arrives and "
            f"{mass_flow(plan.surplus)} pile up. It takes {plan.dryers_needed:.0f} dryers, a larger batch, "
            "or a shorter cycle.",
        )
