"""`coolsim report`: all that a scenario asks, as one HTML file."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from coolsim.cli import shared

ASKED_ELSEWHERE = "coolsim.studies.settings.advice", "coolsim.studies.sizing.find"


@shared.command("report scenarios/monsoon-night.toml -o report.html")
def report(
    scenario: shared.ScenarioFile,
    output: Annotated[str, typer.Option("-o", "--output", metavar="FILE", help="The HTML file to write.")],
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> int:
    """Write all that SCENARIO asks, with pictures and sources, as one HTML file.

    Answers how the pellets leave and, where the tables for it are there, what a shift of the line gives
    ([[equipment]]), what to set ([target], [limits], [costs]), how large to buy ([sizing]) and what a year brings
    ([weather]; takes a minute).

    Exit status: 0 written, 3 written, but the target is out of reach or no size serves, 2 the input is wrong,
    4 not computed (nothing is written) or not to be written, 1 a bug of ours.
    """
    from coolsim.support import files
    from coolsim.support.workers import background_process

    pictures: dict[str, Any] = {}

    def draw(so_far: Any) -> None:
        from coolsim.output.report import document  # noqa: F401  (loaded while another process computes)
        from coolsim.output.report.pictures import drawn

        pictures.update({picture.name: picture for picture in drawn(so_far, units.value)})

    with background_process(*ASKED_ELSEWHERE) as start:  # it loads what it needs while the scenario is read
        case = shared.case_of(
            scenario, overrides, [files.Output("-o", output, (".html", ".htm"))], units=units
        )
        shared.draw_without_screen()
        from coolsim.output.report.answers import ask

        with shared.working("asking"):
            answers = ask(case, start, draw)
            from coolsim.output.report.document import report as written

            html = written(answers, shared.version(), units.value, pictures)
    files.write(output, html, "-o")
    shared.print_sentence(f"wrote {output}")
    return shared.ANSWERED if answers.met else shared.OUT_OF_REACH
