"""The process of a command: signals that end it with the right status, and streams that nobody need listen to.

It loads next to nothing, since what comes before `begin` hears no Ctrl-C as it should.
"""

from __future__ import annotations

import atexit
import errno
import io
import os
import signal
import sys
from contextlib import contextmanager

from coolsim import _STOPPED as STOPPED
from coolsim import _end_at_once

TYPE_CHECKING = False  # as typing's own, which takes a while to load
if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType
    from typing import Any, NoReturn

INTERRUPTED = 128  # and the number of the signal, as shells count: 130 for Ctrl-C, 143 for SIGTERM
NOT_WRITTEN = 4
PATIENCE = 0.7  # s, for undoing what was half done; what holds on longer is left to those who come next
_ENDING = tuple(
    int(getattr(signal, name)) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)
_USUAL = (signal.SIG_DFL, signal.default_int_handler, _end_at_once)  # nobody else listens


# -- streams


class Outlet(io.FileIO):
    """A stream that takes what nobody reads, or a full disk does not hold, and remembers why that was."""

    failed: OSError | None = None

    def write(self, data: Any) -> int:
        if self.failed is None:
            try:
                while (count := super().write(data)) is None:  # a pipe that does not wait, and is full
                    import select

                    select.select([], [self.fileno()], [])
                return count
            except OSError as error:
                self.failed = error
        return memoryview(data).nbytes


def begin() -> None:
    """Make this process ours: until a command listens, a signal ends it at once."""
    for number in _ENDING:
        if signal.getsignal(number) in _USUAL:
            signal.signal(number, _end_at_once)
    sys.unraisablehook = _unless_stopped
    # where we are ended at once, multiprocessing's trackers tidy up after us: no matter for a warning
    quiet = "ignore:resource_tracker:UserWarning"
    os.environ["PYTHONWARNINGS"] = ",".join(filter(None, (os.environ.get("PYTHONWARNINGS"), quiet)))
    for descriptor in (0, 1, 2):  # one that is closed would become that of the next file
        try:
            os.fstat(descriptor)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)
    if os.name != "nt":  # whose terminals are no files
        sys.stdout, sys.stderr = _outlet(sys.stdout, 1), _outlet(sys.stderr, 2)


def _outlet(stream: Any, descriptor: int) -> io.TextIOWrapper:
    raw = Outlet(descriptor, "w", closefd=False)
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=getattr(stream, "encoding", "utf-8"),
        errors=getattr(stream, "errors", "strict"),
        line_buffering=descriptor == 2 or raw.isatty(),
        write_through=getattr(stream, "write_through", False),
    )


def trouble(stream: Any) -> OSError | None:
    """Return why a stream takes nothing any more, or None; a reader that left counts, too."""
    raw = getattr(getattr(stream, "buffer", None), "raw", None)
    return raw.failed if isinstance(raw, Outlet) else None


def end(status: int) -> NoReturn:
    """Leave with the status of a command, or that of an answer that could not be written."""
    sys.stdout.flush()
    failed = trouble(sys.stdout)
    if failed is not None and failed.errno != errno.EPIPE:  # a reader that has seen enough is no fault
        print(
            f"coolsim: standard output: found an output that cannot be written ({failed.strerror}); "
            "choose another place",
            file=sys.stderr,
        )
        status = status if status in (1, 2) else NOT_WRITTEN
    sys.stderr.flush()
    if status > INTERRUPTED:  # what is to be tidied up is, but nobody waits for threads; workers end with us
        _end_in(PATIENCE, status)
    elif _others_run():  # pools have to be told first, or they would be waited for without end
        sys.exit(status)
    # nobody waits for the quarter of a second that Python takes to let go of all that was loaded
    atexit._run_exitfuncs()
    os._exit(status)


def _others_run() -> bool:
    """Whether threads or processes of ours are still there."""
    import threading

    processes = sys.modules.get("multiprocessing")
    return threading.active_count() > 1 or bool(processes and processes.active_children())


# -- signals


def _end_in(seconds: float, status: int, words: str = "") -> None:
    def end_now(number: int, frame: FrameType | None) -> None:
        try:
            os.write(2, words.encode())
        finally:
            os._exit(status)

    if hasattr(signal, "setitimer"):  # not on Windows
        signal.signal(signal.SIGALRM, end_now)
        signal.setitimer(signal.ITIMER_REAL, seconds)


def _unless_stopped(lost: Any) -> None:
    """Tell of an error that went nowhere, unless it is ours: a signal that came while Python tidied up."""
    if not issubclass(lost.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(lost)


@contextmanager
def listening(heard: list[int]) -> Iterator[None]:
    """Turn signals that end a command into KeyboardInterrupt, so that what is half done is undone.

    Their numbers are put into `heard` as they come: a library that is being loaded may make another error of it,
    and one that comes while Python tidies up is lost. So what goes on regardless is ended soon after. Signals that
    somebody else listens to, or that are ignored (`nohup`), are left alone.
    """
    import threading

    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def hear(number: int, frame: FrameType | None) -> None:
        if heard:  # one more is no reason to leave half undone what the first one began
            return
        heard.append(number)
        _end_in(PATIENCE, INTERRUPTED + number, f"{STOPPED}\n")
        raise KeyboardInterrupt

    before = {n: signal.getsignal(n) for n in _ENDING if signal.getsignal(n) in _USUAL}
    for number in before:
        signal.signal(number, hear)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if heard and hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
