"""How large a batch or belt dryer, with which fans and heaters: every product in every weather on one floor.

As for coolers: on each floor every product runs in every weather at its own cheapest settings, within [limits].
Running counts as the mean over products and weathers: cost per tonne, or energy where nothing has a price. Taken is
the smallest floor whose running is no more than `sizing.above_least` above the least.

The dryer of the scenario is a first guess. Kept of it are its air per floor area (its zones' shares of length and
air, too) and a belt's width; `limits.airflow` is of that dryer, and counts per its floor area. What is answered of
the size was predicted on the full mesh; the trade-off curve on a rough one, corrected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coolsim.case import Batch, Case
from coolsim.predict import on_one_thread
from coolsim.studies.drying import knobs as dials
from coolsim.studies.drying.search import KEPT, excesses
from coolsim.studies.drying.sizes.answer import DryerMissed, DryerServed, DryerSize
from coolsim.studies.drying.sizes.asked import check
from coolsim.studies.drying.sizes.duties import Duty, Survey, duties, surveyed
from coolsim.studies.drying.sizes.look import (
    Spot,
    again,
    at_inner_edge,
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
ANCHOR = 1.1  # of the smallest floor: about where the size will be
HALVINGS = 5  # between two floors of the curve
ROUNDS = 3  # predictions at most, each after a correction
SAME = 5e-3  # of a floor: settled
SAVED = 5e-3  # of the running cost: less is not looked for
NO_REASON = 0.01  # share of a floor that is tried next where all but a hair is served


def size(case: Case) -> DryerSize:
    """Smallest batch or belt dryers, with fans and heaters, that serve every product in every weather fairly.

    Needs [sizing] and [target] moisture, of a batch [schedule]; [limits] opens what may be set. Raises InputError
    naming what is missing or foreign, and NotConverged.
    """
    check(case)
    with on_one_thread():  # of many small products of matrices, which wait for threads longer than they take
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
        self.whole: list[Spot] = []  # states with surveys of the whole box
        self.near: list[list[Spot]] = [[] for _ in self.duties]  # states with surveys about them
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
        at_least = self._smallest(start)
        smallest = at_least[0].floor_here
        floor, fixed = self._fixed(smallest)
        if fixed and floor < smallest * (1 - SAME):
            return no_size(self.case, (), smallest)
        self.whole = [self._of_whole(s, spot) for s, spot in zip(self.surveys, start)]
        self._look_about(floor if fixed else ANCHOR * smallest)
        curve = self._curve(at_least[0])
        floor = floor if fixed else self._taken(curve)
        for _ in range(4):
            found = self._on(floor)
            if all(self._keeps(duty, p) for duty, (_, p) in zip(self.duties, found)):
                break
            floor = floor if fixed else floor * (1 + NO_REASON)
        else:
            return no_size(self.case, (), smallest)
        return told(self.case, self.dryers, floor, at_least, found, curve)

    # ---- Floors ---------------------------------------------------------------------------------------

    def _smallest(self, start: Sequence[Spot]) -> Stand:
        """The duty that needs most floor, where it stands on the smallest, and that state as predicted."""
        most = max(spot.rank for spot in start)
        contend = [k for k, spot in enumerate(start) if spot.rank >= CONTENDS * most]
        spots = dict(zip(contend, closer([start[k] for k in contend], by_floor)))
        settled: dict[int, Stand] = {}
        while True:
            k = max(spots, key=lambda k: spots[k].rank)
            if k in settled:
                break
            settled[k] = self._settled(spots[k])
            spots[k] = settled[k][0]
        for n, spot in spots.items():
            self.near[n].append(spot)
        return settled[k]

    def _settled(self, spot: Spot) -> Stand:
        """A state on its smallest floor, predicted there; of those that serve, the last, smallest one."""
        best: Stand | None = None
        for turn in range(ROUNDS):
            last = predicted([spot.duty.plant(spot.u, spot.floor_here, self.dryers)])[0]
            if self._keeps(spot.duty, last) and (best is None or spot.floor_here <= best[0].floor_here):
                best = spot, last
            following = again(spot, last.outcomes, by_floor, turn + 1)
            if best and following.floor_here > (1 - SAME) * best[0].floor_here:
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

    @staticmethod
    def _of_whole(survey: Survey, spot: Spot) -> Spot:
        """A spot on the survey of the whole box, its shift that of a trial on that survey or none."""
        shift = spot.shift if spot.survey is survey else np.zeros(spot.shift.shape)
        return replace(spot, survey=survey, shift=shift)

    def _look_about(self, floor: float) -> None:
        """Survey each duty about its cheapest state on a floor: size and curve are looked for there."""
        known = [[first_look(s.survey, floor, by_cost, s.shift) for s in near] for near in self.near]
        there = [any(s.serves and not at_inner_edge(s) for s in spots) for spots in known]
        spots = [
            first_look(s.survey, floor, by_cost, s.shift) for s, known in zip(self.whole, there) if not known
        ]
        self._survey_about(spots)

    def _survey_about(self, spots: Sequence[Spot]) -> None:
        """Survey about states on floors, each shifted by how far it is off a prediction there."""
        spots = closer(spots, by_cost)
        tries = predicted([spot.duty.plant(spot.u, spot.floor_here, self.dryers) for spot in spots])
        for spot, p in zip(spots, tries):
            self.near[self.duties.index(spot.duty)].append(again(spot, p.outcomes, by_cost, 1))

    def _best(self, floor: float) -> list[Spot]:
        """Each duty's cheapest state on a floor, of all surveys near by."""
        rows = [[first_look(s.survey, floor, by_cost, s.shift) for s in near] for near in self.near]
        return [min(spots, key=lambda spot: spot.rank) for spots in rows]

    def _curve(self, at_smallest: Spot) -> dict[float, list[Spot]]:
        """Floors that serve all, from the smallest to where nothing is gained, with each duty's cheapest state."""
        smallest = at_smallest.floor_here
        end = max(first_look(s.survey, None, by_cost, s.shift).floor_here for s in self.whole)
        floors = np.geomspace(smallest, max(end, 1.1 * smallest), CURVE).tolist()
        spots = [first_look(s.survey, floor, by_cost, s.shift) for floor in floors for s in self.whole]
        wide, count = corrected(spots, by_cost, 1), len(self.duties)
        curve = {}
        for k, floor in enumerate(floors):
            pairs = zip(self._best(floor), wide[k * count : (k + 1) * count])
            curve[floor] = [min(pair, key=lambda spot: spot.rank) for pair in pairs]
        hardest = self.duties.index(at_smallest.duty)
        curve[smallest][hardest] = replace(at_smallest, floor=smallest)
        return {f: row for f, row in curve.items() if f == smallest or all(spot.serves for spot in row)}

    def _taken(self, curve: dict[float, list[Spot]]) -> float:
        """The smallest floor whose running is within `above_least` of the least, between points of the curve."""
        floors = list(curve)
        costs = np.array([self._running(row) for row in curve.values()])
        most = (1 + self.sizing.get("above_least", 0.0)) * costs.min()
        if costs[0] <= most:
            return floors[0]

        def fair(floor: float) -> bool:
            row = self._best(floor)
            return all(spot.serves for spot in row) and self._running(row) <= (1 + SAVED) * most

        for k in np.flatnonzero(costs <= most):
            self._survey_what_is_dearer(floors[k], curve[floors[k]])
            if fair(floors[k]):
                break
        low, high = floors[k - 1], floors[k]
        for _ in range(HALVINGS):
            middle = float(np.sqrt(low * high))
            low, high = (low, middle) if fair(middle) else (middle, high)
        return high

    def _survey_what_is_dearer(self, floor: float, row: Sequence[Spot]) -> None:
        """Survey about states of the curve that are much cheaper than what surveys near by know on that floor."""
        known = self._best(floor)
        better = [spot for spot, one in zip(row, known) if spot.rank < (1 - SAVED) * one.rank]
        self._survey_about(better)

    def _running(self, row: Sequence[Spot]) -> float:
        return running(self.duties, [spot.outcomes for spot in row])

    def _on(self, floor: float) -> list[Stand]:
        """Each duty at its cheapest on a floor, predicted."""
        spots = self._best(floor)
        lost = [k for k, spot in enumerate(spots) if at_inner_edge(spot)]
        for k, spot in zip(lost, closer([spots[k] for k in lost], by_cost)):
            self.near[k].append(spot)
            spots[k] = spot
        best: dict[int, Stand] = {}
        open_ = list(range(len(spots)))
        for turn in range(ROUNDS):
            tries = predicted([spots[k].duty.plant(spots[k].u, floor, self.dryers) for k in open_])
            for k, p in zip(tuple(open_), tries):
                spot = spots[k]
                if k not in best or self._better(spot.duty, p, best[k][1]):
                    best[k] = spot, p
                spots[k] = again(spot, p.outcomes, by_cost, turn + 1)
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
