"""What it costs that no quicker and no shallower bed is chosen than practice and its unevenness allow."""

from __future__ import annotations

from coolsim.case.case import Case
from coolsim.machines import Machine, machine_of
from coolsim.machines.base import Setting
from coolsim.simulate.least_bed import without_least_bed
from coolsim.studies.settings.answer import Chosen, LeastBed
from coolsim.studies.settings.optimum import Optima, Optimum, optimum_of

AT_END = 1e-3  # of a range: as near to its end as a search comes


def least_bed(case: Case, found: Optima) -> LeastBed | None:
    """What the least time or depth costs where the best settings of a case stand there; None where they do not.

    It is searched once more without them, where the first search did not look beside.
    """
    best = found.best
    machine, free = machine_of(case), machine_of(without_least_bed(case))
    stands = _standing(machine, free, best)
    if not stands:
        return None
    other = found.without_least_bed or optimum_of(free.case)
    to = free.read(other.case, other.result)
    return LeastBed(
        cost_per_hour=best.cost - other.cost,
        kept_without=other.met,
        chosen=tuple(Chosen(s, at, to[s.key]) for s, at in stands),
    )


def _standing(machine: Machine, free: Machine, best: Optimum) -> list[tuple[Setting, float]]:
    """Settings that stand where a range ends for the least bed alone, and where that is."""
    at = machine.read(best.case, best.result)
    found = []
    for s, wide in zip(machine.settings, free.settings):
        room = AT_END * (wide.high - wide.low)
        if s.low > wide.low + room and at[s.key] <= s.low + room:
            found.append((s, s.low))
        elif s.high < wide.high - room and at[s.key] >= s.high - room:  # of a belt's speed
            found.append((s, s.high))
    return found
