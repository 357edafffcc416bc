"""The size of a machine by itself, be it a cooler or a dryer: two searches serve them."""

from __future__ import annotations

from coolsim.case.case import Case
from coolsim.simulate.requirements import is_dryer
from coolsim.studies.sizing import coolers, dryers
from coolsim.studies.sizing.answer import Served, SizeAnswer
from coolsim.studies.sizing.service import Service


def size(service: Service) -> SizeAnswer:
    """The size that serves everything."""
    if is_dryer(service.case):
        return dryers.size(service)
    coolers.check(service)
    return coolers.size(service)


def sized(case: Case, answer: SizeAnswer, served: Served) -> Case:
    """The machine to buy with one product in one weather, set as answered; `case` has what is fed."""
    if is_dryer(case):
        return dryers.sized(case, answer, served)
    assert answer.floor_area is not None, "there is no size"
    return coolers.sized(case, answer.floor_area, coolers.settings_at(served))
