"""What is chosen is round in the reader's units: steps of dials, floors, motors.

1 in = 0.0254 m, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg (exact, NIST SP 811), 1 hp = 745.69987 W; the rest by hand.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from studies.pig_pellets import BATCH, FEED

import coolsim
from coolsim.equipment.motor import NEMA_RATINGS, next_rating
from coolsim.machines import machine_of
from coolsim.machines.base import airflow_step
from coolsim.output import settings as printed
from coolsim.output.page import Page
from coolsim.output.quantities import QUANTITIES, bound_text, setting_text
from coolsim.scenario import loads
from coolsim.studies.sizing.service import floor_up
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
CFM = 0.3048**3 / 60
COOLER = SCENARIOS / "humid-delta.toml"  # up to 2000 m³/h


def steps(case: coolsim.Case) -> dict[str, float]:
    return {s.key: s.step for s in machine_of(case).settings}


@pytest.mark.parametrize(
    ("highest", "unit", "units", "step"),
    [
        (2000, 1 / 3600, "si", 10),  # half a percent: 10
        (2748.1, 1 / 3600, "si", 20),  # 13.7
        (12000, 1 / 3600, "si", 100),  # 60
        (390, 1 / 3600, "si", 2),  # 1.95
        (1177, CFM, "us", 10),  # 5.9
        (7063, CFM, "us", 50),  # 35
        (450, CFM, "us", 2.5),  # 2.25
    ],
)
def test_steps_of_an_airflow_are_round_and_half_a_percent_or_more(
    highest: float, unit: float, units: str, step: float
) -> None:
    assert airflow_step(highest * unit, units) / unit == pytest.approx(step, rel=1e-9)


def test_dials_of_a_cooler() -> None:
    si, us = (steps(coolsim.load(COOLER, units=units)) for units in ("si", "us"))
    assert si["bed_depth"] == 0.01 and us["bed_depth"] == pytest.approx(0.5 * 0.0254, rel=1e-12)
    assert 3600 * si["airflow"] == pytest.approx(10) and us["airflow"] / CFM == pytest.approx(10)


def test_dials_of_a_batch() -> None:
    text = FEED + BATCH + '[limits]\ninlet_air_temperature = ["50 degC", "110 degC"]\n' \
        'bed_depth = ["5 cm", "20 cm"]\n'  # fmt: skip
    si, us = (steps(loads(text, units=units)) for units in ("si", "us"))
    assert si["bed_depth"] == 0.002 and us["bed_depth"] == pytest.approx(0.1 * 0.0254, rel=1e-12)
    assert si["inlet_air_temperature"] == 0.5 and 1.8 * us["inlet_air_temperature"] == pytest.approx(1)


@pytest.mark.thorough
def test_settings_are_found_on_dials_of_the_readers_units() -> None:
    case = coolsim.load(COOLER, units="us")
    found = coolsim.find_settings(case)
    inches, cfm = found.settings.bed_depth / 0.0254, found.settings.airflow / CFM
    assert 2 * inches == pytest.approx(round(2 * inches), abs=1e-6)
    assert cfm / 10 == pytest.approx(round(cfm / 10), abs=1e-6)
    text = printed.to_set(case, found, Page(units="us"))
    assert f"{cfm:.0f} cfm" in text and f"{inches:.1f} in" in text
    assert any("+2 °F" in step.change for step in found.one_step)


def test_units_go_along_when_a_case_is_changed() -> None:
    case = coolsim.load(COOLER, units="us")
    assert coolsim.replace(case, {"feed.moisture": "15 %"}).units == "us"
    set_so = dataclasses.replace(case, cooler=dataclasses.replace(case.cooler, bed_depth=0.6))
    changed = coolsim.replace(set_so, {"feed.moisture": "15 %"})
    assert changed.units == "us" and changed.cooler.bed_depth == pytest.approx(0.6)


def test_other_units_are_refused() -> None:
    with pytest.raises(InputError, match='needs "si" or "us"'):
        coolsim.load(COOLER, units="metric")


@pytest.mark.parametrize(
    ("area", "units", "expected"),
    [(1.5375, "si", 1.54), (1.5375, "us", 16.6 * 0.3048**2)],  # 16.5495 ft²
)
def test_floors_are_round_in_the_readers_units(area: float, units: str, expected: float) -> None:
    assert floor_up(area, units) == pytest.approx(expected, rel=1e-9)


def test_motors_by_horsepower() -> None:
    """4.3 hp take a motor of 5 hp; from 200 hp on steps are of 50 (NEMA MG 1, from memory)."""
    hp = 745.69987
    powers = np.array([4.3, 5.0, 5.1, 0.1, 210.0]) * hp
    np.testing.assert_allclose(next_rating(powers, "us") / hp, [5.0, 5.0, 7.5, 0.25, 250.0], rtol=1e-6)
    assert list(NEMA_RATINGS) == sorted(set(NEMA_RATINGS))
    with pytest.raises(InputError, match="hp"):
        next_rating(1e6, "us")


# -- as they are told


@pytest.mark.parametrize(
    ("name", "value", "step", "units", "expected"),
    [
        ("bed_depth", 13.5 * 0.0254, 0.0127, "us", "13.5 in"),
        ("bed_depth", 0.32, 0.01, "us", "12.6 in"),  # 12.5984: typed in cm
        ("bed_depth", 0.2735, 0.01, "si", "27.35 cm"),  # an end that somebody typed
        ("bed_depth", 0.0669643, 0.002, "si", "6.7 cm"),
        ("airflow", 1374.05 / 3600, 10 / 3600, "si", "1374.05 m³/h"),  # likewise typed
        ("airflow", 1374.0512 / 3600, 10 / 3600, "si", "1374 m³/h"),
        (
            "airflow",
            1820 / 3600,
            10 / 3600,
            "us",
            "1071.2 cfm",
        ),  # 1071.21, and 1071 is further off than .03 of a step
        ("inlet_air_temperature", 69.0, 0.5, "us", "156.2 °F"),
    ],
)
def test_settings_are_told_as_typed_or_close_to_it(
    name: str, value: float, step: float, units: str, expected: str
) -> None:
    assert setting_text(QUANTITIES[name], value, step, Page(units=units)) == expected


@pytest.mark.parametrize(
    ("name", "bound", "units", "expected"),
    [
        ("bed_pressure_drop", 1800.0, "us", "7.23 inH2O"),  # 7.22634
        ("bed_pressure_drop", 1800.0, "si", "1800 Pa"),
        ("above_ambient", 7.0, "us", "12.6 °F"),
        ("lift_off", 0.725, "si", "72.5 %"),
        ("water_activity", 0.65, "si", "0.65"),
        ("moisture", 0.115, "us", "11.5 %"),
    ],
)
def test_bounds_are_told_as_typed_or_with_the_digits_of_their_quantity(
    name: str, bound: float, units: str, expected: str
) -> None:
    assert bound_text(QUANTITIES[name], bound, Page(units=units)) == expected
