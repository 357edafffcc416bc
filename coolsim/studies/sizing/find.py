"""How large a cooler or dryer, and which fans: the question, whatever the machine, and how sure its answer is.

A machine alone is searched as it stands; a stage of a line for what the line feeds it (`stages`). Each product in
each weather is then predicted at its settings in the machine, or the whole line, that was sized: verdicts and
chances are of that prediction.
"""

from __future__ import annotations

import dataclasses

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case, Line
from coolsim.case.quantities import QUANTITIES
from coolsim.case.result import Warning
from coolsim.machines.conditioner import HELD, held, ranges
from coolsim.scenario import inputs, retyped, typed_back
from coolsim.simulate.prediction import predict
from coolsim.simulate.requirements import AT_LIMIT, least_depth, least_time, verdicts_of, without_least_bed
from coolsim.studies.propagation import all_kept, chances, sampled, unknowns_of, varying
from coolsim.studies.settings.chances import SAMPLES, SEED
from coolsim.studies.sizing import prerequisites, single_machine, stages
from coolsim.studies.sizing.answer import Served, SizeAnswer, WithoutLeastBed
from coolsim.studies.sizing.duties import service_of
from coolsim.support.errors import Fault, InputError
from coolsim.support.progress import Progress, each, in_steps, tells


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
    typed, opened, case = case, bool(ranges(case)), held(case)
    with in_steps(1) as step:
        step("floor, fans and settings")
        answer = _found(case, on_dial)
    if opened:
        answer = dataclasses.replace(answer, warnings=(*answer.warnings, Warning("note", HELD)))
    if _at_least_bed(case, answer):
        answer = dataclasses.replace(answer, without_least_bed=_without_least_bed(case))
    served = tuple(_judged(case, answer, one, uncertainty) for one in each(answer.served, "how sure it is"))
    return dataclasses.replace(answer, served=served, case=typed)


def _found(case: Case, on_dial: bool, curve: bool = True) -> SizeAnswer:
    if isinstance(case.cooler, Line):
        return stages.size(case, on_dial, curve)
    return single_machine.size(service_of(case, on_dial, curve))


def _at_least_bed(case: Case, answer: SizeAnswer) -> bool:
    """Whether the size, or anything that is served, stands at the least time or depth that is chosen."""
    one = stages.stage_by_itself(case) if isinstance(case.cooler, Line) else case
    least = {f"{QUANTITIES['bed_depth'].called}, lowest": least_depth(one)}
    least |= dict.fromkeys(
        (f"{QUANTITIES[name].called}, lowest" for name in ("residence_time", "duration")), least_time(one)
    )
    parts = [*(s.binding for s in answer.served), *(m.binding for m in answer.missed)]
    told = [limit for part in (*parts, *(g.limits for g in answer.governing)) for limit in part]
    return any(0 < limit.value <= (1 + AT_LIMIT) * least.get(limit.limit, 0.0) for limit in told)


def _without_least_bed(case: Case) -> WithoutLeastBed:
    """The size then, before it is a round number and before the steps of dials."""
    found = _found(without_least_bed(case), on_dial=False, curve=False)
    costs = [s.exact_cost_per_tonne for s in found.served if s.exact_cost_per_tonne is not None]
    return WithoutLeastBed(found.floor_area, found.bed_depth, sum(costs) / len(costs) if costs else None)


def check(case: Case) -> None:
    """Raise InputError, with every fault, where a scenario cannot be sized."""
    faults = list(prerequisites.faults(case))
    faults += (stages if isinstance(case.cooler, Line) else single_machine).faults(case)
    if faults:
        raise InputError(faults)


def sized(case: Case, answer: SizeAnswer, served: Served) -> Case:
    """The case of the size, in its line, with one of its products and weathers, set as answered: to predict."""
    if answer.floor_area is None:
        raise InputError([Fault("", "size", "no size", "there is none to predict: it is not met")])
    if isinstance(case.cooler, Line):
        line, machine = stages.fed(case, served)
        return stages.in_line(line, answer, single_machine.sized(machine, answer, served))
    service = service_of(case)
    as_fed = service.cases[service.names.index((served.product, served.weather))]
    return single_machine.sized(as_fed, answer, served)


# ---- How it stands --------------------------------------------------------------------------------------


def _judged(case: Case, answer: SizeAnswer, served: Served, uncertainty: bool) -> Served:
    """A product in a weather with what makes the scenario this machine, verdicts and, if asked, chances."""
    there = sized(case, answer, served)
    if case.coating:  # as it is typed: what the coat bears hangs on each sample's material
        wishes = {name: getattr(case, name) for name in ("target", "coating", "bag", "costs")}
        there = dataclasses.replace(there, **wishes)
    result = predict(there)
    keys = typed_back(case, there)
    known = as_known(case, there, keys) if uncertainty else None
    each, chance = None, None
    if known is not None and unknowns_of(known):
        samples = sampled(known, SAMPLES, SEED, varying(known, opened=True))
        each, chance = chances(samples), float(all_kept(samples).mean())
    return dataclasses.replace(served, set=keys, verdicts=verdicts_of(there, result, each), chance=chance)


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
