"""A machine to buy as it is predicted, and what each part of it asks of its fan and heater."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coolsim.case.case import Case
from coolsim.case.result import Result
from coolsim.equipment.duct import Demand
from coolsim.studies.sizing.answer import AirPart
from coolsim.studies.sizing.fans import fan_for
from coolsim.support.fields import Array


@dataclass(frozen=True)
class Part:
    """What a part of a machine (a zone, or all of a batch dryer or cooler) asks for in one duty."""

    length: float | None
    floor_area: float
    airflow: float  # m³/s of outside air
    demand: Demand  # on its fan, the bed's pressure with the margin
    mean_heat: float  # W
    highest_heat: float  # W; of steady beds the same
    heated: bool


@dataclass(frozen=True)
class Predicted:
    """A machine on the full mesh."""

    case: Case
    result: Result
    outcomes: Array  # as OUTCOMES
    parts: tuple[Part, ...]

    @property
    def mean_heat(self) -> float:
        return sum(part.mean_heat for part in self.parts)

    @property
    def highest_heat(self) -> float:
        return sum(part.highest_heat for part in self.parts)


def air_parts(case: Case, found: Sequence[Predicted]) -> tuple[AirPart, ...]:
    """Fan and heater of each part, for the most that any duty asks of it."""
    return tuple(_for_all(case, of_zone) for of_zone in zip(*(p.parts for p in found)))


def _for_all(case: Case, parts: Sequence[Part]) -> AirPart:
    heated = [part.highest_heat for part in parts if part.heated]
    return AirPart(
        length=parts[0].length,
        floor_area=parts[0].floor_area,
        airflow=max(part.airflow for part in parts),
        fan=fan_for(case, [part.demand for part in parts]),
        heater=max(heated) if heated else None,
    )
