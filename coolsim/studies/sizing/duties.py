"""The duties of a machine to buy: each product in each weather, per square metre of floor.

What leaves a bed depends on its floor only through air, depth and time. So the machine of the scenario, its floor
as given, is surveyed once for each duty, over the axes of what may be set and one more, the last, which a floor
fixes or bounds:

    belt:    time, t = ρ L S/q                 (what lies on the belt passes in t)
    batch:   time, t ≤ ρ L S/q − filling − cooling − emptying   (n dryers of m = ρ L S/n take n m in a cycle)
    cooler:  airflow, of an air ratio r: G = r q/S per floor; the depth is then L = G t/(r ρ)

Floors S are of all machines together [m²], q is the throughput, ρ the bulk density. `dryer_duties` and
`cooler_duties` have what each kind of machine adds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from coolsim.case.case import Case
from coolsim.case.costs import TONNE
from coolsim.case.quantities import QUANTITIES
from coolsim.machines import dryers as dials
from coolsim.simulate.requirements import Constraint, bounds_on
from coolsim.studies.optimise.batching import Mesh
from coolsim.studies.optimise.march_outcomes import OUTCOMES
from coolsim.studies.optimise.survey import Goal, back
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Duty:
    """A product in a weather: the machine as given, what may be set on it, and what it must keep."""

    product: str
    weather: str
    case: Case
    names: tuple[str, ...]  # of the axes
    low: Array  # ends of the axes, in coordinates
    high: Array
    goal: Goal  # least cost per kg of wet feed that keeps the limits

    # Whether one march tells of all shorter ones, so that what serves on a floor serves on every larger one.
    shortens: ClassVar[bool] = False
    # How exactly states repeat, as a share of how exactly marches of dryers do: what is kept free of limits.
    exact: ClassVar[float] = 1.0
    # States solved at once on each floor in the first rounds: of outcomes with kinks the second may be the better.
    at_first: ClassVar[int] = 2
    # What the time of a state is called.
    time_is: ClassVar[str] = "duration"
    # Places along the last axis of a survey; True: of the whole box.
    along: ClassVar[Mapping[bool, int]] = {True: 5, False: 4}

    @property
    def wet_per_second(self) -> float:
        """Floor [m²] that one metre of depth needs for each second of a cycle."""
        return float(self.case.feed.throughput / self.case.feed.bulk_density)

    def knobs(self, u: Array) -> dict[str, Array]:
        """Knobs at coordinates (…, axes)."""
        return {n: back(n, x) for n, x in zip(self.names, np.moveaxis(u, -1, 0))}

    def knob(self, name: str, u: Array) -> Array:
        """One of them."""
        return np.asarray(back(name, u[..., self.names.index(name)]))

    def ends(self, u: Array, within: float) -> list[tuple[str, float]]:
        """Ends of ranges at which u stands, as (words, value)."""
        found = []
        for name, x, low, high in self.ranges(u):
            for end, bound in (("lowest", low), ("highest", high)):
                if low < high and abs(x - bound) <= within * (high - low):
                    words = QUANTITIES[self.time_is if name == "time" else name].called
                    found.append((f"{words}, {end}", float(back(name, bound))))
        return found

    def ranges(self, u: Array) -> list[tuple[str, float, float, float]]:
        """Names of what has a range, where u stands in it, and its ends, in coordinates."""
        return list(zip(self.names, u, self.low, self.high))

    # ---- What each kind of machine has in its own way ---------------------------------------------------

    def depth(self, u: Array) -> Any:
        """Depth [m] at coordinates (…, axes)."""
        raise NotImplementedError

    def floor_for(self, u: Array) -> Any:
        """The floor [m²] of a state, or the smallest on which it can be."""
        raise NotImplementedError

    def put_on(self, floor: Any, u: Array, low: Array, high: Array) -> Any:
        """Set the last axis of states (…, axes) to what a floor, or each one's, makes of it; None: leave it.

        Returns how far each is out of what was surveyed, between `low` and `high`, or can be; ≤ 0 where not.
        """
        raise NotImplementedError

    def state(self, knobs: Mapping[str, float]) -> Case:
        """A machine set so, on a floor and at a throughput that make it."""
        raise NotImplementedError

    def plant(self, u: Array, floor: float, machines: int) -> Case:
        """The machine to buy in this duty, set as coordinates say."""
        raise NotImplementedError

    def nodes(self, whole: bool) -> tuple[Array, tuple[int, int]]:
        """Knobs but the last of a survey's states, in [−1, 1]^d, with the degrees of the polynomials.

        Degrees are in each axis and in all: as many terms as the nodes tell apart, or nearly.
        """
        raise NotImplementedError

    @staticmethod
    def solved(states: Sequence[Case], when: Sequence[Array], mesh: Mesh) -> list[Array]:
        """Outcomes (outcomes, times) of machines of one kind, each at its times; nan for what does not solve."""
        raise NotImplementedError

    def opened(self, case: Case, load: float, most: float) -> list[Case]:
        """A machine that was sized, with its dials opened; one case for each depth that hangs on no other dial.

        load: throughput as a share of what it is for. most: end of the airflow's dial [m³/s], of a cooler.
        """
        raise NotImplementedError

    def dialled(self, case: Case, values: Mapping[str, Array]) -> Array:
        """Coordinates (n, axes) of a sized machine whose dials stand at values (n,), by their keys."""
        raise NotImplementedError


def goal_of(case: Case, constraints: Sequence[Constraint]) -> Goal:
    """Least cost per kg of wet feed that keeps constraints."""
    return Goal(lambda outcomes: cost(case, outcomes), bounds_on(constraints, OUTCOMES.index))


def energy(outcomes: Array) -> Array:
    """Electricity and heat [J] per kg of wet feed."""
    return outcomes[OUTCOMES.index("heat")] + outcomes[OUTCOMES.index("fan")]


def cost(case: Case, outcomes: Array) -> Array:
    """Running cost per kg of wet feed; where nothing has a price, the energy [kWh]."""
    return np.asarray(dials.running_cost(case, dict(zip(OUTCOMES, outcomes))).per_tonne / TONNE)


Weigh = Callable[[Duty, Array, Array], Array]  # duty, coordinates (…, axes), outcomes (outcomes, …) → (…)
