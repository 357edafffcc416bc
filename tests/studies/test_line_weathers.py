"""Settings of a line for many weathers in one call: what each alone gives, and what `predict` says of them."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from shipped import level

import coolsim
from coolsim.case.case import Air

# The last so warm and humid that the cooler cannot reach 10 % within what the dryer's air allows.
WEATHERS = Air(np.array([26.0, 12.0, 38.0]), np.array([0.7, 0.5, 0.98]))
TIGHT = {
    "stage.1.limits.inlet_air_temperature": ["60 degC", "84 degC"],
    "stage.1.limits.bed_depth": ["6 cm", "12 cm"],
}


@pytest.fixture(scope="module")
def many():
    case = coolsim.replace(level("dryer-then-cooler"), TIGHT)
    return case, coolsim.find_settings(case, air=WEATHERS)


def alone(found: Any, k: int) -> Air:
    return Air(*(float(getattr(found.air, f.name)[k]) for f in dataclasses.fields(Air)))


@pytest.mark.thorough
def test_each_weather_alone_gives_the_same(many) -> None:
    """Lines side by side do not see each other: equal to what rounding may move a search by, 1e-6 of cost."""
    case, found = many
    assert found.met.tolist() == [True, True, False]  # or half of what is below could not fail
    for k in range(3):
        one = coolsim.find_settings(dataclasses.replace(case, air=alone(found, k)), on_dial=False)
        assert one.met == found.met[k]
        assert found.cost.total[k] == pytest.approx(one.cost.total, rel=1e-6)
        assert found.result.pellets_out.moisture_wb[k] == pytest.approx(
            one.result.pellets_out.moisture_wb, abs=1e-6
        )
        assert found.driest.moisture_wb[k] == pytest.approx(one.driest.moisture_wb, abs=1e-7)
        assert found.wettest.moisture_wb[k] == pytest.approx(one.wettest.moisture_wb, abs=1e-7)
        assert (found.broken[k] != "") == bool(one.broken or any(s.broken for s in one.stages))
        for several, single in zip(found.settings, one.settings):
            for f in dataclasses.fields(single):
                here, there = getattr(several, f.name), getattr(single, f.name)
                if isinstance(there, tuple):  # of the zones of a belt
                    assert [z[k] for z in here] == pytest.approx(list(there), rel=1e-5), f.name
                else:
                    assert here[k] == pytest.approx(there, rel=1e-5, nan_ok=True), f.name


def test_the_settings_give_what_they_say(many) -> None:
    """Typed into the line by their names, stage by stage, `predict` gives the exit that was told."""
    case, found = many
    for k in range(2):
        belt, cooler = found.settings
        there = coolsim.replace(
            dataclasses.replace(case),
            {
                **{
                    f"stage.1.zone.{z}.inlet_air_temperature": f"{T[k]:.9f} degC"
                    for z, T in enumerate(belt.zone_inlet_air_temperature, 1)
                },
                **{
                    f"stage.1.zone.{z}.airflow": f"{3600 * V[k]:.9f} m3/h"
                    for z, V in enumerate(belt.zone_airflow, 1)
                },
                "stage.1.bed_depth": f"{belt.bed_depth[k]:.12f} m",
                "stage.2.airflow": f"{3600 * cooler.airflow[k]:.9f} m3/h",
                "stage.2.bed_depth": f"{cooler.bed_depth[k]:.12f} m",
            },
        )
        result = coolsim.predict(there, air=alone(found, k))
        assert result.pellets_out.moisture_wb == pytest.approx(
            found.result.pellets_out.moisture_wb[k], abs=2e-6
        )
        assert result.stages[1].result.fan.speed == pytest.approx(cooler.fan_speed[k], rel=1e-3)
        assert result.pellets_out.moisture_wb <= case.target.moisture + 1e-6
