"""How large a batch or belt dryer, with which fans and heaters: every product in every weather on one floor.

As for coolers: on each floor every product runs in every weather at its own cheapest settings, within [limits].

All of that is at the throughput with its reserve. On the floor taken, settings are then found for the throughput
itself: of a batch dryer the same, so that it waits for the next batch; of a belt, which then runs slower or with a
thinner bed, the cheapest. They are put on the steps of their dials.

The dryer of the scenario is a first guess. Kept of it are its air per floor area (its zones' shares of length and
air, too) and a belt's width; `limits.airflow` is of that dryer, and counts per its floor area. What is answered of
the size was predicted on the full mesh, and so was, without its error, each row of the trade-off (`curve`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coolsim.case.case import Case
from coolsim.case.machine import Batch
from coolsim.machines import dryers as dials
from coolsim.simulate.chunks import on_one_thread
from coolsim.simulate.requirements import FEASIBLE
from coolsim.studies.optimise.march_outcomes import QUICK
from coolsim.studies.sizing.answer import Missed, Served, SizeAnswer
from coolsim.studies.sizing.candidates import (
    OUT_OF_REACH,
    Candidate,
    again,
    by_cost,
    by_floor,
    by_moisture,
    closer,
    corrected,
    driest,
    first_candidate,
)
from coolsim.studies.sizing.curve import JUST, Curve
from coolsim.studies.sizing.dryer_dial import area_of, on_their_dials
from coolsim.studies.sizing.dryer_duties import Duty, Survey, duties, surveyed, tried
from coolsim.studies.sizing.dryer_parts import (
    Predicted,
    air_parts,
    cautions_of,
    curve_point,
    missed,
    predicted,
    running_cost,
    stand_of,
)
from coolsim.studies.sizing.service import Service, rounded_up
from coolsim.studies.sizing.summary import OnFloor, no_size, size_answer, time_of
from coolsim.studies.sizing.taken import enough
from coolsim.studies.sizing.words import words

CURVE = 6  # floors of the trade-off curve
CONTENDS = 0.8  # of the largest of the smallest floors: duties that may fix it
# Of the floors of the curve, about whose cheapest states surveys are made besides those of the ends: on the last
# floor a batch's is its end.
ANCHORS = {"batch": (4, 2, 1), "belt": (5, 3, 1)}
FEW, ANCHOR = 3, (1,)  # likewise, where no other floors are told
BETWEEN = 3  # floors between two of the curve, of which one may be taken
LATER = range(1, 6)  # rounds of solving on them, of those of the curve
ROUNDS = 3  # predictions at most, each after a correction
SAME = 5e-3  # of a floor: settled
SHIFT = 8 * 3600.0  # s

PredictedCandidate = tuple[Candidate, Predicted]  # a state, and what it is predicted to be


def size(service: Service) -> SizeAnswer:
    """Smallest batch or belt dryers, with fans and heaters, that serve everything at a fair cost."""
    with on_one_thread():  # of many small products of matrices, which wait for threads longer than they take
        return _Sizing(service).answer()


def sized(case: Case, answer: SizeAnswer, served: Served) -> Case:
    """The dryer of that size with one product in one weather, set as answered."""
    (duty,) = duties([(served.product, served.weather)], [case])
    assert answer.floor_area is not None and answer.dryers is not None, "there is no size"
    names = ("airflow", "inlet_air_temperature", "recirculation", "duration", "bed_depth")
    known = {n: getattr(served.settings, n, np.nan) for n in names}
    knobs = {n: x for n, x in known.items() if not np.isnan(x) and (duty.batch or n != "duration")}
    return dials.with_settings(duty.scaled(answer.floor_area * answer.dryers, answer.dryers), knobs)


class _Sizing:
    """One question with its surveys."""

    def __init__(self, service: Service) -> None:
        self.service, self.case = service, service.case
        self.sizing = self.case.sizing
        self.duties = duties(service.names, service.rated)
        self.as_fed = duties(service.names, service.cases)
        self.surveys = surveyed(self.duties)
        self.batch = isinstance(self.case.cooler, Batch)
        self.whole: list[Candidate] = []  # states with surveys of the whole box
        self.near: list[list[Candidate]] = [[] for _ in self.duties]  # states with surveys about them
        self.dryers = int(self.case.schedule.dryers) if self.batch else 1

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
            return self._no_size(smallest)
        self.whole = [self._of_whole(s, candidate) for s, candidate in zip(self.surveys, start)]
        curve = self._curve(at_least, floor if fixed else None)
        floor = floor if fixed else self._rounded(curve, self._taken(curve))
        found = self._on(curve, floor)
        run = None if found is None else self._at_the_throughput(curve, floor, found)
        if found is None or run is None:
            return self._no_size(smallest)
        dialled, load = [p for _, p in run], self.service.load
        if self.service.on_dial:
            dialled = on_their_dials(run, load)
        return self._sized(curve, floor, at_least, found, run, dialled)

    def _sized(
        self,
        curve: Curve,
        floor: float,
        at_least: PredictedCandidate,
        rated: Sequence[PredictedCandidate],
        run: Sequence[PredictedCandidate],
        dialled: Sequence[Predicted],
    ) -> SizeAnswer:
        """The answer for a floor: `rated` at the throughput with its reserve, `run` at the throughput itself."""
        case, load = self.case, self.service.load
        served = [stand_of(candidate, e, p, load) for (candidate, e), p in zip(run, dialled)]
        hardest, there = at_least
        at = OnFloor(
            area=floor / self.dryers,
            smallest=hardest.floor_here,
            hardest=stand_of(hardest, there, there, 1.0).served,
            rated=[stand_of(candidate, p, p, 1.0) for candidate, p in rated],
            served=served,
            curve=tuple(curve_point(case, f, row) for f, row in curve.rows().items()),
        )
        each = [*dialled, *(p for _, p in rated)]
        parts = air_parts(case, each)
        warnings = cautions_of([s.served for s in served], [p.result for p in dialled])
        masses = [dials.mass_of(p.case) for p in each]
        fills = [SHIFT * p.case.feed.throughput / m / self.dryers for p, m in zip(dialled, masses)]
        belt = None if self.batch else dialled[0].case.cooler
        return size_answer(
            case,
            at,
            any(part.heater is not None for part in parts),
            (*warnings, *words(case, True)),
            dryers=self.dryers,
            zones=parts,
            belt_width=belt.belt_width if belt else None,
            belt_length=sum(z.length for z in belt.zones) if belt else None,
            batch_mass=max(masses) if self.batch else None,
            batches_per_shift=max(fills) if self.batch else None,
            drying_time=max(time_of(s.served) for s in served),
            heat_per_water=max(float(s.served.heat_per_water or 0.0) for s in served),
        )

    def _no_size(self, smallest: float | None, lost: Sequence[Missed] = ()) -> SizeAnswer:
        return no_size(self.case, lost, smallest, tuple(words(self.case, True)))

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
            plants = predicted([s.duty.plant(s.u, floor, self.dryers) for s in candidates])
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
            (found,) = tried([candidate.duty], [candidate.u[None]], resolution=QUICK)
            outcomes = found[:, -1, 0]
            kept = float(candidate.duty.goal.rank(outcomes, JUST)) < OUT_OF_REACH
            if kept and (best is None or candidate.floor_here <= best.floor_here):
                best = candidate
            following = again(candidate, outcomes, by_floor, turn + 1)
            if best and following.floor_here > (1 - SAME) * best.floor_here:
                break
            candidate = following
        best = best or candidate
        return best, predicted([best.duty.plant(best.u, best.floor_here, self.dryers)])[0]

    def _fixed(self, smallest: float) -> tuple[float, bool]:
        """The floor that [sizing] asks for, of all dryers; of batch dryers as many as it takes."""
        area = self.sizing.floor_area
        if area is None:
            return smallest, False
        if self.batch:
            self.dryers = int(np.ceil(smallest / area * (1 - SAME)))
        return area * self.dryers, True

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
        count, anchors = (
            (CURVE, ANCHORS[self.case.cooler.arrangement]) if self.service.curve else (FEW, ANCHOR)
        )
        floors = np.geomspace(smallest, max(end, 1.1 * smallest), count).tolist()
        at = [floors[n] for n in anchors]
        about = [first_candidate(s.survey, f, by_cost, s.shift) for f in at for s in self.whole]
        if fixed is not None:
            floors = [f for f in floors if abs(f / fixed - 1) > SAME] + [fixed]
        for candidate in closer(ends + about, by_cost):
            self.near[self.duties.index(candidate.duty)].append(candidate)
        curve = Curve(self.duties, [[w, *near] for w, near in zip(self.whole, self.near)])
        curve.add(self.duties.index(at_least[0].duty), at_least[0], at_least[1].outcomes)
        curve.solve_on(floors)
        return curve

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
        """The floor that is taken, as a rounded multiple of the dryer as given: it can be built and typed."""
        if not self.service.on_dial:
            return floor
        given = area_of(self.case) * self.dryers
        up = given * rounded_up(floor / given)
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
            plants = predicted([candidate.duty.plant(candidate.u, floor, self.dryers) for candidate in row])
            for k, (candidate, p) in enumerate(zip(row, plants)):
                curve.correct(k, candidate, p.outcomes)
            if all(self._keeps(duty, p) for duty, p in zip(curve.duties, plants)):
                return list(zip(row, plants))
        return None

    @staticmethod
    def _keeps(duty: Duty, p: Predicted) -> bool:
        return bool((duty.goal.limits.excesses(p.outcomes) <= FEASIBLE).all())

    def _missed(self, k: int, candidate: Candidate) -> Missed:
        """The driest exit of a duty that no size serves, predicted."""
        duty = self.duties[k]
        best = corrected([driest(candidate)], by_moisture, 1)[0]
        return missed(duty, best, predicted([duty.plant(best.u, best.floor_here, self.dryers)])[0])
