"""Numbers of a material that are known only to a range, and the cases at the ends of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.support.fields import numbers, with_number

BULK_DENSITY = "feed.bulk_density"
_VARIED = {
    "diffusivity": "material.diffusivity.value",
    "activation_energy": "material.diffusivity.activation_energy",
    "moisture_slope": "material.diffusivity.moisture_slope",
    "isotherm_scale": "material.isotherm.scale",
    "specific_heat": "material.specific_heat",
    "conductivity": "material.conductivity",
    "bulk_density": BULK_DENSITY,
    "void_fraction": "feed.void_fraction",
}


def varied_numbers(case: Case) -> Iterator[tuple[str, str, float, float]]:
    """Name of each number of the material that has a range, its path in the case, and the ends of the range."""
    for name, path in _VARIED.items():
        origin = case.material.provenance.get(name)
        if origin is None or origin.low is None or origin.high is None:
            continue
        typed = path.startswith("feed.") and getattr(case.feed, name) != getattr(case.material, name)
        if not typed:  # what the user typed is not assumed
            yield name, path, origin.low, origin.high


def varied_cases(case: Case) -> list[Case]:
    """The case at each end of the range of each assumed number, the others at their values."""
    return [_at_end(case, path, end) for _, path, *ends in varied_numbers(case) for end in ends]


def _at_end(case: Case, path: str, end: float) -> Case:
    one, depth = with_number(case, path, end), depth_of_mass(case)
    if path != BULK_DENSITY or depth is None:
        return one
    return with_number(one, depth, numbers(case)[depth] * case.feed.bulk_density / end)


def depth_of_mass(case: Case) -> str | None:
    """Path of the bed depth that follows from the mass of a batch, where the scenario states that."""
    stages = case.source.get("stage", ())
    if "batch_mass" in case.source.get("cooler", {}):
        return "cooler.bed_depth"
    return "cooler.stages.0.cooler.bed_depth" if stages and "batch_mass" in stages[0] else None


def root_of_squares(value: float, varied: Any, R: Any) -> tuple[float, float]:
    change = (np.asarray(varied) - value).reshape(-1, 2)  # (number, end of its range)
    way = np.where(change[:, 1] < change[:, 0], -1.0, 1.0)  # whether the exit falls as the number rises
    down, up = way * np.minimum(change, 0).min(axis=1), way * np.maximum(change, 0).max(axis=1)
    return value - float(np.sqrt(down @ R @ down)), value + float(np.sqrt(up @ R @ up))
