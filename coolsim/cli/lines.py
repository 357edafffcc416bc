"""What the commands do differently where a scenario is a line of machines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coolsim.cli.shared import ANSWERED, OUT_OF_REACH, Units, deliver, page_for, version, working

if TYPE_CHECKING:
    from coolsim.case import Case


def settings(case: Case, scenario: str, json: str | None, units: Units) -> int:
    """Find, print and write the settings of a line; returns the exit status."""
    from coolsim.output import line_settings
    from coolsim.studies.settings.advice import advise

    with working("looking for settings of all machines"):
        advice = advise(case)
    deliver(
        lambda: line_settings.advised(case, advice, page_for(units)),
        lambda: line_settings.document(case, advice, scenario, version()),
        json,
    )
    return ANSWERED if advice.answer.met else OUT_OF_REACH
