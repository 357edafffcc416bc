"""Processes that work beside ours: answers and faults come through, and none outlives whoever started it."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest

import coolsim
from coolsim.support.errors import Fault, InputError
from coolsim.support.workers import background_processes

ROOT = Path(__file__).parents[1]
IN_TIME = 2.0  # s, after which no process may be left


def refuse(case: str) -> None:
    raise InputError([Fault("line 3", case, "140 %", "0 to 60 %")])


def test_an_answer_comes_from_another_process() -> None:
    with background_processes() as start:
        wait = start(pid, "asked")
        assert wait() not in ("asked", f"asked {multiprocessing.current_process().pid}")


def pid(case: str) -> str:
    return f"{case} {multiprocessing.current_process().pid}"


def test_a_fault_is_raised_here_as_it_is_there() -> None:
    with pytest.raises(InputError) as wrong, background_processes() as start:
        start(refuse, "feed.moisture")()
    assert wrong.value.faults == [Fault("line 3", "feed.moisture", "140 %", "0 to 60 %")]


@pytest.mark.parametrize("stopped", [KeyboardInterrupt, coolsim.NotConverged])
def test_whoever_leaves_early_stops_the_others(stopped: type[BaseException]) -> None:
    begun, other = (
        time.perf_counter(),
        multiprocessing.get_context("spawn").Process(target=time.sleep, args=(60,)),
    )
    other.start()
    before = multiprocessing.active_children()
    with pytest.raises(stopped), background_processes() as start:
        start(time.sleep, 60)
        raise stopped("now")
    assert time.perf_counter() - begun < 20
    assert {*multiprocessing.active_children()} <= {*before} and other.is_alive()  # which is not ours to stop
    other.terminate()
    other.join()


# What computes in workers, and says when they have begun: here, by joblib's processes, and waiting for work
PARENTS = {
    "beside": """
        with background_processes() as start:
            print("begun", start(begun, 0)(), flush=True)
            start(busy, 0)()
    """,
    "idle": """
        with background_processes() as start:
            print("begun", start(begun, 0)(), flush=True)
            time.sleep(60)
    """,
    "joblib": """
        import joblib
        work = joblib.Parallel(n_jobs=2, return_as="generator", initializer=attached, initargs=(os.getpid(),))
        with unheard():
            found = work(joblib.delayed(f)(0) for f in (begun, begun, busy, busy))
        print("begun", next(found), flush=True)
        list(found)
    """,
}
HEAD = """
    import os, time
    from coolsim.support.workers import attached, background_processes, unheard
    def begun(_): return os.getpid()
    def busy(_):
        while True: sum(range(10_000))
    if __name__ == "__main__":
"""


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
@pytest.mark.parametrize("name", PARENTS)
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_workers_end_with_a_parent_that_is_killed(tmp_path: Path, name: str, number: int) -> None:
    program = tmp_path / "parent.py"
    program.write_text(textwrap.dedent(HEAD) + textwrap.indent(textwrap.dedent(PARENTS[name]), "    "))
    parent: Any = subprocess.Popen(
        [sys.executable, str(program)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    assert parent.stdout.readline().startswith(b"begun")
    assert len(of_session(parent.pid)) > 1
    parent.send_signal(number)
    assert not left_after(parent.pid, IN_TIME)
    parent.wait()
    parent.stdout.close()


def of_session(leader: int) -> dict[int, str]:
    """Processes of a session that run, by number: proc(5), stat; a zombie is none."""
    found = {}
    for entry in Path("/proc").iterdir():
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            if entry.name.isdecimal() and int(fields[3]) == leader and fields[0] not in "ZX":
                found[int(entry.name)] = (entry / "cmdline").read_text().replace("\0", " ")[:200]
        except (OSError, IndexError, ValueError):
            continue
    return found


def processors(session: dict[int, str]) -> dict[str, tuple[float, str]]:
    """How long each thread waited for a processor, ready to run [s], and all that would change if it ran.

    proc(5), schedstat: time on a processor, time waiting for one, times it was given one.
    """
    found = {}
    for process in session:
        for thread in Path(f"/proc/{process}/task").glob("*"):
            with contextlib.suppress(OSError, IndexError, ValueError):
                ran = (thread / "schedstat").read_text()
                state = (thread / "stat").read_text().rpartition(")")[2].split()[0]
                found[str(thread)] = 1e-9 * float(ran.split()[1]), f"{state} {ran}"
    return found


def left_after(leader: int, seconds: float) -> dict[int, str]:
    """Return processes of a session that are still there some seconds later; they are ended, too.

    On a machine that has no processor free, what its threads wait for one (one for another, at worst) is no time of
    theirs. What computes on is never done, and found in the end.
    """
    begun, at_first = time.monotonic(), processors(of_session(leader))
    before = at_first
    while left := of_session(leader):
        passed, now = time.monotonic() - begun, processors(left)
        waited = sum(w - at_first.get(thread, (0.0, ""))[0] for thread, (w, _) in now.items())
        waits = any(
            seen.startswith("R") and before.get(t, (0, ""))[1] == seen for t, (_, seen) in now.items()
        )
        if (passed - waited > seconds and not waits) or passed > 20 * seconds:
            break
        before = now
        time.sleep(0.02)
    for process in left:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
    return left
