"""Slopes of any machine: of coolers against the exact ones, of the others against predictions further apart."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import level

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.studies.sensitivity import by_differences
from coolsim.studies.sensitivity_answer import INPUTS, Slopes
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
# What someone would look at: slopes count as right to a share of themselves, or of this over the change they are
# multiplied with.
NOTABLE = np.array([0.001, 0.5, 0.01, 0.5, 0.001, 0.01, 20.0, 0.02])


def load(name: str) -> Case:
    return level(name)


def row(slopes: Any) -> np.ndarray:
    return np.array(dataclasses.astuple(slopes))


def close(found: np.ndarray, expected: np.ndarray, share: float, scale: np.ndarray, of: str = "") -> None:
    """Right to a share of themselves, or of what someone would look at."""
    off = np.abs(found - expected) / np.maximum(np.abs(expected), scale)
    assert (off <= share).all(), f"{of}: {found} for {expected}"


def exits(case: Case, stage: int | None = None) -> np.ndarray:
    """What Slopes is of, as the product predicts it; of the air and bed of a stage, where it is of one."""
    r = coolsim.predict(case)
    of = r if stage is None else r.stages[stage].result
    air, bed = of.air_out, of.bed
    return np.array(
        [
            *(r.pellets_out.moisture_wb, r.pellets_out.temperature, r.after_equalising.water_activity),
            *(air.temperature, air.humidity_ratio, air.relative_humidity, bed.pressure_drop, bed.lift_off),
        ]
    )


@pytest.mark.parametrize("name", ["humid-delta", "monsoon-night"])
def test_differences_of_a_cooler_are_its_exact_slopes(name: str) -> None:
    """The solver's factors know no steps: the same inputs moved by what instruments err by agree to a hundredth."""
    case = load(name)
    exact = coolsim.sensitivities(case)
    near = by_differences([case], INPUTS, scalar=True)
    changes = {"diffusivity": 1e-10, "airflow": 0.05, "bed_depth": 0.05, "diameter": 4e-4, "length": 1e-3}
    changes |= {"moisture_slope": 1.0, "activation_energy": 1e3, "pressure": 1e3, "bulk_density": 20.0}
    changes |= {"ambient_temperature": 2.0, "inlet_air_temperature": 2.0, "feed_temperature": 5.0}
    changes |= {"throughput": 0.02, "floor_area": 0.1, "specific_heat": 50.0, "conductivity": 0.02}
    for name in INPUTS:
        a, b = row(getattr(exact, name)), row(getattr(near, name))
        scale = NOTABLE / changes.get(name, 0.01)
        close(b, a, 0.015, scale, name)


FURTHER = {
    "evening-batch": {
        "duration": ("cooler.duration", "{:.6f} min", 60.0, 0.9),  # further on the air is reversed
        "recirculation": ("cooler.recirculation", "{:.6f} %", 0.01, 3.0),
        "inlet_air_temperature": ("cooler.inlet_air_temperature", "{:.6f} degC", 1.0, 3.0),
        "airflow": ("cooler.airflow", "{:.6f} m3/h", 1 / 3600, 300.0),
        "bed_depth": ("cooler.bed_depth", "{:.6f} cm", 0.01, 1.0),
        "feed_moisture": ("feed.moisture", "{:.6f} %", 0.01, 0.5),
    },
    "belt-four-zones": {
        "bed_depth": ("cooler.bed_depth", "{:.6f} cm", 0.01, 0.4),
        "belt_width": ("cooler.belt_width", "{:.6f} m", 1.0, 0.12),
        "ambient_temperature": ("air.temperature", "{:.6f} degC", 1.0, 2.0),
    },
    "dryer-then-cooler": {
        "stage.1.bed_depth": ("stage.1.bed_depth", "{:.6f} cm", 0.01, 0.5),
        "stage.2.airflow": ("stage.2.airflow", "{:.6f} m3/h", 1 / 3600, 150.0),
        "stage.2.bed_depth": ("stage.2.bed_depth", "{:.6f} m", 1.0, 0.04),
        "feed_moisture": ("feed.moisture", "{:.6f} %", 0.01, 0.5),
        "throughput": ("feed.throughput", "{:.6f} kg/h", 1 / 3600, 100.0),
    },
}


@pytest.mark.thorough
@pytest.mark.parametrize("name", list(FURTHER))
def test_slopes_are_those_of_predictions_further_apart(name: str) -> None:
    """Scenario keys changed by two to three times the step, each predicted alone on the product's own mesh."""
    case = load(name)
    here = exits(case)
    asked = FURTHER[name]
    slopes = coolsim.sensitivities(case, by=list(asked))
    assert slopes.result.pellets_out.moisture_wb == here[0]
    for of, (key, text, unit, change) in asked.items():
        _, number, own = of.split(".") if of.startswith("stage") else (None, None, of)
        stage = None if number is None else int(number) - 1
        place = slopes if stage is None else slopes.stages[stage]
        now = _value(case, key, stage) / unit
        up, down = (
            exits(coolsim.replace(case, {key: text.format(now + s * change)}), stage) for s in (1, -1)
        )
        expected, step = (up - down) / 2, change * unit
        found = row(getattr(place, own)) * step
        # what is left: the curve over the longer step, and steps in time
        close(found, expected, 0.06, NOTABLE, of)
        assert (np.abs(expected) > 0.3 * NOTABLE).any(), f"{of} does nothing: the line above could not fail"


def _value(case: Case, key: str, stage: int | None) -> float:
    table, _, name = key.rpartition(".")
    if stage is not None:
        return float(getattr(case.cooler.stages[stage].cooler, name))
    return float(getattr(getattr(case, table), name))


def test_more_air_of_a_belt_is_more_in_every_zone() -> None:
    case = load("belt-four-zones")
    zones, total = case.cooler.zones, sum(zone.airflow for zone in case.cooler.zones)
    changed = [
        coolsim.replace(
            case,
            {
                f"cooler.zone.{k}.airflow": f"{3600 * times * z.airflow:.6f} m3/h"
                for k, z in enumerate(zones, 1)
            },
        )
        for times in (1.06, 0.94)
    ]
    up, down = map(exits, changed)
    found = row(coolsim.sensitivities(case, by="airflow").airflow) * 0.06 * total
    close(found, (up - down) / 2, 0.06, NOTABLE)


@pytest.mark.thorough
def test_what_can_only_rise_is_moved_up() -> None:
    """No recirculation can not be less, and air is not cooled below that outside."""
    case = coolsim.replace(load("evening-batch"), {"cooler.recirculation": "0 %"})
    slope = coolsim.sensitivities(case, by="recirculation").recirculation
    h = 0.05
    ends = [exits(coolsim.replace(case, {"cooler.recirculation": f"{100 * k * h:.1f} %"})) for k in (0, 1, 2)]
    expected = (4 * ends[1] - 3 * ends[0] - ends[2]) / 2  # of the parabola through three points
    close(row(slope) * h, expected, 0.06, NOTABLE)
    line = load("dryer-then-cooler")
    warmer = coolsim.sensitivities(line, by="stage.2.inlet_air_temperature").stages[1]
    outside = line.air.temperature
    hot, cold = (
        exits(coolsim.replace(line, {"stage.2.inlet_air_temperature": f"{outside + d} degC"}), 1)
        for d in (2, 0)
    )
    close(row(warmer.inlet_air_temperature) * 2, hot - cold, 0.06, NOTABLE)


def test_of_several_and_of_several_weathers() -> None:
    line = load("dryer-then-cooler")
    alone = coolsim.sensitivities(line, by=["feed_moisture", "stage.1.airflow"])
    wetter = coolsim.replace(line, {"feed.moisture": "23 %"})
    both = coolsim.sensitivities([line, wetter], by=["feed_moisture", "stage.1.airflow"])
    assert both.result.pellets_out.moisture_wb.shape == both.stages[0].airflow.moisture_wb.shape == (2,)
    np.testing.assert_allclose(both.stages[0].airflow.moisture_wb[0], alone.stages[0].airflow.moisture_wb)
    np.testing.assert_allclose(both.feed_moisture.temperature[0], alone.feed_moisture.temperature)
    assert both.feed_moisture.temperature[1] != alone.feed_moisture.temperature
    air = Air(np.array([26.0, 31.0]), 0.7)
    weathers = coolsim.sensitivities(line, by=["feed_moisture"], air=air)
    np.testing.assert_allclose(weathers.feed_moisture.moisture_wb[0], alone.feed_moisture.moisture_wb)
    mixed = coolsim.sensitivities([load("humid-delta"), load("evening-batch")], by="feed_moisture")
    exact = coolsim.sensitivities(load("humid-delta"), by="feed_moisture").feed_moisture.moisture_wb
    np.testing.assert_allclose(mixed.feed_moisture.moisture_wb[0], exact, rtol=0.01)


def test_what_a_machine_does_not_have() -> None:
    with pytest.raises(InputError, match=r'"duration"; this machine has: airflow') as raised:
        coolsim.sensitivities(load("humid-delta"), by=["duration", "belt_width", "airflow"])
    assert len(raised.value.faults) == 2
    with pytest.raises(InputError, match=r"stage\.2\.airflow"):
        coolsim.sensitivities(load("dryer-then-cooler"), by="stage.3.airflow")
    with pytest.raises(InputError, match=r"stage\.1\.airflow"):
        coolsim.sensitivities(load("dryer-then-cooler"), by="airflow")
    with pytest.raises(ValueError, match=r"no input 'stage\.1\.airflw'"):
        coolsim.sensitivities(load("dryer-then-cooler"), by="stage.1.airflw")
    found = coolsim.sensitivities(load("evening-batch"), by="duration")
    assert isinstance(found.duration, Slopes) and found.airflow is None and found.stages == ()
