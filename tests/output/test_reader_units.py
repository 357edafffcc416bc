"""The reader's units come first: in every prediction of a shipped scenario, in messages, of motors and heaters."""

from __future__ import annotations

from pathlib import Path

import pytest
from reader_units import strays
from typer.testing import CliRunner

import coolsim
from coolsim.cli import app
from coolsim.output import tables
from coolsim.output.page import Page
from coolsim.output.quantities import heating, shaft_power, standard_motor

AT_ONCE = ("humid-delta", "evening-batch")
SCENARIOS = [
    pytest.param(path, marks=() if path.stem in AT_ONCE else pytest.mark.thorough, id=path.stem)
    for path in sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
]


def test_a_stray_unit_is_seen() -> None:
    assert strays("air of 45 °C (113 °F) and 8 K more", "si") == []
    assert len(strays("air of 45 °C (113 °F) and 8 K more", "us")) == 2
    assert strays("air of 113 °F (45 °C), 40 to 90 °F", "us") == []
    assert len(strays("air of 113 °F", "si")) == 1


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_prediction_speaks_the_readers_units(scenario: Path) -> None:
    case = coolsim.load(scenario)
    result = coolsim.predict(case)
    for units in ("si", "us"):
        assert not strays(tables.predicted(case, result, Page(200, units=units)), units)


def test_faults_speak_the_readers_units_too() -> None:
    command = ["size", str(SCENARIOS[0].values[0].with_name("cooler-to-buy.toml"))]
    command += ["--set", "sizing.floor_area=50 m2", "--units"]
    for units, first in (("si", "found 50 m² (538 ft²)"), ("us", "found 538 ft² (50 m²)")):
        done = CliRunner().invoke(app, [*command, units])
        assert done.exit_code == 2 and first in done.stderr and not strays(done.stderr, units)


def test_motors_are_told_in_horsepower_and_heaters_in_btu() -> None:
    """1 hp = 745.69987 W, 1 BTU/h = 0.29307107 W (NIST SP 811): 4 kW are 5.364 hp, 60 kW 204,728 BTU/h."""
    us, si = Page(units="us"), Page()
    assert (shaft_power(4000.0, us), shaft_power(4000.0, si)) == ("5.36 hp", "4 kW")
    assert (standard_motor(4000.0, us), standard_motor(4000.0, si)) == ("5.36 hp (4 kW)", "4 kW")
    assert (heating(60e3, us), heating(60e3, si)) == ("205000 BTU/h", "60 kW")
