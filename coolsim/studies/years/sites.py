"""Many sites, years or designs: each a case with its weather, run through joblib.

How many run at once, and where, is joblib's: `joblib.parallel_config(n_jobs=2)`, or `backend="dask"` for a
cluster. What is finished is handed over at once; with a folder to resume from it is kept there
(`finished_sites`), so that a run that was stopped goes on where it was.
"""

from __future__ import annotations

import dataclasses
import os
import warnings
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from coolsim.case.case import Case
from coolsim.scenario.weather import Weather
from coolsim.studies.years import finished_sites
from coolsim.studies.years.study import Seasons, Strategy, how_sure, strategies_of, weather_to_ask
from coolsim.support.errors import Fault, InputError, joined_to
from coolsim.support.workers import attached, trackers, unheard


def seasons_of(
    cases: Sequence[Case],
    *,
    direct: bool = False,
    chart: bool = True,
    resume: str | os.PathLike[str] | None = None,
    uncertainty: bool = False,
) -> Generator[tuple[int, Seasons], None, None]:
    """Yield (number of the case, its answer) of many cases, as they finish.

    resume: a folder in which finished cases are kept, and looked for (`finished_sites`).
    uncertainty: also say how sure the sums are; that is not kept, and found anew.

    Raises InputError, before anything runs, with the faults of all cases and their weather files, and of the
    folder; NotWritten where a finished case could not be kept.
    """
    import joblib

    weathers = _weathers(cases, uncertainty)
    kept: dict[int, Path] = {}
    if resume is not None:
        pairs = enumerate(zip(cases, weathers))
        kept = {
            k: finished_sites.path_of(resume, case, weather, direct, chart) for k, (case, weather) in pairs
        }
        finished_sites.check(resume, kept.values())

    def answer(k: int, strategies: tuple[Strategy, ...]) -> tuple[int, Seasons]:
        found = Seasons(cases[k], weathers[k], strategies)
        return k, how_sure(found) if uncertainty else found

    missing = []
    for k in range(len(cases)):
        known = finished_sites.find(kept[k], weathers[k]) if kept else None
        if known is None:
            missing.append(k)
        else:
            yield answer(k, known)
    alone = len(cases) == 1  # here, where it is heard how far it is
    jobs = (
        joblib.delayed(_numbered)(k, _question_alone(cases[k]), weathers[k], direct, chart) for k in missing
    )
    parallel = joblib.Parallel(
        n_jobs=1 if alone else None,
        return_as="generator_unordered",
        initializer=attached,  # of workers, where the backend has some of its own
        initargs=(os.getpid(),),
    )
    backend, workers = joblib.parallel.get_active_backend()
    if workers not in (None, 1) and isinstance(backend, joblib.parallel.BACKENDS["loky"]):
        trackers("joblib.externals.loky.backend.resource_tracker")
    with unheard():
        running = parallel(jobs)
    with _closed(running):
        for k, strategies in running:
            if kept:
                finished_sites.keep(kept[k], strategies)
            yield answer(k, strategies)


@contextmanager
def _closed(running: Generator[Any, None, None]) -> Iterator[None]:
    """End what runs yet, in the end; that it is not waited for is as it should be, and no matter for a warning."""
    try:
        yield
    finally:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", r"\d+ tasks ", UserWarning, "joblib")
            running.close()


def _weathers(cases: Sequence[Case], uncertainty: bool) -> list[Weather]:
    found, faults = [], list[Fault]()
    for case in cases:
        with joined_to(faults):
            found.append(weather_to_ask(case, uncertainty=uncertainty))
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    if not cases:
        raise InputError([Fault("", "scenarios", "none", "name at least one")])
    return found


def _question_alone(case: Case) -> Case:
    """The case without what does not enter the answer, and need not travel."""
    return dataclasses.replace(case, title="", source={})


def _numbered(
    number: int, case: Case, weather: Weather, direct: bool, chart: bool
) -> tuple[int, tuple[Strategy, ...]]:
    return number, strategies_of(case, weather, direct, chart)
