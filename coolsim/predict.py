"""The one door to the models: predict(case) → Result.

Cases of one form of isotherm are laid side by side, cut into chunks of bounded memory and solved on all
processors. Numbers come back in the order of the cases.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from coolsim import dried
from coolsim.answer import build_result, interleave
from coolsim.case import Air, Case
from coolsim.cautions import cautions
from coolsim.errors import NotConverged
from coolsim.inputs import Inputs, bed_of, gather
from coolsim.model import family
from coolsim.model.bed import Bed, take
from coolsim.model.solve import Resolution, Solution, solve, solve_from, worst_equation
from coolsim.model.surface import REAL
from coolsim.result import InputBand, Result

CHUNK = 1100  # cases solved side by side: enough to hide call overhead, few enough for memory
ALIKE = 1000  # cases in different air from which it pays to start from representatives
DEFAULT = Resolution()
BAND = Resolution(12, 8, refinements=1)  # right to about 0.01 point, a tenth of what the inputs leave open


def predict(
    case: Case | Sequence[Case],
    *,
    air: Air | None = None,
    band: bool = False,
    resolution: Resolution = DEFAULT,
) -> Result:
    """Predict what leaves the cooler.

    case: one Case, or several (then every number of the result is an array over them).
    air: replaces the outside air of a single case; its arrays give one answer per entry, from one solve.
    band: also run the case over the published range of every assumed material number (one answer only).
    resolution: cells and shells of the mesh.

    Raises NotConverged, with the failed cases and the best iterate, if any case could not be solved.
    """
    if isinstance(case, Case):
        if case.cooler.arrangement != "counter-flow":
            return _dried(case, air, band)
        inputs = gather([case], air)
        scalar = inputs.shape == ()
        result = _solved(inputs, scalar, resolution)
        if scalar:
            one = case if air is None else dataclasses.replace(case, air=air)
            result = dataclasses.replace(result, warnings=cautions(one, result))
            return dataclasses.replace(result, input_band=input_band(one, result)) if band else result
    else:
        if air is not None:
            raise TypeError("air replaces the air of one case; for several cases set it in each")
        result = _several(list(case), resolution)
    if band:
        raise TypeError("band=True takes one case in one state of air")
    return result


def predict_inputs(inputs: Inputs, resolution: Resolution = DEFAULT) -> Result:
    """Predict cases that are already laid side by side, for studies that try many settings of one case."""
    return _solved(inputs, False, resolution)


def _several(cases: list[Case], resolution: Resolution) -> Result:
    """Cases with any mix of isotherms, grouped by their form."""
    if not cases:
        raise ValueError("no case to predict")
    kinds = np.array([dried.kind(c) for c in cases])
    if (kinds != kinds[0]).any() or kinds[0] != dried.COUNTER_FLOW:
        groups = [np.flatnonzero(kinds == k) for k in np.unique(kinds)]
        results = [_of_one_kind([cases[i] for i in index], resolution) for index in groups]
        return results[0] if len(groups) == 1 else interleave(results, groups)
    forms = np.array([c.material.isotherm.equation for c in cases])
    groups = [np.flatnonzero(forms == form) for form in np.unique(forms)]
    results = []
    for index in groups:
        try:
            results.append(_solved(gather([cases[i] for i in index]), False, resolution))
        except NotConverged as error:
            raise NotConverged(error.reason, index[error.failed], error.best) from None
    return results[0] if len(groups) == 1 else interleave(results, groups)


def _of_one_kind(cases: list[Case], resolution: Resolution) -> Result:
    """Coolers, or dryers that can stand side by side."""
    if dried.kind(cases[0]) == dried.COUNTER_FLOW:
        return _several(cases, resolution)
    with _linear_algebra().limit(limits=1, user_api="blas"):
        return dried.dry(cases, None, many=True)


def _dried(case: Case, air: Air | None, band: bool) -> Result:
    """A dryer, in one state of air or many."""
    with _linear_algebra().limit(limits=1, user_api="blas"):
        result = dried.dry([case], air)
    if np.ndim(result.pellets_out.moisture_wb) > 0:
        if band:
            raise TypeError("band=True takes one case in one state of air")
        return result
    one = case if air is None else dataclasses.replace(case, air=air)
    result = dataclasses.replace(result, warnings=cautions(one, result))
    return dataclasses.replace(result, input_band=input_band(one, result)) if band else result


@lru_cache(maxsize=1)
def _linear_algebra() -> ThreadpoolController:
    return ThreadpoolController()


def _solved(inputs: Inputs, scalar: bool, resolution: Resolution) -> Result:
    """Solve all cases and raise if one fails."""
    solve_all = _solve_alike if inputs.one_case and len(inputs.radius) >= ALIKE else _solve_each
    # matrices of 30 rows are too small to share between threads: doing so halves the speed
    with _linear_algebra().limit(limits=1, user_api="blas"):
        solutions = solve_all(bed_of(inputs), resolution)
    result = build_result(inputs, solutions, resolution, scalar)
    failed = np.concatenate([s.index[~s.converged] for s in solutions])
    if len(failed):
        raise NotConverged(_reason(solutions, failed, len(inputs.radius)), np.sort(failed), result)
    return result


def _solve_each(bed: Bed, resolution: Resolution) -> list[Solution]:
    """Every case from scratch."""
    return _in_chunks(np.arange(bed.cases), lambda index: solve(take(bed, index), resolution=resolution))


def _solve_alike(bed: Bed, resolution: Resolution) -> list[Solution]:
    """Cases that differ only in the air: representatives from scratch, the others from the nearest of them."""
    names = family.varying(bed)
    if not names:
        return _solve_each(bed, resolution)
    x = family.coordinates(bed, names)
    chosen = family.representatives(x)
    solved = solve(take(bed, chosen), resolution=resolution)
    easy = max(solved, key=lambda s: int(s.converged.sum()))
    easy = take(easy, np.flatnonzero(easy.converged))
    solved = [dataclasses.replace(s, index=chosen[s.index]) for s in solved]
    if not len(easy.index):
        return _solve_each(bed, resolution)
    members = family.family(names, x[:, chosen[easy.index]], bed, easy)
    others = np.setdiff1d(np.arange(bed.cases), chosen)
    if not len(others):
        return solved

    def work(index: NDArray[np.intp]) -> list[Solution]:
        return solve_from(*family.start(members, x[:, index], take(bed, index), REAL), resolution.refinements)

    return solved + _in_chunks(others, work)


def _processors() -> int:
    """Processors this process may use; Linux can allow fewer than there are."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


def _in_chunks(cases: NDArray[np.intp], work: Callable[[NDArray[np.intp]], list[Solution]]) -> list[Solution]:
    """`work` on chunks of cases, on all processors; it numbers its cases from zero."""
    count = len(cases)
    workers = _processors() if count > CHUNK else 1
    chunks = np.array_split(cases, workers * -(-count // (workers * CHUNK)))

    def run(index: NDArray[np.intp]) -> list[Solution]:
        return [dataclasses.replace(s, index=index[s.index]) for s in work(index)]

    if workers == 1:
        return [s for chunk in chunks for s in run(chunk)]
    with ThreadPoolExecutor(workers) as pool:
        return [s for group in pool.map(run, chunks) for s in group]


def _reason(solutions: list[Solution], failed: NDArray[np.intp], count: int) -> str:
    s = next(s for s in solutions if not s.converged.all())
    k = int(np.flatnonzero(~s.converged)[0])
    who = "the case" if count == 1 else f"{len(failed)} of {count} cases"
    return f"{who} did not converge; largest residual after {s.steps[k]} steps: {worst_equation(s, k)}"


# ---- What the assumed numbers leave open --------------------------------------------------------------

_VARIED: dict[str, Any] = {
    "diffusivity": lambda c, x: _with_material(
        c, diffusivity=dataclasses.replace(c.material.diffusivity, value=x)
    ),
    "activation_energy": lambda c, x: _with_material(
        c, diffusivity=dataclasses.replace(c.material.diffusivity, activation_energy=x)
    ),
    "isotherm_scale": lambda c, x: _with_material(
        c, isotherm=dataclasses.replace(c.material.isotherm, scale=x)
    ),
    "specific_heat": lambda c, x: _with_material(c, specific_heat=x),
    "conductivity": lambda c, x: _with_material(c, conductivity=x),
    "bulk_density": lambda c, x: _with_feed(c, bulk_density=x),
    "void_fraction": lambda c, x: _with_feed(c, void_fraction=x),
}


def _with_material(case: Case, **changes: Any) -> Case:
    return dataclasses.replace(case, material=dataclasses.replace(case.material, **changes))


def _with_feed(case: Case, **changes: Any) -> Case:
    return dataclasses.replace(case, feed=dataclasses.replace(case.feed, **changes))


def varied_cases(case: Case) -> list[Case]:
    """The case at each end of the range of each assumed number, the others at their values."""
    cases = []
    for name, vary in _VARIED.items():
        origin = case.material.provenance.get(name)
        if origin is None or origin.low is None or origin.high is None:
            continue
        if name in ("bulk_density", "void_fraction") and getattr(case.feed, name) != getattr(
            case.material, name
        ):
            continue  # typed by the user: not assumed
        cases += [vary(case, origin.low), vary(case, origin.high)]
    return cases


def input_band(case: Case, result: Result) -> InputBand:
    """Exit over the ranges of the assumed numbers, each varied alone; all in one batch.

    Deviations are added as the root of their squares, since the numbers err independently of each other:
    their sum would be a pellet that nobody makes.
    """
    M, T = float(result.pellets_out.moisture_wb), float(result.pellets_out.temperature)
    cases = varied_cases(case)
    if not cases:
        return InputBand((M, M), (T, T))
    out = _several(cases, BAND).pellets_out
    return InputBand(_spread(M, out.moisture_wb), _spread(T, out.temperature))


def _spread(value: float, varied: Any) -> tuple[float, float]:
    change = (np.asarray(varied) - value).reshape(-1, 2)  # (number, end of its range)
    down = np.sqrt((np.minimum(change, 0).min(axis=1) ** 2).sum())
    up = np.sqrt((np.maximum(change, 0).max(axis=1) ** 2).sum())
    return value - float(down), value + float(up)
