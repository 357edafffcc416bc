"""`coolsim plan`: what comes out of the line in a shift, and which machine holds it back."""

from __future__ import annotations

from typing import Annotated

import typer

from coolsim.cli import shared
from coolsim.cli.scenarios import PICTURES


@shared.command("plan scenarios/farm-line.toml --plot shift.svg")
def plan(
    scenario: shared.ScenarioFile,
    json: shared.JsonFile = None,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
    plot: Annotated[
        str | None,
        typer.Option("--plot", metavar="FILE", help="Also draw the shift (png, pdf or svg)."),
    ] = None,
    along: Annotated[
        str | None,
        typer.Option("--along", metavar="FILE", help="Also draw moisture and mass along the line."),
    ] = None,
) -> None:
    """Plan a shift of the line of SCENARIO: what it gives, what holds it back, what it costs.

    Each [[equipment]] is a step, in order: name, and capacity, or batch with cycle, or catch = [mass, time] of what
    leaves, weighed wet; power and loss. The scenario's own machine stands where an entry says machine = "cooler" or
    a stage's name, else last; machine = "coating" says where the coat goes on. [shift] has hours (8 h), per_day,
    days_per_year and breaks. Without feed.throughput the slowest step gives it. [[recipe.ingredient]],
    [conditioning], [die] and [way] say how the feed comes, [coating] and [bag] what becomes of it.

    Steam and water come in at the last step before the machine. In a break nobody is there: the batch in a dryer
    goes on (unless shift.dryers_stop), all else stands still. What is in the line at the end of the shift is not
    bagged. Common practice, judged and assumed numbers are told as such.

    Exit status: 0 answered, 2 the input is wrong (also: a step cannot reach feed.throughput), 4 not to be computed
    or written, 1 a bug of ours.
    """
    from coolsim.support.files import Output, write

    asked = [] if plot is None else [Output("--plot", plot, PICTURES)]
    asked += [] if along is None else [Output("--along", along, PICTURES)]
    case = shared.case_of(scenario, overrides, [shared.json_file(json), *asked], units=units)
    from coolsim.output import plans as printed
    from coolsim.studies.planning.run import plan as planned

    with shared.working("planning a shift"):
        answer = planned(case)
    if asked:
        shared.draw_without_screen()
        from coolsim.output import plots

        for file, flag, picture in ((plot, "--plot", plots.shift), (along, "--along", plots.along_the_line)):
            if file:
                write(file, shared.picture_bytes(picture(answer, units=units.value), file), flag)
    shared.deliver(
        lambda: printed.planned(answer, shared.page_for(units)),
        lambda: printed.document(answer, scenario, shared.version()),
        json,
    )
