"""As few different settings as serve the year of a dryer or a line: a box differs from others only where it pays.

Settings chosen for one cell are held against its neighbours in their hardest hours. Those that seem to serve are
followed through all hours, and taken where they give up no more than the cell's own and cost hardly more.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coolsim.case.case import Case
from coolsim.simulate.inputs import with_even_bed
from coolsim.studies.fewest_settings import as_cheap, fewest
from coolsim.studies.years.chart import Cells, better, score
from coolsim.studies.years.response import Response
from coolsim.studies.years.site import Found, HourlySettings, Index, Site, predicted, settings_read

ROUNDS = 3  # of looking for others where what seemed to serve does not
SAME = 0.01  # of a dial's step: what is closer is set alike


def alike(
    site: Site, cells: Cells, hourly: HourlySettings, found: Found, base: Response | None
) -> tuple[HourlySettings, Found]:
    """Hourly settings with as few different settings as serve all cells, and what comes of them."""
    own, distinct = _distinct(site, cells, hourly)
    if len(distinct) < 2:
        return hourly, found
    sizes = np.bincount(hourly.which, minlength=len(own)).astype(float)
    widest = int(np.bincount(own, sizes).argmax())
    pairs = [(j, k) for k in cells.all for j in _near(cells, own, k, widest)]
    scores = _scores(site, cells, distinct, own, found, pairs)
    serves = np.zeros((len(distinct), len(own)), bool)
    for j, k in scores:
        serves[j, k] = as_good(scores[j, k], scores[own[k], k])
    now = list(own)
    for _ in range(ROUNDS):
        taken = fewest(serves, sizes)
        changed = [k for k in cells.all if taken[k] != now[k]]
        if not changed:
            break
        hourly, found, now = _tried(site, hourly, found, base, distinct, now, taken, as_good)
        for k in changed:
            if now[k] == taken[k]:
                serves[:, k] = False
            serves[taken[k], k] = now[k] == taken[k]
    # where a neighbour's settings are better still, by more than those that serve many cells may cost
    pairs = [(j, k) for k in cells.all for j in _near(cells, now, k, now[k]) if (j, k) not in scores]
    scores |= _scores(site, cells, distinct, now, found, pairs) if pairs else {}
    best = {}
    for k in cells.all:
        rivals = {scores[j, k]: j for j in reversed(_near(cells, now, k, now[k]))}
        best[k] = rivals[min(rivals)]
    return _tried(site, hourly, found, base, distinct, now, best, operator.lt)[:2]


def _near(cells: Cells, now: Sequence[int], k: int, other: int) -> list[int]:
    """Settings of a cell, of its neighbours, and others."""
    return list(dict.fromkeys((now[k], other, *(now[n] for n in _next_to(cells, k)))))


def _tried(
    site: Site,
    hourly: HourlySettings,
    found: Found,
    base: Response | None,
    distinct: list[Case],
    now: list[int],
    taken: Mapping[int, int] | NDArray[np.intp],
    is_better: Any,
) -> tuple[HourlySettings, Found, list[int]]:
    """Cells with the settings that they might take, where those are better in all hours; which each has then."""
    tried = {k: distinct[taken[k]] for k in range(len(now)) if taken[k] != now[k]}
    hourly, found = better(site, hourly, found, tried, base, is_better)
    now = [int(taken[k]) if k in tried and hourly.cases[k] is tried[k] else j for k, j in enumerate(now)]
    return hourly, found, now


def as_good(new: tuple[float, ...], old: tuple[float, ...]) -> bool:
    """Whether settings of a score give up no more than others, and cost hardly more."""
    return new[:-1] <= old[:-1] and bool(as_cheap(new[-1], old[-1]))


def _distinct(site: Site, cells: Cells, hourly: HourlySettings) -> tuple[list[int], list[Case]]:
    """Which of the different settings each cell has, and a case set so for each of them."""
    hardest = [site.during(int(hour), case) for hour, case in zip(cells.hardest, hourly.cases)]
    settings = [s for s in site.machine.settings if s.varies]
    own: list[int] = []
    rows: dict[object, tuple[int, Case]] = {}
    for k, at in enumerate(settings_read(site, hardest)):
        key: object = k  # what cannot be predicted is like nothing else
        if at:
            key = tuple(round(at[s.key] / (SAME * s.step)) for s in settings)
        own.append(rows.setdefault(key, (len(rows), hourly.cases[k]))[0])
    return own, [case for _, case in rows.values()]


def _scores(
    site: Site,
    cells: Cells,
    distinct: list[Case],
    own: list[int],
    found: Found,
    pairs: Sequence[tuple[int, int]],
) -> dict[tuple[int, int], tuple[float, ...]]:
    """Scores of settings in cells, in two hours: the hardest, where limits bind, and the middle one.

    What the rough mesh says they change there is added to what is known of the cell's own.
    """
    wanted = dict.fromkeys([*pairs, *((own[k], k) for _, k in pairs)])
    even = [with_even_bed(case) for case in distinct]
    hours = np.array([(cells.hardest[k], cells.hours(k)[len(cells.hours(k)) // 2]) for k in cells.all])
    cases = [site.during(int(hour), even[j]) for j, k in wanted for hour in hours[k]]
    rough = np.moveaxis(predicted(site, cases, "rough").reshape(-1, len(wanted), 2), 1, 0)
    at = dict(zip(wanted, rough))
    return {(j, k): score(site, found.rows[:, hours[k]] + at[j, k] - at[own[k], k]) for j, k in pairs}


def _next_to(cells: Cells, k: int) -> Index:
    """Cells that share an edge with one."""
    at = np.stack(np.divmod(cells.numbers, len(cells.bands.relative_humidity) - 1))
    return np.flatnonzero(np.abs(at - at[:, [k]]).sum(axis=0) == 1)
