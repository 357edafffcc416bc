"""`coolsim card`: the settings chart of a year as one page to hang beside the machine."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

import typer

from coolsim.cli import shared


class Paper(StrEnum):
    """Sizes of paper."""

    a4 = "a4"
    letter = "letter"


@shared.command("card scenarios/monsoon-year.toml -o card.pdf")
def card(
    scenario: shared.ScenarioFile,
    output: Annotated[str, typer.Option("-o", "--output", metavar="FILE", help="The PDF file to write.")],
    paper: Annotated[Paper, typer.Option("--paper", help="Size of the page, lying.")] = Paper.a4,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> None:
    """Write the settings chart of SCENARIO as a printable page: what to set by the weather outside.

    Needs [weather] file, [target] moisture, a range in [limits] and [costs]. In place of a file a season may be
    typed as a few weathers, each below [[card.weather]] with a name and the keys of [air] that differ: then each is
    a row. On the second page stands a sheet for trials, to fill in by hand.

    Exit status: 0 written, 2 the input is wrong, 4 not to be computed or written, 1 a bug of ours.
    """
    shared.draw_without_screen()
    from coolsim.output import card as page
    from coolsim.output import fonts
    from coolsim.support import files

    case = shared.case_of(scenario, overrides, [files.Output("-o", output, (".pdf",))], units=units)
    page.check(case)
    chart: Any
    if case.card.weather:
        from coolsim.studies.card import season

        with shared.working("looking for settings"):
            chart = season(case)
    else:
        from coolsim.studies.years.study import chart_alone

        with shared.working("running the year"):
            chart = chart_alone(case)
    files.write(output, page.card(case, chart, paper.value, units.value, shared.version()), "-o")
    lacking = fonts.families(page.title_of(case))[1]
    no_font = f"; no font that is installed has {lacking}, which its title lacks" if lacking else ""
    shared.print_sentence(f"wrote {output}{no_font}")
