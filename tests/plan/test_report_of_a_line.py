"""The report of a whole line tells its shift; that of a machine alone says what it lacks for one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from shipped import level

import coolsim
from coolsim.case.tables import Costs, Limits
from coolsim.output.report.answers import ask
from coolsim.output.report.document import report

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def test_a_line_has_its_shift_in_the_report():
    answers = ask(coolsim.load(SCENARIOS / "farm-line.toml"))
    page = report(answers, "0")
    assert "A shift of the line" in page and "dryer holds it back" in page
    assert 'id="shift-title"' in page and 'id="along-title"' in page
    assert "moisture, once coated" in page and "may sweat?" in page
    plan = answers.plan
    assert plan is not None and f"<td>{plan.shift.bags}</td>" in page.replace(' class="right"', "")


def test_a_machine_alone_lacks_its_equipment():
    case = level("humid-delta")
    answers = ask(dataclasses.replace(case, limits=Limits(), costs=Costs()))
    assert answers.plan is None
    assert "A shift of the line was not asked: the scenario lacks [[equipment]]." in answers.unasked
