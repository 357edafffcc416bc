"""How large a cooler and which fan: every product in every weather, on floors from the smallest to the best.

On each floor every product runs in every weather at its own cheapest airflow and depth. The body must be deep
enough for the deepest bed, the fan give the largest flow at the largest pressure.

All of that is at the throughput with its reserve. On the floor taken, the settings are then looked for at the
throughput itself, and put on the steps of their dials; body, fan and heater serve both.

Everything returned was predicted on the full mesh at the settings it names, with a clean bed. Only the fan's
duty and motor carry the margin for fouling and fines.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.case.tables import FanData
from coolsim.equipment.motor import IEC_RATINGS
from coolsim.machines import machine_of
from coolsim.machines.base import FULL, QUICK
from coolsim.machines.plant import Settings
from coolsim.model.bed import take
from coolsim.simulate.prediction import predict
from coolsim.simulate.requirements import Constraint, only
from coolsim.studies import prerequisites
from coolsim.studies.settings.dial import on_dial
from coolsim.studies.sizing.answer import Missed, Served, SizeAnswer
from coolsim.studies.sizing.duties import Duties
from coolsim.studies.sizing.fans import fan_for
from coolsim.studies.sizing.floors import SERVED, Best, Floors, Goal
from coolsim.studies.sizing.parts import Parts, settings_at
from coolsim.studies.sizing.service import Service, dial_to, floor_up, limits_to_keep
from coolsim.studies.sizing.summary import OnFloor, no_size, size_answer
from coolsim.studies.sizing.survey import Survey
from coolsim.studies.sizing.taken import enough, price_of_energy
from coolsim.studies.sizing.words import words
from coolsim.support import dual_units
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import Array

NEARLY = 1e-4  # of a bound's scale that a search may miss, where the steps of the dials keep everything
FLOORS = 24  # looked at on the survey, from the smallest to the largest it covers
LEARNT_AT = (0.2, 0.7)  # of the floors that serve: where the survey learns what unevenness adds
CURVE = 9  # floors of the trade-off curve
NEARLY_SERVED = 1e-3  # excess by a look, corrected once, from which a floor may serve once it is predicted
SECTIONS, ROUNDS = 7, 3  # of the search for the smallest floor: each round leaves a seventh
ABOVE_SMALLEST = (1.002, 1.01, 1.03)  # first floors tried on the full mesh: the survey errs by a little
BETWEEN = 9  # floors looked at between the last that is too dear and the first that is cheap enough
SAME = 0.015  # of a floor: others as close to the one taken are not told
NOTHING_GAINED = 0.02  # share of the least running that is no reason for more floor …
NOTHING = 0.02  # … nor is the price of this much energy, kWh/t
LARGEST_MOTOR = 1e3 * IEC_RATINGS[-1]  # W


def size(service: Service) -> SizeAnswer:
    """Smallest cooler, with its fan, that serves everything at a fair cost."""
    return _Sizing(service).answer()


def check(service: Service) -> None:
    """Raise InputError, with every fault, where what is to be served is out of reach of any air."""
    faults = []
    for (product, weather), one in zip(service.names, service.cases):
        for fault in prerequisites.impossible(one):
            found = f"{fault.found} for {product!r} in {weather!r}"
            faults.append(dataclasses.replace(fault, found=found))
    if faults:
        raise InputError(faults)


def sized(case: Case, floor_area: float, settings: Settings) -> Case:
    """The cooler to buy with one product in one weather, set so; it has another fan than the one that is there."""
    hot = settings.inlet_air_temperature
    cooler = dataclasses.replace(
        case.cooler,
        floor_area=floor_area,
        bed_depth=settings.bed_depth,
        airflow=settings.airflow,
        air_ratio=None,
        inlet_air_temperature=None if hot <= case.air.temperature else hot,
    )
    limits = dataclasses.replace(case.limits, fan_speed=None)
    return dataclasses.replace(case, cooler=cooler, limits=limits, fan=FanData())


class _Sizing:
    """One question with its survey."""

    def __init__(self, service: Service) -> None:
        self.service, self.case = service, service.case
        self.sizing = self.case.sizing
        self.duties = Duties(service.names, service.rated)
        self.limits = self.duties.limits
        self.parts = Parts(self.duties, load=1.0)
        lift = next(limit.bound.max() for limit in self.limits if limit.name == "lift_off")
        self.floors = Floors(Survey(self.duties, lift, QUICK, FULL))
        self.areas = self.floors.areas(FLOORS)
        self.goal = _cheapest(self.duties)
        self.as_fed = Duties(service.names, service.cases)
        self.parts_as_fed = Parts(self.as_fed, service.load)

    def answer(self) -> SizeAnswer:
        """Look at all floors on the survey, predict those between the smallest and the best, and take one."""
        self._check_areas()
        self._lay_on_unevenness()
        seen = self.floors.surveyed(self.goal, *self._each(self.areas))
        worst, score = (a.reshape(-1, FLOORS) for a in (seen.worst, seen.score))
        serves: Any = (worst <= SERVED).all(axis=0)
        fixed = self.sizing.floor_area
        if not serves.any():
            return self._unmet(np.flatnonzero((worst > SERVED).all(axis=1)), fixed)
        smallest, hardest = self._smallest(worst, serves)
        end = self._where_nothing_is_gained(self._running(score), serves)
        curve = self._curve(smallest, end) if self.service.curve else self._about(smallest, end)
        if fixed is not None:
            taken, best = fixed, self._found([fixed])[fixed]
            if not best.feasible.all():
                return self._unmet(np.flatnonzero(~best.feasible), fixed, min(curve, default=None))
        elif curve:
            taken, best = self._rounded(*self._taken(curve))
        else:
            return self._unmet(np.array([hardest]), None)
        others = {a: b for a, b in curve.items() if abs(a / taken - 1) > SAME or a == min(curve)}
        curve = dict(sorted({**others, taken: best}.items()))
        for area in self._tried(taken, curve):
            run = curve[area] if self.service.load == 1.0 else self._at_the_throughput(area)
            if (run.excess <= NEARLY).all():
                dialled = self._on_dials(area, curve[area], run)
                if run.feasible.all() or dialled.feasible.all():
                    return self._sized(area, curve, run, dialled, hardest)
        return self._unmet(np.flatnonzero(~run.feasible), taken, min(curve))

    def _lay_on_unevenness(self) -> None:
        """Let the survey learn what unevenness adds on floors that serve even beds, or come nearest to it."""
        if self.duties.even() is self.duties:
            return
        areas = self.areas[::2]
        worst = self.floors.surveyed(self.goal, *self._each(areas)).worst.reshape(-1, len(areas)).max(axis=0)
        serve = areas[worst <= max(SERVED, worst.min())]
        small, large = np.exp(np.quantile(np.log(serve), LEARNT_AT))
        self.floors.lay_on_unevenness(self.goal, float(small), float(large))

    def _built(self, areas: Array) -> list[float]:
        """Floors that can be built and typed, no smaller than these."""
        if not self.service.on_dial:
            return list(areas.tolist())
        return list(dict.fromkeys(floor_up(area, self.case.units) for area in areas.tolist()))

    def _rounded(self, area: float, best: Best) -> tuple[float, Best]:
        """A floor that can be built and typed, where it serves as well."""
        (up,) = self._built(np.array([area]))
        if up == area:
            return area, best
        more = self._found([up])[up]
        return (up, more) if self._serves(more) else (area, best)

    def _tried(self, taken: float, curve: dict[float, Best]) -> Iterator[float]:
        """Floors that serve the throughput with its reserve, the one taken first."""
        yield taken
        if self.sizing.floor_area is None:
            odd = {a: a not in self._built(np.array([a])) for a in curve}  # no floor that one builds: last
            yield from sorted(
                (a for a in curve if a != taken), key=lambda a: (odd[a], abs(np.log(a / taken)))
            )

    def _at_the_throughput(self, area: float) -> Best:
        """The best state of each duty on a floor at the throughput itself."""
        floors = Floors(self.floors.survey.of(self.as_fed))
        count = len(self.as_fed)
        return floors.find(_cheapest(self.as_fed), np.arange(count), np.full(count, area))

    def _check_areas(self) -> None:
        low, high, fixed = self.areas[0], self.areas[-1], self.sizing.floor_area
        ranges = "sizing.bed_depth, sizing.air_ratio, limits.maximum_lift_off and limits.residence_time"
        if low > high:
            key, found = "sizing.bed_depth", "ranges that no floor area can keep for all products"
            allowed = f"widen {ranges}"
        elif fixed is not None and not low <= fixed <= high:
            key, found = "sizing.floor_area", dual_units.area(fixed)
            allowed = f"{ranges} leave {dual_units.area(low)} to {dual_units.area(high)}"
        else:
            return
        raise InputError([Fault(prerequisites.where(self.case, key), key, found, allowed)])

    def _each(self, areas: Any) -> tuple[Any, Array]:
        """Every duty on every floor, floor running fastest."""
        count = len(self.duties)
        return np.repeat(np.arange(count), len(areas)), np.tile(np.asarray(areas, float), count)

    def _found(self, areas: list[float]) -> dict[float, Best]:
        """The best state of every duty on each floor."""
        best = self.floors.find(self.goal, *self._each(areas))
        return {a: take(best, np.arange(k, len(best.score), len(areas))) for k, a in enumerate(areas)}

    def _looked(self, areas: Any) -> tuple[Array, Array]:
        """Largest excess and score (duties, floors) by a look at even beds."""
        seen = self.floors.looked(self.goal, *self._each(areas))
        return seen.worst.reshape(-1, len(areas)), seen.score.reshape(-1, len(areas))

    def _serves(self, best: Best) -> bool:
        return bool(best.feasible.all()) and self.parts.shaft_power(best) <= LARGEST_MOTOR

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

    def _where_nothing_is_gained(self, running: Array, serves: Any) -> float:
        """The smallest floor that runs as well as any above the smallest.

        One further, if that serves: where weight lost is dear, the survey's small errors count.
        """
        begin = int(serves.argmax())
        gap = np.flatnonzero(~serves[begin:])
        end = begin + int(gap[0]) if len(gap) else len(serves)
        least = running[begin:end].min()
        slack = max(NOTHING_GAINED * least, NOTHING * price_of_energy(self.case))
        enough: Any = running[begin:end] <= least + slack
        return float(self.areas[min(begin + int(enough.argmax()) + 1, end - 1)])

    def _curve(self, smallest: float, end: float) -> dict[float, Best]:
        """Floors that serve all, from the smallest that does so on the full mesh."""
        first = smallest * np.array(ABOVE_SMALLEST)
        others = self._built(np.geomspace(first[-1], max(end, 1.05 * first[-1]), CURVE)[1:])
        worst = self._looked(first)[0].max(axis=0)
        may, will = (int((np.append(worst[:-1], 0.0) <= most).argmax()) for most in (NEARLY_SERVED, SERVED))
        found = self._found([*first[may : will + 2].tolist(), *others])
        found = {area: best for area, best in found.items() if self._serves(best)}
        return {area: best for area, best in found.items() if area in others or area == min(found)}

    def _about(self, smallest: float, end: float) -> dict[float, Best]:
        """The floor to take by the survey alone, or one a little larger that serves on the full mesh, too."""
        areas = np.geomspace(smallest, max(end, 1.05 * smallest), FLOORS)
        seen = self.floors.surveyed(self.goal, *self._each(areas))
        serves: Any = (seen.worst.reshape(-1, FLOORS) <= SERVED).all(axis=0)
        if not serves.any():
            return {}
        areas = areas[serves]  # what breaks a limit may well be cheaper
        cheap = enough(self.case, self._running(seen.score.reshape(-1, FLOORS)[:, serves]))
        k = cheap.first
        area = areas[k - 1] * (areas[k] / areas[k - 1]) ** cheap.share if k else smallest
        for larger in (1.0, *ABOVE_SMALLEST):
            best = self._found([larger * area])[larger * area]
            if self._serves(best):
                return {larger * area: best}
        return {}

    def _taken(self, curve: dict[float, Best]) -> tuple[float, Best]:
        """The smallest floor whose running is within `above_least` of the least, between points of the curve."""
        areas = list(curve)
        running = self._running(np.stack([best.score for best in curve.values()], axis=1))
        cheap = enough(self.case, running)
        k, most = cheap.first, cheap.most
        if k:
            steps = np.geomspace(areas[k - 1], areas[k], BETWEEN + 2)[1:-1]
            between = [a for a in self._built(steps) if areas[k - 1] < a < areas[k]]
            worst, score = self._looked(between)
            good: Any = (worst <= NEARLY_SERVED).all(axis=0) & (self._running(score) <= most)
            for area in np.array(between)[good].tolist():
                best = self._found([area])[area]
                if self._serves(best) and self._running(best.score[:, None])[0] <= most:
                    return area, best
        return areas[k], curve[areas[k]]

    def _on_dials(self, area: float, best: Best, run: Best) -> Best:
        """The best states of a floor at the throughput itself (`run`), on the steps of their dials."""
        exact = self.parts_as_fed.served(run)
        most = dial_to(max(s.settings.airflow for s in (*self.parts.served(best), *exact)), self.case.units)
        settings = [self._dialled(s, k, area, most) for k, s in enumerate(exact)]
        return self.parts_as_fed.states(settings, area)

    def _sized(
        self, area: float, curve: dict[float, Best], run: Best, dialled: Best, hardest: int
    ) -> SizeAnswer:
        """The answer for a floor: `run` is the best state of each duty there at the throughput itself."""
        best, smallest = curve[area], min(curve)
        p, now = self.parts, self.parts_as_fed
        exact = now.served(run)
        served = [
            dataclasses.replace(
                stand,
                served=dataclasses.replace(
                    stand.served, binding=e.binding, exact_cost_per_tonne=e.cost_per_tonne
                ),
            )
            for stand, e in zip(now.stands(dialled), exact)
        ]
        at = OnFloor(
            area=area,
            smallest=smallest,
            hardest=p.served(curve[smallest])[hardest],
            rated=p.stands(best),
            served=served,
            curve=tuple(p.floor(a, b) for a, b in curve.items()),
        )
        both = [s.served.settings for s in (*at.rated, *served)]
        return size_answer(
            self.case,
            at,
            p.heated,
            tuple(words(self.case, p.heated)),
            airflow=max(s.airflow for s in both),
            fan=fan_for(self.case, [p.demand(best), now.demand(dialled)]),
            body=p.body(area, max(s.bed_depth for s in both)),
        )

    def _dialled(self, served: Served, k: int, area: float, most: float) -> Settings:
        """The settings of a duty on the steps of its dials, by the fan to buy; as found, if none keep all."""
        exact = settings_at(served)
        if not self.service.on_dial:
            return exact
        case = sized(self.service.cases[k], area, exact)
        dense = case.feed.bulk_density * area / case.feed.throughput
        low, high = self.sizing.bed_depth
        least, longest = self.as_fed.dwell()
        limits = dataclasses.replace(
            case.limits,
            airflow=(self.sizing.air_ratio[0] * exact.airflow / float(served.air_ratio or 1.0), most),
            bed_depth=(low, min(high, longest / dense)),
            residence_time=None,
            minimum_residence_time=least,
        )
        case = dataclasses.replace(case, limits=limits)
        machine = machine_of(case)
        place = on_dial(machine, case, predict(case), limits_to_keep(case))
        if place is None:
            return exact
        cooler = place.case.cooler
        return dataclasses.replace(
            exact,
            airflow=cooler.airflow,
            bed_depth=cooler.bed_depth,
            residence_time=dense * cooler.bed_depth,
            inlet_air_temperature=max(cooler.inlet_air_temperature or -np.inf, case.air.temperature),
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
        return no_size(self.case, missed, smallest, tuple(words(self.case, self.parts.heated)))


def _cheapest(duties: Duties) -> Goal:
    """The cheapest state, whose cost has a kink at the target."""
    ridge = Constraint(QUANTITIES["moisture"], duties.known["target"], of_target=True)
    return Goal(lambda state: state.cost.total, duties.limits, ridge)
