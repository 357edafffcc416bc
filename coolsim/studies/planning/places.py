"""Moisture and mass from place to place along a line."""

from __future__ import annotations

import numpy as np

from coolsim.studies.planning.answer import Plan
from coolsim.support.fields import Array

FED = "fed"  # as it reaches the first machine


def moisture_and_mass(found: Plan) -> tuple[tuple[str, ...], Array, Array]:
    """Places along the line, moisture there [kg/kg wet], and mass per mass of mash."""
    case, result = found.case, found.result
    places: list[tuple[str, float, float]] = []
    for state in found.before[:-1]:
        places.append((state.place, float(state.moisture), 0.0))
    places.append((FED, float(case.feed.moisture), 0.0))  # as typed, where it was
    dry = 1 - places[0][1]
    places = [(name, M, dry / (1 - M)) for name, M, _ in places]
    alone = "cooler" if case.cooler.arrangement == "counter-flow" else "dryer"
    runs = [(run.name, run.result) for run in result.stages] or [(alone, result)]
    for name, run in runs:
        M = float(run.pellets_out.moisture_wb)
        places.append((f"out of {name}", M, dry / (1 - M)))
    if result.coated is not None:
        grown = case.coating.coat.grown
        places.append(("coated", float(result.coated.moisture_wb), places[-1][2] * grown))
    names, M_, mass = zip(*places)
    return tuple(names), np.array(M_), np.array(mass)
