"""How large a cooler and which fan: every product in every weather, on floors from the smallest to the best.

On each floor every product runs in every weather at its own cheapest airflow and depth. The body must be deep
enough for the deepest bed, the fan give the largest flow at the largest pressure. Running counts as the mean over
products and weathers, each alike: the cost per tonne, or the energy where nothing has a price. Taken is the
smallest floor whose running is no more than `sizing.above_least` above the least, or no more than the price of
0.25 kWh/t: where little is left to save, floor that saves a large part of it is still not worth its steel.

Everything returned was predicted on the full mesh at the settings it names, with a clean bed. Only the fan's
duty and motor carry the margin for fouling and fines.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from coolsim import both_units
from coolsim.case import Case, FanData
from coolsim.costs import KILOWATT_HOUR
from coolsim.doors import asked_with_a_case
from coolsim.equipment.motor import IEC_RATINGS
from coolsim.errors import Fault, InputError
from coolsim.fields import Array
from coolsim.model.bed import take
from coolsim.quantities import QUANTITIES
from coolsim.requirements import Constraint, is_dryer, only
from coolsim.studies import asked
from coolsim.studies.search import FULL, SURVEY
from coolsim.studies.sizing.answer import Missed, SizeAnswer
from coolsim.studies.sizing.duties import Duties, Survey
from coolsim.studies.sizing.floors import SERVED, Best, Floors, Goal
from coolsim.studies.sizing.parts import Parts, limits_to_keep

FLOORS = 36  # looked at on the survey, from the smallest to the largest it covers
CURVE = 13  # floors of the trade-off curve
SECTIONS, ROUNDS = 7, 3  # of the search for the smallest floor: each round leaves a seventh
ABOVE_SMALLEST = (1.002, 1.01, 1.03)  # first floors tried on the full mesh: the survey errs by a little
BETWEEN = (0.0, 0.1, 0.25, 0.5)  # floors tried between where a straight line is cheap enough and the next one
NOTHING_GAINED = 0.02  # share of the least running that is no reason for more floor …
NOTHING = 0.02  # … nor is the price of this much energy, kWh/t
NO_REASON = 0.25  # kWh/t that are never a reason for more floor; judgement: a quarter of a usual cooler's fan
LARGEST_MOTOR = 1e3 * IEC_RATINGS[-1]  # W


@asked_with_a_case
def size(case: Case) -> Any:
    """Smallest cooler or dryer, with fans, that serves every product of [sizing] in every weather at a fair cost.

    Returns SizeAnswer; of batch and belt dryers DryerSize, as `studies.drying.sizes` says.

    Needs [sizing] and [target] moisture; [limits] says what the machine must keep, and opens the inlet air's
    temperature; [costs], [duct], and of [fan] efficiency and position count. Raises InputError naming what is
    missing or contradicts.
    """
    if is_dryer(case):
        from coolsim.studies.drying.sizes import size as dryers

        return dryers.size(case)
    check(case)
    return _Sizing(case).answer()


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be sized."""
    asked.only_coolers(case, "sizes are found", and_dryers=True)
    faults = []
    wanted = [("sizing", "", 'margin = "50 %" (or nothing: every key has a default)')]
    wanted += [("target", "moisture", 'moisture = "12 %"')]
    wanted += [("costs", "electricity", 'electricity = "0.15 /kWh"')] if case.costs else []
    for table, key, example in wanted:
        kept = getattr(case, table)
        if not kept or (key and getattr(kept, key) is None):
            found = "nothing" if asked.is_typed(case, table) else f"no [{table}] table"
            dotted = f"{table}.{key}".rstrip(".")
            faults.append(
                Fault(
                    asked.where(case, table),
                    dotted,
                    found,
                    f"a size needs it: below [{table}], such as {example}",
                )
            )
    if faults:
        raise InputError(faults)
    duties = Duties(case)
    for (product, weather), one in zip(duties.pairs, duties.cases):
        for fault in asked.impossible(one):
            found = f"{fault.found} for {product.name!r} in {weather.name!r}"
            faults.append(dataclasses.replace(fault, found=found))
    if faults:
        raise InputError(faults)


def sized(case: Case, answer: Any, served: Any) -> Case:
    """Return the case of the sized cooler or dryer with one of its products and weathers, to predict or look at."""
    if is_dryer(case):
        from coolsim.studies.drying.sizes import size as dryers

        return dryers.sized(case, answer, served)
    duties = Duties(case)
    names = [(p.name, w.name) for p, w in duties.pairs]
    one, s = duties.cases[names.index((served.product, served.weather))], served.settings
    assert answer.floor_area is not None, "there is no size"
    cooler = dataclasses.replace(
        one.cooler,
        floor_area=answer.floor_area,
        bed_depth=s.bed_depth,
        airflow=s.airflow,
        air_ratio=None,
        inlet_air_temperature=s.inlet_air_temperature,
    )
    return dataclasses.replace(one, cooler=cooler, fan=FanData())  # it has another fan


class _Sizing:
    """One question with its survey."""

    def __init__(self, case: Case) -> None:
        self.case, self.sizing = case, case.sizing
        self.limits = limits_to_keep(case)
        self.duties = Duties(case)
        self.parts = Parts(case, self.duties, self.limits)
        lift = next(limit.bound for limit in self.limits if limit.name == "lift_off")
        self.floors = Floors(Survey(self.duties, lift, SURVEY, FULL))
        self.areas = self.floors.areas(FLOORS)
        ridge = Constraint(QUANTITIES["moisture"], case.target.moisture, of_target=True)
        self.goal = Goal(lambda state: state.cost.total, self.limits, ridge)

    def answer(self) -> SizeAnswer:
        """Look at all floors on the survey, predict those between the smallest and the best, and take one."""
        self._check_areas()
        seen = self.floors.surveyed(self.goal, *self._each(self.areas))
        worst, score = (a.reshape(-1, FLOORS) for a in (seen.worst, seen.score))
        serves: Any = (worst <= SERVED).all(axis=0)
        fixed = self.sizing.floor_area
        if not serves.any():
            return self._unmet(np.flatnonzero((worst > SERVED).all(axis=1)), fixed)
        smallest, hardest = self._smallest(worst, serves)
        end = self._where_nothing_is_gained(self._running(score), serves)
        curve = self._curve(smallest, end)
        if fixed is not None:
            taken, best = fixed, self._found([fixed])[fixed]
            if not best.kept.all():
                return self._unmet(np.flatnonzero(~best.kept), fixed, min(curve, default=None))
        elif curve:
            taken, best = self._taken(curve)
        else:
            return self._unmet(np.array([hardest]), None)
        return self._sized(taken, best, dict(sorted({**curve, taken: best}.items())), hardest)

    def _check_areas(self) -> None:
        low, high, fixed = self.areas[0], self.areas[-1], self.sizing.floor_area
        ranges = "sizing.bed_depth, sizing.air_ratio, limits.maximum_lift_off and limits.residence_time"
        if low > high:
            key, found = "sizing.bed_depth", "ranges that no floor area can keep for all products"
            allowed = f"widen {ranges}"
        elif fixed is not None and not low <= fixed <= high:
            key, found = "sizing.floor_area", both_units.area(fixed)
            allowed = f"{ranges} leave {both_units.area(low)} to {both_units.area(high)}"
        else:
            return
        raise InputError([Fault(asked.where(self.case, key), key, found, allowed)])

    def _each(self, areas: Any) -> tuple[Any, Array]:
        """Every duty on every floor, floor running fastest."""
        count = len(self.duties)
        return np.repeat(np.arange(count), len(areas)), np.tile(np.asarray(areas, float), count)

    def _found(self, areas: list[float]) -> dict[float, Best]:
        """The best state of every duty on each floor."""
        best = self.floors.find(self.goal, *self._each(areas))
        return {a: take(best, np.arange(k, len(best.score), len(areas))) for k, a in enumerate(areas)}

    def _serves(self, best: Best) -> bool:
        return bool(best.kept.all()) and self.parts.shaft_power(best) <= LARGEST_MOTOR

    def _smallest(self, worst: Array, serves: Any) -> tuple[float, int]:
        """The smallest floor on the survey that serves all, and the duty that stops a smaller one."""
        begin = int(serves.argmax())
        if begin == 0:
            return float(self.areas[0]), int(worst[:, 0].argmax())
        low, high, hardest = *self.areas[begin - 1 : begin + 1], int(worst[:, begin - 1].argmax())
        failing: Any = np.flatnonzero(worst[:, begin - 1] > SERVED)  # the others are looked at in full, later
        for _ in range(ROUNDS):
            between = np.geomspace(low, high, SECTIONS + 1)[1:-1]
            each = np.repeat(failing, SECTIONS - 1), np.tile(between, len(failing))
            seen = self.floors.surveyed(self.goal, *each).worst.reshape(-1, SECTIONS - 1)
            fails = np.flatnonzero((seen > SERVED).any(axis=0))
            k = int(fails[-1]) + 1 if len(fails) else 0  # the first from which all serve
            if k:
                low, hardest = between[k - 1], int(failing[seen[:, k - 1].argmax()])
            high = between[k] if k < len(between) else high
        return float(high), hardest

    def _running(self, score: Array) -> Array:
        """Mean running per tonne of each floor, from scores per hour (duties, floors): cost, or kWh."""
        return (score / (3.6 * self.duties.known["throughput"][:, None])).mean(axis=0)

    def _kilowatt_hour(self) -> float:
        """What one costs (1, where nothing has a price)."""
        return float(KILOWATT_HOUR * self.duties.prices.electricity)

    def _where_nothing_is_gained(self, running: Array, serves: Any) -> float:
        """The smallest floor that runs as well as any above the smallest.

        One further, if that serves: where weight lost is dear, the survey's small errors count.
        """
        begin = int(serves.argmax())
        gap = np.flatnonzero(~serves[begin:])
        end = begin + int(gap[0]) if len(gap) else len(serves)
        least = running[begin:end].min()
        slack = max(NOTHING_GAINED * least, NOTHING * self._kilowatt_hour())
        enough: Any = running[begin:end] <= least + slack
        return float(self.areas[min(begin + int(enough.argmax()) + 1, end - 1)])

    def _curve(self, smallest: float, end: float) -> dict[float, Best]:
        """Floors that serve all, from the smallest that does so on the full mesh."""
        first = [smallest * share for share in ABOVE_SMALLEST]
        others = np.geomspace(first[-1], max(end, 1.05 * first[-1]), CURVE - 1)[1:].tolist()
        found = {area: best for area, best in self._found(first + others).items() if self._serves(best)}
        return {area: best for area, best in found.items() if area in others or area == min(found)}

    def _taken(self, curve: dict[float, Best]) -> tuple[float, Best]:
        """The smallest floor whose running is within `above_least` of the least, between points of the curve."""
        areas = list(curve)
        running = self._running(np.stack([best.score for best in curve.values()], axis=1))
        least = running.min()
        most = least + max(self.sizing.above_least * least, NO_REASON * self._kilowatt_hour())
        enough: Any = running <= most
        k = int(enough.argmax())
        if k:
            share = np.log(running[k - 1] / most) / np.log(running[k - 1] / running[k])
            share = share + (1 - share) * np.array(BETWEEN)
            between = self._found((areas[k - 1] * (areas[k] / areas[k - 1]) ** share).tolist())
            for area, best in between.items():
                if self._serves(best) and self._running(best.score[:, None])[0] <= most:
                    return area, best
        return areas[k], curve[areas[k]]

    def _sized(self, area: float, best: Best, curve: dict[float, Best], hardest: int) -> SizeAnswer:
        served, smallest, p = self.parts.served(best), min(curve), self.parts
        return SizeAnswer(
            met=True,
            floor_area=area,
            bed_depth=float(best.points.depth.max()),
            airflow=max(s.settings.airflow for s in served),
            fan=p.fan(best),
            heater=max(s.heat for s in served) if p.heated else None,
            specific_energy=max(s.specific_energy for s in served),
            body=p.body(area, best),
            margin=self.sizing.margin,
            smallest_floor=smallest,
            served=served,
            governing=p.governing(served, p.served(curve[smallest])[hardest]),
            curve=tuple(p.floor(a, b) for a, b in curve.items()),
            missed=(),
            warnings=tuple(p.words()),
        )

    def _unmet(self, bad: Any, fixed: float | None, smallest: float | None = None) -> SizeAnswer:
        """Where no floor serves the duties `bad` (or not the one asked for): the driest exit of each."""
        driest = Goal(lambda state: state.outcome.moisture, only(self.limits, of_target=False))
        choice = self.areas if fixed is None else np.array([fixed])
        duty, area = np.repeat(bad, len(choice)), np.tile(choice, len(bad))
        missed: tuple[Missed, ...] = ()
        if len(bad):
            seen = self.floors.surveyed(driest, duty, area)
            order = np.lexsort((seen.score, np.maximum(seen.worst, SERVED), duty))
            at = order[np.searchsorted(duty[order], bad)]
            best = self.floors.find(driest, duty[at], area[at])
            missed = tuple(self.parts.missed(best, k, float(area[at][k])) for k in range(len(bad)))
        return SizeAnswer(
            *(False, None, None, None, None, None, None, None),
            margin=self.sizing.margin,
            smallest_floor=smallest,
            served=(),
            governing=(),
            curve=(),
            missed=missed,
            warnings=tuple(self.parts.words()),
        )
