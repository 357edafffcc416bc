"""Many sites, years or designs: each a case with its weather, run through joblib.

How many run at once, and where, is joblib's: `joblib.parallel_config(n_jobs=2)`, or `backend="dask"` for a
cluster. What is finished is handed over at once; with a folder to resume from it is kept there (by joblib.Memory,
under a hash of case, weather, ways and version), so that a run that was stopped goes on where it was.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import version
from typing import Any

from coolsim.case import Case
from coolsim.errors import Fault, InputError
from coolsim.scenario.weather import Weather
from coolsim.studies.seasons.study import Seasons, Strategy, Told, asked_for, how_sure, strategies_of


def seasons_of(
    cases: Sequence[Case],
    *,
    direct: bool = False,
    chart: bool = True,
    resume: str | os.PathLike[str] | None = None,
    told: Told | None = None,
    uncertainty: bool = False,
) -> Iterator[tuple[int, Seasons]]:
    """Yield (number of the case, its answer) of many cases, as they finish.

    resume: a folder of your own in which finished cases are kept, and looked for. It holds pickles: use no folder
    that others may write to. `told` hears of the progress within a case, where one runs at a time in this process.
    uncertainty: also say how sure the sums are; that is not kept, and found anew.

    Raises InputError, before anything runs, with the faults of all cases and their weather files.
    """
    import joblib

    weathers = _weathers(cases, uncertainty)
    run: Callable[..., Any] = _run
    if resume is not None:
        run = joblib.Memory(os.fspath(resume), verbose=0).cache(_run, ignore=["told"])
    alone = len(cases) == 1  # told of within; a function that tells cannot travel to another process
    jobs = (
        joblib.delayed(_numbered)(k, run, _asked(case), weather, direct, chart, told if alone else None)
        for k, (case, weather) in enumerate(zip(cases, weathers))
    )
    parallel = joblib.Parallel(n_jobs=1 if alone else None, return_as="generator_unordered")
    for k, strategies in parallel(jobs):
        found = Seasons(cases[k], weathers[k], strategies)
        yield k, how_sure(found) if uncertainty else found


def _weathers(cases: Sequence[Case], uncertainty: bool) -> list[Weather]:
    found, faults = [], []
    for case in cases:
        try:
            found.append(asked_for(case, uncertainty=uncertainty))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    if not cases:
        raise InputError([Fault("", "scenarios", "none", "name at least one")])
    return found


def _asked(case: Case) -> Case:
    """The case without what does not enter the answer, so that a comment in its file does not undo a resume."""
    return dataclasses.replace(case, title="", source={})


def _numbered(number: int, run: Callable[..., Any], *asked: Any) -> tuple[int, tuple[Strategy, ...]]:
    case, weather, direct, chart, told = asked
    return number, run(case, weather, direct, chart, version("coolsim"), told)


def _run(
    case: Case, weather: Weather, direct: bool, chart: bool, version: str, told: Told | None
) -> tuple[Strategy, ...]:
    """Run one case; `version` only tells apart what other versions have kept."""
    return strategies_of(case, weather, direct, chart, told or (lambda *_: None))
