"""What to buy, floor by floor, as numbers that a page reads: it adds the margin on the bed's pressure itself.

Floors are those that were predicted, none between them. A fan's flow and the duct's loss do not move with the
margin on the bed's pressure (the density at its inlet moves by a hundredth at most, and is left as predicted).
"""

from __future__ import annotations

import math
from typing import Any

from coolsim.case.case import Case
from coolsim.case.quantities import QUANTITIES
from coolsim.equipment.motor import IEC_RATINGS
from coolsim.machines.dryers import DryerSettings
from coolsim.output.cost_tables import per_mass
from coolsim.output.explorer.data import conversion
from coolsim.output.headline import GOOD, of_size
from coolsim.output.page import Page, pretty
from coolsim.output.quantities import at_limit, density_digits, shaft_unit
from coolsim.output.sizes import built_for, why_taken
from coolsim.scenario import units as u
from coolsim.studies.sizing.answer import AirPart, Floor, Served, SizeAnswer
from coolsim.support.dual_units import for_reader

QUANTITIES_TOLD = {
    "area": "floor_area",
    "depth": "bed_depth",
    "flow": "airflow",
    "pressure": "bed_pressure_drop",
    "moisture": "moisture",
    "temperature": "temperature",
    "inlet": "inlet_air_temperature",
    "time": "duration",
    "length": "zone_length",
}


def bought_data(case: Case, answer: SizeAnswer, page: Page) -> dict[str, Any]:
    """Floors, each with everything that it serves, and what the page needs to choose a fan."""
    dryers = answer.dryers or 1
    taken = (answer.floor_area or 0.0) * dryers
    said = of_size(answer, page)
    floors = [_floor(f, answer, math.isclose(f.floor_area, taken, rel_tol=1e-9), page) for f in answer.curve]
    return {
        "machine": answer.arrangement,
        "dryers": dryers,
        "built_for": built_for(answer, page),
        "why_taken": why_taken(answer),
        "told": {name: conversion(QUANTITIES[q], page) for name, q in QUANTITIES_TOLD.items()}
        | {
            "shaft": _conversion(u.POWER, shaft_unit(page)),
            "heating": _conversion(u.POWER, page.unit(u.POWER)),
        }
        | {"density": _conversion(u.DENSITY, page.unit(u.DENSITY), density_digits(page))},
        "floors": floors,
        "taken": next((k for k, f in enumerate(floors) if f["taken"]), 0),
        "sure": {"good": said.look == GOOD, "words": said.sentence},
        "margin": answer.margin,
        "reserve": answer.reserve,
        "efficiency": None if answer.fan is None else answer.fan.efficiency,
        "motor_efficiency": None
        if answer.fan is None
        else answer.fan.shaft_power / answer.fan.electric_power,
        "ratings": list(IEC_RATINGS),
        "freeboard": None if answer.body is None else answer.body.freeboard,
        "belt_width": answer.belt_width,
        "parts": [_part(part) for part in answer.zones],
        "governing": [
            {
                "part": g.part,
                "who": f"{g.product} in {g.weather}",
                "why": [at_limit(x, page) for x in g.limits],
            }
            for g in answer.governing
        ],
        "words": [for_reader(w.text, page.units) for w in answer.warnings],
        "currency": case.costs.currency,
        "priced": bool(case.costs),
    }


def _conversion(dimension: u.Dimension, unit: str, digits: int = 0) -> dict[str, Any]:
    """What turns a stored value of no quantity into the reader's."""
    return {"unit": pretty(unit), "factor": u.shown(1.0, dimension, unit), "plus": 0.0, "digits": digits}


def _per_mass(cost: float | None, page: Page) -> float | None:
    """A cost per tonne as one of the mass that people count in."""
    return None if cost is None else cost * per_mass(page)


def _floor(floor: Floor, answer: SizeAnswer, taken: bool, page: Page) -> dict[str, Any]:
    own = [*floor.served, *(answer.served if taken and floor.served else ())]
    depth = max(floor.bed_depth, answer.bed_depth or 0.0) if taken else floor.bed_depth
    return {
        "area": floor.floor_area,
        "depth": depth,
        "energy": floor.specific_energy,
        "cost": _per_mass(floor.cost_per_tonne, page),
        "taken": taken,
        "duties": [_duty(s, answer.margin) for s in own if s.fan_flow is not None],
        "served": [_served(s, page) for s in (answer.served if taken else floor.served)],
    }


def _duty(s: Served, margin: float) -> dict[str, float]:
    """What one product in one weather asks of the fan: its flow, the bed's drop, and the duct's loss."""
    assert s.fan_flow is not None and s.fan_pressure is not None and s.fan_density is not None
    return {
        "flow": s.fan_flow,
        "bed": s.pressure_drop,
        "duct": s.fan_pressure - (1 + margin) * s.pressure_drop,
        "density": s.fan_density,
    }


def _served(s: Served, page: Page) -> dict[str, Any]:
    of_dryer = isinstance(s.settings, DryerSettings)
    return {
        "who": f"{s.product} in {s.weather}",
        "airflow": s.settings.airflow,
        "depth": s.settings.bed_depth,
        "inlet": s.settings.inlet_air_temperature if of_dryer else None,
        "time": s.settings.duration if isinstance(s.settings, DryerSettings) else None,
        "moisture": s.moisture_wb,
        "temperature": s.temperature,
        "cost": _per_mass(s.cost_per_tonne, page),
        "binding": [at_limit(limit, page) for limit in s.binding],
    }


def _part(part: AirPart) -> dict[str, Any]:
    return {
        "length": part.length,
        "area": part.floor_area,
        "flow": part.fan.flow,
        "pressure": part.fan.pressure,
        "motor": part.fan.motor,
        "heater": part.heater,
    }
