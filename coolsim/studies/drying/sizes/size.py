"""How large a batch or belt dryer, with which fans and heaters: every product in every weather on one floor.

As for coolers: on each floor every product runs in every weather at its own cheapest settings, within [limits].
Running counts as the mean over products and weathers: cost per tonne, or energy where nothing has a price. Taken is
the smallest floor whose running is no more than `sizing.above_least` above the least.

The dryer of the scenario is a first guess. Kept of it are its air per floor area (its zones' shares of length and
air, too) and a belt's width; `limits.airflow` is of that dryer, and counts per its floor area. What is answered of
the size was predicted on the full mesh; the trade-off curve on a rough one, corrected.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from coolsim.case import Batch, Case
from coolsim.studies.drying import knobs as dials
from coolsim.studies.drying.search import KEPT, excesses
from coolsim.studies.drying.sizes.answer import DryerMissed, DryerServed, DryerSize
from coolsim.studies.drying.sizes.asked import check
from coolsim.studies.drying.sizes.duties import Duty, duties, surveyed
from coolsim.studies.drying.sizes.look import (
    NEARBY,
    Spot,
    again,
    by_cost,
    by_floor,
    by_moisture,
    closer,
    corrected,
    driest,
    first_look,
)
from coolsim.studies.drying.sizes.parts import Predicted, predicted
from coolsim.studies.drying.sizes.told import Stand, missed, no_size, running, told

CURVE = 7  # floors of the trade-off curve
CONTENDS = 0.8  # of the largest of the smallest floors: duties that may fix it
ROUNDS = len(NEARBY)  # predictions at most, each after a correction
SAME = 2e-3  # of a floor: settled
SAVED = 3e-3  # of the running cost: less is not looked for
NO_REASON = 0.01  # share of a floor that is tried next where all but a hair is served


def size(case: Case) -> DryerSize:
    """Smallest batch or belt dryers, with fans and heaters, that serve every product in every weather fairly.

    Needs [sizing] and [target] moisture, of a batch [schedule]; [limits] opens what may be set. Raises InputError
    naming what is missing or foreign, and NotConverged.
    """
    check(case)
    return _Sizing(case).answer()


def sized(case: Case, answer: DryerSize, served: DryerServed) -> Case:
    """The case of a dryer of that size with one of its products and weathers, set as answered, to predict."""
    duty = next(d for d in duties(case) if (d.product, d.weather) == (served.product, served.weather))
    assert answer.floor_area is not None and answer.dryers is not None, "there is no size"
    names = ("airflow", "inlet_air_temperature", "recirculation", "duration", "bed_depth")
    knobs = {n: getattr(served.settings, n) for n in names if not np.isnan(getattr(served.settings, n))}
    return dials.dialled(duty.scaled(answer.floor_area * answer.dryers, answer.dryers), knobs)


class _Sizing:
    """One question with its surveys."""

    def __init__(self, case: Case) -> None:
        self.case, self.sizing = case, case.tables["sizing"]
        self.duties = duties(case)
        self.surveys = surveyed(self.duties)
        self.batch = isinstance(case.cooler, Batch)
        self.dryers = int(case.tables["schedule"]["dryers"]) if self.batch else 1

    def answer(self) -> DryerSize:
        start = corrected([first_look(s, None, by_floor) for s in self.surveys], by_floor, 1)
        lost = [k for k, spot in enumerate(start) if not spot.serves]
        if lost:
            tries = corrected(closer([start[k] for k in lost], by_floor), by_floor, 2)
            out = [k for k, spot in zip(lost, tries) if not spot.serves]
            if out:
                return no_size(self.case, tuple(self._missed(k, start[k]) for k in out), None)
            for k, spot in zip(lost, tries):
                start[k] = spot
        hardest, at_least = self._smallest(start)
        smallest = at_least[0].floor_here
        floor, fixed = self._fixed(smallest)
        curve = self._curve(smallest, start, hardest, at_least[0])
        if fixed and floor < smallest * (1 - SAME):
            return no_size(self.case, (), smallest)
        floor = floor if fixed else self._taken(curve)
        for _ in range(4):
            found = self._on(floor, curve)
            if all(self._keeps(duty, p) for duty, (_, p) in zip(self.duties, found)):
                break
            floor = floor if fixed else floor * (1 + NO_REASON)
        else:
            return no_size(self.case, (), smallest)
        return told(self.case, self.dryers, floor, at_least, found, curve)

    # ---- Floors ---------------------------------------------------------------------------------------

    def _smallest(self, start: Sequence[Spot]) -> tuple[int, Stand]:
        """The duty that needs most floor, where it stands on the smallest, and that state as predicted."""
        most = max(spot.rank for spot in start)
        contend = [k for k, spot in enumerate(start) if spot.rank >= CONTENDS * most]
        near = closer([start[k] for k in contend], by_floor)
        spots = dict(zip(contend, near))
        settled: dict[int, Stand] = {}
        while True:
            k = max(spots, key=lambda k: spots[k].rank)
            if k in settled:
                return k, settled[k]
            settled[k] = self._settled(spots[k])
            spots[k] = settled[k][0]

    def _settled(self, spot: Spot) -> Stand:
        """A state on its smallest floor, predicted there; of those that serve, the last, smallest one."""
        best: Stand | None = None
        for turn in range(ROUNDS):
            last = predicted([spot.duty.plant(spot.u, spot.floor_here, self.dryers)])[0]
            if self._keeps(spot.duty, last) and (best is None or spot.floor_here <= best[0].floor_here):
                best = spot, last
            following = again(spot, last.outcomes, by_floor, turn)
            if best and abs(following.floor_here / spot.floor_here - 1) < SAME:
                break
            spot = following
        return best if best else (spot, last)

    def _fixed(self, smallest: float) -> tuple[float, bool]:
        """The floor that [sizing] asks for, of all dryers; of batch dryers as many as it takes."""
        area = self.sizing.get("floor_area")
        if area is None:
            return smallest, False
        if self.batch:
            self.dryers = int(np.ceil(smallest / area * (1 - SAME)))
        return area * self.dryers, True

    def _curve(
        self, smallest: float, start: Sequence[Spot], hardest: int, at_smallest: Spot
    ) -> dict[float, list[Spot]]:
        """Floors that serve all, from the smallest to where nothing is gained, with each duty's cheapest state."""
        cheapest = [
            first_look(s, None, by_cost, spot.shift) for s, spot in zip(self.surveys, self._whole(start))
        ]
        end = max(spot.floor_here for spot in cheapest)
        floors = np.geomspace(smallest, max(end, 1.1 * smallest), CURVE).tolist()
        spots = [
            first_look(s, floor, by_cost, spot.shift)
            for floor in floors
            for s, spot in zip(self.surveys, self._whole(start))
        ]
        rows = corrected(spots, by_cost, 1)
        count = len(self.duties)
        curve = {floor: rows[k * count : (k + 1) * count] for k, floor in enumerate(floors)}
        curve[smallest][hardest] = dataclasses.replace(at_smallest, floor=smallest)
        return {f: row for f, row in curve.items() if f == smallest or all(spot.serves for spot in row)}

    def _whole(self, start: Sequence[Spot]) -> list[Spot]:
        """Spots whose shift is of the survey of the whole box."""
        none = np.zeros(start[0].shift.shape)
        return [
            spot if spot.survey is s else dataclasses.replace(spot, shift=none)
            for s, spot in zip(self.surveys, start)
        ]

    def _taken(self, curve: dict[float, list[Spot]]) -> float:
        """The smallest floor whose running is within `above_least` of the least, between points of the curve."""
        floors = np.array(list(curve))
        costs = np.array([running(self.duties, [spot.outcomes for spot in row]) for row in curve.values()])
        most = (1 + self.sizing.get("above_least", 0.0)) * costs.min()
        k = int(np.argmax(costs <= most))
        if k == 0:
            return float(floors[0])
        share = np.log(costs[k - 1] / most) / np.log(costs[k - 1] / costs[k])
        return float(floors[k - 1] * (floors[k] / floors[k - 1]) ** share)

    def _on(self, floor: float, curve: dict[float, list[Spot]]) -> list[Stand]:
        """Each duty at its cheapest on a floor, predicted."""
        nearest = min(curve, key=lambda other: abs(np.log(other / floor)))
        spots = [first_look(s.survey, floor, by_cost, s.shift) for s in curve[nearest]]
        spots = closer(spots, by_cost)
        best: dict[int, Stand] = {}
        open_ = list(range(len(spots)))
        for turn in range(ROUNDS):
            tries = predicted([spots[k].duty.plant(spots[k].u, floor, self.dryers) for k in open_])
            for k, p in zip(tuple(open_), tries):
                spot = spots[k]
                if k not in best or self._better(spot.duty, p, best[k][1]):
                    best[k] = spot, p
                spots[k] = again(spot, p.outcomes, by_cost, turn)
                if spots[k].rank > (1 - SAVED) * spot.duty.goal.rank(best[k][1].outcomes):
                    open_.remove(k)
            if not open_:
                break
        return [best[k] for k in range(len(spots))]

    @staticmethod
    def _keeps(duty: Duty, p: Predicted) -> bool:
        return bool((excesses(duty.goal.limits, p.outcomes) <= KEPT).all())

    @staticmethod
    def _better(duty: Duty, one: Predicted, other: Predicted) -> bool:
        return bool(duty.goal.rank(one.outcomes) < duty.goal.rank(other.outcomes))

    def _missed(self, k: int, spot: Spot) -> DryerMissed:
        """The driest exit of a duty that no size serves, predicted."""
        duty = self.duties[k]
        best = corrected([driest(spot)], by_moisture, 1)[0]
        return missed(duty, best, predicted([duty.plant(best.u, best.floor_here, self.dryers)])[0])
