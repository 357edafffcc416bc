"""The size of one stage of a line, with the others as they are.

The stage is searched as a machine alone that is fed what the line brings it, product by product and weather by
weather. But pellets from another machine are not even inside, and what follows the stage takes out water too. So
the line is predicted with the stage that was found, and what it adds to the stage's exit is taken off what is asked
of the stage, until the line itself keeps its wishes. The reserve is of this stage: more of what
the others leave it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

from coolsim.case.case import Case, Line
from coolsim.case.result import Result
from coolsim.case.tables import Target
from coolsim.physics.bag import MOULDS_ACTIVE
from coolsim.simulate.line import by_itself
from coolsim.simulate.prediction import predict
from coolsim.simulate.requirements import AtLimit
from coolsim.simulate.verdicts import Verdict, verdicts_of
from coolsim.studies.prerequisites import placed
from coolsim.studies.sizing import kinds, prerequisites
from coolsim.studies.sizing.answer import LineExit, Missed, Served, SizeAnswer
from coolsim.studies.sizing.search import size_of
from coolsim.studies.sizing.service import Service, duties_of
from coolsim.studies.sizing.summary import no_size
from coolsim.support.errors import Fault

ROUNDS = 5
FREE = (
    5e-5,
    0.02,
    5e-4,
)  # of moisture, temperature [K] and water activity: kept free, once the line was predicted
ENOUGH = 5e-4  # of moisture: an exit drier than that is asked for again


def stage_of(case: Case) -> int:
    """The place of the stage that is sized, from zero."""
    return [stage.name for stage in case.cooler.stages].index(case.sizing.stage)


def stage_by_itself(case: Case) -> Case:
    """The stage that is sized, fed as the line is."""
    return by_itself(case, case, stage_of(case))


def faults(case: Case) -> Iterator[Fault]:
    """What is wrong of the stage that is sized, under its own keys."""
    if case.sizing.stage is None:
        return
    k = stage_of(case)
    for fault in prerequisites.faults_of(by_itself(case, case, k)):
        yield placed(case, f"stage.{k + 1}", fault)


def size(case: Case, on_dial: bool, curve: bool) -> SizeAnswer:
    """The size of the stage that [sizing] names."""
    k = stage_of(case)
    pairs, lines = duties_of(case)
    names = [(p.name, w.name) for p, w in pairs]
    today = [predict(line) for line in lines]
    fed = [_as_fed(case, result, k) for result in today]
    added = [_added(result, predict(one)) for one, result in zip(fed, today)]
    for turn in range(ROUNDS):
        aims = [_aim(line, k, add, turn > 0) for line, add in zip(lines, added)]
        aimed = [dataclasses.replace(one, target=aim) for one, aim in zip(fed, aims)]
        service = Service(names, aimed, on_dial, curve)
        answer = dataclasses.replace(size_of(service), stage=case.sizing.stage)
        if not answer.met:
            return answer
        machines = [kinds.sized(one, answer, s) for one, s in zip(fed, answer.served)]
        there = [in_line(line, answer, one) for line, one in zip(lines, machines)]
        results = [predict(one) for one in there]
        verdicts = [verdicts_of(one, result) for one, result in zip(there, results)]
        if all(v.met for each in verdicts for v in each) and not _too_dry(
            lines[0], results, aims, answer.served
        ):
            break
        added = [_added(result, predict(one)) for one, result in zip(machines, results)]
    served = tuple(_in_its_line(s, result, k) for s, result in zip(answer.served, results))
    missed = tuple(_missed(*one, answer) for one in zip(served, verdicts) if not all(v.met for v in one[1]))
    if missed:
        return dataclasses.replace(
            no_size(fed[0], missed, None, answer.warnings), margin=answer.margin, stage=answer.stage
        )
    return dataclasses.replace(answer, served=served)


def fed(case: Case, served: Served) -> tuple[Case, Case]:
    """The line as it is with one product in one weather, and the stage that is sized, fed by it."""
    pairs, lines = duties_of(case)
    names = [(p.name, w.name) for p, w in pairs]
    line = lines[names.index((served.product, served.weather))]
    return line, _as_fed(case, predict(line), stage_of(case))


def in_line(line: Case, answer: SizeAnswer, machine: Case) -> Case:
    """A line with a machine in the place of the stage that is sized."""
    k = stage_of(line)
    own = {name: getattr(machine, name) for name in ("cooler", "fan", "schedule", "limits")}
    stages = [
        dataclasses.replace(stage, **own) if n == k else stage for n, stage in enumerate(line.cooler.stages)
    ]
    return dataclasses.replace(line, cooler=Line(tuple(stages)))


# ---- What is asked of the stage -------------------------------------------------------------------------


def _as_fed(case: Case, result: Result, k: int) -> Case:
    """The stage as it is fed in a prediction of its line, by itself."""
    return dataclasses.replace(result.stages[k].case, source=case.source, sizing=case.sizing)


def _added(whole: Result, machine: Result) -> tuple[float, float, float]:
    """What a line adds to the exit of a machine fed alone: moisture, temperature [K], water activity in store."""
    return (
        float(whole.pellets_out.moisture_wb - machine.pellets_out.moisture_wb),
        float(whole.pellets_out.temperature - machine.pellets_out.temperature),
        float(whole.in_store.water_activity - machine.in_store.water_activity),
    )


def _aim(case: Case, k: int, added: tuple[float, float, float], free: bool) -> Target:
    """What a stage must reach, so that its line does with what it adds; free: with a little room.

    Of a stage that others follow only the moisture counts: they cool, and have limits of their own.
    """
    moisture, warmth, activity = (x + (room if free else 0.0) for x, room in zip(added, FREE))
    asked = case.target
    assert asked.moisture is not None
    own = Target(moisture=asked.moisture - moisture, tolerance=asked.tolerance, maximum_water_activity=1.0)
    if k < len(case.cooler.stages) - 1:
        return own

    most = asked.maximum_water_activity

    def less(bound: float | None, by: float) -> float | None:
        return None if bound is None else bound - by

    return dataclasses.replace(
        asked,
        moisture=own.moisture,
        maximum_above_ambient=less(asked.maximum_above_ambient, warmth),
        maximum_water_activity=MOULDS_ACTIVE - activity if most is None else most - activity,
    )


def _too_dry(case: Case, results: Sequence[Result], aims: Sequence[Target], served: Sequence[Served]) -> bool:
    """Whether a line is left drier than it is asked for because more was asked of its stage than it takes."""
    at_aim = (s.moisture_wb > float(aim.moisture or 0.0) - ENOUGH for s, aim in zip(served, aims))
    gaps = (case.target.moisture - float(r.pellets_out.moisture_wb) for r in results)
    return any(stands and gap > ENOUGH for stands, gap in zip(at_aim, gaps))


def _in_its_line(served: Served, result: Result, k: int) -> Served:
    """What a stage does in its line, and how the line is left."""
    own = result.stages[k].result
    return dataclasses.replace(
        served,
        moisture_wb=float(own.pellets_out.moisture_wb),
        temperature=float(own.pellets_out.temperature),
        water_activity=float(own.in_store.water_activity),
        exhaust_humidity=float(own.air_out.relative_humidity),
        lift_off=float(own.bed.lift_off),
        pressure_drop=float(own.bed.pressure_drop),
        line_exit=LineExit(
            float(result.pellets_out.moisture_wb),
            float(result.pellets_out.temperature),
            float(result.in_store.water_activity),
        ),
    )


def _missed(served: Served, verdicts: Sequence[Verdict], answer: SizeAnswer) -> Missed:
    """A product in a weather whose line breaks something with any size of this stage that was tried."""
    assert served.line_exit is not None and answer.floor_area is not None
    return Missed(
        product=served.product,
        weather=served.weather,
        driest=served.line_exit.moisture_wb,
        temperature=served.line_exit.temperature,
        floor_area=answer.floor_area * (answer.dryers or 1),
        settings=served.settings,
        broken=tuple(AtLimit(v.constraint.called, v.value) for v in verdicts if not v.met),
    )
