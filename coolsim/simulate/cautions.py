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

from coolsim.case.case import Case
from coolsim.case.quantities import THICK_FOG
from coolsim.case.result import Result, Warning
from coolsim.equipment.operating_point import MEANING, Status
from coolsim.physics import air, packed_bed, pellet
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.physics.sorption import EQUATIONS
from coolsim.simulate.bagging_cautions import WARM, of_bags, wet_tenth
from coolsim.simulate.dryer_cautions import of_dryers, of_schedule
from coolsim.simulate.finishing_cautions import CLOSE_TO_MOULDS, MOULDY, activity_in_store, beyond
from coolsim.support.dual_units import difference
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
            "the air lifts the bed: {percent:.0f} % of the velocity at which its pressure drop carries these "
            "pellets (limit {most:.0f} %). Give less air or more floor.",
        ),
        Caution(
            "check",
            1.0,
            lambda c, r: r.bed.wen_yu,
            "by another correlation (Wen and Yu, ± 30 %, no void fraction asked) the air reaches {percent:.0f} % "
            "of what lifts the bed; by the bed's own pressure drop at a void fraction of {void:.3g}, which "
            "decides, {lift:.0f} %. Measure the void fraction, or give less air.",
        ),
    ),
    "bed stands": (
        Caution(
            "danger",
            1.0,
            lambda c, r: r.bed.pressure_drop / r.bed.bed_weight / _by_fines(c),
            "the bed cannot stand: its pressure drop, clean, is {percent:.0f} % of its weight (limit {most:.0f} "
            "%). Give less air or more floor.",
        ),
        Caution(
            "check",
            1.0,
            lambda c, r: r.bed.pressure_drop / r.bed.bed_weight,
            "by its fines alone the bed's pressure drop is {percent:.0f} % of its weight (limit {most:.0f} %): "
            "fines blow out or gather, and air breaks through where there are fewest. Screen them out, or give "
            "less air.",
        ),
    ),
    "exhaust": (
        Caution(
            "check",
            0.85,
            lambda c, r: (
                r.air_out.relative_humidity if r.air_out.relative_humidity <= 1 else 0.0
            ),  # more is fog
            "exhaust at {percent:.0f} % relative humidity (limit {most:.0f} %): ducts and cyclone run wet, fines "
            "cake. Give more air, or insulate the duct.",
        ),
    ),
    "mould": (
        Caution(
            "check",
            MOULDS_ACTIVE,
            activity_in_store,
            "water activity {activity} in store (limit {limit:.2f}): " + MOULDY,
        ),
        Caution(
            "check",
            CLOSE_TO_MOULDS,
            activity_in_store,
            f"water activity {{x:.2f}} in store: below {MOULDS_ACTIVE:.2f}, from where moulds are active, but "
            "above the {limit:.2f} that common practice keeps to (no source). Dry further, or sell soon.",
        ),
    ),
    "warm": (
        Caution(
            "check",
            WARM,
            lambda c, r: r.pellets_out.temperature - c.air.temperature,
            "pellets leave {warmer} above the air outside, where {may_be} is the limit: "
            "they sweat in the bag and may heat in a pile. {cooler}",
        ),
    ),
}


OF_BAGS = ("mould", "warm")  # families about pellets that are not handed on to another machine


def worst_first(every: Iterable[Warning]) -> list[Warning]:
    """Warnings by their levels, those of one level in their order."""
    return sorted(every, key=lambda w: LEVELS.index(w.level))


def cautions(case: Case, result: Result, bagged: bool = True) -> tuple[Warning, ...]:
    """Everything to look at in the answer to one case, the most severe first; not `bagged`: fed to a machine."""
    left_out = () if bagged else OF_BAGS
    found = [*_from_table(case, result, left_out), *_of_fog(case, result), *_of_the_fan(case, result)]
    found += [*_notes(case, result), *(of_bags(case, result) if bagged else ())]
    if result.schedule is not None:
        found += of_schedule(result.schedule)
    if case.cooler.arrangement != "counter-flow":
        found += of_dryers(case, result)
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
        f"the exhaust is fog: computed as vapour alone it holds {100 * out.relative_humidity:.0f} % of what air of "
        f"{_degrees(out.temperature)} can. With {drops:.1f} g of drops per kg of dry air it is saturated at "
        f"{_degrees(T)}. Where they settle, pellets stay wetter than told here. Give more air, {more}.",
    )


def _from_table(case: Case, result: Result, left_out: tuple[str, ...]) -> Iterator[Warning]:
    for name, family in TABLE.items():
        for caution in () if name in left_out else family:
            stated = _stated(case, name)
            caution = caution if stated is None else dataclasses.replace(caution, limit=stated)
            x = caution.measure(case, result)
            if x > caution.limit * AS_GOOD_AS:
                yield Warning(caution.level, _in_words(case, result, caution, x))
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
            f"this airflow takes {100 * result.fan.speed:.0f} % of the fan's full speed: power rises as its cube, "
            "forces in the wheel as its square. Not without the maker's consent.",
        )
    if case.duct.leakage is None:
        yield Warning(
            "note",
            "no false air is stated (duct.leakage): all of the fan's air is taken to pass the bed. What leaks in "
            "at gate and walls reaches the fan and not the pellets: state it, if only as 0 %.",
        )


# What makes pellets leave cooler, by arrangement.
_COOLER = {
    "counter-flow": "Give more time in the bed, or more air.",
    "batch": "Cool the batch before it is emptied, or longer: cooler.cooling_time.",
    "belt": "Let a last zone blow outside air, unheated, or cool them afterwards.",
}


def _in_words(case: Case, result: Result, caution: Caution, x: float) -> str:
    """The words with their numbers; `warmer` and `may_be` are those of temperature differences."""
    return caution.words.format(
        x=x,
        percent=100 * x,
        activity=beyond(x, caution.limit),
        limit=caution.limit,
        most=100 * caution.limit,
        warmer=difference(x, 1),
        may_be=difference(caution.limit, 1),
        cooler=_COOLER[case.cooler.arrangement],
        void=case.feed.void_fraction,
        lift=100 * float(result.bed.lift_off),
    )


def _notes(case: Case, result: Result) -> Iterator[Warning]:
    if result.feed_in.flash_loss_wb > 0:
        yield Warning(
            "note",
            f"the feed would boil at this pressure: it flashes to {_degrees(result.feed_in.temperature)} and "
            f"{100 * result.feed_in.moisture_wb:.2f} % moisture before it enters.",
        )
    yield Warning(
        "note",
        f"keep the exhaust duct warmer than {_degrees(result.air_out.dew_point)}, the dew point of its air: a "
        "colder one drips.",
    )
    yield from _outside_of_fits(case, result)
    assumed = [name.replace("_", " ") for name, p in case.material.provenance.items() if p.assumed]
    if assumed:
        yield Warning(
            "note",
            f"assumed for {case.material.name}: {', '.join(assumed)}. `coolsim materials "
            f"{case.material.name}` tells why; trials on your own line settle them (`coolsim fit`).",
        )


def _outside_of_fits(case: Case, result: Result) -> Iterator[Warning]:
    radius = pellet.equivalent_sphere_radius(case.feed.diameter, case.feed.length)
    flux = result.bed.face_velocity * air.density(case.air.temperature, case.air.pressure)
    Re = flux * 2 * radius / air.viscosity(case.air.temperature)
    low, high = WAKAO_REYNOLDS
    if not low <= Re <= high:
        yield Warning(
            "note",
            f"the air's Reynolds number, {Re:.3g}, is outside what heat and mass transfer are known for ({low:g}–"
            f"{high:g}): how fast pellets cool and dry is extrapolated.",
        )
    equation = EQUATIONS[case.material.isotherm.equation]
    T: Any = np.asarray(result.kept_profile.surface_temperature)
    if result.history is not None:  # a dryer's profile is of its end, and hot air may have come before
        T = np.append(T, result.history.temperature)
    low, high = equation.fitted_temperature
    if T.min() < low or T.max() > high:
        yield Warning(
            "note",
            f"pellet surfaces run from {_degrees(T.min())} to {_degrees(T.max())}; the isotherm (the moisture they "
            f"settle at in air of some humidity) is {equation.range_text}. Beyond, it is extrapolated: trust "
            "differences more than values.",
        )
