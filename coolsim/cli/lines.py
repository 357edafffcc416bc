"""What the commands do differently where a scenario is a line of machines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coolsim.cli.shared import ANSWERED, OUT_OF_REACH, Units, deliver, page_for, version, working

if TYPE_CHECKING:
    from coolsim.case import Case


def settings(case: Case, scenario: str, json: str | None, units: Units) -> int:
    """Find, print and write the settings of a line; returns the exit status."""
    from coolsim.output import line_settings
    from coolsim.studies.line.find import find
    from coolsim.studies.line.told import explained

    with working("looking for settings of all machines"):
        answer = explained(case, find(case))
    deliver(
        lambda: line_settings.advised(case, answer, page_for(units)),
        lambda: line_settings.document(case, answer, scenario, version()),
        json,
    )
    return ANSWERED if answer.met else OUT_OF_REACH
