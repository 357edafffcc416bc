"""What the model was held against."""

from __future__ import annotations

from coolsim.cli.shared import (
    JsonFile,
    PrintedUnits,
    Units,
    app,
    deliver,
    guarded,
    json_file,
    page_for,
    version,
    working,
)


@app.command(epilog="\b\nExample:\n  coolsim validation --units us")
@guarded
def validation(json: JsonFile = None, units: PrintedUnits = Units.si) -> None:
    """Hold the model against published measurements, anew.

    Each comparison comes with its source, what had to be assumed, and the difference, also where it is off.
    """
    from coolsim.support import files

    files.check([json_file(json)])
    from coolsim.output import validation as table
    from coolsim.validation import validate

    with working("computing the comparisons"):
        found = validate()
    deliver(lambda: table.summary(found, page_for(units)), lambda: table.written(found, version()), json)
