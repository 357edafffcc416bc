"""What the model was held against."""

from __future__ import annotations

from coolsim.cli import shared


@shared.command("validation --units us")
def validation(json: shared.JsonFile = None, units: shared.PrintedUnits = shared.Units.si) -> None:
    """Hold the model against published measurements, anew.

    Each comparison comes with its source, what had to be assumed, and the difference, also where it is off.
    """
    from coolsim.support import files

    files.check([shared.json_file(json)])
    from coolsim.output import validation as table
    from coolsim.validation import validate

    with shared.working("computing the comparisons"):
        found = validate()
    shared.deliver(
        lambda: table.summary(found, shared.page_for(units)),
        lambda: table.written(found, shared.version()),
        json,
    )
