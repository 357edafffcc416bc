"""What heated inlet air would do for a cooler whose moisture is out of reach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case.case import Case
from coolsim.machines.base import QUICK
from coolsim.machines.plant import Settings, excesses, try_settings
from coolsim.machines.plant_ranges import knob_range
from coolsim.simulate.requirements import FEASIBLE, AtLimit, constraints_of, only
from coolsim.support.fields import documented

HOTTEST_INLET = 110.0  # °C, as far as `smallest_changes` looks; dryers of feed rarely blow hotter air
INLET_STEPS, FLOW_STEPS = 17, 5


@dataclass(frozen=True)
class Heated:
    """The coolest inlet air that brings the moisture alone to its target; the hottest tried, where none does."""

    inlet_air_temperature: float = documented("°C", "that inlet air")
    airflow: float = documented("m³/s", "airflow with it, as volume of outside air")
    temperature: float = documented("°C", "exit temperature with it")
    dry_enough: bool = documented("-", "whether the moisture alone is then met")
    too_warm: bool = documented("-", "whether the pellets then leave warmer than the target allows")


def heated_inlet(case: Case, broken: Sequence[AtLimit], settings: Any) -> Heated | None:
    """Try hotter inlet air at settings of a cooler whose pellets are too wet; nothing for others."""
    too_wet = any(limit.limit == "moisture" for limit in broken)
    return _hotter(case, settings) if too_wet and case.cooler.arrangement == "counter-flow" else None


def _hotter(case: Case, settings: Settings) -> Heated:
    limits, flows = constraints_of(case), knob_range(case).get("airflow")
    airflow = np.append(np.linspace(*flows, FLOW_STEPS) if flows else [], settings.airflow)
    states = np.meshgrid(np.linspace(settings.inlet_air_temperature, HOTTEST_INLET, INLET_STEPS), airflow)
    inlet, airflow = (state.ravel() for state in states)
    depth = np.full(len(inlet), settings.bed_depth)
    tried = try_settings(
        case, {"inlet_air_temperature": inlet, "airflow": airflow, "bed_depth": depth}, QUICK
    )
    broken = dict(zip((limit.name for limit in limits), excesses(case, tried, limits) > FEASIBLE))
    runs = ~np.any([broken[limit.name] for limit in only(limits, of_target=False)] or [inlet < 0], axis=0)
    dry, out = runs & ~broken["moisture"], tried.result.pellets_out
    k = int(np.where(dry, inlet, np.inf).argmin() if dry.any() else np.where(runs, inlet, -np.inf).argmax())
    too_warm = "above_ambient" in broken and bool(broken["above_ambient"][k])
    return Heated(float(inlet[k]), float(airflow[k]), float(out.temperature[k]), bool(dry.any()), too_warm)
