"""Questions that take long, each asked in a process of its own, while others are asked here."""

from __future__ import annotations

import functools
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeAlias

# Begins a question of a case, and returns how to wait for its answer.
Start: TypeAlias = Callable[[Callable[[Any], Any], Any], Callable[[], Any]]


@contextmanager
def beside() -> Iterator[Start]:
    """Yield what starts questions in processes of their own; whoever leaves early stops them.

    A process raises here what it raises there. Scripts that use this need the usual guard, `if __name__ ==
    "__main__"`: where processes are spawned, theirs is read again.
    """
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import active_children, get_context

    others = active_children()
    with ProcessPoolExecutor(mp_context=get_context("spawn"), initializer=_deaf) as pool:
        try:
            yield functools.partial(_started, pool)
        except BaseException:  # Ctrl-C, or what was asked here failed: nobody waits for the others
            for process in active_children():
                if process not in others:
                    process.terminate()
            raise


def _started(pool: Any, question: Callable[[Any], Any], case: Any) -> Callable[[], Any]:
    """Start a question with Ctrl-C held back: the new process inherits that, here it comes a moment later."""
    if not hasattr(signal, "pthread_sigmask"):  # on Windows
        return pool.submit(question, case).result
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # now, or it would let Ctrl-C through in between
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return pool.submit(question, case).result
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _deaf() -> None:
    """Leave Ctrl-C to the process that asked, also where that is not inherited."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
