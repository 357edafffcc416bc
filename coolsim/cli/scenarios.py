"""What stands in files: check a scenario, list the materials, write a new scenario."""

from __future__ import annotations

import os
from enum import StrEnum
from typing import Annotated

import typer

from coolsim.cli.shared import (
    Overrides,
    PrintedUnits,
    ScenarioFile,
    Units,
    app,
    case_of,
    emit,
    guarded,
    page_for,
    told,
)
from coolsim.errors import Fault, InputError


@app.command(epilog="\b\nExample:\n  coolsim check scenarios/humid-delta.toml --units us")
@guarded
def check(scenario: ScenarioFile, overrides: Overrides = None, units: PrintedUnits = Units.si) -> None:
    """Read SCENARIO and say what was understood.

    Nothing is computed. Exit status: 0 all right, 2 the input is wrong.
    """
    case = case_of(scenario, overrides)
    from coolsim.output import tables

    emit(tables.understood(case, page_for(units)))


@app.command(epilog="\b\nExample:\n  coolsim materials pig-pellets")
@guarded
def materials(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="A material of the list.")] = None,
    units: PrintedUnits = Units.si,
) -> None:
    """List the materials, or all numbers of one.

    Each number comes with its source, or with the word assumed.
    """
    from coolsim.output import library
    from coolsim.physics.materials import load_material, names

    if name is None:
        emit(library.material_list([load_material(known) for known in names()], page_for(units)))
    else:
        emit(library.material(load_material(name), page_for(units)))


class Arrangement(StrEnum):
    """What a new scenario is of."""

    counter_flow = "counter-flow"
    batch = "batch"
    belt = "belt"
    line = "line"


@app.command(epilog="\b\nExample:\n  coolsim new mill.toml")
@guarded
def new(
    file: Annotated[str, typer.Argument(metavar="FILE", help="The file to write.")],
    arrangement: Annotated[
        Arrangement,
        typer.Option(
            "--arrangement", help="Counter-flow cooler, batch or belt dryer, or a line of machines."
        ),
    ] = Arrangement.counter_flow,
) -> None:
    """Write a commented scenario to edit.

    It runs as it is. A file that exists is never overwritten.
    """
    from coolsim import files
    from coolsim.scenario import template

    if os.path.lexists(file):
        raise InputError(
            [Fault("", "FILE", f"{file}, which exists", "name a new file: nothing is overwritten")]
        )
    files.check([files.Output("FILE", file)])
    files.write(file, template(arrangement.value), "FILE")
    told(f"wrote {file}; try: coolsim predict {file}")
