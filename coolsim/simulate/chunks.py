"""Many beds solved in chunks of bounded memory, on all processors; what is kept of a solution is up to who asks."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from coolsim.model import family
from coolsim.model.bed import Bed, refuse_impossible, take
from coolsim.model.solve import Resolution, Solution, solve, solve_from
from coolsim.model.surface import REAL
from coolsim.simulate.inputs import Inputs, bed_of
from coolsim.simulate.uneven_beds import UnevenBeds

# Cases solved side by side: enough to hide call overhead, few enough for memory (150 kB each), and so fewer for
# each of many processors.
CHUNK, LEAST_CHUNK, AT_ONCE = 1000, 250, 1500
ALIKE = 1000  # cases that differ little from which it pays to start from representatives
Kept = TypeVar("Kept")


@lru_cache(maxsize=1)
def _linear_algebra() -> ThreadpoolController:
    return ThreadpoolController()


def on_one_thread() -> Any:
    """Keep linear algebra to one thread: matrices of 30 rows are too small to share, doing so halves the speed."""
    return _linear_algebra().limit(limits=1, user_api="blas")


def each_solved(
    inputs: Inputs, beds: UnevenBeds | None, resolution: Resolution, keep: Callable[[Solution], Kept]
) -> list[Kept]:
    """Solve all cases, or their columns, in chunks; what is kept of each solution."""
    count, bed = len(inputs.radius), bed_of(inputs if beds is None else beds.inputs)
    refuse_impossible(bed, count)
    with on_one_thread():
        if count < ALIKE or not family.few_differences(take(bed, np.arange(count))):
            return _solve_each(bed, resolution, keep, _processors())
        columns = range(0, bed.cases, count)  # whose cases are alike, too
        workers = _processors() if len(columns) == 1 else 1

        def solved(first_one: int) -> list[Kept]:
            column = take(bed, np.arange(first_one, first_one + count))
            return _solve_alike(column, resolution, _numbered(keep, first_one), workers)

        return _of_each(solved, columns, _processors())


def _numbered(keep: Callable[[Solution], Kept], first_one: int) -> Callable[[Solution], Kept]:
    """`keep` of solutions whose cases are numbered from another first one."""
    return lambda s: keep(dataclasses.replace(s, index=s.index + first_one))


def _solve_each(
    bed: Bed, resolution: Resolution, keep: Callable[[Solution], Kept], processors: int
) -> list[Kept]:
    """Every case from scratch."""

    def work(index: NDArray[np.intp]) -> list[Solution]:
        return solve(take(bed, index), resolution=resolution)

    return _in_chunks(np.arange(bed.cases), work, keep, processors)


def _solve_alike(
    bed: Bed, resolution: Resolution, keep: Callable[[Solution], Kept], processors: int
) -> list[Kept]:
    """Cases that differ in few numbers: representatives from scratch, the others from the nearest of them."""
    names = family.varying(bed)
    if not names:
        return _solve_each(bed, resolution, keep, processors)
    x = family.coordinates(bed, names)
    chosen = family.representatives(x)
    solved = solve(take(bed, chosen), resolution=resolution)
    easy = max(solved, key=lambda s: int(s.converged.sum()))
    easy = take(easy, np.flatnonzero(easy.converged))
    if not len(easy.index):
        return _solve_each(bed, resolution, keep, processors)
    members = family.family(names, x[:, chosen[easy.index]], bed, easy)
    first = [keep(dataclasses.replace(s, index=chosen[s.index])) for s in solved]
    others = np.setdiff1d(np.arange(bed.cases), chosen)
    if not len(others):
        return first

    def work(index: NDArray[np.intp]) -> list[Solution]:
        return solve_from(*family.start(members, x[:, index], take(bed, index), REAL), resolution)

    return first + _in_chunks(others, work, keep, processors)


def _processors() -> int:
    """Processors this process may use; Linux can allow fewer than there are."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def _in_chunks(
    cases: NDArray[np.intp],
    work: Callable[[NDArray[np.intp]], list[Solution]],
    keep: Callable[[Solution], Kept],
    processors: int,
) -> list[Kept]:
    """`work` on chunks of cases, on so many processors; it numbers its cases from zero."""
    count = len(cases)
    workers = processors if count > CHUNK else 1
    size = min(CHUNK, max(LEAST_CHUNK, AT_ONCE // workers))
    chunks = np.array_split(cases, workers * -(-count // (workers * size)))

    def run(index: NDArray[np.intp]) -> list[Kept]:
        return [keep(dataclasses.replace(s, index=index[s.index])) for s in work(index)]

    return _of_each(run, chunks, workers)


def _of_each(work: Callable[[Any], list[Kept]], parts: Iterable[Any], workers: int) -> list[Kept]:
    """What comes of all parts, one after another or side by side."""
    if workers == 1:
        return [kept for part in parts for kept in work(part)]
    with ThreadPoolExecutor(workers) as pool:
        return [kept for group in pool.map(work, parts) for kept in group]
