"""What becomes of a case, as rows of smooth numbers: what is bounded, told and paid, whatever the machine.

Costs and verdicts have kinks, so they are no rows: a page weighs the rows by the same constraints and prices. What
is spent, and the weight given away, are per kilogram of wet feed, before any price. A water activity has a kink in
the weather, where its store is as warm as the air outside; the moisture that is as active has none (`Activity`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.case.costs import given_away
from coolsim.case.quantities import QUANTITIES, Quantity
from coolsim.case.result import Result
from coolsim.machines import Machine
from coolsim.machines.base import FULL, QUICK, predicted
from coolsim.physics.store import Store
from coolsim.simulate.bagging_cautions import unfit
from coolsim.simulate.finishing import store_of
from coolsim.simulate.requirements import constraints_of, values_of
from coolsim.simulate.verdicts import TENTHS
from coolsim.support.errors import NotConverged
from coolsim.support.fields import Array

LEAST = 1e-6  # of what is told as a logarithm
ELECTRICITY, HEAT, GIVEN_AWAY, FED = "electricity", "heat", "given_away", "fed"
# Told on every page, whether or not anything bounds it.
_TOLD: Mapping[str, Callable[[Result], Any]] = {
    "moisture": lambda r: r.pellets_out.moisture_wb,
    "temperature": lambda r: r.pellets_out.temperature,
    "water_activity": lambda r: r.in_store.water_activity,
    "exhaust_relative_humidity": lambda r: r.air_out.relative_humidity,
    "exhaust_temperature": lambda r: r.air_out.temperature,
    "bed_pressure_drop": lambda r: r.bed.pressure_drop,
    "lift_off": lambda r: r.bed.lift_off,
}
_ACTIVITIES = ("water_activity", TENTHS["water_activity"].name)
_SPANNING = ("bed_pressure_drop", "lift_off", "fan_speed", ELECTRICITY)  # decades: as logarithms
_OF_EXIT = ("above_ambient",)  # follow from another row and the air outside


@dataclass(frozen=True)
class Row:
    """A row: its name, and whether it is told as a logarithm, as the moisture that is as active, or as it is."""

    key: str
    quantity: Quantity | None
    form: str = "itself"  # or "logarithm", "activity"


def rows_of(case: Case) -> tuple[Row, ...]:
    """The rows of a case: what every page tells, what its constraints bound, what it spends."""
    bounded = {c.key: c.quantity for c in (*constraints_of(case), *unfit(case))}
    names: dict[str, Quantity | None] = {n: QUANTITIES.get(n) for n in _TOLD}
    names |= bounded
    names |= dict.fromkeys((*(t.name for t in TENTHS.values()), ELECTRICITY, HEAT, GIVEN_AWAY, FED))
    return tuple(Row(k, q, _form(k)) for k, q in names.items() if k not in _OF_EXIT)


def _form(key: str) -> str:
    if key in _ACTIVITIES:
        return "activity"
    return "logarithm" if key.rpartition(".")[2] in _SPANNING else "itself"


@dataclass(frozen=True)
class Solved:
    """States that were predicted: rows (rows, N), nan where the computation failed, and what fans did."""

    rows: Array
    set_by: Mapping[str, Array]  # what follows from what was set, as a fan's speed, by keys


def solve(
    machine: Machine,
    rows: Sequence[Row],
    cases: Sequence[Case],
    *,
    rough: bool,
    follows: Sequence[str] = (),
) -> Solved:
    """Predict cases; `follows` are keys of settings that are read from a fan, not set."""
    try:
        result, computed = predicted(cases, QUICK if rough else FULL)
    except NotConverged:
        return Solved(np.full((len(rows), len(cases)), np.nan), {})
    some = [case for case, well in zip(cases, computed) if well]
    known = _known(machine, some, result)
    found = np.full((len(rows), len(cases)), np.nan)
    store = store_of(machine.case)
    T = np.array([case.air.temperature for case in some], float)
    for table, row in zip(found, rows):
        table[computed] = _smooth(row, np.asarray(known[row.key], float), store, T)
    return Solved(found, {key: _placed(known[key], computed) for key in follows})


def _placed(values: Any, computed: NDArray[np.bool_]) -> Array:
    column = np.full(len(computed), np.nan)
    column[computed] = values
    return column


def _known(machine: Machine, cases: Sequence[Case], result: Result) -> dict[str, Any]:
    outside = np.array([case.air.temperature for case in cases], float)
    spent = machine.spent(cases, result)
    asked = [*constraints_of(machine.case), *unfit(machine.case)]
    known = values_of(asked, result, outside, machine.case) | dict(spent.fan)
    known |= {name: read(result) for name, read in _TOLD.items()}
    unlike = result.between_pellets is not None
    known |= {t.name: t.read(result) if unlike else known[t.of] for t in TENTHS.values()}
    feed = np.asarray(spent.feed)
    solid = feed * np.array([1 - case.feed.moisture for case in cases])
    moisture = result.pellets_out.moisture_wb
    lost = np.asarray(given_away(machine.case, solid, moisture)) + 0 * feed
    known |= {
        ELECTRICITY: spent.electricity / feed,
        HEAT: spent.heat / feed,
        GIVEN_AWAY: lost / feed,
        FED: feed,
    }
    return known


# ---- Forms ----------------------------------------------------------------------------------------------


def _smooth(row: Row, values: Array, store: Store, outside: Array) -> Array:
    if row.form == "logarithm":
        return np.log(np.maximum(values, LEAST))
    if row.form == "activity":
        return store.moisture(values, outside)
    return values


def plain(row: Row, smooth: Array, store: Store, outside: Array) -> Array:
    """A row as it was before it was made smooth."""
    if row.form == "logarithm":
        return np.exp(smooth)
    if row.form == "activity":
        return store.activity(smooth, outside)
    return smooth
