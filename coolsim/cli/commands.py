"""The command line: which words do what, where output goes, and the exit status.

Heavy imports (pint, rich, numpy) stay inside the commands, so that `coolsim --help` answers at once.
"""

from __future__ import annotations

from typing import Annotated

import typer

from coolsim.cli import (  # noqa: F401  # they add their commands
    card,
    explore_command,
    fit_command,
    plan_command,
    questions,
    report,
    scenarios,
    validation,
)
from coolsim.cli.shared import COMMANDS, app, version

__all__ = ["app"]


_ORDER = {name: k for k, name in enumerate(COMMANDS)}
app.registered_commands.sort(key=lambda one: _ORDER.get(one.name or one.callback.__name__, len(_ORDER)))  # type: ignore[union-attr]


@app.callback(invoke_without_command=True)
def options(
    show_version: Annotated[bool, typer.Option("--version", help="Print the version and leave.")] = False,
) -> None:
    """Predicts the moisture and temperature at which feed pellets leave a cooler or dryer."""
    if show_version:
        typer.echo(f"coolsim {version()}")
        raise typer.Exit
