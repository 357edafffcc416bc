"""How far a question is that takes longer than a second: told to whom asks, or as a bar that goes with the answer.

Every such question takes `progress`: a function that hears (how many are done, of how many, what is being done);
True for a bar; None, as where it is left out, for a bar on a terminal and in a notebook only; False for nothing.
What the function raises ends the question.

Deep code says `for one in each(many, "looking for settings")`, or `with in_steps(4) as step: step("fitting") ...`.
It does not know who listens, if anybody does. What is counted within something that is counted is not heard.
"""

from __future__ import annotations

import functools
import io
import sys
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeAlias, TypeVar

Progress: TypeAlias = Callable[[int, int, str], object] | bool | None
PATIENCE = 1.0  # s, before a bar is shown
NOTEBOOK = 80  # columns

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")


@dataclass
class _Listener:
    tell: Callable[[int, int, str], object] | None  # None: nobody hears
    busy: bool = False  # something is counted


_heard: ContextVar[_Listener | None] = ContextVar("heard", default=None)


def tells(question: Callable[P, R]) -> Callable[P, R]:
    """Let a question tell how far it is to the `progress` that it is asked with."""

    @functools.wraps(question)
    def asked(*args: P.args, **kwargs: P.kwargs) -> R:
        with heard(kwargs.get("progress")):  # type: ignore[arg-type]
            return question(*args, **kwargs)

    return asked


@contextmanager
def heard(progress: Progress = None, begins: str = "") -> Iterator[None]:
    """Let what is counted here be heard; a question within another is heard as that one is, unless it says how.

    begins: what is done first, for a bar that is there at once.
    """
    if progress is None and _heard.get() is not None:
        yield
        return
    bar = None if progress is False or callable(progress) else _bar(progress is True, begins)
    tell = progress if callable(progress) else None if bar is None else bar.tell
    token = _heard.set(_Listener(tell))
    try:
        yield
    finally:
        _heard.reset(token)
        if bar is not None:
            bar.close()


@contextmanager
def in_steps(total: int) -> Iterator[Callable[..., None]]:
    """Give a function that says what is done next, of so many things; and of how many, where it is not one."""
    listener, done, last = _heard.get(), 0, ""
    tell = None if listener is None or listener.busy else listener.tell
    if listener is None or tell is None:
        yield lambda what, count=1: None
        return

    def step(what: str, count: int = 1) -> None:
        nonlocal done, last
        tell(done, total, what)
        done, last = min(done + count, total), what

    listener.busy = True
    try:
        yield step
        tell(total, total, last)
    finally:
        listener.busy = False


def each(items: Collection[T], what: str) -> Iterator[T]:
    """Items one after another, each of them told."""
    if not items:
        return
    with in_steps(len(items)) as step:
        for one in items:
            step(what)
            yield one


# ---- Bars -----------------------------------------------------------------------------------------------


class _Bar:
    """A bar as rich draws it: on a terminal's standard error, or as text of a notebook's cell."""

    def __init__(self, cell: Callable[[str], None] | None, begins: str) -> None:
        self.cell, self.began = cell, time.monotonic()
        self.drawn: Any = None
        if begins:
            self._draw(begins, None, None)

    def tell(self, done: int, total: int, what: str) -> None:
        if self.drawn is not None or time.monotonic() - self.began > PATIENCE:
            self._draw(
                f"{what}: {done} of {total}" if total > 1 else what, done, total if total > 1 else None
            )

    def close(self) -> None:
        if self.drawn is None:
            return
        if self.cell is None:
            self.drawn.stop()
        else:
            self.cell("")

    def _draw(self, words: str, done: int | None, total: int | None) -> None:
        if self.drawn is None:
            self.drawn = _of_rich(on_terminal=self.cell is None)
            self.task = self.drawn.add_task(words, total=None)
            if self.cell is None:
                self.drawn.start()
        self.drawn.update(self.task, description=words, total=total, completed=done)
        if self.cell is not None:
            with self.drawn.console.capture() as text:
                self.drawn.console.print(self.drawn.get_renderable())
            self.cell(text.get().rstrip())


def _of_rich(on_terminal: bool) -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn()
    if not on_terminal:
        console = Console(file=io.StringIO(), width=NOTEBOOK, force_jupyter=False)
        return Progress(*columns, console=console, auto_refresh=False)
    # What is printed meanwhile goes above the bar where it goes to the same screen, and where it belongs where not.
    both = sys.stdout.isatty()
    console = Console(stderr=True, force_terminal=True)
    return Progress(*columns, console=console, transient=True, redirect_stdout=both, redirect_stderr=False)


def _bar(anywhere: bool, begins: str) -> _Bar | None:
    """A bar where somebody sees it."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    if getattr(shell, "kernel", None) is not None:
        return _Bar(_cell(), begins)
    return _Bar(None, begins) if anywhere or sys.stderr.isatty() else None


def _cell() -> Callable[[str], None]:
    """What shows a text in a notebook, in place of the last."""
    from IPython.display import display

    handle: Any = None

    def show(text: str) -> None:
        nonlocal handle
        data = {"text/plain": text}
        if handle is None:
            handle = display(data, raw=True, display_id=True)
        else:
            handle.update(data, raw=True)

    return show
