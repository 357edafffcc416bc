"""Coolers to buy as they are predicted, and what only they have to tell: body, one fan, air per floor."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

from coolsim.case.case import Case
from coolsim.equipment.duct import Demand
from coolsim.equipment.motor import largest_rating
from coolsim.machines.base import FULL, one
from coolsim.model.bed import take
from coolsim.simulate.cautions import cautions
from coolsim.simulate.inputs import gather
from coolsim.simulate.prediction import predict_inputs
from coolsim.studies.sizing.answer import Body
from coolsim.studies.sizing.cooler_duties import (
    demand,
    heat_of,
    is_heated,
    of_one_form,
    outcomes_of_coolers,
)
from coolsim.studies.sizing.fans import efficiencies, fan_for
from coolsim.studies.sizing.predicted import Part, Predicted


def predicted_coolers(cases: Sequence[Case]) -> list[Predicted]:
    """Coolers on the full mesh, those of one form of isotherm side by side; raises NotConverged."""
    answers: dict[int, Predicted] = {}
    for at in of_one_form(cases):
        some = [cases[k] for k in at]
        inputs = gather(some)
        result = predict_inputs(inputs, FULL)
        outcomes = outcomes_of_coolers(some, inputs, result)
        asked, heat = demand(some[0], inputs, result, some[0].sizing.margin), heat_of(inputs)
        for n, (k, case) in enumerate(zip(at, some)):
            mine = one(result, n)
            mine = dataclasses.replace(mine, warnings=cautions(case, mine))
            part = Part(
                length=None,
                floor_area=case.cooler.floor_area,
                airflow=float(case.cooler.airflow),
                demand=Demand(*(float(x) for x in vars(take(asked, n)).values())),
                mean_heat=float(heat[n]),
                highest_heat=float(heat[n]),
                heated=is_heated(case),
            )
            answers[k] = Predicted(case, mine, outcomes[:, n], (part,))
    return [answers[k] for k in range(len(cases))]


def told_of(p: Predicted) -> dict[str, Any]:
    """What is told of a cooler alone, of a product in a weather."""
    (part,) = p.parts
    return {
        "air_ratio": float(p.result.bed.air_ratio),
        "face_velocity": float(p.result.bed.face_velocity),
        "fan_flow": part.demand.flow,
        "fan_pressure": part.demand.pressure,
        "fan_density": part.demand.density,
    }


def can_be_driven(case: Case, row: Sequence[Predicted]) -> bool:
    """Whether there is a motor for the largest flow and the largest pressure."""
    most = [max(float(getattr(p.parts[0].demand, name)) for p in row) for name in ("flow", "pressure")]
    return math.prod(most) / efficiencies(case)[0] <= largest_rating(case.units)


def body(case: Case, area: float, depth: float) -> Body:
    """Inner dimensions of a cooler with a floor [m²] and a deepest bed [m]."""
    free = case.sizing.freeboard
    return Body(math.sqrt(4 * area / math.pi), math.sqrt(area), depth, free, depth + free)


def fan_of(case: Case, row: Sequence[Predicted]) -> dict[str, float]:
    """The fan of a floor, as the trade-off tells it."""
    fan = fan_for(case, [p.parts[0].demand for p in row])
    return {"fan_flow": fan.flow, "fan_pressure": fan.pressure, "motor": fan.motor}
