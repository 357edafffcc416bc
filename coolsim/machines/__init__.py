"""Machines as questions see them: what may be set, and what comes of it. None knows a question or an optimiser."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from coolsim.case.case import Case
from coolsim.machines.base import Appraisal, Machine, Setting, appraised
from coolsim.machines.counterflow import CounterFlow
from coolsim.machines.dryers import Dryer
from coolsim.machines.lines import LineOfMachines

__all__ = ["Appraisal", "Machine", "Setting", "appraised", "machine_of"]

MACHINES: Mapping[str, Callable[[Case], Machine]] = {
    "counter-flow": CounterFlow,
    "batch": Dryer,
    "belt": Dryer,
    "line": LineOfMachines,
}


def machine_of(case: Case) -> Machine:
    """The machine of a case."""
    return MACHINES[case.cooler.arrangement](case)
