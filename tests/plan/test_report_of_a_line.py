"""The report of a whole line tells its shift; that of a machine alone says what it lacks for one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from shipped import level

import coolsim
from coolsim.case.tables import Costs, Limits
from coolsim.output.report.answers import Answers, ask
from coolsim.output.report.document import report

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.mark.thorough
def test_the_report_of_a_line_asks_for_its_shift():
    plan = ask(coolsim.load(SCENARIOS / "farm-line.toml")).plan
    assert plan is not None and plan.shift.bags > 0


def test_a_line_has_its_shift_in_the_report():
    case = coolsim.load(SCENARIOS / "farm-line.toml")
    answers = Answers(case, coolsim.predict(case, band=True), plan=coolsim.plan(case))
    page = report(answers, "0")
    assert "A shift of the line" in page and "dryer holds it back" in page
    assert 'id="shift-title"' in page and 'id="along-title"' in page
    assert "moisture, once coated" in page and "may sweat?" in page
    plan = answers.plan
    assert f"<td>{plan.shift.bags}</td>" in page.replace(' class="right"', "")


def test_a_machine_alone_lacks_its_equipment():
    case = level("humid-delta")
    answers = ask(dataclasses.replace(case, limits=Limits(), costs=Costs()))
    assert answers.plan is None
    assert "A shift of the line was not asked: the scenario lacks [[equipment]]." in answers.unasked
