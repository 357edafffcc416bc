"""The search for a size: every product in every weather on one floor, with fans and heaters.

On each floor every product runs in every weather at its own cheapest settings, within [limits] and [sizing].

All of that is at the throughput with its reserve. On the floor taken, settings are then found for the throughput
itself: of a batch dryer the same, so that it waits for the next batch; of others, which then run slower or with a
thinner bed, the cheapest. They are put on the steps of their dials.

The machine of the scenario is a first guess. Of a dryer its air per floor area is kept (its zones' shares of length
and air, too) and a belt's width; `limits.airflow` is of that dryer, and counts per its floor area. What is answered
of the size was predicted on the full mesh, and so was, without its error, each row of the trade-off (`curve`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from coolsim.case.machine import Batch, Belt
from coolsim.machines import dryers as dials
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.requirements import FEASIBLE, is_dryer
from coolsim.studies.sizing import cooler_parts
from coolsim.studies.sizing.answer import Missed, SizeAnswer
from coolsim.studies.sizing.candidates import (
    OUT_OF_REACH,
    Candidate,
    again,
    best_of,
    by_cost,
    by_floor,
    by_moisture,
    cheapest_apart,
    closer,
    corrected,
    driest,
    first_candidate,
    whole_of,
)
from coolsim.studies.sizing.cooler_duties import is_heated
from coolsim.studies.sizing.curve import JUST, Curve
from coolsim.studies.sizing.dial import on_their_dials
from coolsim.studies.sizing.duties import Duty
from coolsim.studies.sizing.fans import fan_for
from coolsim.studies.sizing.kinds import built, check, duties
from coolsim.studies.sizing.parts import (
    cautions_of,
    curve_point,
    missed,
    predicted,
    running_cost,
    stand_of,
)
from coolsim.studies.sizing.predicted import Predicted, air_parts
from coolsim.studies.sizing.service import Service, dial_to
from coolsim.studies.sizing.summary import OnFloor, no_size, size_answer, time_of
from coolsim.studies.sizing.survey import Survey, surveyed, tried
from coolsim.studies.sizing.taken import enough, price_of_energy
from coolsim.studies.sizing.words import words

# Floors of the trade-off curve, and about which of their cheapest states surveys are made besides those of the
# ends: on the last floor a batch's is its end.
CURVE = {"batch": 6, "belt": 6, "counter-flow": 8}
ANCHORS = {"batch": (4, 2, 1), "belt": (5, 3, 1), "counter-flow": (7, 4, 1)}
LOOKED = 12  # floors looked at on surveys for where nothing is gained
NOTHING_GAINED = 0.02  # share of the least running that is no reason for more floor …
NOTHING = 0.02  # … nor is the price of this much energy, kWh/t
CONTENDS = 0.8  # of the largest of the smallest floors: duties that may fix it
FEW, ANCHOR = 3, (1,)  # likewise, where no other floors are told
BETWEEN = 3  # floors between two of the curve, of which one may be taken
LATER = range(1, 6)  # rounds of solving on them, of those of the curve
ROUNDS = 3  # predictions at most, each after a correction
SAME = 5e-3  # of a floor: settled
SHIFT = 8 * 3600.0  # s

PredictedCandidate = tuple[Candidate, Predicted]  # a state, and what it is predicted to be


def size_of(service: Service) -> SizeAnswer:
    """Smallest machine, or batch dryers, with fans and heaters, that serves everything at a fair cost."""
    check(service)
    with on_one_thread():  # of many small products of matrices, which wait for threads longer than they take
        return _Sizing(service).answer()


class _Sizing:
    """One question with its surveys."""

    def __init__(self, service: Service) -> None:
        self.service, self.case = service, service.case
        self.sizing, self.dryer = self.case.sizing, is_dryer(self.case)
        self.duties = duties(service.names, service.rated)
        self.as_fed = duties(service.names, service.cases)
        self.surveys = surveyed(self.duties)
        self.batch = isinstance(self.case.cooler, Batch)
        self.whole: list[Candidate] = []  # states with surveys of the whole box
        self.near: list[list[Candidate]] = [[] for _ in self.duties]  # states with surveys about them
        self.machines = int(self.case.schedule.dryers) if self.batch else 1

    def answer(self) -> SizeAnswer:
        start = corrected([first_candidate(s, None, by_floor) for s in self.surveys], by_floor, 1)
        lost = [k for k, candidate in enumerate(start) if not candidate.serves]
        if lost:
            tries = corrected(closer([start[k] for k in lost], by_floor), by_floor, 2)
            out = [k for k, candidate in zip(lost, tries) if not candidate.serves]
            if out:
                return self._no_size(None, [self._missed(k, start[k]) for k in out])
            for k, candidate in zip(lost, tries):
                start[k] = candidate
        at_least = self._smallest(start)
        smallest = at_least[0].floor_here
        floor, fixed = self._fixed(smallest)
        if fixed and floor < smallest * (1 - SAME):
            return self._no_size(smallest, self._missed_on(floor, start))
        self.whole = [self._of_whole(s, candidate) for s, candidate in zip(self.surveys, start)]
        curve = self._curve(at_least, floor if fixed else None)
        floor = floor if fixed else self._rounded(curve, self._taken(curve))
        for area in [floor] if fixed else self._tried(floor, curve):
            found = self._on(curve, area)
            if found is not None and not self._can_be_driven([p for _, p in found]):
                continue
            run = None if found is None else self._at_the_throughput(curve, area, found)
            if found is not None and run is not None:
                return self._sized(curve, area, at_least, found, run)
        return self._no_size(smallest)

    @staticmethod
    def _tried(floor: float, curve: Curve) -> list[float]:
        """Floors that serve the throughput with its reserve, the one taken first, then its neighbours."""
        others = (f for f in curve.rows() if f != floor)
        return [floor, *sorted(others, key=lambda f: abs(np.log(f / floor)))]

    def _sized(
        self,
        curve: Curve,
        floor: float,
        at_least: PredictedCandidate,
        rated: Sequence[PredictedCandidate],
        run: Sequence[PredictedCandidate],
    ) -> SizeAnswer:
        """The answer for a floor: `rated` at the throughput with its reserve, `run` at the throughput itself."""
        case, load = self.case, self.service.load
        dialled = [p for _, p in run]
        if self.service.on_dial:
            highest = max(part.airflow for _, p in (*rated, *run) for part in p.parts)
            dialled = on_their_dials(run, load, dial_to(highest, case.units))
        served = [stand_of(candidate, e, p, load) for (candidate, e), p in zip(run, dialled)]
        hardest, there = at_least
        rows = curve.rows()
        plants = self._each_row(rows)
        at = OnFloor(
            area=floor / self.machines,
            smallest=hardest.floor_here,
            hardest=stand_of(hardest, there, there, 1.0).served,
            rated=[stand_of(candidate, p, p, 1.0) for candidate, p in rated],
            served=served,
            curve=tuple(
                curve_point(case, f, row, plants.get(f, []))
                for f, row in rows.items()
                if self.dryer or f in plants
            ),
        )
        each = [*dialled, *(p for _, p in rated)]
        heated = any(part.heated for p in each for part in p.parts)
        warnings = [*cautions_of([s.served for s in served], [p.result for p in dialled])]
        warnings += words(case, self.dryer or heated)
        own = self._of_a_dryer(each, dialled, served) if self.dryer else self._of_a_cooler(floor, each)
        return size_answer(case, at, heated, warnings, **own)

    def _each_row(self, rows: dict[float, list[Candidate]]) -> dict[float, list[Predicted]]:
        """Predictions of all that is told of other floors; of dryers, whose marches are dear, none."""
        if self.dryer:
            return {}
        found = predicted([one.duty.plant(one.u, f, self.machines) for f, row in rows.items() for one in row])
        count = len(self.duties)
        each = {f: found[count * n : count * (n + 1)] for n, f in enumerate(rows)}
        return {f: plants for f, plants in each.items() if self._can_be_driven(plants)}

    def _can_be_driven(self, plants: Sequence[Predicted]) -> bool:
        """Whether there is a motor for the fan of a cooler."""
        return self.dryer or cooler_parts.can_be_driven(self.case, plants)

    def _of_a_cooler(self, floor: float, each: Sequence[Predicted]) -> dict[str, Any]:
        """What only a cooler's answer has."""
        return {
            "airflow": max(p.parts[0].airflow for p in each),
            "fan": fan_for(self.case, [p.parts[0].demand for p in each]),
            "body": cooler_parts.body(self.case, floor, max(p.case.cooler.bed_depth for p in each)),
        }

    def _of_a_dryer(
        self, each: Sequence[Predicted], dialled: Sequence[Predicted], served: Any
    ) -> dict[str, Any]:
        """What only a dryer's answer has."""
        masses = [dials.mass_of(p.case) for p in each]
        fills = [SHIFT * p.case.feed.throughput / m / self.machines for p, m in zip(dialled, masses)]
        belt = dialled[0].case.cooler if isinstance(self.case.cooler, Belt) else None
        return {
            "dryers": self.machines,
            "zones": air_parts(self.case, each),
            "belt_width": belt.belt_width if belt else None,
            "belt_length": sum(z.length for z in belt.zones) if belt else None,
            "batch_mass": max(masses) if self.batch else None,
            "batches_per_shift": max(fills) if self.batch else None,
            "drying_time": max(time_of(s.served) for s in served),
            "heat_per_water": max(float(s.served.heat_per_water or 0.0) for s in served),
        }

    def _no_size(self, smallest: float | None, lost: Sequence[Missed] = ()) -> SizeAnswer:
        heated = self.dryer or is_heated(self.case)
        return no_size(self.case, lost, smallest, tuple(words(self.case, heated)))

    def _at_the_throughput(
        self, curve: Curve, floor: float, rated: Sequence[PredictedCandidate]
    ) -> list[PredictedCandidate] | None:
        """Each duty at its cheapest on a floor at the throughput itself, predicted; None where it is not served.

        Of a batch no more time counts than the reserve leaves.
        """
        if self.service.load == 1.0:
            return list(rated)
        candidates = [
            replace(candidate, survey=replace(candidate.survey, duty=d))
            for (candidate, _), d in zip(rated, self.as_fed)
        ]
        if self.batch:
            plants = self._predicted(floor, candidates)
            return list(zip(candidates, plants))
        sources = [
            [candidate, *(replace(s, survey=replace(s.survey, duty=d)) for s in (whole, *near))]
            for candidate, whole, near, d in zip(candidates, self.whole, self.near, self.as_fed)
        ]
        again = Curve(self.as_fed, sources)
        again.solve_on([floor])
        return self._on(again, floor)

    # ---- Floors ---------------------------------------------------------------------------------------

    def _smallest(self, start: Sequence[Candidate]) -> PredictedCandidate:
        """The duty that needs most floor, where it stands on the smallest, and that state as predicted."""
        most = max(candidate.rank for candidate in start)
        contend = [k for k, candidate in enumerate(start) if candidate.rank >= CONTENDS * most]
        candidates = dict(zip(contend, closer([start[k] for k in contend], by_floor)))
        settled: dict[int, PredictedCandidate] = {}
        while True:
            k = max(candidates, key=lambda k: candidates[k].rank)
            if k in settled:
                break
            settled[k] = self._settled(candidates[k])
            candidates[k] = settled[k][0]
        for n, candidate in candidates.items():
            self.near[n].append(candidate)
        return settled[k]

    def _settled(self, candidate: Candidate) -> PredictedCandidate:
        """A state on its smallest floor, predicted there; of those that serve, the last, smallest one."""
        best: Candidate | None = None
        for turn in range(ROUNDS):
            (found,) = tried([candidate.duty], [candidate.u[None]], mesh="quick")
            outcomes = found[:, -1, 0]
            kept = float(candidate.duty.goal.rank(outcomes, candidate.duty.exact * JUST)) < OUT_OF_REACH
            if kept and (best is None or candidate.floor_here <= best.floor_here):
                best = candidate
            following = again(candidate, outcomes, by_floor, turn + 1)
            if best and following.floor_here > (1 - SAME) * best.floor_here:
                break
            candidate = following
        best = best or candidate
        return best, self._predicted(best.floor_here, [best])[0]

    def _predicted(self, floor: float, row: Sequence[Candidate]) -> list[Predicted]:
        return predicted([candidate.duty.plant(candidate.u, floor, self.machines) for candidate in row])

    def _fixed(self, smallest: float) -> tuple[float, bool]:
        """The floor that [sizing] asks for, of all dryers; of batch dryers as many as it takes."""
        area = self.sizing.floor_area
        if area is None:
            return smallest, False
        if self.batch:
            self.machines = int(np.ceil(smallest / area * (1 - SAME)))
        return area * self.machines, True

    @staticmethod
    def _of_whole(survey: Survey, candidate: Candidate) -> Candidate:
        """A candidate on the survey of the whole box, its shift that of a trial on that survey or none."""
        shift = candidate.shift if candidate.survey is survey else np.zeros(candidate.shift.shape)
        return replace(candidate, survey=survey, shift=shift)

    def _curve(self, at_least: PredictedCandidate, fixed: float | None) -> Curve:
        """Floors from the smallest to where nothing is gained, with the one asked for, solved."""
        smallest = at_least[0].floor_here
        ends = [first_candidate(s.survey, None, by_cost, s.shift) for s in self.whole]
        end = max(candidate.floor_here for candidate in ends)
        if not self.batch:
            end = self._where_nothing_is_gained(smallest, end)
        kind = self.case.cooler.arrangement
        count, anchors = (CURVE[kind], ANCHORS[kind]) if self.service.curve else (FEW, ANCHOR)
        floors = np.geomspace(smallest, max(end, 1.1 * smallest), count).tolist()
        about = [
            one
            for whole, end_of_it in zip(self.whole, ends)
            for one in cheapest_apart(whole, end_of_it, [floors[n] for n in anchors])
        ]
        if fixed is not None:
            floors = [f for f in floors if abs(f / fixed - 1) > SAME] + [fixed]
        for candidate in closer(about, by_cost):
            self.near[self.duties.index(candidate.duty)].append(candidate)
        curve = Curve(self.duties, [[w, *near] for w, near in zip(self.whole, self.near)])
        curve.add(self.duties.index(at_least[0].duty), at_least[0], at_least[1].outcomes)
        curve.solve_on(floors)
        if (
            self.dryer
        ):  # neighbours' states are other starts: a batch on its smallest floor cost five times less
            curve.solve_on(floors, LATER)
        return curve

    def _where_nothing_is_gained(self, smallest: float, end: float) -> float:
        """The smallest floor that runs as well as any above the smallest, as surveys have it.

        One further: where weight lost is dear, their small errors count.
        """
        floors = np.geomspace(smallest, max(end, 1.1 * smallest), LOOKED).tolist()
        looks = [whole_of(s.survey, f, s.shift) for f in floors for s in self.whole]
        found, count = best_of(looks, by_cost), len(self.whole)
        rows = [found[count * n : count * (n + 1)] for n in range(len(floors))]
        serves = [all(candidate.serves for candidate in row) for row in rows]
        running = np.where(serves, [self._running(row) for row in rows], np.inf)
        slack = max(NOTHING_GAINED * running.min(), NOTHING * price_of_energy(self.case))
        enough = int(np.argmax(running <= running.min() + slack)) if any(serves) else LOOKED
        return floors[min(enough + 1, LOOKED - 1)]

    def _taken(self, curve: Curve) -> float:
        """The smallest floor whose running is within `above_least` of the least."""
        rows = curve.rows()
        floors = sorted(rows)
        cheap = enough(self.case, np.array([self._running(rows[f]) for f in floors]))
        k, most = cheap.first, cheap.most
        if k == 0:
            return floors[0]
        between = np.geomspace(floors[k - 1], floors[k], BETWEEN + 2)[1:-1].tolist()
        curve.solve_on(between, LATER)
        fair = [f for f in between if (row := curve.row(f)) and self._running(row) <= most]
        taken = min([*fair, floors[k]])
        curve.floors = sorted({*floors, taken})
        return taken

    def _rounded(self, curve: Curve, floor: float) -> float:
        """The floor that is taken, as a round multiple of what it is built of: it can be built and typed."""
        if not self.service.on_dial:
            return floor
        up = self.machines * built(self.case, floor / self.machines)
        if not self.batch:
            curve.solve_on([up], LATER)
        if curve.row(up) is None:
            return floor
        curve.floors = sorted({up, *(f for f in curve.floors if abs(f / up - 1) > SAME)})
        return up

    def _running(self, row: Sequence[Candidate]) -> float:
        return 1e3 * running_cost(self.duties, [candidate.outcomes for candidate in row])

    def _on(self, curve: Curve, floor: float) -> list[PredictedCandidate] | None:
        """Each duty at its cheapest on a floor, predicted; None where it is not served."""
        for _ in range(ROUNDS):
            row = curve.row(floor)
            if row is None:
                return None
            plants = self._predicted(floor, row)
            for k, (candidate, p) in enumerate(zip(row, plants)):
                curve.correct(k, candidate, p.outcomes)
            if all(self._keeps(duty, p) for duty, p in zip(curve.duties, plants)):
                return list(zip(row, plants))
        return None

    @staticmethod
    def _keeps(duty: Duty, p: Predicted) -> bool:
        return bool((duty.goal.limits.excesses(p.outcomes) <= FEASIBLE).all())

    def _missed_on(self, floor: float, start: Sequence[Candidate]) -> list[Missed]:
        """The driest exits on a floor that is too small, of the duties that it does not serve."""
        most = max(candidate.floor_here for candidate in start)
        beyond = [k for k, one in enumerate(start) if one.floor_here > min(floor, most * (1 - SAME))]
        return [self._missed(k, start[k], floor) for k in beyond]

    def _missed(self, k: int, candidate: Candidate, floor: float | None = None) -> Missed:
        """The driest exit of a duty that no size serves, or not the floor, predicted."""
        best = corrected([driest(replace(candidate, floor=floor))], by_moisture, 1)[0]
        return missed(self.duties[k], best, self._predicted(best.floor_here, [best])[0])
