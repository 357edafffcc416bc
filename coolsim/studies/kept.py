"""What is to be kept: wishes of [target] and limits of the machine, each a bound on a number of the answer.

What an operator sets himself, such as the ends of a range, he keeps exactly: only what follows from his settings,
and so from everything that is not known, has a bound here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coolsim.case import Case, Line
from coolsim.equipment import fan
from coolsim.fields import Array
from coolsim.inputs import gather
from coolsim.result import Result
from coolsim.studies.asked import is_dryer
from coolsim.machines.plant import Plant, outcome_of, speeds

ROUNDED = 1e-4  # of a bound's scale: settings are searched right up to it, and what does not vary stays there


@dataclass(frozen=True)
class Bound:
    """A number that must not pass its bound."""

    name: str  # as the search for settings has it, and its room
    words: str  # as it is printed
    number: str  # which one, by its name in `numbers_kept`
    bound: float
    sign: float  # +1: must not exceed; −1: must not fall below
    scale: float  # a difference that counts as large
    wish: bool  # of [target]; else a limit of the machine

    def kept(self, y: Array) -> NDArray[np.bool_]:
        return np.asarray(self.sign * (y - self.bound) <= ROUNDED * self.scale)

    def slack(self, y: float) -> float:
        """How far a number is from the bound; below 0 where it is passed."""
        return self.sign * (self.bound - y)


def bounds_of(case: Case, settings: bool = False) -> list[Bound]:
    """The bounds of a case; of a line, whose machines differ, only its wishes.

    settings: the airflow is one that may be set, and the fan's speed follows. Else so only where it is stated.
    """
    if isinstance(case.cooler, Line):
        return list(_wishes(case))
    return [*_wishes(case), *_of_machine(case), *_of_fan(case, settings)]


def _wishes(case: Case) -> Iterator[Bound]:
    target = case.target
    M, slack = target.moisture, target.tolerance or 0.0
    if M is not None:
        yield Bound("moisture", "moisture", "moisture", M + slack, 1.0, 0.01, True)
        if slack:
            yield Bound("moisture, lowest", "moisture", "moisture", M - slack, -1.0, 0.01, True)
    for name, words, number, scale in (
        ("above ambient", "above the air outside", "above ambient", 5.0),
        ("water activity", "water activity, evened out", "water activity", 0.05),
        ("deviation", "spread over the bed", "deviation_wb", 0.01),
    ):
        most = getattr(target, f"maximum_{name.replace(' ', '_')}")
        if most is not None and (name != "deviation" or is_dryer(case)):
            yield Bound(name, words, number, most, 1.0, scale, True)


def _of_machine(case: Case) -> Iterator[Bound]:
    limits = case.limits
    for name, words, scale in (
        ("exhaust relative humidity", "exhaust", 0.1),
        ("lift-off", "lift-off", 0.2),
        ("bed pressure drop", "pressure drop", 500.0),
        ("pellet temperature", "hottest pellets", 5.0),
    ):
        most = getattr(limits, f"maximum_{name.replace('-', '_').replace(' ', '_')}")
        if most is not None and (name != "pellet temperature" or is_dryer(case)):
            yield Bound(name, words, name, most, 1.0, scale, False)


def _of_fan(case: Case, settings: bool) -> Iterator[Bound]:
    """Of a cooler's fan, where its speed is what an airflow takes and not what is set.

    Its lowest speed is none of them: there it gives more air than is asked for, which a damper takes back.
    """
    limits, cooler = case.limits, case.cooler
    if is_dryer(case) or not limits or fan.fan_of(case.fan) is None:
        return
    if not settings and cooler.airflow is None and cooler.air_ratio is None:
        return
    lowest, highest = speeds(case) or (0.0, 1.0)
    if lowest == highest:
        return
    yield Bound("fan speed, highest", "highest fan speed", "fan speed", highest, 1.0, 0.1, False)
    yield Bound("fan curve", "falling side of the fan's curve", "fan curve", 0.0, 1.0, 0.5, False)


def numbers_kept(bounds: Sequence[Bound], cases: Sequence[Case], result: Result) -> dict[str, Array]:
    """The numbers that have a bound, each (cases,), of a prediction of these cases."""
    found = {}
    for b in bounds:
        if b.number in _READ and b.number not in found:
            found[b.number] = np.asarray(_READ[b.number](result))
    if any(b.number == "above ambient" for b in bounds):
        outside = np.array([case.air.temperature for case in cases])
        found["above ambient"] = result.pellets_out.temperature - outside
    if any(b.number.startswith("fan") for b in bounds):
        state = Plant(cases[0]).standing(gather(list(cases)), outcome_of(result))
        found |= {"fan speed": np.asarray(state.settings.fan_speed), "fan curve": np.asarray(state.off_curve)}
    return found


_READ = {
    "moisture": lambda r: r.pellets_out.moisture_wb,
    "water activity": lambda r: r.after_equalising.water_activity,
    "deviation_wb": lambda r: r.spread.deviation_wb,
    "exhaust relative humidity": lambda r: r.air_out.relative_humidity,
    "lift-off": lambda r: r.bed.lift_off,
    "bed pressure drop": lambda r: r.bed.pressure_drop,
    "pellet temperature": lambda r: r.spread.hottest,
}
