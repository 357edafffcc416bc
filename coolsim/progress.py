"""How far something is that takes longer than a second: told to whom asks, or as a bar that goes when done."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeAlias

Progress: TypeAlias = Callable[[int, int], object] | bool | None  # hears how many of how many are done
PATIENCE = 1.0  # s, before a bar is shown
WIDTH = 30


@contextmanager
def told(what: str, total: int, progress: Progress) -> Iterator[Callable[[int], None]]:
    """Give a function that hears how many are done.

    progress: a function of (done, total); True or None for a bar, which None shows on a terminal or in a notebook
    only; False for nothing.
    """
    if callable(progress):
        yield lambda done: (progress(done, total), None)[1]
        return
    bar = None if progress is False else _bar(anywhere=progress is True)
    began, shown = time.monotonic(), False

    def tell(done: int) -> None:
        nonlocal shown
        took = time.monotonic() - began
        if bar is not None and (shown or took > PATIENCE) and done < total:
            left = f", {took * (total - done) / done:.0f} s left" if done else ""
            full = WIDTH * done // total
            bar(f"{what}: {done} of {total} [{'#' * full}{'.' * (WIDTH - full)}]{left}")
            shown = True

    try:
        yield tell
    finally:
        if shown and bar is not None:
            bar("")


def _bar(anywhere: bool) -> Callable[[str], None] | None:
    """Where a bar goes, if somebody sees it: each text takes the place of the last."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    if getattr(shell, "kernel", None) is not None:
        return _in_a_notebook()
    if not (anywhere or sys.stderr.isatty()):
        return None
    return lambda text: print(f"\r\x1b[2K{text}", end="", file=sys.stderr, flush=True)


def _in_a_notebook() -> Callable[[str], None]:
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
