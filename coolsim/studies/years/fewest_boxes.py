"""As few different settings as serve the year of a dryer or a line: a box differs from others only where it pays.

Settings chosen for one cell are held against its neighbours in their hardest hours. Those that seem to serve are
followed through all hours, and taken where they give up no more than the cell's own and cost hardly more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.simulate.inputs import with_even_bed
from coolsim.studies.fewest_settings import as_cheap, fewest
from coolsim.studies.years.cells import Cells, better, score
from coolsim.studies.years.dryer_hours import (
    Found,
    HourlySettings,
    Index,
    MachineSite,
    predicted,
    settings_read,
)
from coolsim.studies.years.response import Response

ROUNDS = 3  # of looking for others where what seemed to serve does not
SAME = 0.01  # of a dial's step: what is closer is set alike


def alike(
    place: MachineSite, cells: Cells, hourly: HourlySettings, found: Found, base: Response | None
) -> tuple[HourlySettings, Found]:
    """Hourly settings with as few different settings as serve all cells, and what comes of them."""
    own, distinct = _distinct(place, cells, hourly)
    if len(distinct) < 2:
        return hourly, found
    serves = _seem_to_serve(place, cells, distinct, own, found)
    sizes = np.bincount(hourly.which, minlength=len(own)).astype(float)
    for _ in range(ROUNDS):
        taken = fewest(serves, sizes)
        tried = {
            k: distinct[j] for k, j in enumerate(taken) if j != own[k] and hourly.cases[k] is not distinct[j]
        }
        if not tried:
            break
        hourly, found = better(place, hourly, found, tried, base, as_good)
        for k, case in tried.items():
            if hourly.cases[k] is case:
                serves[:, k] = False
            serves[taken[k], k] = hourly.cases[k] is case
    return hourly, found


def as_good(new: tuple[float, ...], old: tuple[float, ...]) -> bool:
    """Whether settings of a score give up no more than others, and cost hardly more."""
    return new[:-1] <= old[:-1] and bool(as_cheap(new[-1], old[-1]))


def _distinct(place: MachineSite, cells: Cells, hourly: HourlySettings) -> tuple[list[int], list[Case]]:
    """Which of the different settings each cell has, and a case set so for each of them."""
    hardest = [place.during(int(hour), case) for hour, case in zip(cells.hardest, hourly.cases)]
    settings = [s for s in place.machine.settings if s.varies]
    own: list[int] = []
    rows: dict[object, tuple[int, Case]] = {}
    for k, at in enumerate(settings_read(hardest)):
        key: object = k  # what cannot be predicted is like nothing else
        if at:
            key = tuple(round(at[s.key] / (SAME * s.step)) for s in settings)
        own.append(rows.setdefault(key, (len(rows), hourly.cases[k]))[0])
    return own, [case for _, case in rows.values()]


def _seem_to_serve(
    place: MachineSite, cells: Cells, distinct: list[Case], own: list[int], found: Found
) -> NDArray[np.bool_]:
    """Which settings of its neighbours, and which most widely set, are as good in two hours of a cell as its own.

    In its hardest hour limits bind, the middle one costs about as much as most.

    By what a rough mesh says they change there, as a table (settings, cells).
    """
    sizes = np.bincount(cells.which, minlength=len(own))
    widest = int(np.bincount(own, sizes).argmax())
    pairs = [
        (j, k)
        for k in range(len(own))
        for j in dict.fromkeys((own[k], widest, *(own[n] for n in _next_to(cells, k))))
    ]
    even = [with_even_bed(case) for case in distinct]
    typical = [int(cells.hours(k)[len(cells.hours(k)) // 2]) for k in range(len(own))]
    hours = np.array([(int(cells.hardest[k]), typical[k]) for _, k in pairs])
    cases = [place.during(int(hour), even[j]) for (j, _), two in zip(pairs, hours) for hour in two]
    rows = predicted(place, cases, "rough").reshape(-1, *hours.shape)
    mine = [pairs.index((own[k], k)) for _, k in pairs]
    rows = rows - rows[:, mine] + found.rows[:, hours]
    scores = {pair: score(place, distinct[pair[0]], rows[:, n]) for n, pair in enumerate(pairs)}
    serves = np.zeros((len(distinct), len(own)), bool)
    for j, k in pairs:
        serves[j, k] = as_good(scores[j, k], scores[own[k], k])
    return serves


def _next_to(cells: Cells, k: int) -> Index:
    """Cells that share an edge with one."""
    at = np.stack(np.divmod(cells.numbers, len(cells.bands.relative_humidity) - 1))
    return np.flatnonzero(np.abs(at - at[:, [k]]).sum(axis=0) == 1)
