"""How large a cooler or dryer, and which fans: the question, whatever the machine, and how sure its answer is.

A machine alone is searched as it stands; a stage of a line for what the line feeds it (`stages`). Each product in
each weather is then predicted at its settings in the machine, or the whole line, that was sized: verdicts and
chances are of that prediction.
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Sequence

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case, Line
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Warning
from coolsim.machines.base import as_many, predicted_each
from coolsim.machines.conditioner import HELD, held, ranges
from coolsim.scenario import inputs, retyped, typed_back
from coolsim.simulate.least_bed import least_depth, least_time, without_least_bed
from coolsim.simulate.requirements import AT_LIMIT
from coolsim.simulate.verdicts import verdicts_of
from coolsim.studies.propagation.chances import all_kept, chances
from coolsim.studies.propagation.samples import Sampled, sampled, varying
from coolsim.studies.propagation.unknowns import unknowns_of
from coolsim.studies.settings.chances import SAMPLES, SEED
from coolsim.studies.sizing import kinds, prerequisites, stages
from coolsim.studies.sizing.answer import Served, SizeAnswer, WithoutLeastBed
from coolsim.studies.sizing.search import size_of
from coolsim.studies.sizing.service import service_of
from coolsim.support.errors import Fault, InputError
from coolsim.support.progress import Progress, each, in_steps, tells
from coolsim.support.workers import Start

SAME_COST = 0.005  # of a cost: two searches end as far apart
ELSEWHERE = 2  # one in so many products and weathers, or fewer, is judged elsewhere


@takes_a_case
@tells
def size(
    case: Case, *, uncertainty: bool = False, on_dial: bool = True, progress: Progress = None
) -> SizeAnswer:
    """Smallest cooler or dryer, with fans, that serves every product of [sizing] in every weather at a fair cost.

    Of a line, the stage that sizing.stage names, with the others as they are. uncertainty: also with which chance
    each product in each weather keeps its wishes and limits.
    progress: who hears how far it is, as `coolsim.support.progress` says.

    Needs [sizing] and [target] moisture; [limits] says what the machine must keep, and opens what may be set;
    [costs], [duct], and of [fan] efficiency and position count, of a batch [schedule]. Raises InputError naming
    what is missing or contradicts, and NotConverged.
    """
    check(case)
    return completed(case, functools.partial(found, case, on_dial), uncertainty)


def found(case: Case, on_dial: bool = True) -> SizeAnswer:
    """The size and the settings that it is for; not yet how sure they are, nor what a least bed costs."""
    opened, case = bool(ranges(case)), held(case)
    with in_steps(1) as step:
        step("floor, fans and settings")
        answer = _found(case, on_dial)
    return (
        dataclasses.replace(answer, warnings=(*answer.warnings, Warning("note", HELD))) if opened else answer
    )


def completed(
    case: Case, wait: Callable[[], SizeAnswer], uncertainty: bool, start: Start | None = None
) -> SizeAnswer:
    """What is waited for, with verdicts, chances and what a least bed costs.

    start: begins a part of it elsewhere, where it was begun, too: then what may be needed is asked while waiting.
    """
    typed, case, ahead = case, held(case), None
    if start and any(value > 0 for value in _least(case).values()):
        ahead = _without_least_bed(case)
    answer = wait()
    without = (ahead or _without_least_bed(case)) if _at_least_bed(case, answer) else None
    without = without if without and _saves(without, answer) else None
    here = _judged_here(answer.served) if start else len(answer.served)
    more = (start or functools.partial)(_judged_so, (case, answer, answer.served[here:], uncertainty))
    served = (*_judged(case, answer, answer.served[:here], uncertainty), *more())
    return dataclasses.replace(answer, served=served, without_least_bed=without, case=typed)


def _found(case: Case, on_dial: bool, curve: bool = True) -> SizeAnswer:
    if isinstance(case.cooler, Line):
        return stages.size(case, on_dial, curve)
    return size_of(service_of(case, on_dial, curve))


def _at_least_bed(case: Case, answer: SizeAnswer) -> bool:
    """Whether the size, or anything that is served, stands at the least time or depth that is chosen."""
    least = {f"{QUANTITIES[name].called}, lowest": value for name, value in _least(case).items()}
    parts = [*(s.binding for s in answer.served), *(m.binding for m in answer.missed)]
    told = [limit for part in (*parts, *(g.limits for g in answer.governing)) for limit in part]
    return any(0 < limit.value <= (1 + AT_LIMIT) * least.get(limit.limit, 0.0) for limit in told)


def _least(case: Case) -> dict[str, float]:
    """Least depth [m] and times [s] that are chosen, by their quantities; zero where there is none."""
    one = stages.stage_by_itself(case) if isinstance(case.cooler, Line) else case
    times = dict.fromkeys(("residence_time", "duration"), least_time(one))
    return {"bed_depth": least_depth(one)} | times


def _without_least_bed(case: Case) -> WithoutLeastBed:
    """The size then, before it is a round number and before the steps of dials."""
    answer = _found(without_least_bed(case), on_dial=False, curve=False)
    return WithoutLeastBed(answer.floor_area, answer.bed_depth, answer.mean_cost_per_tonne)


def _saves(without: WithoutLeastBed, answer: SizeAnswer) -> bool:
    """Whether floor or cost is saved: what was found with a least bed would do without it, too."""
    floor, now = without.floor_area, answer.floor_area
    smaller = floor is not None and now is not None and floor < now and not answer.is_as_large(floor)
    cost, today = without.cost_per_tonne, answer.mean_cost_per_tonne
    return smaller or (cost is not None and today is not None and cost < (1 - SAME_COST) * today)


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be sized."""
    faults = list(prerequisites.faults(case))
    faults += stages.faults(case) if isinstance(case.cooler, Line) else prerequisites.faults_of(case)
    if faults:
        raise InputError(faults)


def sized(case: Case, answer: SizeAnswer, served: Served) -> Case:
    """The case of the size, in its line, with one of its products and weathers, set as answered: to predict."""
    if answer.floor_area is None:
        raise InputError([Fault("", "size", "no size", "there is none to predict: it is not met")])
    if isinstance(case.cooler, Line):
        line, machine = stages.fed(case, served)
        return stages.in_line(line, answer, kinds.sized(machine, answer, served))
    service = service_of(case)
    as_fed = service.cases[service.names.index((served.product, served.weather))]
    return kinds.sized(as_fed, answer, served)


# ---- How it stands --------------------------------------------------------------------------------------


def _judged(case: Case, answer: SizeAnswer, served: Sequence[Served], uncertainty: bool) -> list[Served]:
    """Products in weathers with what makes the scenario this machine, verdicts and, if asked, chances."""
    judged, first = [], dict[str, Sampled]()
    cases = [_as_wished(case, sized(case, answer, one)) for one in served]
    results = predicted_each(cases) if cases else []
    for one, there, result in zip(each(served, "how sure it is"), cases, results):
        keys, likely, chance = typed_back(case, there), None, None
        known = as_known(case, there, keys) if uncertainty else None
        if known is not None and unknowns_of(known):
            # a product in another weather is like it in the first: few samples tell what differs
            near = first.get(one.product)
            samples = sampled(known, SAMPLES, SEED, varying(known, opened=True), near, as_many(result))
            first.setdefault(one.product, samples)
            likely, chance = chances(samples), float(all_kept(samples).mean())
        verdicts = verdicts_of(there, result, likely)
        judged.append(dataclasses.replace(one, set=keys, verdicts=verdicts, chance=chance))
    return judged


def _as_wished(case: Case, there: Case) -> Case:
    """A sized case with wishes of coated pellets as typed: what the coat bears hangs on each sample's material."""
    wishes = {name: getattr(case, name) for name in ("target", "coating", "bag", "costs")}
    return dataclasses.replace(there, **wishes) if case.coating else there


def _judged_here(served: Sequence[Served]) -> int:
    """How many are not judged elsewhere: whole products, whose first weather's samples tell of the others."""
    most = len(served) // ELSEWHERE
    last = [k for k in range(1, len(served)) if served[k].product != served[k - 1].product]
    return min((k for k in last if len(served) - k <= most), default=len(served))


def _judged_so(asked: tuple[Case, SizeAnswer, Sequence[Served], bool]) -> list[Served]:
    return _judged(*asked)


def as_known(case: Case, there: Case, keys: dict[str, str]) -> Case:
    """A sized case whose inputs are known as well as the scenario says: of what it shares with the scenario.

    What was typed with a ± of the first guess's settings, or of an input that this product or weather states
    otherwise, says nothing of it.
    """
    if not there.plus_minus:
        return there
    was, now = inputs(case), inputs(there)
    kept = {
        key: known
        for key, known in there.plus_minus.items()
        if key.startswith(("feed.", "air.", "material.")) and _same(key, was, now)
    }
    typed = retyped(case, keys)
    return dataclasses.replace(there, source=typed.source, plus_minus=kept)


def _same(key: str, was: dict[str, str], now: dict[str, str]) -> bool:
    """Whether an input is as in the scenario; one that is stored by another name, as a wet bulb, by its table."""
    if key in was:
        return was[key] == now.get(key)
    table = key.partition(".")[0] + "."
    return all(now.get(name) == text for name, text in was.items() if name.startswith(table))
