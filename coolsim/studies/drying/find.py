"""The cheapest settings of dryers and lines, and their driest and wettest exit: what questions ask of the search.

Cost is of the scenario's throughput: heat, electricity of the fans, and saleable weight lost below the target
moisture. Everything returned was predicted on the full mesh.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from coolsim.case.case import Case
from coolsim.studies.drying.batching import Requests, side_by_side
from coolsim.studies.drying.problem import SearchProblem
from coolsim.studies.drying.search import Found, Goal, Search, searched, squeezed
from coolsim.support.fields import Array


def cheapest(case: Case, problem: SearchProblem) -> Goal:
    """The least cost that keeps everything."""

    def cost(outcomes: Array) -> Array:
        return np.asarray(problem.bill(case, outcomes).total)

    return Goal(cost, problem.bounds(case), problem.costly)


def best_and_ends(case: Case, problem: SearchProblem) -> Requests[list[Found]]:
    """The cheapest state, and the driest and wettest one."""
    goal = cheapest(case, problem)
    search = yield from searched(case, goal.limits, problem)
    return (yield from best_and_ends_of(search, goal))


def best_and_ends_of(search: Search, goal: Goal) -> Requests[list[Found]]:
    """The best state of a goal, and the driest and wettest one."""
    best, driest, wettest = yield from side_by_side([search.best(goal), *ends(search)])
    best = yield from _not_astray(search, goal, best, driest)
    return [best, driest, wettest]


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
