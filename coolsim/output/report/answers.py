"""All questions that one scenario's tables allow, asked; and, of the others, what they lack."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.model.solve import Resolution
from coolsim.simulate.prediction import predict
from coolsim.simulate.verdicts import Verdict
from coolsim.studies.lever_study import LeverMap, Levers, lever_map, levers
from coolsim.studies.prerequisites import opens_something
from coolsim.support.errors import NotConverged
from coolsim.support.fields import documented
from coolsim.support.progress import in_steps
from coolsim.support.workers import Start

if TYPE_CHECKING:
    from coolsim.studies.planning.answer import Plan
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.settings.answer import SettingsAnswer
    from coolsim.studies.sizing.answer import SizeAnswer
    from coolsim.studies.years import Seasons

SMOOTH = Resolution(48, 24)  # of what is drawn: the exit is right with fewer


@dataclass(frozen=True)
class Answers:
    """What is known of a scenario; None where its tables do not ask."""

    case: Case = documented("-", "what was asked")
    result: Result = documented("-", "the prediction as the scenario stands, with its band")
    verdicts: tuple[Verdict, ...] = documented("-", "on every wish and limit, as it stands", default=())
    chance: float | None = documented("-", "that all of them are kept, where it is known", default=None)
    levers: Levers | None = documented("-", "what moves the exit, and how far", default=None)
    advice: Advice | None = documented("-", "what to set", default=None)
    map: LeverMap | None = documented("-", "the exit over the two strongest levers", default=None)
    size: SizeAnswer | None = documented("-", "what to buy", default=None)
    seasons: Seasons | None = documented("-", "a year of weather", default=None)
    plan: Plan | None = documented("-", "a shift of the line", default=None)
    sweep: Result | None = documented("-", "the case at several airflows, where it has a fan", default=None)
    unasked: tuple[str, ...] = documented("-", "what other questions lack", default=())
    name: str = documented("-", "of a machine in a line", default="")
    machines: tuple[Answers, ...] = documented("-", "of a line: each by itself", default=())

    @property
    def met(self) -> bool:
        """Whether every question that was asked has an answer."""
        found = [self.advice.answer.met if self.advice else True, self.size.met if self.size else True]
        return all(found)


def ask(
    case: Case, start: Start | None = None, meanwhile: Callable[[Answers], object] | None = None
) -> Answers:
    """Ask all that the scenario's tables allow.

    start: begins a long question and returns how to wait for its answer, as `background_process` does; by default
    it is asked when it is waited for. meanwhile: is handed what is answered before the long questions are. Raises
    InputError as each question does, and NotConverged where one cannot be computed.
    """
    lacks = dict(_lacks(case))
    # the longest is asked elsewhere at once, the others here, once what takes a moment is answered
    questions = {"seasons": _through_the_year, "size": _sized, "settings": _advised}
    asked = [name for name in questions if not lacks[name]]
    waits = {name: questions[name](case, start if k == 0 else None) for k, name in enumerate(asked)}
    with in_steps(1 + len(asked)) as step:
        step("how it stands")
        answers = _in_a_moment(case, lacks)
        if meanwhile is not None:
            meanwhile(Answers(case, **answers))
        if not {"size", "settings"} & {*asked}:  # how likely a first guess is, nobody asks
            answers |= _judged(case, answers["result"])
        for name in reversed(asked):
            step(name)
            answers |= waits[name]()
    if "levers" in answers:
        answers["levers"] = dataclasses.replace(answers["levers"], band=answers["result"].input_band)
    return Answers(case, **answers)


def _in_a_moment(case: Case, lacks: dict[str, str]) -> dict[str, Any]:
    """What is answered before the long questions are, as fields of the answers."""
    # the cheapest comes first: what does not converge is refused before minutes are spent
    answers: dict[str, Any] = {"result": _smooth(case, predict(case, band=True))}
    if not lacks["plan"]:
        from coolsim.studies.planning.run import plan

        answers["plan"] = plan(case)
    answers["sweep"] = _sweep(case, answers["result"])
    answers["machines"] = tuple(
        Answers(run.case, _smooth(run.case, run.result), sweep=_sweep(run.case, run.result), name=run.name)
        for run in answers["result"].stages
    )
    answers["unasked"] = tuple(why for why in lacks.values() if why)
    return answers


# Each long question, begun; what is returned waits for its fields of the answers.


def _advised(case: Case, start: Start | None) -> Callable[[], dict[str, Any]]:
    from coolsim.studies.prerequisites import check
    from coolsim.studies.settings.advice import advise
    from coolsim.studies.settings.find import find_settings

    check(case)
    begun = start or functools.partial
    wait = begun(find_settings, case)

    def answered() -> dict[str, Any]:
        answer = wait()
        likely = begun(_with_chances, (case, answer))
        moved = levers(case, answer.now.result)
        found = {"levers": moved, "map": lever_map(moved, answer.now.result, (answer.case, answer.result))}
        advice = advise(case, likely(), moved=moved)
        now = advice.answer.now
        return found | {"advice": advice, "verdicts": now.verdicts, "chance": now.chance}

    return answered


def _with_chances(asked: tuple[Case, SettingsAnswer]) -> SettingsAnswer:
    from coolsim.studies.settings.chances import with_chances

    return with_chances(*asked)


def _sized(case: Case, start: Start | None) -> Callable[[], dict[str, Any]]:
    from coolsim.studies.sizing.find import check, completed, found

    check(case)
    wait = (start or functools.partial)(found, case)
    return lambda: {"size": completed(case, wait, True, start)}


def _through_the_year(case: Case, start: Start | None) -> Callable[[], dict[str, Any]]:
    return (start or functools.partial)(_year, case)


def _year(case: Case) -> dict[str, Any]:
    from coolsim.studies.years import seasons

    return {"seasons": seasons(case)}


def _judged(case: Case, result: Result) -> dict[str, Any]:
    """How the scenario as it stands is judged, where nothing else asks that."""
    from coolsim.studies.settings.chances import judged

    verdicts, chance = judged(case, result)
    return {"verdicts": verdicts, "chance": chance, "levers": levers(case, result)}


def _lacks(case: Case) -> Iterator[tuple[str, str]]:
    """Say of each question what the scenario lacks for it; nothing where it can be asked."""
    target, costs = case.target, case.costs
    opened = opens_something(case)
    goal = "" if target.moisture is not None else "[target] moisture"
    needs = {
        "settings": (
            goal,
            "" if opened else "a range in [limits]",
            "" if costs.electricity is not None else "[costs] electricity",
        ),
        "size": (goal, "" if case.sizing else "[sizing]"),
        "seasons": (goal, "" if case.weather else "[weather]"),
        "plan": ("", "" if case.equipment else "[[equipment]]"),
    }
    what = {"settings": "What to set", "size": "How large to buy", "seasons": "A year of weather"}
    what["plan"] = "A shift of the line"
    for question, missing in needs.items():
        lacking = ", ".join(filter(None, missing))
        if question == "settings" and case.sizing and not lacking:
            yield (
                question,
                f"{what[question]} was not asked: [sizing] asks what to buy. `coolsim settings` tells.",
            )
            continue
        yield question, f"{what[question]} was not asked: the scenario lacks {lacking}." if lacking else ""


def _at(case: Case, airflow: float, depth: float) -> Case:
    cooler = dataclasses.replace(case.cooler, airflow=airflow, bed_depth=depth, air_ratio=None)
    return dataclasses.replace(case, cooler=cooler)


def _smooth(case: Case, result: Result) -> Result:
    """The result of a cooler with states through its bed as close together as the eye wants; its exit as it is."""
    if result.energy is not None or result.profile is None:
        return result
    try:
        return dataclasses.replace(result, profile=predict(case, resolution=SMOOTH).profile)
    except NotConverged:
        return result


def _sweep(case: Case, result: Result) -> Result | None:
    """The case from little air to half as much again, for the curve of its system; None without a fan."""
    if not case.fan or case.cooler.arrangement != "counter-flow":
        return None
    from coolsim.output.plots.settings import airflow

    flow = float(airflow(result, case))
    depth = float(result.bed.depth)
    return predict([_at(case, q, depth) for q in flow * np.linspace(0.05, 1.5, 25)])
