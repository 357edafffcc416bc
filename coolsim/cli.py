"""The command line: which words do what, where output goes, and the exit status.

Heavy imports (pint, rich, numpy) stay inside the commands, so that `coolsim --help` answers at once.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from coolsim.errors import CoolsimError, Fault, InputError, NotConverged

if TYPE_CHECKING:
    from coolsim.case import Case
    from coolsim.output.page import Page
    from coolsim.result import Result

# 3, the question has no answer, belongs to questions that search
ANSWERED, BUG, WRONG_INPUT, NOT_COMPUTED, INTERRUPTED = 0, 1, 2, 4, 130

app = typer.Typer(
    name="coolsim",
    help="Predicts the moisture and temperature at which feed pellets leave a counter-flow cooler.",
    epilog="Start with: coolsim new mill.toml, then: coolsim predict mill.toml",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: the same at any width, in a pipe and in ASCII
)


class Units(StrEnum):
    """Units of printed tables."""

    si = "si"
    us = "us"


ScenarioFile = Annotated[str, typer.Argument(metavar="SCENARIO", help="Scenario file (TOML).")]
Settings = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="KEY=VALUE", help='Override a key, such as feed.moisture="15 %". Repeatable.'
    ),
]
PrintedUnits = Annotated[Units, typer.Option("--units", help="Units of the printed table (not of the JSON).")]
JsonFile = Annotated[
    str | None,
    typer.Option(
        "--json", metavar="FILE", help="Also write the answer as JSON; with - to standard output, alone."
    ),
]


def guarded(command: Callable[..., int | None]) -> Callable[..., None]:
    """Turn what a command raises into messages on standard error and an exit status."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            status = command(*args, **kwargs) or ANSWERED
        except Exception as error:
            status = _failed(error)
        except KeyboardInterrupt:
            _say("coolsim: stopped")
            status = INTERRUPTED
        raise typer.Exit(status)

    return run


def _failed(error: Exception) -> int:
    """Say what went wrong and return the exit status."""
    if isinstance(error, BrokenPipeError):  # the reader has seen enough: `coolsim predict … | head -1`
        _drop_output()
        return ANSWERED
    if isinstance(error, InputError):
        count = len(error.faults)
        _say(f"coolsim: {count} faults\n{error}" if count > 1 else f"coolsim: {error}")
        return WRONG_INPUT
    if isinstance(error, NotConverged):
        _say(f"coolsim: the computation failed: {error.reason}\n{_best(error.best)}".rstrip())
        return NOT_COMPUTED
    if isinstance(error, CoolsimError):
        _say(f"coolsim: {error}")
        return WRONG_INPUT
    if os.environ.get("COOLSIM_TRACEBACK") == "1":
        import traceback

        traceback.print_exception(error)
    line = f"{type(error).__name__}: {' '.join(str(error).split())[:300]}"
    _say(f"coolsim: a bug of ours, please report it with the scenario and this line: {line}")
    return BUG


def _best(best: Any) -> str:
    """Return the best iterate of a failed computation in words."""
    if best is None:
        return ""
    out = getattr(best, "pellets_out", None)
    if out is None:
        return f"best iterate, not an answer: {str(best)[:300]}"
    return (
        f"best iterate, not an answer: moisture {100 * float(out.moisture_wb):.2f} % (wet basis), "
        f"temperature {float(out.temperature):.1f} degC"
    )


def _say(text: str) -> None:
    from coolsim.output.page import plain

    print(plain(text, sys.stderr.encoding or "utf-8"), file=sys.stderr)


def _print(text: str | bytes) -> None:
    """Write to standard output; raises InputError where that is full or otherwise refuses."""
    try:
        if isinstance(text, bytes):
            sys.stdout.flush()
            sys.stdout.buffer.write(text)
        else:
            sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        _drop_output()
        found = f"an output that cannot be written ({error.strerror})"
        raise InputError([Fault("", "standard output", found, "choose another place")]) from None


def _drop_output() -> None:
    """Let nothing more be written, or Python complains (and changes the status) when it flushes at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@app.callback(invoke_without_command=True)
def options(
    version: Annotated[bool, typer.Option("--version", help="Print the version and leave.")] = False,
) -> None:
    """Predicts the moisture and temperature at which feed pellets leave a counter-flow cooler."""
    if version:
        typer.echo(f"coolsim {_version()}")
        raise typer.Exit


@app.command(epilog="\b\nExample:\n  coolsim predict scenarios/humid-delta.toml --set feed.moisture='15 %'")
@guarded
def predict(
    scenario: ScenarioFile,
    json: JsonFile = None,
    settings: Settings = None,
    units: PrintedUnits = Units.si,
) -> None:
    """Predict how the pellets of SCENARIO leave the cooler.

    Exit status: 0 answered, 2 the input is wrong, 4 the computation failed, 1 a bug of ours.
    """
    if json not in (None, "-"):
        from coolsim.output import files

        files.check_writable(json, "--json")
    case = _case(scenario, settings)
    result = _solve(case)
    if json != "-":
        from coolsim.output import tables

        _print(tables.predicted(case, result, _page(units)))
    if json is not None:
        _write_json(case, result, scenario, json)


@app.command(epilog="\b\nExample:\n  coolsim check scenarios/humid-delta.toml --units us")
@guarded
def check(scenario: ScenarioFile, settings: Settings = None, units: PrintedUnits = Units.si) -> None:
    """Read SCENARIO and say what was understood.

    Nothing is computed. Exit status: 0 all right, 2 the input is wrong.
    """
    case = _case(scenario, settings)
    from coolsim.output import tables

    _print(tables.understood(case, _page(units)))


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
        _print(library.material_list([load_material(known) for known in names()], _page(units)))
    else:
        _print(library.material(load_material(name), _page(units)))


@app.command(epilog="\b\nExample:\n  coolsim new mill.toml")
@guarded
def new(file: Annotated[str, typer.Argument(metavar="FILE", help="The file to write.")]) -> None:
    """Write a commented scenario to edit.

    It runs as it is. A file that exists is never overwritten.
    """
    from coolsim.output import files
    from coolsim.scenario import template

    if os.path.lexists(file):
        raise InputError(
            [Fault("", "FILE", f"{file}, which exists", "name a new file: nothing is overwritten")]
        )
    files.check_writable(file, "FILE")
    files.write(file, template(), "FILE")
    _print(f"wrote {file}; try: coolsim predict {file}\n")


def _version() -> str:
    import coolsim

    return coolsim.__version__


def _case(scenario: str, settings: list[str] | None) -> Case:
    """Return the case of a scenario file with --set applied; raises InputError with all faults."""
    from coolsim.scenario import load_with

    return load_with(scenario, settings or ())


def _solve(case: Case) -> Result:
    from coolsim.predict import predict as solve

    return solve(case, band=True)


def _page(units: Units) -> Page:
    """Return the page that standard output is."""
    import shutil

    from coolsim.output.page import Page

    out = sys.stdout
    colour = out.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    width = max(20, shutil.get_terminal_size((80, 24)).columns)
    return Page(width, colour, out.encoding or "utf-8", units.value)


def _write_json(case: Case, result: Result, scenario: str, target: str) -> None:
    from coolsim.output import files
    from coolsim.output import json as as_json

    text = as_json.text(as_json.document(case, result, scenario, _version()))
    if target != "-":
        files.write(target, text, "--json")
        return
    _print(text.encode("utf-8"))  # JSON is UTF-8, whatever the terminal's encoding


def main() -> None:
    """Run the command line and leave with the exit status that --help promises."""
    try:
        app(prog_name="coolsim")
    except KeyboardInterrupt:  # before or after a command
        sys.exit(INTERRUPTED)


if __name__ == "__main__":
    main()
