"""As few different settings as serve the year of a dryer or a line: a box differs from others only where it pays.

Settings chosen for one cell are held against its neighbours in their hardest hours. Those that seem to serve are
followed through all hours, and taken where they give up no more than the cell's own and cost hardly more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.studies.fewest_settings import as_cheap, fewest
from coolsim.studies.years.cells import Cells, better, score
from coolsim.studies.years.dryer_hours import Found, Index, Place, Ways, predicted, results_of
from coolsim.studies.years.response import Response

ROUNDS = 3  # of looking for others where what seemed to serve does not
SAME = 0.01  # of a dial's step: what is closer is set alike


def alike(place: Place, cells: Cells, ways: Ways, found: Found, base: Response | None) -> tuple[Ways, Found]:
    """The ways with as few different settings as serve all cells, and what comes of them."""
    own, distinct = _distinct(place, cells, ways)
    if len(distinct) < 2:
        return ways, found
    serves = _seem_to_serve(place, cells, distinct, own)
    sizes = np.bincount(ways.which, minlength=len(own)).astype(float)
    for _ in range(ROUNDS):
        taken = fewest(serves, sizes)
        tried = {
            k: distinct[j] for k, j in enumerate(taken) if j != own[k] and ways.cases[k] is not distinct[j]
        }
        if not tried:
            break
        ways, found = better(place, ways, found, tried, base, as_good)
        for k, case in tried.items():
            if ways.cases[k] is case:
                serves[:, k] = False
            serves[taken[k], k] = ways.cases[k] is case
    return ways, found


def as_good(new: tuple[float, ...], old: tuple[float, ...]) -> bool:
    """Whether settings of a score give up no more than others, and cost hardly more."""
    return new[:-1] <= old[:-1] and bool(as_cheap(new[-1], old[-1]))


def _distinct(place: Place, cells: Cells, ways: Ways) -> tuple[list[int], list[Case]]:
    """Which of the different settings each cell has, and a case set so for each of them."""
    hardest = [place.during(int(hour), case) for hour, case in zip(cells.hardest, ways.cases)]
    settings = [s for s in place.machine.settings if s.varies]
    own: list[int] = []
    rows: dict[object, tuple[int, Case]] = {}
    for k, (case, result) in enumerate(zip(hardest, results_of(hardest))):
        key: object = k  # what cannot be predicted is like nothing else
        if result is not None:
            at = place.machine.read(case, result)
            key = tuple(round(at[s.key] / (SAME * s.step)) for s in settings)
        own.append(rows.setdefault(key, (len(rows), ways.cases[k]))[0])
    return own, [case for _, case in rows.values()]


def _seem_to_serve(place: Place, cells: Cells, distinct: list[Case], own: list[int]) -> NDArray[np.bool_]:
    """Which settings of its neighbours, and which most widely set, are as good in a cell's hardest hour as its own.

    A table (settings, cells).
    """
    sizes = np.bincount(cells.which, minlength=len(own))
    widest = int(np.bincount(own, sizes).argmax())
    pairs = [
        (j, k)
        for k in range(len(own))
        for j in dict.fromkeys((own[k], widest, *(own[n] for n in _next_to(cells, k))))
    ]
    rows = predicted(place, [place.during(int(cells.hardest[k]), distinct[j]) for j, k in pairs], "quick")
    scores = {pair: score(place, distinct[pair[0]], rows[:, [n]]) for n, pair in enumerate(pairs)}
    serves = np.zeros((len(distinct), len(own)), bool)
    for j, k in pairs:
        serves[j, k] = as_good(scores[j, k], scores[own[k], k])
    return serves


def _next_to(cells: Cells, k: int) -> Index:
    """Cells that share an edge with one."""
    at = np.stack(np.divmod(cells.numbers, len(cells.bands.relative_humidity) - 1))
    return np.flatnonzero(np.abs(at - at[:, [k]]).sum(axis=0) == 1)
