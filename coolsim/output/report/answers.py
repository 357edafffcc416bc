"""All questions that one scenario's tables allow, asked; and, of the others, what they lack."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coolsim.case import Case
from coolsim.fields import documented
from coolsim.machines.plant import knob_range
from coolsim.predict import predict
from coolsim.result import Result
from coolsim.studies.asked import opens_something
from coolsim.workers import Start

if TYPE_CHECKING:
    from coolsim.studies.plan.answer import Plan
    from coolsim.studies.seasons import Seasons
    from coolsim.studies.settings.advice import Advice
    from coolsim.studies.sizing.answer import SizeAnswer

FLOWS, DWELLS = 11, 9  # of the map: smooth contours in half a second


@dataclass(frozen=True)
class Answers:
    """What is known of a scenario; None where its tables do not ask."""

    case: Case = documented("-", "what was asked")
    result: Result = documented("-", "the prediction as the scenario stands, with its band")
    advice: Advice | None = documented("-", "what to set", default=None)
    size: SizeAnswer | None = documented("-", "what to buy", default=None)
    seasons: Seasons | None = documented("-", "a year of weather", default=None)
    plan: Plan | None = documented("-", "a shift of the line", default=None)
    sweep: Result | None = documented("-", "the case at several airflows, where it has a fan", default=None)
    grid: Result | None = documented("-", "the case over airflow and dwell", default=None)
    unasked: tuple[str, ...] = documented("-", "what other questions lack", default=())
    name: str = documented("-", "of a machine in a line", default="")
    machines: tuple[Answers, ...] = documented("-", "of a line: each by itself", default=())

    @property
    def met(self) -> bool:
        """Whether every question that was asked has an answer."""
        found = [self.advice.answer.met if self.advice else True, self.size.met if self.size else True]
        return all(found)


def ask(
    case: Case, start: Start = functools.partial, meanwhile: Callable[[Answers], object] | None = None
) -> Answers:
    """Ask all that the scenario's tables allow.

    start: begins a long question and returns how to wait for its answer, as `beside` does; by default it is asked
    when it is waited for. meanwhile: is handed what is answered before the long questions are. Raises InputError
    as each question does, and NotConverged where one cannot be computed.
    """
    lacks = dict(_lacks(case))
    later: dict[str, Callable[[], Any]] = {}
    of_cooler = case.cooler.arrangement == "counter-flow"
    if (
        not lacks["settings"] and not of_cooler
    ):  # seconds; a cooler's take half of one, and are drawn on the map
        from coolsim.studies.settings.advice import advise

        later["advice"] = start(advise, case)
    if not lacks["size"]:
        from coolsim.studies.sizing.size import size

        later["size"] = start(size, case)
    if not lacks["seasons"]:
        from coolsim.studies.seasons import seasons

        later["seasons"] = start(seasons, case)
    # the cheapest comes first: what does not converge is refused before minutes are spent
    answers: dict[str, Any] = {"result": predict(case, band=True)}
    if not lacks["plan"]:
        from coolsim.studies.plan.plan import plan

        answers["plan"] = plan(case)
    if not lacks["settings"] and of_cooler:
        from coolsim.studies.settings.advice import advise

        answers["advice"] = advise(case)
        answers["grid"] = _grid(case)
    answers["sweep"] = _sweep(case, answers["result"])
    answers["machines"] = tuple(
        Answers(run.case, run.result, sweep=_sweep(run.case, run.result), name=run.name)
        for run in answers["result"].stages
    )
    answers["unasked"] = tuple(why for why in lacks.values() if why)
    if meanwhile is not None:
        meanwhile(Answers(case, **answers))
    return Answers(case, **answers, **{name: wait() for name, wait in later.items()})


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
        yield question, f"{what[question]} was not asked: the scenario lacks {lacking}." if lacking else ""


def _at(case: Case, airflow: float, depth: float) -> Case:
    cooler = dataclasses.replace(case.cooler, airflow=airflow, bed_depth=depth, air_ratio=None)
    return dataclasses.replace(case, cooler=cooler)


def _grid(case: Case) -> Result | None:
    """The case over all that [limits] opens, for a map; None where there is nothing to map."""
    ranges = knob_range(case)
    if not all(name in ranges and ranges[name][0] < ranges[name][1] for name in ("airflow", "bed_depth")):
        return None
    (least, most), (low, high) = ranges["airflow"], ranges["bed_depth"]
    flows, depths = np.linspace(least, most, FLOWS), np.linspace(low, high, DWELLS)
    return predict([_at(case, q, depth) for depth in depths for q in flows])


def _sweep(case: Case, result: Result) -> Result | None:
    """The case from little air to half as much again, for the curve of its system; None without a fan."""
    if not case.fan or case.cooler.arrangement != "counter-flow":
        return None
    from coolsim.output.plots.settings import airflow

    flow = float(airflow(result, case))
    depth = float(result.bed.depth)
    return predict([_at(case, q, depth) for q in flow * np.linspace(0.3, 1.5, 9)])
