"""`coolsim explore`: one offline HTML page that answers while sliders move."""

from __future__ import annotations

from typing import Annotated

import typer

from coolsim.cli import shared


@shared.command("explore scenarios/monsoon-night.toml -o page.html")
def explore(
    scenario: shared.ScenarioFile,
    output: Annotated[str, typer.Option("-o", "--output", metavar="FILE", help="The HTML file to write.")],
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> int:
    """Write a page that answers while sliders move: feed moisture, the air outside, and what may be set.

    One file that loads nothing. It says what leaves, whether that will do and how likely, what it costs, and what
    each thing alone moves; draws any of it over any two; and, with [sizing], shows what to buy floor by floor. Its
    numbers are read from a map of predictions, whose largest error on predictions held out it shows.

    Exit status: 0 written, 3 written, but no size serves, 2 the input is wrong, 4 no map is good enough (nothing is
    written) or not to be written, 1 a bug of ours.
    """
    from coolsim.support import files

    case = shared.case_of(scenario, overrides, [files.Output("-o", output, (".html", ".htm"))], units=units)
    from coolsim.output.explorer.document import explored

    with shared.working("predicting today"):
        page = explored(case, units=units.value, scenario=scenario)
    files.write(output, page.html, "-o")
    shared.print_sentence(
        f"wrote {output}; on {page.states} predictions held out it is off by at most {page.off(units.value)}"
    )
    return shared.ANSWERED if page.met else shared.OUT_OF_REACH
