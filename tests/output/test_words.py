"""What is said in US units, and of which machine; conversions by the definitions of foot, pound and BTU."""

from __future__ import annotations

import dataclasses

import pytest
from output.pictures import BELT, answer, case, year_as_it_is

import coolsim
from coolsim.output import lines, years
from coolsim.output.page import Page
from coolsim.output.report.answers import Answers
from coolsim.output.report.pictures import _numbers
from coolsim.output.tables import details
from coolsim.output.uncertainties import rows_of
from coolsim.scenario import inputs
from coolsim.studies.propagation.answer import Known
from coolsim.studies.years.response import Error

US = Page(width=200, units="us")
BTU_PER_POUND = 2326.0  # J/kg, exactly: that is how the BTU is defined
KILOWATT_HOUR = 3.6e6  # J


def test_a_batch_spends_energy_and_a_belt_power() -> None:
    """The energy of a belt is that of an hour: as many kWh as kW, as many kg as kg/h."""
    batch, belt = answer("evening-batch").energy, answer(BELT).energy
    rows = dict(details(case("evening-batch"), answer("evening-batch"), Page())["Energy of a batch"])
    assert rows["heat to the air"] == f"{batch.heat / KILOWATT_HOUR:.1f} kWh"
    assert rows["of wet feed"] == f"{batch.feed:.0f} kg"
    rows = dict(details(case(BELT), answer(BELT), Page())["Power of the belt"])
    assert rows["heat to the air"] == f"{belt.heat / KILOWATT_HOUR:.1f} kW"
    assert rows["fans, bed only"] == f"{belt.fan / KILOWATT_HOUR:.1f} kW"
    assert rows["of wet feed"] == f"{3600 * case(BELT).feed.throughput:.0f} kg/h"
    assert rows["that weighs, once dried"] == f"{belt.product:.0f} kg/h"


def test_heat_per_water_in_us_units() -> None:
    result = answer("evening-batch")
    rows = dict(details(case("evening-batch"), result, US)["Energy of a batch"])
    assert rows["heat per water lost"] == f"{result.energy.heat_per_water / BTU_PER_POUND:.0f} BTU/lb"
    line = answer("dryer-then-cooler")
    spent = line.stages[0].result.energy.heat_per_water / BTU_PER_POUND
    assert f"{spent:.0f} BTU/lb" in lines.stages(line, US) and "MJ/kg" not in lines.stages(line, US)


def test_a_price_of_feed_per_pound() -> None:
    typed = coolsim.replace(case("monsoon-night"), {"costs.feed": "0.60 USD/lb"})
    assert inputs(typed, "us", 6)["costs.feed"] == "0.6 USD/lb"
    assert inputs(typed, "si", 6)["costs.feed"] == "1.32277 USD/kg"  # 0.60 / 0.45359237


def test_how_far_a_years_map_is_off_in_us_units() -> None:
    """By hand: 0.05 K are 0.09 °F. The map was written down; the year of the pictures is solved hour by hour."""
    year = year_as_it_is()
    first = year.strategies[0]
    hours = dataclasses.replace(first.hours, error=Error(2e-4, 0.05, 1e-3, 30))
    mapped = dataclasses.replace(year, strategies=(dataclasses.replace(first, hours=hours),))
    assert "off by 0.02 points and 0.09 °F at most" in years.year(mapped, US)
    assert "off by 0.02 points and 0.05 K at most" in years.year(mapped, Page(width=200))


DEGREES = {"si": lambda T: f"{T:.0f} °C", "us": lambda T: f"{32 + 1.8 * T:.0f} °F"}


@pytest.mark.parametrize("units", DEGREES)
def test_where_curves_run_in_the_units_of_the_picture(units) -> None:
    p, said = answer().profile, DEGREES[units]
    pellets, air = p.pellet_temperature, p.air_temperature
    ends = [said(T) for T in (pellets[0], pellets[-1], air[-1], air[0])]
    told = _numbers("bed", Answers(case(), answer()), units)
    assert told == "Pellets from {} to {}; air from {} to {}.".format(*ends)


def test_what_leaves_an_answer_open_is_called_as_it_is_typed() -> None:
    """Keys of a scenario have their underscores; numbers of a material are words, as in the list of materials."""
    known = (Known("air.relative_humidity", 60, 80, "%"), Known("cooler.batch_mass", 280, 320, "kg"))
    assert [row[0] for one in known for row in rows_of([one], [0.5], US)] == [one.name for one in known]
    assert [row[0] for row in rows_of(known, [0.5], US)][1:] == [f"  {one.name}" for one in known]
    (row,) = rows_of([Known("activation_energy", 24e3, 28e3, "J/mol")], [0.5], US)
    assert row[0] == "activation energy"
