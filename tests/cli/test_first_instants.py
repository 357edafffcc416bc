"""Ctrl-C between the first line of ours and the first of a command: status 130 (128 + SIGINT, POSIX), no traceback.

Each run is traced from outside, and interrupted at one chosen event: so every instant is met, not only the long
ones. What Python does before it reads our first file, nobody can change: there its own traceback stays.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SEED = 181
# Python imports a module of this name before it looks at what it was asked to run (module `site`).
OUTSIDE = """
import os, signal, sys

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell starts what runs behind it deaf
seen, at = 0, int(os.environ["AT"])
AROUND = {("shared.py", "run"), ("process.py", "listening"), ("process.py", "end"), ("__init__.py", "run")}

def step(frame, event, what):
    global seen
    where = os.path.basename(frame.f_code.co_filename), frame.f_code.co_name
    early = os.environ["FIRST"] == frame.f_code.co_filename and frame.f_lineno > int(os.environ["LINE"])
    if "AROUND" in os.environ and where not in AROUND:
        return None
    if "AROUND" in os.environ or seen or early:
        seen += 1
        if seen == at:
            os.kill(os.getpid(), signal.SIGINT)
    return step

sys.settrace(step)
"""
SCRIPT = "import sys\nfrom coolsim.cli import main\nif __name__ == '__main__':\n    sys.exit(main())\n"
FIRST = ROOT / "coolsim" / "__init__.py"


def last_line_before() -> int:
    """Number of the line of ours that Ctrl-C is heard from: what stands above it is a comment and two imports."""
    lines = FIRST.read_text(encoding="utf-8").splitlines()
    return next((k for k, line in enumerate(lines, 1) if "_signal.signal(" in line), 1)


def interrupted(folder: Path, how: str, at: int, **around: str) -> tuple[int, str]:
    (folder / "sitecustomize.py").write_text(OUTSIDE)
    (folder / "coolsim").write_text(SCRIPT)
    words = {"module": ["-m", "coolsim.cli"], "script": [str(folder / "coolsim")]}[how]
    done = subprocess.run(
        [sys.executable, *words, "check", "gone.toml"],
        env=os.environ
        | {"PYTHONPATH": f"{folder}{os.pathsep}{ROOT}", "AT": str(at)}
        | {"FIRST": str(FIRST), "LINE": str(last_line_before())}
        | around,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize("count", [6, pytest.param(20, marks=pytest.mark.thorough)])
@pytest.mark.parametrize("how", ["module", "script"])
def test_ctrl_c_at_the_first_instants_is_130_without_a_traceback(
    tmp_path: Path, how: str, count: int
) -> None:
    draw = random.Random(SEED)
    instants = [1, 2, 3, *(round(10 ** draw.uniform(0.5, 5.0)) for _ in range(count))]
    found = {at: interrupted(tmp_path, how, at) for at in instants}
    assert {at: end for at, end in found.items() if end != (130, "coolsim: stopped\n")} == {}


@pytest.mark.thorough
def test_ctrl_c_around_a_command_is_130_too(tmp_path: Path) -> None:
    """Where signals begin to be heard, cease to be, and the process is left: at every fifth event or so."""
    draw, at, found = random.Random(SEED), 1, (130, "")
    while found[0] == 130 and at < 200:
        found = interrupted(tmp_path, "module", at, AROUND="1")
        said, last, rest = found[1].rpartition("coolsim: stopped\n")
        gone = "coolsim: gone.toml"
        if found[0] == 130:
            assert last and not rest and (not said or (said.startswith(gone) and said.count("\n") == 1)), (
                at,
                found,
            )
            at += draw.randrange(1, 10)
    assert found[0] == 2 and "Abort" not in found[1] and at > 30, (at, found)  # nothing was left to interrupt


@pytest.mark.thorough
def test_the_tracer_meets_a_command(tmp_path: Path) -> None:
    """The judge itself: late enough there is nothing left to interrupt, and the answer is the usual one."""
    status, err = interrupted(tmp_path, "module", 10**9)
    assert status == 2 and "gone.toml" in err
