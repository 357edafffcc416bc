"""A case set as an answer says, typed in by hand of the tests: by the names that people know."""

from __future__ import annotations

import dataclasses
from typing import Any

from coolsim.case.case import Case


def set_so(case: Case, settings: Any) -> Case:
    """A cooler by its air and depth, a batch or belt by all that its settings name."""
    c = case.cooler
    if c.arrangement == "counter-flow":
        cooler = dataclasses.replace(
            c, airflow=settings.airflow, air_ratio=None, bed_depth=settings.bed_depth
        )
    elif c.arrangement == "batch":
        cooler = dataclasses.replace(
            c,
            inlet_air_temperature=settings.inlet_air_temperature,
            airflow=settings.airflow,
            duration=settings.duration,
            recirculation=settings.recirculation,
            bed_depth=settings.bed_depth,
        )
    else:
        zones = tuple(
            dataclasses.replace(z, inlet_air_temperature=T, airflow=V)
            for z, T, V in zip(c.zones, settings.zone_inlet_air_temperature, settings.zone_airflow)
        )
        cooler = dataclasses.replace(c, zones=zones, bed_depth=settings.bed_depth)
    return dataclasses.replace(case, cooler=cooler)
