"""What every command shares: its options, how it ends, where its output goes."""

from __future__ import annotations

import functools
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from types import FrameType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from coolsim.errors import CoolsimError, Fault, InputError, NotConverged

if TYPE_CHECKING:
    from coolsim.case import Case
    from coolsim.output.page import Page

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
        with _ears() as heard:
            try:
                status = command(*args, **kwargs) or ANSWERED
            except KeyboardInterrupt:
                status = _stopped()
            except Exception as error:
                status = _stopped() if heard else _failed(error)
        raise typer.Exit(status)

    return run


@contextmanager
def _ears() -> Iterator[list[int]]:
    """Hear Ctrl-C as ever, and note that it came: a library that is being loaded may make another error of it."""
    before, heard = signal.getsignal(signal.SIGINT), list[int]()
    if before is not signal.default_int_handler or threading.current_thread() is not threading.main_thread():
        yield heard  # someone else listens, or nobody may
        return

    def hear(number: int, frame: FrameType | None) -> None:
        heard.append(number)
        signal.default_int_handler(number, frame)

    signal.signal(signal.SIGINT, hear)
    try:
        yield heard
    finally:
        signal.signal(signal.SIGINT, before)


def _stopped() -> int:
    _say("coolsim: stopped")
    return INTERRUPTED


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


def emit(text: str | bytes) -> None:
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


def version() -> str:
    import coolsim

    return coolsim.__version__


def case_of(scenario: str, overrides: list[str] | None) -> Case:
    """Return the case of a scenario file with --set applied; raises InputError with all faults."""
    from coolsim.scenario import load_with

    return load_with(scenario, overrides or ())


def cases_of(scenarios: list[str], overrides: list[str] | None) -> list[Case]:
    """Return the cases of many files; raises InputError with the faults of all."""
    cases, faults = [], []
    for scenario in scenarios:
        try:
            cases.append(case_of(scenario, overrides))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return cases


@contextmanager
def working(what: str) -> Iterator[None]:
    """A sign of life on a terminal's standard error, gone when done; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console

    with Console(stderr=True).status(f"{what} …"):
        yield


def page_for(units: Units) -> Page:
    """Return the page that standard output is."""
    import shutil

    from coolsim.output.page import Page

    out = sys.stdout
    colour = out.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    width = max(20, shutil.get_terminal_size((80, 24)).columns)
    return Page(width, colour, out.encoding or "utf-8", units.value)


def check_json(target: str | None) -> None:
    """Raise InputError, before anything is solved, where the JSON could not be written."""
    if target not in (None, "-"):
        from coolsim.output import files

        files.check_writable(target, "--json")


def deliver(printed: Callable[[], str], document: Callable[[], dict[str, Any]], target: str | None) -> None:
    """Print an answer, write its JSON, or both, as --json asks."""
    from coolsim.output import files
    from coolsim.output import json as as_json

    if target != "-":
        emit(printed())
    if target is None:
        return
    text = as_json.text(document())
    if target != "-":
        files.write(target, text, "--json")
        return
    emit(text.encode("utf-8"))  # JSON is UTF-8, whatever the terminal's encoding
