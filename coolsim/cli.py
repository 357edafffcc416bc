"""The command line: which words do what, where output goes, and the exit status.

Heavy imports (pint, rich, numpy) stay inside the commands, so that `coolsim --help` answers at once.
"""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from coolsim.errors import CoolsimError, Fault, InputError, NotConverged

if TYPE_CHECKING:
    from coolsim.case import Case
    from coolsim.output.page import Page
    from coolsim.result import Result

ANSWERED, BUG, WRONG_INPUT, OUT_OF_REACH, NOT_COMPUTED, INTERRUPTED = 0, 1, 2, 3, 4, 130

app = typer.Typer(
    name="coolsim",
    help="Predicts the moisture and temperature at which feed pellets leave a cooler or dryer.",
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
Overrides = Annotated[
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
        _say(f"coolsim: the computation failed: {error.reason}\n{_best(error)}".rstrip())
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


def _best(error: NotConverged) -> str:
    """Return the best iterate of a failed computation in words; of many states, the first that failed."""
    best = error.best
    if best is None:
        return ""
    out = getattr(best, "pellets_out", None)
    if out is None:
        return f"best iterate, not an answer: {str(best)[:300]}"
    import numpy as np

    failed = int(error.failed[0]) if len(error.failed) else 0
    moisture, temperature = (np.atleast_1d(x)[failed] for x in (out.moisture_wb, out.temperature))
    return (
        f"best iterate, not an answer: moisture {100 * moisture:.2f} % (wet basis), "
        f"temperature {temperature:.1f} degC"
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
    """Predicts the moisture and temperature at which feed pellets leave a cooler or dryer."""
    if version:
        typer.echo(f"coolsim {_version()}")
        raise typer.Exit


@app.command(epilog="\b\nExample:\n  coolsim predict scenarios/humid-delta.toml --set feed.moisture='15 %'")
@guarded
def predict(
    scenario: ScenarioFile,
    json: JsonFile = None,
    overrides: Overrides = None,
    units: PrintedUnits = Units.si,
) -> None:
    """Predict how the pellets of SCENARIO leave the cooler or dryer.

    Exit status: 0 answered, 2 the input is wrong, 4 the computation failed, 1 a bug of ours.
    """
    _check_json(json)
    case = _case(scenario, overrides)
    result = _solve(case)
    from coolsim.output import json as as_json
    from coolsim.output import tables

    _deliver(
        lambda: tables.predicted(case, result, _page(units)),
        lambda: as_json.document(case, result, scenario, _version()),
        json,
    )


@app.command(
    "settings",
    epilog="\b\nExample:\n  coolsim settings scenarios/monsoon-night.toml --set target.moisture='12 %'",
)
@guarded
def find(
    scenario: ScenarioFile,
    json: JsonFile = None,
    overrides: Overrides = None,
    units: PrintedUnits = Units.si,
) -> int:
    """Find the cheapest settings of SCENARIO that meet its target.

    Needs [target] moisture, a range in [limits] for each thing that may be set (airflow or fan_speed,
    bed_depth or residence_time, inlet_air_temperature), and [costs]; [fan] and [duct] price the air.

    Exit status: 0 answered, 3 the target is out of reach (the nearest state and what would help are
    answered), 2 the input is wrong, 4 the computation failed, 1 a bug of ours.
    """
    _check_json(json)
    case = _case(scenario, overrides)
    from coolsim.output import json as as_json
    from coolsim.output import settings
    from coolsim.studies import advice

    with _working("looking for settings"):
        found = advice.advise(case)
    _deliver(
        lambda: settings.advised(case, found, _page(units)),
        lambda: as_json.settings_document(case, found, scenario, _version()),
        json,
    )
    return ANSWERED if found.answer.met else OUT_OF_REACH


@app.command(epilog="\b\nExample:\n  coolsim size scenarios/cooler-to-buy.toml --set sizing.margin='80 %'")
@guarded
def size(
    scenario: ScenarioFile,
    json: JsonFile = None,
    overrides: Overrides = None,
    units: PrintedUnits = Units.si,
) -> int:
    """Find how large a cooler and which fan SCENARIO needs.

    Needs [target] moisture and [sizing]: margin for fouling and fines, ranges of bed_depth and air_ratio,
    above_least or floor_area, freeboard, all with defaults. Each [[sizing.product]] and
    [[sizing.weather]] has a name and the keys of [feed] or [air] that differ; without any, [feed] and
    [air] count. [limits] says what the machine must keep; [costs] and [duct] count where given.

    Exit status: 0 answered, 3 no size serves every product in every weather (what stands in the way is
    answered), 2 the input is wrong, 4 the computation failed, 1 a bug of ours.
    """
    _check_json(json)
    case = _case(scenario, overrides)
    from coolsim.output import json as as_json
    from coolsim.output import size as printed
    from coolsim.studies import sizing

    with _working("looking for a size"):
        answer = sizing.size(case)
    _deliver(
        lambda: printed.sized(case, answer, _page(units)),
        lambda: as_json.size_document(case, answer, scenario, _version()),
        json,
    )
    return ANSWERED if answer.met else OUT_OF_REACH


@app.command(
    epilog="\b\nExample:\n  coolsim seasons scenarios/monsoon-year.toml --chart chart.csv --csv hours.csv",
)
@guarded
def seasons(
    scenarios: Annotated[
        list[str], typer.Argument(metavar="SCENARIO", help="Scenario files (TOML), one or more.")
    ],
    json: Annotated[
        str | None,
        typer.Option(
            "--json", metavar="FILE", help="Also one line of JSON per site; with - to standard output."
        ),
    ] = None,
    csv: Annotated[str | None, typer.Option("--csv", metavar="FILE", help="Also every hour as CSV.")] = None,
    chart: Annotated[
        str | None,
        typer.Option(
            "--chart", metavar="FILE", help="Also the settings chart, as CSV or (by its name) JSON."
        ),
    ] = None,
    direct: Annotated[
        bool, typer.Option("--direct", help="Predict each hour by itself, without a map of the exit.")
    ] = False,
    jobs: Annotated[int, typer.Option("--jobs", metavar="N", help="Scenarios run at once.", min=1)] = 1,
    resume: Annotated[
        str | None,
        typer.Option("--resume", metavar="DIR", help="Keep finished sites here, and take them from here."),
    ] = None,
    overrides: Overrides = None,
    units: PrintedUnits = Units.si,
) -> None:
    """Run the cooler of SCENARIO through its year of weather, hour by hour.

    Needs [weather] file and [target] moisture. With a range in [limits] and [costs], a settings chart is made:
    what to set by temperature and humidity outside.

    Exit status: 0 answered, 2 the input is wrong, 4 the computation failed, 1 a bug of ours, 130 stopped
    (finished sites are kept).
    """
    from coolsim.output.season_run import Files, run

    files = Files(json, csv, chart)
    files.check()
    cases = _cases(scenarios, overrides)
    run(list(zip(scenarios, cases)), files, _page(units), _print, direct=direct, jobs=jobs, resume=resume)


@app.command(epilog="\b\nExample:\n  coolsim check scenarios/humid-delta.toml --units us")
@guarded
def check(scenario: ScenarioFile, overrides: Overrides = None, units: PrintedUnits = Units.si) -> None:
    """Read SCENARIO and say what was understood.

    Nothing is computed. Exit status: 0 all right, 2 the input is wrong.
    """
    case = _case(scenario, overrides)
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


def _case(scenario: str, overrides: list[str] | None) -> Case:
    """Return the case of a scenario file with --set applied; raises InputError with all faults."""
    from coolsim.scenario import load_with

    return load_with(scenario, overrides or ())


def _cases(scenarios: list[str], overrides: list[str] | None) -> list[Case]:
    """Return the cases of many files; raises InputError with the faults of all."""
    cases, faults = [], []
    for scenario in scenarios:
        try:
            cases.append(_case(scenario, overrides))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return cases


def _solve(case: Case) -> Result:
    from coolsim.predict import predict as solve

    return solve(case, band=True)


@contextmanager
def _working(what: str) -> Iterator[None]:
    """A sign of life on a terminal's standard error, gone when done; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status(f"{what} …"):
        yield


def _page(units: Units) -> Page:
    """Return the page that standard output is."""
    import shutil

    from coolsim.output.page import Page

    out = sys.stdout
    colour = out.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    width = max(20, shutil.get_terminal_size((80, 24)).columns)
    return Page(width, colour, out.encoding or "utf-8", units.value)


def _check_json(target: str | None) -> None:
    """Raise InputError, before anything is solved, where the JSON could not be written."""
    if target not in (None, "-"):
        from coolsim.output import files

        files.check_writable(target, "--json")


def _deliver(printed: Callable[[], str], document: Callable[[], dict[str, Any]], target: str | None) -> None:
    """Print an answer, write its JSON, or both, as --json asks."""
    from coolsim.output import files
    from coolsim.output import json as as_json

    if target != "-":
        _print(printed())
    if target is None:
        return
    text = as_json.text(document())
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
