"""What a search is of: how it is set, what comes of it, what that costs and what it must keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import Cost
from coolsim.machines import dryers
from coolsim.simulate.requirements import Bounds, bounds_on, constraints_of
from coolsim.studies.optimise.march_outcomes import OUTCOMES, PLAIN
from coolsim.support.fields import Array

Solve = Callable[
    [list[Any]], list[Any]
]  # what searches ask for side by side (batching.Request): its outcomes


BETWEEN = 0.55  # of the way from the centre of the whole box to its corners
DEGREE = {
    0: 0,
    1: 4,
    2: 3,
    3: 3,
    4: 3,
}  # of polynomials through a small box, by its knobs besides time; of more, 2


def corners_and_faces(names: tuple[str, ...], whole: bool) -> tuple[Array, int]:
    """Points of a survey in [−1, 1]^d, and the degree of the polynomials through them.

    Corners, faces and centre, and of the whole box others between them: what a march is too dear for more of.
    """
    d = len(names)
    degree = DEGREE.get(d, 2)
    if d < 2:
        return (np.cos(np.pi * np.linspace(0, 1, 5))[:, None] if d else np.zeros((1, 0))), degree
    corners = np.array(list(product((-1.0, 1.0), repeat=d)))
    parts = [corners, np.eye(d), -np.eye(d), np.zeros((1, d))]
    return np.concatenate([*parts, BETWEEN * corners] if whole else parts), degree


@dataclass(frozen=True)
class SearchProblem:
    """Machines whose settings are searched. Outcomes are rows of arrays, told by their numbers."""

    ranges: Callable[[Case], Mapping[str, tuple[float, float]]]  # of the knobs that are open, by name
    with_settings: Callable[[Case, Mapping[str, float]], Case]  # the case with its knobs set
    row: Callable[[str], int]  # number of the outcome of a constraint's key
    costly: tuple[int, ...]  # outcomes that costs are made of; exit moisture first
    plain: tuple[int, ...]  # outcomes that are fitted as they are, the others as logarithms
    # Outcomes (outcomes, …) as of one machine, in the order of OUTCOMES.
    whole: Callable[[Array], Array] = lambda outcomes: outcomes
    # How states are solved side by side; None: dryers, as studies.optimise.batching does.
    solve: Solve | None = None
    # States of a survey by the names of its knobs, and whether it is of the whole box: see `corners_and_faces`.
    nodes: Callable[[tuple[str, ...], bool], tuple[Array, int]] = corners_and_faces
    # Knobs that moisture answers to, the best first: limits are crossed along the first, where there is no time.
    along: tuple[str, ...] = ("inlet_air_temperature", "airflow")
    # Of a limit's scale, kept free of a fit so that what is predicted keeps it: as exactly as predictions repeat.
    margin: float = 1e-3
    # How often a state is predicted on the full mesh, at most, each time after a shift by how far a fit was off.
    corrections: int = 4
    # Boxes surveyed about where corrections that did not settle would go on.
    more_boxes: int = 0
    # Whether beds are steady: states cost so little that the wettest feed and the smallest bed are looked for, too.
    steady: bool = False

    def bounds(self, case: Case) -> Bounds:
        """Everything that a state must keep."""
        return bounds_on(constraints_of(case), self.row)

    def bill(self, case: Case, outcomes: Array) -> Cost:
        """What running costs."""
        return dryers.running_cost(case, dict(zip(OUTCOMES, self.whole(outcomes))))


DRYERS = SearchProblem(
    dryers.ranges,
    dryers.with_settings,
    OUTCOMES.index,
    tuple(map(OUTCOMES.index, ("moisture", "heat", "fan"))),
    tuple(map(OUTCOMES.index, PLAIN)),
)
