"""What stands in files: check a scenario, list the materials, write a new scenario."""

from __future__ import annotations

import os
from enum import StrEnum
from typing import Annotated

import typer

from coolsim.cli import shared
from coolsim.support.errors import Fault, InputError


@shared.command("check scenarios/humid-delta.toml --units us")
def check(
    scenario: shared.ScenarioFile,
    overrides: shared.Overrides = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> None:
    """Read SCENARIO, and the weather file that it names, and say what was understood.

    Nothing is computed. Exit status: 0 all right, 2 the input is wrong.
    """
    case = shared.case_of(scenario, overrides, units=units)
    from coolsim.output import tables

    page = shared.page_for(units)
    text = tables.understood(case, page)
    if case.weather:
        from coolsim.output import years
        from coolsim.scenario.weather import read_weather

        text += "\n" + years.understood(case, read_weather(case), page)
    shared.emit(text)


PICTURES = (".png", ".pdf", ".svg")


@shared.command("materials pig-pellets --plot isotherms.png")
def materials(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A material of the list.")] = None,
    units: shared.PrintedUnits = shared.Units.si,
    plot: Annotated[
        str | None,
        typer.Option("--plot", metavar="FILE", help="Also draw its isotherms (png, pdf or svg)."),
    ] = None,
) -> None:
    """List the materials, or all numbers of one.

    Each number comes with its source, or with the word assumed. NAME may be the file of a material, too. With
    --plot, its isotherms at three temperatures are drawn, with the published points where there are some.
    """
    from coolsim.output import library
    from coolsim.physics.materials import load_material, names

    if plot is not None:
        _draw_isotherms(name, plot, units)
    if name is None:
        shared.emit(
            library.material_list([load_material(known) for known in names()], shared.page_for(units))
        )
    else:
        shared.emit(library.material(load_material(name), shared.page_for(units)))


@shared.command("explain limits.maximum_lift_off")
def explain(
    name: Annotated[
        str | None,
        typer.Argument(metavar="[NAME]", help="A key, a table, a quantity, a field or an equation."),
    ] = None,
    units: shared.PrintedUnits = shared.Units.si,
) -> None:
    """Say what a name means: meaning, unit, range, default and example; without NAME, list all names.

    Exit status: 0 all right, 2 nothing is called so.
    """
    from coolsim.output import explain as library

    shared.emit(
        library.listed(shared.page_for(units))
        if name is None
        else library.explained(name, shared.page_for(units))
    )


def _draw_isotherms(name: str | None, file: str, units: shared.Units) -> None:
    """Write the picture of a material's isotherms."""
    from coolsim.physics.materials import load_material
    from coolsim.support import files

    if name is None:
        raise InputError([Fault("", "NAME", "nothing", "--plot draws one material: name it")])
    files.check([files.Output("--plot", file, endings=PICTURES)], [(f"the material {name}", name)])
    material = load_material(name)
    shared.draw_without_screen()
    from coolsim.output import plots

    files.write(file, shared.picture_bytes(plots.isotherms(material, units=units.value), file), "--plot")


class Arrangement(StrEnum):
    """What a new scenario is of."""

    counter_flow = "counter-flow"
    batch = "batch"
    belt = "belt"
    line = "line"


@shared.command("new mill.toml")
def new(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The file to write.")],
    arrangement: Annotated[
        Arrangement,
        typer.Option(
            "--arrangement", help="Counter-flow cooler, batch or belt dryer, or a line of machines."
        ),
    ] = Arrangement.counter_flow,
    whole_line: Annotated[
        bool,
        typer.Option("--whole-line", help="Also what is before and behind the machine, from mixer to bag."),
    ] = False,
    units: shared.PrintedUnits = shared.Units.si,
) -> None:
    """Write a commented scenario to edit; or, where FILE ends in .csv, an empty file of trials for `coolsim fit`.

    A scenario runs as it is. With --whole-line it is for `coolsim plan`: recipe, conditioning, die, way, machines,
    bags. The columns of a file of trials are in --units; on paper they stand behind a card. A file that exists is
    never overwritten.
    """
    from coolsim.scenario import template
    from coolsim.scenario.whole_lines import around
    from coolsim.support import files

    if os.path.lexists(file):
        raise InputError(
            [Fault("", "FILE", f"{file}, which exists", "name a new file: nothing is overwritten")]
        )
    files.check([files.Output("FILE", file)])
    if file.lower().endswith(".csv"):
        from coolsim.scenario import loads
        from coolsim.scenario.trial_sheet import template as trials

        files.write(file, trials(loads(template(arrangement.value)), units.value), "FILE")
        shared.print_sentence(f"wrote {file}; fill it in, then: coolsim fit SCENARIO --trials {file}")
        return
    files.write(file, template(arrangement.value, around if whole_line else None), "FILE")
    shared.print_sentence(f"wrote {file}; try: coolsim {'plan' if whole_line else 'predict'} {file}")
