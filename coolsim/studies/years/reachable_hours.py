"""In which hours some settings of those opened would keep everything, chosen for that hour alone."""

from __future__ import annotations

import numpy as np

from coolsim.studies.years.chart import finer, grid, present
from coolsim.studies.years.hours import Mask, Site
from coolsim.studies.years.options import SETTINGS, Looked, Options, look

HOURS_AT_ONCE = 400  # looked at together: bounds the memory


def reachable(site: Site, options: Options, opened: frozenset[str], already: Mask | None = None) -> Mask:
    """Hours in which some settings, chosen for that hour alone, meet target and limits.

    Hours `already` known to be reachable with less opened are not looked at again.
    """
    found = np.zeros(len(site.inputs.radius), bool) if already is None else already.copy()
    settings, nearest = grid(options, opened, present(site)), np.zeros(len(found), int)
    open_ = np.flatnonzero(~found)
    for part in np.array_split(open_, max(1, len(open_) // HOURS_AT_ONCE)):
        if len(part):
            looked = look(site, options, part, settings)
            found[part], nearest[part] = _reached(site, looked), looked.worst.argmin(axis=1)
    for k in np.unique(nearest[~found]):  # what only a sliver between the grid's settings can meet
        part = np.flatnonzero(~found & (nearest == k))
        around = finer(options, opened, {name: float(values[k]) for name, values in settings.items()})
        for some in np.array_split(part, max(1, len(part) // HOURS_AT_ONCE)):
            found[some] = _reached(site, look(site, options, some, around))
    return found


def _reached(site: Site, looked: Looked) -> Mask:
    """Whether a setting tried meets all, or two neighbours stand on both sides of the band of moisture."""
    met: Mask = np.asarray((looked.worst <= 0).any(axis=1))
    names = [limit.name for limit in site.limits]
    if "lowest_moisture" not in names:
        return met
    shape = tuple(len(np.unique(looked.settings[name])) for name in SETTINGS)
    others = [k for k, name in enumerate(names) if name not in ("moisture", "lowest_moisture")]
    kept = np.asarray((looked.excess[others] <= 0).all(axis=0))
    wet, dry = (
        ((looked.excess[names.index(name)] > 0) & kept).reshape(-1, *shape)
        for name in ("moisture", "lowest_moisture")
    )
    for axis in (1, 2):  # airflow and bed depth
        wet_before, dry_before = (np.delete(side, -1, axis) for side in (wet, dry))
        wet_after, dry_after = (np.delete(side, 0, axis) for side in (wet, dry))
        crossed = (wet_before & dry_after) | (dry_before & wet_after)
        met |= crossed.reshape(len(met), -1).any(axis=1)
    return met
