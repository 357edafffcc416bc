"""What a person should look at in an answer: one table of level, threshold and words.

danger: the bed or its pellets cannot be as computed. check: look before you bag. note: good to know.
Thresholds with their reasons; safety itself is for local codes and licensed practice to decide.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Batch, Case, Line
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Result, Schedule, StageRun, Warning
from coolsim.equipment.operating_point import MEANING, Status
from coolsim.physics import air, packed_bed, pellet
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.physics.sorption import EQUATIONS
from coolsim.simulate.finishing import before_coating, coldest_film, target_moisture
from coolsim.simulate.finishing_cautions import CLOSE_TO_MOULDS, MOULDY, SWEATS, activity_in_store
from coolsim.simulate.requirements import SWEATING, THICK_FOG, Constraint, wishes_of
from coolsim.support.dual_units import mass_flow
from coolsim.support.dual_units import temperature as _degrees

WAKAO_REYNOLDS = (3.0, 3000.0)  # range of the fit behind h and k_m
LEVELS = ("danger", "check", "note")
# A stalled fan still moves air, only not steadily; a blocked one moves none, so the bed cannot be as computed.
FAN_LEVELS = {
    Status.STALL: "check",
    Status.AMBIGUOUS: "check",
    Status.PAST_END: "check",
    Status.BLOCKED: "danger",
}
FULL_SPEED = 1.0 + 1e-6  # more is told
WARM = 8.0  # K above the air outside; common practice, no source: 5 to 8
AS_GOOD_AS = 1.0 + 1e-6  # times a limit: settings are searched right up to one


@dataclass(frozen=True)
class Caution:
    """`measure` gives the number to compare; `words` are formatted with it, the limit and extras."""

    level: str
    limit: float
    measure: Callable[[Case, Result], float]
    words: str


def _by_fines(case: Case) -> float:
    return float(packed_bed.resistance_with_fines(case.feed.fines or 0.0))


# Of several cautions of one family only the most severe that applies is shown: the first in the table.
TABLE: dict[str, tuple[Caution, ...]] = {
    "lift-off": (
        Caution(
            "danger",
            1.0,
            lambda c, r: r.bed.lift_off,
            "the air lifts the bed: {x:.0%} of the velocity at which its pressure drop carries these pellets "
            "(limit {limit:.0%}). Give less air or more floor.",
        ),
        Caution(
            "check",
            1.0,
            lambda c, r: r.bed.wen_yu,
            "by another correlation (Wen and Yu, ± 30 %, no void fraction asked) the air reaches {x:.0%} of what "
            "lifts the bed; by the bed's own pressure drop at a void fraction of {void:.3g}, which decides, "
            "{lift:.0%}. Measure the void fraction, or give less air.",
        ),
    ),
    "bed stands": (
        Caution(
            "danger",
            1.0,
            lambda c, r: r.bed.pressure_drop / r.bed.bed_weight / _by_fines(c),
            "the bed cannot stand: its pressure drop, clean, is {x:.0%} of its weight (limit {limit:.0%}). "
            "Give less air or more floor.",
        ),
        Caution(
            "check",
            1.0,
            lambda c, r: r.bed.pressure_drop / r.bed.bed_weight,
            "by its fines alone the bed's pressure drop is {x:.0%} of its weight (limit {limit:.0%}): fines blow "
            "out or gather, and air breaks through where there are fewest. Screen them out, or give less air.",
        ),
    ),
    "exhaust": (
        Caution(
            "check",
            0.85,
            lambda c, r: (
                r.air_out.relative_humidity if r.air_out.relative_humidity <= 1 else 0.0
            ),  # more is fog
            "exhaust at {x:.0%} relative humidity (limit {limit:.0%}): ducts and cyclone run wet, fines cake. "
            "More air, or insulate the duct.",
        ),
    ),
    "mould": (
        Caution(
            "check",
            MOULDS_ACTIVE,
            activity_in_store,
            "water activity {x:.2f} in store (limit {limit:.2f}): " + MOULDY,
        ),
        Caution(
            "check",
            CLOSE_TO_MOULDS,
            activity_in_store,
            "water activity {x:.2f} in store (limit {limit:.2f}): close to where moulds grow. Dry further, or "
            "sell soon.",
        ),
    ),
    "warm": (
        Caution(
            "check",
            WARM,
            lambda c, r: r.pellets_out.temperature - c.air.temperature,
            "pellets leave {x:.1f} K ({x_f:.1f} °F) above the air outside (limit {limit:.3g} K, {limit_f:.3g} °F): "
            "they sweat in the bag and may heat in a pile. {cooler}",
        ),
    ),
}


OF_BAGS = ("mould", "warm")  # families about pellets that are not handed on to another machine


WETTEST_TENTH = "the wettest tenth of the pellets"  # how that caution begins
WETTER = 0.01  # kg/kg wet that the wettest tenth may be above the target, where no maximum_deviation is typed


def worst_first(every: Iterable[Warning]) -> list[Warning]:
    """Warnings by their levels, those of one level in their order."""
    return sorted(every, key=lambda w: LEVELS.index(w.level))


def is_urgent(warning: Warning) -> bool:
    """Whether it is told before all numbers: that pellets are not fit for the bag, though their mean may be."""
    return warning.text.startswith((WETTEST_TENTH, SWEATS)) or warning.text.endswith(MOULDY)


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
        _evener(dataclasses.replace(case, cooler=last))
        if last.arrangement != "counter-flow"
        else ("Level the bed, discharge evenly; slower.")
    )
    return Warning(
        "check",
        f"{WETTEST_TENTH} leaves at {wet:.1%}, where {100 * wanted:.4g}% is wished for: do not "
        f"judge by the mean. {helps}",
    )


def cautions(case: Case, result: Result, bagged: bool = True) -> tuple[Warning, ...]:
    """Everything to look at in the answer to one case, the most severe first; not `bagged`: fed to a machine."""
    left_out = () if bagged else OF_BAGS
    found = [*_from_table(case, result, left_out), *_of_fog(case, result), *_of_the_fan(case, result)]
    found += [*_notes(case, result), *(_of_bags(case, result) if bagged else ())]
    if result.schedule is not None:
        found += _of_schedule(result.schedule)
    if case.cooler.arrangement != "counter-flow":
        found += _of_dryers(case, result)
    wet = wet_tenth(case, result) if bagged else None
    found += [] if wet is None else [wet]
    return tuple(worst_first(found))


def _of_fog(case: Case, result: Result) -> Iterator[Warning]:
    """Air that holds more than it can: the models let it, and keep its drops as vapour."""
    out, p = result.air_out, case.air.pressure
    if out.relative_humidity <= 1.0:
        return
    # of over-saturated air the wet bulb is where its drops and its vapour are in balance: the same equation
    T = float(air.wet_bulb(out.temperature, out.humidity_ratio, p))
    drops = 1e3 * float(out.humidity_ratio - air.humidity_ratio_from_relative_humidity(T, 1.0, p))
    more = "more heat" if case.cooler.arrangement == "counter-flow" else "more heat, or less recirculation"
    yield Warning(
        "danger" if out.relative_humidity > THICK_FOG else "check",
        f"the exhaust is fog: computed as vapour alone it holds {out.relative_humidity:.0%} of what air of "
        f"{_degrees(out.temperature)} can. With {drops:.1f} g of drops per kg of dry air it is saturated at "
        f"{_degrees(T)}. Where they settle, pellets stay wetter than told here. More air, {more}.",
    )


WARMED = 5.0  # K above a limit; assumed: a few are within what is not known of the heat that binds water


def _of_bags(case: Case, result: Result) -> Iterator[Warning]:
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


HOT_AIR, FEED_QUALITY = 120.0, 90.0  # °C; common practice, no source: fines char, vitamins and starch suffer
UNEVEN = 0.02  # kg/kg wet of standard deviation over the bed; assumed
DRY_LAYER = 0.05  # kg/kg wet; common practice, no source: brittle pellets, more fines


def _over_depth(result: Result) -> float:
    """Standard deviation of moisture [kg/kg wet] over the bed of a dryer; of other machines none."""
    return 0.0 if result.spread is None else float(result.spread.deviation_wb)


def uneven(case: Case, result: Result) -> bool:
    """Whether some pellets leave much wetter than the mean, from any machine of a line."""
    parts = [result, *(run.result for run in result.stages)]
    most = case.target.maximum_deviation
    allowed = UNEVEN if most is None else min(most, UNEVEN)
    return any(_over_depth(part) > allowed for part in parts) or wet_tenth(case, result) is not None


def _of_dryers(case: Case, result: Result) -> Iterator[Warning]:
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
            f"the driest layer leaves at {spread.driest_wb:.1%} (limit {DRY_LAYER:.0%}): over-dried, brittle, "
            f"dusty. {_evener(case)}",
        )
    if _over_depth(result) > UNEVEN and wet_tenth(case, result) is None:
        yield Warning(
            "check",
            f"the bed is uneven: {spread.driest_wb:.1%} to {spread.wettest_wb:.1%} over its depth. The mean "
            f"hides wet pellets that mould in the bag. {_evener(case)}",
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
        f"the heater ({most / 1e3:.3g} kW) does not reach {_degrees(aim)}: for {took[colder].sum() / 60:.0f} of "
        f"{took.sum() / 60:.0f} min the air comes in colder, down to {_degrees(T.min())}, and aiming higher "
        "changes nothing. It takes a larger heater, less air, or more recirculation.",
    )


def _evener(case: Case) -> str:
    """What makes the layers of a dryer's bed more alike.

    Air that changes sides every few minutes leaves its heat in one end of the bed and fetches it back: the ends
    dry, the middle waits.
    """
    c = case.cooler
    if c.arrangement == "belt":
        return "Less depth, zones with the air the other way, cooler or moister air."
    if c.mixing != "none":
        return "A shorter drying, cooler or moister air."
    if c.reverse_every is None:
        return "Less depth, reversals, turning, cooler or moister air."
    other = "other times between reversals (quicker is not always evener)"
    return f"Less depth, turning, cooler or moister air; {other}."


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
            f"while it is cooled the batch takes up water from the humid air outside: {before:.1%} when the heater "
            f"goes off, {after:.1%} at the end. The heat of that keeps pellets warmer than the air; a shorter "
            "cooling takes up less.",
        )


WARM_HEAP, LONG_STAND = (
    45.0,
    1800.0,
)  # °C and s; common practice, no source: oils take up oxygen and give heat


def of_stand_by(run: StageRun) -> Iterator[Warning]:
    """Self-heating of what stands before a stage of a line."""
    T, seconds = float(run.result.feed_in.temperature), float(run.stand_by)
    if seconds <= 0:
        return
    stands = f"pellets stand for {seconds / 60:.0f} min at {_degrees(T)}"
    more = "Local codes and licensed practice decide."
    if T > WARM_HEAP and seconds > LONG_STAND:
        yield Warning(
            "check",
            f"{stands} (limits {_degrees(WARM_HEAP)} and {LONG_STAND / 60:.0f} min): oily feed in a warm heap can "
            "heat itself until it smoulders, and warm wet feed spoils; neither is computed. Feed it on sooner, "
            f"keep the heap small, watch its temperature. {more}",
        )
    else:
        yield Warning(
            "note",
            f"{stands}, computed as closed and without loss or gain of heat: oily feed can heat itself when it "
            f"stands longer or warmer than planned. {more}",
        )


WETTER = 0.01  # kg/kg wet that a tenth lies above its mean; less shows in no bag


def of_uneven_feed(before: StageRun) -> Iterator[Warning]:
    """Pellets that leave a stage of a line unlike each other: the next one is computed with their mean."""
    told = before.result.between_pellets
    if told is None:
        return
    tenth, mean = float(told.wettest_tenth.moisture_wb), float(before.result.pellets_out.moisture_wb)
    if tenth - mean > WETTER:
        yield Warning(
            "note",
            f"the wettest tenth leaves at {tenth:.1%}, the mean at {mean:.1%}. The next machine is computed with "
            "the mean: what it leaves is as uneven as what it is fed, unless pellets lie together for days.",
        )


def _of_schedule(plan: Schedule) -> Iterator[Warning]:
    if plan.surplus > 0:
        yield Warning(
            "check",
            f"the dryers do not keep up: {plan.load:.0%} of their capacity arrives and "
            f"{mass_flow(plan.surplus)} pile up. It takes {plan.dryers_needed:.0f} dryers, a larger batch, "
            "or a shorter cycle.",
        )


def _from_table(case: Case, result: Result, left_out: tuple[str, ...]) -> Iterator[Warning]:
    for name, family in TABLE.items():
        for caution in () if name in left_out else family:
            stated = _stated(case, name)
            caution = caution if stated is None else dataclasses.replace(caution, limit=stated)
            x = caution.measure(case, result)
            if x > caution.limit * AS_GOOD_AS:
                yield Warning(caution.level, _said(case, result, caution, x))
                break


def _stated(case: Case, name: str) -> float | None:
    """The limit of a caution that the person states: two limits of one thing side by side would contradict."""
    stated: float | None = case.target.maximum_above_ambient
    return stated if name == "warm" else None


def _of_the_fan(case: Case, result: Result) -> Iterator[Warning]:
    if result.fan is None:
        return
    status = Status(int(result.fan.status))
    if status in FAN_LEVELS:
        yield Warning(FAN_LEVELS[status], f"{MEANING[status]}.")
    if result.fan.speed > FULL_SPEED:
        yield Warning(
            "check",
            f"this airflow takes {result.fan.speed:.0%} of the fan's full speed: power rises as its cube, forces "
            "in the wheel as its square. Not without the maker's consent.",
        )
    if case.duct.leakage is None:
        yield Warning(
            "note",
            "no false air is stated (duct.leakage): all of the fan's air is taken to pass the bed. What leaks in "
            "at gate and walls reaches the fan and not the pellets: state it, if only as 0 %.",
        )


# What makes pellets leave cooler, by arrangement.
_COOLER = {
    "counter-flow": "More time in the bed or more air.",
    "batch": "Cool the batch before it is emptied, or longer: cooler.cooling_time.",
    "belt": "Let a last zone blow outside air, unheated, or cool them afterwards.",
}


def _said(case: Case, result: Result, caution: Caution, x: float) -> str:
    """The words with their numbers; x_f and limit_f are temperature differences in °F."""
    return caution.words.format(
        x=x,
        limit=caution.limit,
        x_f=1.8 * x,
        limit_f=1.8 * caution.limit,
        cooler=_COOLER[case.cooler.arrangement],
        void=case.feed.void_fraction,
        lift=float(result.bed.lift_off),
    )


def _notes(case: Case, result: Result) -> Iterator[Warning]:
    if result.feed_in.flash_loss_wb > 0:
        yield Warning(
            "note",
            f"the feed would boil at this pressure: it flashes to {_degrees(result.feed_in.temperature)} and "
            f"{result.feed_in.moisture_wb:.2%} moisture before it enters.",
        )
    yield Warning(
        "note",
        f"exhaust ducts colder than {_degrees(result.air_out.dew_point)}, the exhaust's dew point, drip.",
    )
    yield from _outside_of_fits(case, result)
    assumed = [name.replace("_", " ") for name, p in case.material.provenance.items() if p.assumed]
    if assumed:
        yield Warning(
            "note",
            f"assumed for {case.material.name}: {', '.join(assumed)}. `coolsim materials "
            f"{case.material.name}` tells why; a trial on your own line settles them.",
        )


def _outside_of_fits(case: Case, result: Result) -> Iterator[Warning]:
    radius = pellet.equivalent_sphere_radius(case.feed.diameter, case.feed.length)
    flux = result.bed.face_velocity * air.density(case.air.temperature, case.air.pressure)
    Re = flux * 2 * radius / air.viscosity(case.air.temperature)
    low, high = WAKAO_REYNOLDS
    if not low <= Re <= high:
        yield Warning(
            "note",
            f"Reynolds number {Re:.3g} is outside the fit of heat and mass transfer ({low:g}–{high:g}).",
        )
    equation = EQUATIONS[case.material.isotherm.equation]
    T: Any = np.asarray(result.kept_profile.surface_temperature)
    if result.history is not None:  # a dryer's profile is of its end, and hot air may have come before
        T = np.append(T, result.history.temperature)
    low, high = equation.fitted_temperature
    if T.min() < low or T.max() > high:
        yield Warning(
            "note",
            f"pellet surfaces run from {_degrees(T.min())} to {_degrees(T.max())}; the isotherm is "
            f"{equation.range_text}: extrapolated beyond.",
        )
