"""What an answer of `find_settings` still needs before a person reads it.

The prediction at the settings with its band and warnings, words for what fan and prices leave assumed, and
whether a heater would help. Nothing is searched here: every state looked at is one that was found.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from coolsim.case import Case
from coolsim.cautions import LEVELS
from coolsim.fields import documented
from coolsim.machines.plant import excesses, knob_range, try_settings
from coolsim.machines.words import assumptions
from coolsim.predict import at_its_fan, input_band
from coolsim.requirements import KEPT, constraints_of, only, verdicts_of
from coolsim.studies.search import SURVEY
from coolsim.studies.settings.answer import Reached, SettingsAnswer
from coolsim.studies.settings.chances import with_chances
from coolsim.studies.settings.find import find_settings

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


@dataclass(frozen=True)
class Advice:
    """An answer as a person reads it."""

    answer: SettingsAnswer = documented("-", "whose result has the band and all warnings")
    window: tuple[Reached, Reached] | None = documented(
        "-", "driest and wettest exit; None where no settings keep the machine's limits"
    )
    heated: Heated | None = documented("-", "where moisture is out of reach: what heated inlet air would do")


def advise(case: Case, answer: SettingsAnswer | None = None, *, chances: bool = False) -> Advice:
    """What to say about the cheapest settings of a case, which are found if they were not yet.

    chances: also how likely they keep everything, and today's.
    """
    if answer is None:
        answer = find_settings(case)
    result = answer.result
    band = input_band(at_its_fan(answer.case), result)
    warnings = (*result.warnings, *assumptions(answer.case, result))
    warnings = tuple(sorted(warnings, key=lambda w: LEVELS.index(w.level)))
    result = dataclasses.replace(result, input_band=band, warnings=warnings)
    window = (answer.driest, answer.wettest)
    kept = not any(np.isnan(end.moisture_wb) for end in window)
    found = dataclasses.replace(answer, result=result, verdicts=verdicts_of(answer.case, result))
    found = with_chances(case, found) if chances else found
    return Advice(found, window if kept else None, _heated(case, answer))


def _heated(case: Case, answer: SettingsAnswer) -> Heated | None:
    """Try hotter inlet air, at the depth nearest to the target, where the moisture there is above it."""
    counter_flow = case.cooler.arrangement == "counter-flow"
    if not counter_flow or all(broken.limit != "moisture" for broken in answer.broken):
        return None
    settings, limits, flows = answer.settings, constraints_of(case), knob_range(case).get("airflow")
    airflow = np.append(np.linspace(*flows, FLOW_STEPS) if flows else [], settings.airflow)
    states = np.meshgrid(np.linspace(settings.inlet_air_temperature, HOTTEST_INLET, INLET_STEPS), airflow)
    inlet, airflow = (state.ravel() for state in states)
    depth = np.full(len(inlet), settings.bed_depth)
    tried = try_settings(
        case, {"inlet_air_temperature": inlet, "airflow": airflow, "bed_depth": depth}, SURVEY
    )
    broken = dict(zip((limit.name for limit in limits), excesses(case, tried, limits) > KEPT))
    runs = ~np.any([broken[limit.name] for limit in only(limits, of_target=False)] or [inlet < 0], axis=0)
    dry, out = runs & ~broken["moisture"], tried.result.pellets_out
    k = int(np.where(dry, inlet, np.inf).argmin() if dry.any() else np.where(runs, inlet, -np.inf).argmax())
    too_warm = "above_ambient" in broken and bool(broken["above_ambient"][k])
    return Heated(float(inlet[k]), float(airflow[k]), float(out.temperature[k]), bool(dry.any()), too_warm)
