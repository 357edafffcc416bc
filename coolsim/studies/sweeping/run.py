"""The door of sweeps, and how their points are predicted: in chunks, and around those that fail."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.argument_checks import takes_a_case
from coolsim.case.case import Case, Cooler
from coolsim.case.result import Result
from coolsim.model.solve import Resolution
from coolsim.scenario.edit import as_typed
from coolsim.simulate.prediction import DEFAULT, predict
from coolsim.simulate.result_building import interleave
from coolsim.studies.sweeping.answer import Failure, Sweep
from coolsim.studies.sweeping.grid import grid_of
from coolsim.studies.sweeping.points import points_of
from coolsim.support.errors import CoolsimError, InputError, NotConverged
from coolsim.support.progress import Progress, in_steps, tells

# Of coolers within 0.005 point and 0.03 K of the full mesh, in 40 % of its time (three shipped ones at 40 to 200 %
# of their air and 15 to 120 cm).
OF_COOLERS = Resolution(10, 6, refinements=0, estimate=False)
CHUNK, OF_MARCHES = (
    1500,
    64,
)  # points at once: coolers fill two processors, dryers tell their progress more often
ALONE = 20  # failed points that are tried by themselves, for their reason
Part = tuple[NDArray[np.intp], Result]


@takes_a_case
@tells
def sweep(
    case: Case,
    values: Mapping[str, Sequence[Any]],
    *,
    units: Mapping[str, str] | None = None,
    progress: Progress = None,
    resolution: Resolution | None = None,
) -> Sweep:
    """Predict a case at every combination of values of some keys of its scenario.

    values: for each key a list of texts ("900 m3/h"), or numbers: in SI (°C, shares, m³/s) or in the unit that
        `units` names for the key. units: {"cooler.airflow": "m3/h"}.
    progress: who hears how far it is, as `coolsim.support.progress` says.
    resolution: of coolers a mesh that is right to some thousandths of a point if left out, without estimates of the
        error; `Resolution()` of coolsim.model.solve predicts as `predict` does. Dryers and lines always have
        theirs.

    What cannot be predicted is nan, and counted with its reason in `.failures`. Raises InputError with every fault
    of keys and values, and where no scenario can be so; NotConverged where nothing can be predicted.
    """
    typed = as_typed(case)
    axes = grid_of(typed, values, units)
    cases, refused = points_of(typed, axes)
    index = np.array([k for k, one in enumerate(cases) if one is not None], np.intp)
    some = [one for one in cases if one is not None]
    coolers = isinstance(typed.cooler, Cooler)
    mesh = resolution or (OF_COOLERS if coolers else DEFAULT)
    size = CHUNK if coolers else OF_MARCHES
    parts: list[Part] = []
    failed = dict(refused)
    with in_steps(len(some)) as step:
        for start in range(0, len(some), size):
            chunk = index[start : start + size]
            step("points", len(chunk))
            found, lost = _predicted([cases[k] for k in chunk], mesh)
            parts += [(chunk[at], result) for at, result in found]
            failed |= {int(chunk[k]): why for k, why in lost.items()}
    if not parts:
        reasons = "; ".join(dict.fromkeys(failed.values()))
        raise NotConverged(f"none of {len(cases)} points could be predicted: {reasons}", index)
    outside = np.array([np.nan if one is None else float(one.air.temperature) for one in cases])
    return Sweep(case, axes, _whole(parts, len(cases)), outside, _counted(failed, axes))


def _predicted(cases: list[Case], mesh: Resolution) -> tuple[list[Part], dict[int, str]]:
    """What can be predicted of some cases, and why the others cannot."""
    everything = np.arange(len(cases))
    try:
        return [(everything, predict(cases, resolution=mesh, profile=False))], {}
    except NotConverged as error:
        lost = np.unique(np.asarray(error.failed, int))
        if not len(lost) or len(cases) == 1:
            return _halved(cases, mesh, error)
        kept = np.setdiff1d(everything, lost)
        parts, reasons = _part_of(cases, kept, mesh)
        if len(lost) > ALONE:
            return parts, reasons | dict.fromkeys(map(int, lost), "did not converge")
        for k in lost:
            more, because = _part_of(cases, np.array([k]), mesh)
            parts, reasons = parts + more, reasons | because
        return parts, reasons
    except CoolsimError as error:  # it does not say whose fault it is
        return _halved(cases, mesh, error)


def _halved(cases: list[Case], mesh: Resolution, error: CoolsimError) -> tuple[list[Part], dict[int, str]]:
    """The two halves of cases, by themselves; of one case there is nothing but the reason."""
    if len(cases) == 1:
        why = str(error.faults[0]) if isinstance(error, InputError) else str(error)
        return [], {0: why}
    middle = len(cases) // 2
    parts: list[Part] = []
    reasons: dict[int, str] = {}
    for half in (np.arange(middle), np.arange(middle, len(cases))):
        more, because = _part_of(cases, half, mesh)
        parts, reasons = parts + more, reasons | because
    return parts, reasons


def _part_of(
    cases: list[Case], which: NDArray[np.intp], mesh: Resolution
) -> tuple[list[Part], dict[int, str]]:
    if not len(which):
        return [], {}
    parts, reasons = _predicted([cases[k] for k in which], mesh)
    return [(which[at], result) for at, result in parts], {int(which[k]): why for k, why in reasons.items()}


def _whole(parts: Sequence[Part], count: int) -> Result:
    """One result of all points in their order, nan where there is none."""
    index = np.concatenate([at for at, _ in parts])
    places = np.split(np.arange(len(index)), np.cumsum([len(at) for at, _ in parts])[:-1])
    result = parts[0][1] if len(parts) == 1 else interleave([one for _, one in parts], places)
    return _spread(result, index, count)


def _spread(data: Any, index: NDArray[np.intp], count: int) -> Any:
    """The arrays of nested data classes with their cases at places of a longer axis, nan elsewhere."""
    if isinstance(data, np.ndarray):
        longer = np.full((count, *data.shape[1:]), np.nan)
        longer[index] = data
        return longer
    if isinstance(data, tuple):
        return tuple(_spread(part, index, count) for part in data) if not _is_case(data) else None
    if dataclasses.is_dataclass(data) and not isinstance(data, Case | type):
        parts = {f.name: _spread(getattr(data, f.name), index, count) for f in dataclasses.fields(data)}
        return dataclasses.replace(data, **parts)
    return data


def _is_case(data: tuple[Any, ...]) -> bool:
    return bool(data) and isinstance(data[0], Case)


def _counted(failed: Mapping[int, str], axes: Sequence[Any]) -> tuple[Failure, ...]:
    """Failures by their reason, the most frequent first."""
    shape = [len(axis.typed) for axis in axes]
    by_reason: dict[str, list[int]] = {}
    for k in sorted(failed):
        by_reason.setdefault(failed[k], []).append(k)

    def where(k: int) -> str:
        at = np.unravel_index(k, shape)
        return ", ".join(f"{axis.key} {axis.typed[i]}" for axis, i in zip(axes, at))

    rows = sorted(by_reason.items(), key=lambda row: -len(row[1]))
    return tuple(Failure(reason, len(ks), where(ks[0])) for reason, ks in rows)
