"""What every command shares: its options, how it ends, where its output goes."""

from __future__ import annotations

import functools
import logging
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from coolsim.cli import process
from coolsim.support.dual_units import for_reader
from coolsim.support.dual_units import temperature as in_both
from coolsim.support.errors import CoolsimError, Fault, InputError, NotConverged, NotWritten, joined_to
from coolsim.support.visible import plain

if TYPE_CHECKING:
    from coolsim.case.case import Case
    from coolsim.output.page import Page
    from coolsim.support.files import Output

ANSWERED, BUG, WRONG_INPUT, OUT_OF_REACH, NOT_COMPUTED = 0, 1, 2, 3, 4

app = typer.Typer(
    name="coolsim",
    help="Predicts the moisture and temperature at which feed pellets leave a cooler or dryer.",
    epilog="Start with: coolsim new mill.toml, then: coolsim predict mill.toml",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: the same at any width, in a pipe and in ASCII
)


# As a person meets them: first a scenario, then its questions, what is shown of it, and what stands behind it.
COMMANDS = {
    "new": "Write a commented scenario to edit, or a file for trials.",
    "check": "Say what was understood of a scenario; computes nothing.",
    "predict": "How the pellets leave: moisture, temperature, the air.",
    "settings": "What to set tonight, at the least cost.",
    "size": "How large a machine to buy, with which fans.",
    "seasons": "What a year of weather brings, and a settings chart.",
    "plan": "What a shift of the line gives, and what holds it back.",
    "report": "All that a scenario asks, with pictures, as HTML.",
    "explore": "A page to play with: answers while sliders move.",
    "card": "The settings chart, to print and hang beside the machine.",
    "fit": "Fit the numbers of a scenario to trials on your own line.",
    "materials": "The default materials, each number with its source.",
    "explain": "What a word of a scenario or of an answer means.",
    "validation": "How the model stands against published measurements.",
}


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
PrintedUnits = Annotated[
    Units, typer.Option("--units", help="Units of what is printed, and of the steps of dials; JSON is SI.")
]
JsonFile = Annotated[
    str | None,
    typer.Option(
        "--json", metavar="FILE", help="Also write the answer as JSON; with - to standard output, alone."
    ),
]


Command = Callable[..., int | None]


def command(example: str, name: str | None = None) -> Callable[[Command], Callable[..., None]]:
    """Make a function a command whose help ends with an example, called as the function is or by a name."""
    epilog = f"\b\nExample:\n  coolsim {example}"

    def add(answered: Command) -> Callable[..., None]:
        brief = COMMANDS.get(name or answered.__name__)
        return app.command(name, short_help=brief, epilog=epilog)(_guarded(answered))

    return add


def _guarded(command: Command) -> Callable[..., None]:
    """Turn what a command raises into messages on standard error and an exit status."""

    def answered(heard: list[int], *args: Any, **kwargs: Any) -> int:
        try:
            return command(*args, **kwargs) or ANSWERED
        except Exception as error:
            if heard:  # a library may make another error of a signal
                raise KeyboardInterrupt from None
            return _failed(error, kwargs.get("units", Units.si))

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        heard: list[int] = []
        try:
            with process.listening(heard):
                status = answered(heard, *args, **kwargs)
        except KeyboardInterrupt:  # also one that came before the command began, or when it had ended
            status = _stopped(heard)
        raise typer.Exit(status)

    return run


def _stopped(heard: list[int]) -> int:
    _say(process.STOPPED)
    return process.INTERRUPTED + (heard[-1] if heard else signal.SIGINT)


def _failed(error: Exception, units: str) -> int:
    """Say what went wrong, in the reader's units first, and return the exit status."""
    if isinstance(error, InputError):
        count = len(error.faults)
        text = f"coolsim: {count} faults\n{error}" if count > 1 else f"coolsim: {error}"
        _say(for_reader(text, units))
        return WRONG_INPUT
    if isinstance(error, NotConverged):
        text = f"coolsim: the computation failed: {error.reason}\n{_best(error)}".rstrip()
        _say(for_reader(text, units))
        return NOT_COMPUTED
    if isinstance(error, NotWritten):
        _say(f"coolsim: {error}")
        return process.NOT_WRITTEN
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
        f"temperature {in_both(temperature, 1)}"
    )


def _say(text: str) -> None:
    print(plain(text, sys.stderr.encoding or "utf-8"), file=sys.stderr)


def emit(text: str | bytes) -> bool:
    """Write to standard output; return whether anybody listens. What refuses is told of at the end."""
    if isinstance(text, bytes):
        sys.stdout.flush()
        sys.stdout.buffer.write(text)
    else:
        sys.stdout.write(text)
    sys.stdout.flush()
    return process.trouble(sys.stdout) is None


def print_sentence(sentence: str) -> None:
    """Write a sentence with names in it to standard output."""
    emit(plain(sentence, sys.stdout.encoding or "utf-8") + "\n")


def version() -> str:
    import coolsim

    return coolsim.__version__


def case_of(
    scenario: str,
    overrides: list[str] | None,
    outputs: Sequence[Output | None] = (),
    trials: str | None = None,
    units: Units = Units.si,
) -> Case:
    """Return the case of a scenario file with --set applied; raises InputError with all faults, of outputs as well.

    outputs: files that the command is to write (None: not asked for); trials: one more file that it reads;
    units: in which what is chosen is round.
    """
    return cases_of([scenario], overrides, outputs, trials, units)[0]


def cases_of(
    scenarios: Sequence[str],
    overrides: list[str] | None,
    outputs: Sequence[Output | None] = (),
    trials: str | None = None,
    units: Units = Units.si,
) -> list[Case]:
    """Return the cases of many files, as `case_of` does of one; raises InputError with the faults of all."""
    from coolsim.scenario import files_of, load_with
    from coolsim.support.files import faults_of

    cases: list[Case] = []
    faults: list[Fault] = []
    inputs = [(f"the scenario {scenario}", scenario) for scenario in scenarios]
    inputs += [("the file of --trials", trials)] if trials is not None else []
    for scenario in scenarios:
        with joined_to(faults):
            with _left_out("dask"):  # pint loads it, a tenth of a second, for arrays that no scenario has
                cases.append(load_with(scenario, overrides or (), units.value))
            inputs += [(f"{key} of {scenario}", path) for key, path in files_of(cases[-1])]
    faults = faults_of(outputs, inputs) + faults
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return cases


@contextmanager
def _left_out(library: str) -> Iterator[None]:
    """Let a library of others do without one that it loads where it is installed; only in a process of our own."""
    there = library in sys.modules
    if not there:
        sys.modules[library] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if not there:
            del sys.modules[library]


def json_file(target: str | None) -> Output | None:
    """Return the file that --json asks for: none where it is standard output."""
    from coolsim.support.files import STANDARD_OUTPUT, Output

    return None if target in (None, STANDARD_OUTPUT) else Output("--json", target)


def working(what: str) -> AbstractContextManager[None]:
    """A sign of life on a terminal's standard error, gone when done; nothing elsewhere."""
    from coolsim.support.progress import heard

    return heard(begins=what)


def page_for(units: Units, wide: bool = False) -> Page:
    """Return the page that standard output is; wide: tables have all of their columns."""
    import shutil

    from coolsim.output.page import Page

    out = sys.stdout
    colour = out.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    width = max(20, shutil.get_terminal_size((80, 24)).columns)
    return Page(width, colour, out.encoding or "utf-8", units.value, wide=wide)


def picture_bytes(axes: Any, file: str) -> bytes:
    """A picture in the format that a file's name asks for."""
    import io

    import numpy as np

    figure: Any = np.ravel(np.asarray(axes, object))[0].figure
    stream = io.BytesIO()
    figure.savefig(stream, format=file.rpartition(".")[2].lower(), dpi=150)
    return stream.getvalue()


def draw_without_screen() -> None:
    """Let pictures go to files, whatever MPLBACKEND says: matplotlib is not even loaded where it is misspelt."""
    os.environ["MPLBACKEND"] = "agg"
    logging.getLogger("matplotlib.font_manager").setLevel(
        logging.ERROR
    )  # which weight of a font there is not


def deliver(printed: Callable[[], str], document: Callable[[], dict[str, Any]], target: str | None) -> None:
    """Write an answer's JSON, print it, or both, as --json asks."""
    from coolsim.output import json as as_json
    from coolsim.support import files

    if target == files.STANDARD_OUTPUT:
        emit(files.encoded(as_json.text(document())))  # JSON is UTF-8, whatever the terminal's encoding
        return
    try:
        if target is not None:
            files.write(target, as_json.text(document()), "--json")
    except NotWritten:
        emit(printed())  # what was computed is not lost
        raise
    emit(printed())
