"""Processes that work beside this one, and end with it: at its end, at a signal, and where it is killed."""

from __future__ import annotations

import functools
import importlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeAlias

# Begins a question of a case, and returns how to wait for its answer.
Start: TypeAlias = Callable[[Callable[[Any], Any], Any], Callable[[], Any]]

ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
_GLANCE = 0.25  # s, between two looks whether the parent lives


def attached(parent: int) -> None:
    """Begin a worker: leave Ctrl-C to the process `parent` that started it, and end when that has ended.

    A killed parent says nothing: without this its workers would compute on, or wait for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):  # held back while it was started, see `unheard`
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDING)
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _ready(parent: int, modules: tuple[str, ...]) -> None:
    """Begin a worker that is to answer without delay."""
    attached(parent)
    for module in modules:
        importlib.import_module(module)


def _end_with(parent: int) -> None:
    if os.name == "nt":  # where a process never hears that it was orphaned
        from multiprocessing import parent_process

        found = parent_process()
        if found is None:
            return
        found.join()
    else:
        while os.getppid() == parent:
            time.sleep(_GLANCE)
    os._exit(1)


@contextmanager
def unheard() -> Iterator[None]:
    """Hold back signals that end us: processes begun meanwhile inherit that, here they come a moment later."""
    if not hasattr(signal, "pthread_sigmask"):  # on Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def background_process(*modules: str) -> Iterator[Start]:
    """Yield what starts questions, one after another, in a process of their own; whoever leaves early stops it.

    It begins at once, and loads these modules before it is asked. What a question raises there is raised here.
    Scripts that use this need the usual guard, `if __name__ == "__main__"`: where processes are spawned, theirs is
    read again.
    """
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import active_children, get_context

    others = active_children()
    spawn = get_context("spawn")
    with ProcessPoolExecutor(1, spawn, _ready, (os.getpid(), modules)) as pool:
        try:
            _started(pool, bool, None)  # any question, so that the process begins now
            yield functools.partial(_started, pool)
        finally:  # nobody waits for what is not asked any more, nor for Python to let go of what it loaded
            for process in active_children():
                if process not in others:
                    process.kill()  # SIGTERM may be held back yet


def trackers(*modules: str) -> None:
    """Begin the trackers of process libraries: within `unheard` they would let signals through in between."""
    if os.name != "nt":
        for module in ("multiprocessing.resource_tracker", *modules):
            importlib.import_module(module).ensure_running()


def _started(pool: Any, question: Callable[[Any], Any], case: Any) -> Callable[[], Any]:
    trackers()
    with unheard():
        return pool.submit(question, case).result
