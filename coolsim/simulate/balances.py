"""Where the water and the heat of an answer go: what enters the bed, and as what it leaves.

Only the states that a Result holds are added up; nothing is solved. Water counts as liquid, and heat from the
temperature of the air outside: then what unheated air brings along is nothing, and what the feed brings is
what has to leave.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.physics import air
from coolsim.simulate.result_building import LEAST_RISE, of_coolers
from coolsim.support.fields import documented

ROUNDING = 1e-12  # of what enters: less is no stream


@dataclass(frozen=True)
class Balance:
    """Streams of water or heat by name, none below zero; they are kg/s of water or W of heat."""

    enters: Mapping[str, float] = documented("kg/s or W", "what enters")
    leaves: Mapping[str, float] = documented("kg/s or W", "what leaves")
    unaccounted: float = documented(
        "kg/s or W", "entering less leaving: what the solution does not account for"
    )


def water_balance(result: Result, case: Case) -> Balance:
    """Return what becomes of the water of one case of a cooler, in kg/s; raises InputError for a dryer."""
    of_coolers(result, "the balance of water")
    dry_solid, dry_air, X_in, _ = _flows(result, case)
    Y_in, Y_out = float(result.kept_profile.humidity_ratio[-1]), float(result.air_out.humidity_ratio)
    out = result.pellets_out
    fed = float(case.feed.throughput * case.feed.moisture)
    enters = {"feed": fed, "air": dry_air * Y_in}
    leaves = {
        "flashed before the bed": fed - dry_solid * X_in,
        "pellets": float(out.mass_flow * out.moisture_wb),
        "given to the air": dry_air * max(Y_out - Y_in, 0.0),
        "air, as it came": dry_air * min(Y_in, Y_out),
    }
    return _balance(enters, leaves, {})


def heat_balance(result: Result, case: Case) -> Balance:
    """Return what becomes of the heat of one case of a cooler, in W above the air outside.

    The heat that frees bound water, Gs ⟨Q(X_in) − Q(X_out)⟩ of the isotherm, is what the other streams and the
    imbalance of the result leave: a Result does not carry Q, and its own imbalance was computed with it.
    Raises InputError for a dryer.
    """
    of_coolers(result, "the balance of heat")
    dry_solid, dry_air, X_in, X_out = _flows(result, case)
    c_d, outside = case.material.specific_heat, float(case.air.temperature)
    feed_capacity = dry_solid * (c_d + air.HEAT_CAPACITY_WATER * X_in)
    pellet_capacity = dry_solid * (c_d + air.HEAT_CAPACITY_WATER * X_out)
    Y_in = float(result.kept_profile.humidity_ratio[-1])
    air_capacity = dry_air * (air.HEAT_CAPACITY_DRY_AIR + air.HEAT_CAPACITY_VAPOUR * Y_in)
    exhaust, T_in = float(result.air_out.temperature), float(result.feed_in.temperature)
    vapour = air.vapour_enthalpy(exhaust) - air.HEAT_CAPACITY_WATER * outside
    brought = feed_capacity * (T_in - outside)
    heated = air_capacity * (float(result.kept_profile.air_temperature[-1]) - outside)
    by_fan = min(air_capacity * float(result.fan.temperature_rise), heated) if result.fan else 0.0
    carried = pellet_capacity * (float(result.pellets_out.temperature) - outside)
    warmed = air_capacity * (exhaust - outside)
    evaporated = float(result.bed.evaporation) * vapour
    scale = feed_capacity * max(abs(T_in - outside), LEAST_RISE)  # of the result's imbalance
    unaccounted = float(result.accuracy.energy_imbalance) * scale
    freed = brought + heated - carried - warmed - evaporated - unaccounted
    leaves = {
        "pellets": carried,
        "warming the air": warmed,
        "evaporation": evaporated,
        "freeing bound water": freed,
    }
    names = {
        "feed": "feed, cooler than outside",
        "pellets": "pellets, cooler than outside",
        "warming the air": "air, leaving cooler than outside",
        "evaporation": "condensation",
        "freeing bound water": "binding water",
    }
    return _balance({"feed": brought, "fan": by_fan, "heater": heated - by_fan}, leaves, names)


def _flows(result: Result, case: Case) -> tuple[float, float, float, float]:
    """Dry solid and dry air [kg/s]; moisture in and out of the bed [kg/kg dry]."""
    wet, M = case.feed.throughput, float(result.feed_in.moisture_wb)
    dry_air = float(result.bed.air_ratio) * wet
    return wet * (1 - case.feed.moisture), dry_air, M / (1 - M), float(result.pellets_out.moisture_db)


def _balance(enters: Mapping[str, float], leaves: Mapping[str, float], turned: Mapping[str, str]) -> Balance:
    """Put what is below zero on the other side, under the name it has there."""
    unaccounted = sum(enters.values()) - sum(leaves.values())
    least = ROUNDING * sum(abs(x) for x in enters.values())
    back_in = {turned.get(name, name): -x for name, x in leaves.items() if x < -least}
    back_out = {turned.get(name, name): -x for name, x in enters.items() if x < -least}
    return Balance(
        {name: x for name, x in enters.items() if x > least} | back_in,
        {name: x for name, x in leaves.items() if x > least} | back_out,
        unaccounted,
    )
