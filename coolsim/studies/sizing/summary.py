"""From what stands on a floor, as predicted, to what is answered of it, whatever the machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.equipment.duct import Demand
from coolsim.machines.dryers import DryerSettings
from coolsim.studies.sizing.answer import Floor, Governs, Missed, Served, SizeAnswer
from coolsim.studies.sizing.service import reserve_of
from coolsim.support.fields import Array

PER_TONNE = 3600.0  # J/kg in a kWh/t


@dataclass(frozen=True)
class Stand:
    """A product in a weather on a floor, and what it asks of fans and heater there."""

    served: Served
    fans: tuple[Demand, ...]  # of each part of the machine, as numbers
    heat: float  # W, highest

    @property
    def flow(self) -> float:
        return max(float(asked.flow) for asked in self.fans)

    @property
    def pressure(self) -> float:
        return max(float(asked.pressure) for asked in self.fans)


@dataclass(frozen=True)
class OnFloor:
    """How everything stands on the floor that is taken."""

    area: float  # of one machine
    smallest: float  # floor on which all is served, of all machines
    hardest: Served  # what stops a smaller one, as it stands on the smallest
    rated: Sequence[Stand]  # at the throughput with its reserve
    served: Sequence[Stand]  # at the throughput itself, on the steps of the dials
    curve: tuple[Floor, ...]


def size_answer(case: Case, at: OnFloor, heated: bool, warnings: Sequence[Warning], **own: Any) -> SizeAnswer:
    """The answer where there is a size; own: what only machines of this kind have."""
    both = (*at.served, *at.rated)
    return SizeAnswer(
        met=True,
        arrangement=case.cooler.arrangement,
        margin=case.sizing.margin,
        reserve=reserve_of(case),
        warnings=tuple(warnings),
        floor_area=at.area,
        bed_depth=max(s.served.settings.bed_depth for s in both),
        heater=max(s.heat for s in both) if heated else None,
        specific_energy=max(s.served.specific_energy for s in at.served),
        smallest_floor=at.smallest,
        served=tuple(s.served for s in at.served),
        governing=_governing(at, heated),
        curve=at.curve,
        **own,
    )


def no_size(
    case: Case, missed: Sequence[Missed], smallest: float | None, warnings: Sequence[Warning]
) -> SizeAnswer:
    """The answer where no floor serves, or not the one asked for."""
    return SizeAnswer(
        met=False,
        arrangement=case.cooler.arrangement,
        margin=case.sizing.margin,
        reserve=reserve_of(case),
        smallest_floor=smallest,
        missed=tuple(missed),
        warnings=tuple(warnings),
    )


def point(area: float, depth: Array, energy: Array, cost: float | None, **own: Any) -> Floor:
    """A row of the trade-off; depth [m] and energy [J/kg] of each product in each weather, cost per tonne."""
    return Floor(
        floor_area=area,
        bed_depth=float(np.max(depth)),
        specific_energy=float(np.mean(energy)) / PER_TONNE,
        highest_energy=float(np.max(energy)) / PER_TONNE,
        cost_per_tonne=cost,
        **own,
    )


def time_of(served: Served) -> float:
    """Drying time, or time on the belt [s]; nothing of a cooler."""
    return served.settings.duration if isinstance(served.settings, DryerSettings) else 0.0


def _governing(at: OnFloor, heated: bool) -> tuple[Governs, ...]:
    """What fixes each part: what is served, or where that takes more, the throughput with its reserve."""
    both = (*at.served, *at.rated)
    most = {"depth": max(both, key=lambda s: s.served.settings.bed_depth)}
    if time_of(at.hardest):
        most["time"] = max(at.served, key=lambda s: time_of(s.served))
    most |= {
        "flow": max(both, key=lambda s: s.flow),
        "pressure": max(both, key=lambda s: s.pressure),
        "energy": max(at.served, key=lambda s: s.served.specific_energy),
    }
    if heated:
        most["heater"] = max(both, key=lambda s: s.heat)
    each = {"floor": at.hardest} | {part: s.served for part, s in most.items()}
    return tuple(Governs(part, s.product, s.weather, s.binding) for part, s in each.items())
