"""What an answer of `find_settings` still needs before a person reads it.

The prediction at the settings with its band and warnings, words for what fan and prices leave assumed, and
whether a heater would help. Nothing is searched here: every state looked at is one that was found.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from coolsim.case import Case
from coolsim.cautions import LEVELS
from coolsim.equipment import fan
from coolsim.fields import documented
from coolsim.predict import predict
from coolsim.result import Warning
from coolsim.studies.asked import is_dryer
from coolsim.requirements import KEPT, constraints_of, only
from coolsim.machines.plant import KNOBS, Settings, Tried, excesses, knob_range, try_settings
from coolsim.studies.search import FULL, SURVEY
from coolsim.studies.settings.find import AT_LIMIT, Reached, SettingsAnswer, find_settings

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

    answer: Any = documented("-", "SettingsAnswer or LineSettings; its result has the band and all warnings")
    window: tuple[Reached, Reached] | None = documented(
        "-", "driest and wettest exit; None where no settings keep the machine's limits"
    )
    heated: Heated | None = documented("-", "where moisture is out of reach: what heated inlet air would do")


def advise(case: Case, answer: SettingsAnswer | None = None) -> Advice:
    """What to say about the cheapest settings of a case, which are found if they were not yet."""
    if answer is None:
        answer = find_settings(case)
    if case.cooler.arrangement != "counter-flow":
        found = _told(case, answer)
        window = (found.driest, found.wettest)
        kept = not any(np.isnan(end.moisture_wb) for end in window)
        return Advice(found, window if kept else None, None)
    return explained(case, answer)


def _told(case: Case, answer: Any) -> Any:
    """The answer of a dryer or a line with its band and all warnings."""
    if is_dryer(case):
        from coolsim.studies.drying.find import explained as of_dryer

        return of_dryer(case, answer)
    from coolsim.studies.line.told import explained as of_line

    return of_line(case, answer)


def explained(case: Case, answer: SettingsAnswer) -> Advice:
    """Add to an answer what `predict` says at its settings, and words for what is assumed."""
    result = predict(at_settings(case, answer.settings), band=True)
    tried = _again(case, answer.settings, answer.driest.settings, answer.wettest.settings)
    warnings = (*result.warnings, *fan_words(case), *unpriced(case))
    warnings = tuple(sorted(warnings, key=lambda w: LEVELS.index(w.level)))
    machine = only(constraints_of(case), of_target=False)
    kept = bool((excesses(case, tried, machine)[:, 1:] <= AT_LIMIT).all())
    return Advice(
        dataclasses.replace(answer, result=dataclasses.replace(result, warnings=warnings)),
        (answer.driest, answer.wettest) if kept else None,
        _heated(case, answer),
    )


def at_settings(case: Case, settings: Settings) -> Case:
    """Return the case with its cooler set as `settings` say."""
    dialled = {name: getattr(settings, name) for name in KNOBS}
    return dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, **dialled, air_ratio=None))


def _again(case: Case, *states: Settings) -> Tried:
    return try_settings(case, {n: np.array([getattr(s, n) for s in states]) for n in KNOBS}, FULL)


def fan_words(case: Case) -> Iterator[Warning]:
    """What is assumed of the fan."""
    machine = fan.fan_of(case.fan)
    if machine is None:
        yield Warning(
            "note",
            f"no [fan] is given: electricity is priced with an assumed fan efficiency of "
            f"{fan.ASSUMED_EFFICIENCY:.0%} and motor efficiency of {fan.ASSUMED_MOTOR_EFFICIENCY:.0%}.",
        )
        return
    if machine.assumed:
        yield Warning("note", f"assumed for the fan: {'; '.join(machine.assumed)}.")


def unpriced(case: Case) -> Iterator[Warning]:
    """Name what has no price although the settings decide on it."""
    prices = case.costs
    if prices.heat is None and case.limits.inlet_air_temperature is not None:
        yield Warning("check", "heat has no price (costs.heat): heating the inlet air counts as free.")
    if prices.feed is None:
        yield Warning("note", "feed has no price (costs.feed): weight lost to overdrying counts as nothing.")


def _heated(case: Case, answer: SettingsAnswer) -> Heated | None:
    """Try hotter inlet air, at the depth nearest to the target, where the moisture there is above it."""
    if all(broken.limit != "moisture" for broken in answer.broken):
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
