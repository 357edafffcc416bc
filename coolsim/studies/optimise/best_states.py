"""The cheapest settings of machines, and their driest and wettest exit: what questions ask of the search.

Cost is of the scenario's throughput: heat, electricity of the fans, and saleable weight lost below the target
moisture. Everything returned was predicted on the full mesh.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.machines import conditioner
from coolsim.simulate.finishing import target_moisture
from coolsim.simulate.least_bed import without_least_bed
from coolsim.simulate.requirements import Bounds, Constraint
from coolsim.studies.optimise.batching import Requests, side_by_side
from coolsim.studies.optimise.problem import SearchProblem
from coolsim.studies.optimise.search import Found, Goal, Search, searched, squeezed
from coolsim.studies.prerequisites import HIGHEST_FEED_MOISTURE
from coolsim.support.fields import Array

INDIFFERENT = 0.002  # share of the cost per hour that a smaller bed may cost and still be preferred
SLIGHTLY = 1e-4  # of a cost, that a search may miss what a smaller bed may cost by
WORTH = 0.01  # of the range of depths: a smaller bed that saves less is no other
FEED_BEYOND = 0.03  # kg/kg wet above feed and target that the first search for the wettest feed looks at


def least_cost(case: Case, problem: SearchProblem) -> Goal:
    """The least cost that keeps everything."""

    def cost(outcomes: Array) -> Array:
        return np.asarray(problem.bill(case, outcomes).total)

    return Goal(cost, problem.bounds(case), problem.costly, driest_first=True)


def _best_and_ends(search: Search, goal: Goal) -> Requests[list[Found]]:
    """The best state of a goal, and the driest and wettest one."""
    best, driest, wettest = yield from side_by_side([search.best(goal), *ends(search)])
    best = yield from _not_astray(search, goal, best, driest)
    return [best, driest, wettest]


@dataclass(frozen=True)
class BestStates:
    """What the settings of a machine in one weather are told from."""

    search: Search  # to be asked again
    best: Found  # the cheapest that keeps everything, or the one nearest to that
    driest: Found  # within the machine's limits, whatever is wished
    wettest: Found
    required_feed: float | None = (
        None  # wettest feed that can meet the target; nan: none; None: not looked for
    )
    hardly_matters: bool = False  # whether the depth of the bed could change at next to no cost
    without_least_bed: Found | None = None  # the best then, where it was searched beside


def best_states(case: Case, problem: SearchProblem, beside_least_bed: bool = True) -> Requests[BestStates]:
    """The cheapest state and both ends; of a steady bed also the wettest feed and the smallest bed.

    beside_least_bed: whether the best without it is searched, too.
    """
    if not problem.steady:
        goal = least_cost(case, problem)
        search = yield from searched(case, goal.limits, problem)
        best, driest, wettest = yield from _best_and_ends(search, goal)
        return BestStates(search, best, driest, wettest)
    beside: list[Requests[Any]] = [_with_smallest_bed(case, problem), required_feed(case, problem)]
    free = without_least_bed(case)
    if beside_least_bed and problem.ranges(free) != problem.ranges(case):
        beside.append(best_of(free, problem))
    (search, best, driest, wettest, hardly), feed, *others = yield from side_by_side(beside)
    return BestStates(search, best, driest, wettest, feed, hardly, others[0] if others else None)


def best_of(case: Case, problem: SearchProblem) -> Requests[Found]:
    """The cheapest state of a case."""
    goal = least_cost(case, problem)
    search = yield from searched(case, goal.limits, problem)
    return (yield from best_alone(search, goal))


def _with_smallest_bed(
    case: Case, problem: SearchProblem
) -> Requests[tuple[Search, Found, Found, Found, bool]]:
    goal = least_cost(case, problem)
    search = yield from searched(case, goal.limits, problem)
    best, driest, wettest = yield from _best_and_ends(search, goal)
    best, hardly = yield from smallest_bed(search, goal, best)
    return search, best, driest, wettest, hardly


def required_feed(case: Case, problem: SearchProblem) -> Requests[float | None]:
    """Wettest feed with which everything can be kept; nan where there is none. None: the conditioner is set."""
    if conditioner.ranges(case):
        return None
    driest, wettest = sorted((target_moisture(case), case.feed.moisture))
    top = wettest + FEED_BEYOND
    found = yield from _wettest_feed(case, problem, driest, top)
    if found.knobs["feed_moisture"] > top - 1e-6:  # wetter than looked at
        more = yield from _wettest_feed(case, problem, wettest, HIGHEST_FEED_MOISTURE)
        found = more if more.met else found
    return found.knobs["feed_moisture"] if found.met else float("nan")


def _wettest_feed(case: Case, problem: SearchProblem, low: float, high: float) -> Requests[Found]:
    row = problem.row("feed_moisture")
    ranges = {**problem.ranges(case), "feed_moisture": (low, high)}
    fed = dataclasses.replace(problem, ranges=lambda _: ranges, along=("feed_moisture",))
    goal = Goal(lambda outcomes: -outcomes[row], problem.bounds(case), (problem.costly[0], row))
    search = yield from searched(case, goal.limits, fed)
    return (yield from search.quick(goal, content=False))


def smallest_bed(search: Search, goal: Goal, best: Found) -> Requests[tuple[Found, bool]]:
    """Where cost hardly depends on the bed's depth the shallowest that keeps everything, and whether that is so."""
    if "bed_depth" not in search.box.names or not best.met:
        return best, False
    problem, depth = search.problem, best.knobs["bed_depth"]
    low, high = problem.ranges(search.case)["bed_depth"]
    if depth <= low + WORTH * (high - low):
        return best, False
    row, running = problem.row("bed_depth"), problem.row("running_cost")
    most = float(best.outcomes[running]) + INDIFFERENT * best.cost
    dear = Constraint(QUANTITIES["running_cost"], most, of_target=True, scale=max(best.cost, 1e-9))
    kept = Bounds((*goal.limits.constraints, dear), (*goal.limits.rows, running))
    shallow = yield from search.best(Goal(lambda o: o[row], kept, (*problem.costly, row, running)))
    cost, excess = float(goal.cost(shallow.outcomes)), goal.limits.excesses(shallow.outcomes)
    found = dataclasses.replace(shallow, cost=cost, excess=excess)
    worth_it = depth - found.knobs["bed_depth"] >= WORTH * (high - low)
    nearly_as_cheap = cost <= (1 + INDIFFERENT) * best.cost * (1 + SLIGHTLY)
    return (found, True) if found.met and worth_it and nearly_as_cheap else (best, False)


def best_alone(search: Search, goal: Goal) -> Requests[Found]:
    """The best state of a goal; the driest is looked for only where nothing was found that serves."""
    best = yield from search.best(goal)
    if best.met:
        return best
    driest = yield from ends(search)[0]
    return (yield from _not_astray(search, goal, best, driest))


def _not_astray(search: Search, goal: Goal, best: Found, driest: Found) -> Requests[Found]:
    """The best state, or where it does not serve one that does, next to the driest, if that serves."""
    dry = dataclasses.replace(driest, excess=goal.limits.excesses(driest.outcomes))
    if not best.met and dry.met:  # the search lost its way, and there is a state that serves
        dry = dataclasses.replace(dry, cost=float(goal.cost(dry.outcomes)))
        best = yield from squeezed(search.case, goal, dry, best, search.problem)
    return best


def ends(search: Search) -> list[Requests[Found]]:
    """Driest and wettest exit: what the machine can do, whatever is wished."""
    machine, costly = search.limits.of_machine(), search.problem.costly
    driest = Goal(lambda outcomes: outcomes[costly[0]], machine, costly)
    wettest = Goal(lambda outcomes: -outcomes[costly[0]], machine, costly)
    return [search.quick(driest), search.quick(wettest)]
