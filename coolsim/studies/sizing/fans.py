"""The fan to buy: one for the largest flow and the largest pressure that anything asks of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coolsim.case.case import Case
from coolsim.equipment import fan
from coolsim.equipment.duct import Demand
from coolsim.equipment.motor import next_rating
from coolsim.studies.sizing.answer import FanDuty


def efficiencies(case: Case) -> tuple[float, float]:
    """Of the fan and of its motor, assumed where nobody typed them."""
    return (
        case.fan.efficiency or fan.ASSUMED_EFFICIENCY,
        case.fan.motor_efficiency or fan.ASSUMED_MOTOR_EFFICIENCY,
    )


def fan_for(case: Case, each: Sequence[Demand]) -> FanDuty:
    """One fan for all that is asked; each demand of numbers or of arrays."""
    flow, pressure, density = (
        np.concatenate([np.atleast_1d(getattr(asked, name)) for asked in each])
        for name in ("flow", "pressure", "density")
    )
    own, of_motor = efficiencies(case)
    shaft = float(flow.max() * pressure.max() / own)
    return FanDuty(
        flow=float(flow.max()),
        pressure=float(pressure.max()),
        density=float(density[pressure.argmax()]),
        efficiency=own,
        shaft_power=shaft,
        electric_power=shaft / of_motor,
        motor=float(next_rating(shaft, case.units)),
    )
