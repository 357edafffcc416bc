"""What is assumed of a machine to buy, and what of its scenario does not count, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.equipment import fan
from coolsim.equipment.fan import BLOW_THROUGH
from coolsim.machines.assumptions import of_least_bed, of_lift_off, of_moulds, unpriced_heat
from coolsim.simulate.dryer_phases import ASSUMED_FAN
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.sizing.service import reserve_of

_WALLS = "heat lost through walls and leaks is not counted."
_MEAN = "where hot wet feed steams it moves a little more. Its pressure is the highest."


def words(case: Case, heated: bool) -> Iterator[Warning]:
    """Name what is assumed, and what of the scenario does not count; heated: whether its air may be."""
    dryer, costs = is_dryer(case), case.costs
    yield from _of_reserve(case)
    if not case.duct:
        without = ", without heater and ducts" if dryer else ""
        yield Warning(
            "check",
            f"no [duct] is given: the fan's pressure is that of the bed alone{without}. "
            "Type duct.pressure_loss, or ask for a larger fan.",
        )
    if heated and costs:
        yield from unpriced_heat(
            case, f"{'drying with it' if dryer else 'heating the inlet air'} counts as free"
        )
    if costs.feed is None and (costs or not dryer):
        yield Warning("note", "feed has no price (costs.feed): weight given away costs nothing here.")
    yield Warning(
        "note",
        f"margin of {100 * case.sizing.margin:.0f} % on the bed's pressure for fouling and fines"
        f"{'' if dryer else ', and freeboard'}: common practice, no source. Fines can multiply a bed's pressure "
        "severalfold.",
    )
    yield from (Warning("note", text) for text in _of_the_kind(case))
    yield from of_lift_off(case)
    yield from of_moulds(case)
    yield from of_least_bed(case, sized=True)
    yield from _of_fan(case, dryer)
    guarded = "guards, supports and access are for local codes and people licensed to practise to decide."
    fire = f"warm oily pellets and their dust can burn: explosion protection, fire detection, {guarded}"
    risk = fire if dryer else f"explosion protection, {guarded}"
    yield Warning("note", risk)


def _of_the_kind(case: Case) -> Iterator[str]:
    """What is assumed of the air of a cooler, a batch or a belt."""
    if case.cooler.arrangement == "batch":
        yield f"a fan's flow is the mean of the drying, or of the cooling where that moves more: {_MEAN}"
        yield (
            "the heater holds its temperature from the first minute on; a smaller one lets the bed warm up more "
            f"slowly. H{_WALLS[1:]}"
        )
    elif is_dryer(case):
        yield f"a fan's flow is the mean of each zone: {_MEAN}"
        yield _WALLS
    elif case.fan.position == BLOW_THROUGH:
        yield "the fan blows through the bed and warms the air on its way in; this is left out."


def _of_reserve(case: Case) -> Iterator[Warning]:
    """What is kept free of the throughput, where nobody typed it."""
    typed = case.source.get("sizing")
    if not (isinstance(typed, Mapping) and "reserve" in typed):
        yield Warning(
            "note",
            f"sizing.reserve is not given: floor, fans and heaters are for {100 * reserve_of(case):.0f} % more "
            "feed (assumed, no source).",
        )


def _of_fan(case: Case, dryer: bool) -> Iterator[Warning]:
    """Efficiencies that nobody typed, and keys of the machine that is there."""
    assumed, given = [], case.fan.given()
    if case.fan.efficiency is None:
        of_electricity = f", of electricity {100 * ASSUMED_FAN:.0f} %" if dryer else ""
        assumed.append(f"fan efficiency {100 * fan.ASSUMED_EFFICIENCY:.0f} %{of_electricity}")
    if case.fan.motor_efficiency is None:
        assumed.append(f"motor efficiency {100 * fan.ASSUMED_MOTOR_EFFICIENCY:.0f} %")
    if assumed:
        yield Warning("note", f"assumed for the {'fans' if dryer else 'fan'}: {'; '.join(assumed)}.")
    unused = [] if dryer else [f"limits.{k}" for k in ("airflow", "fan_speed") if k in case.limits.given()]
    unused += [f"fan.{k}" for k in ("curve", "rated_flow", "speed") if k in given]
    if case.cooler.arrangement == "batch" and case.cooler.heater_power is not None:
        unused.append("cooler.heater_power")
    if unused:
        there = "dryer" if dryer else "fan"
        yield Warning(
            "note", f"of the {there} that is there, so not used for one to buy: {', '.join(unused)}."
        )
