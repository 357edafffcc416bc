"""Signals at random moments of every command that writes: each file is absent, old or whole, and nobody lives on.

Statuses are 128 and the number of the signal, as a shell counts (POSIX, exit status for commands). More of them:
COOLSIM_SIGNALS=200 python -m pytest -n 0 -s -m thorough tests/cli/test_signals.py -k campaign (and COOLSIM_SEED).
"""

from __future__ import annotations

import collections
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from cli.killed import kill
from test_workers import IN_TIME, left_after, of_session

from coolsim.support import files

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
SIGNALS = int(os.environ.get("COOLSIM_SIGNALS", "12"))
SEED = int(os.environ.get("COOLSIM_SEED", "18"))
OLD = b"old\n"
ERR = "said.txt"
STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143}


@pytest.fixture(autouse=True)
def heard() -> Iterator[None]:
    """Let SIGINT be heard, here and by what is started: a shell starts what runs in the background deaf to it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


# -- one signal, in this process


@pytest.mark.parametrize("number", STATUS)
def test_a_signal_ends_a_command_with_its_status(
    run: Run, scenario: Path, solver: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    monkeypatch.setattr("coolsim.cli.questions.solved", lambda *_: signal.raise_signal(number))
    before = signal.getsignal(number)
    done = run("predict", str(scenario), "--json", str(scenario.parent / "a.json"))
    assert signal.getsignal(number) == before
    assert (done.status, done.out, done.err) == (STATUS[number], "", "coolsim: stopped\n")
    assert list(scenario.parent.iterdir()) == [scenario]
    assert signal.getitimer(signal.ITIMER_REAL)[0] == 0


def test_a_signal_while_a_file_is_written_leaves_the_old_one(
    run: Run, scenario: Path, solver: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = scenario.parent / "a.json"
    target.write_bytes(OLD)
    monkeypatch.setattr(os, "fsync", lambda *_: signal.raise_signal(signal.SIGTERM))
    done = run("predict", str(scenario), "--json", str(target))
    assert done.status == 143 and target.read_bytes() == OLD
    assert sorted(path.name for path in scenario.parent.iterdir()) == ["a.json", "mill.toml"]


def test_a_signal_that_was_swallowed_ends_us_all_the_same(tmp_path: Path) -> None:
    """What is raised while Python tidies up goes nowhere: a second later the process is ended."""
    program = (
        "import os, signal, time\n"
        "from coolsim.cli.shared import command\n"
        "class Late:\n"
        "    def __del__(self): os.kill(os.getpid(), signal.SIGTERM); time.sleep(0.01)\n"
        "@command('swallow')\n"
        "def swallow() -> None:\n"
        "    Late()\n"
        "    while True: sum(range(1000))\n"
        "from coolsim.cli import main; main()\n"
    )
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", program, "swallow"],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (143, b"coolsim: stopped\n") and time.perf_counter() - begun < 30


# -- the campaign

OPENED = """
[limits]
airflow = ["900 m3/h", "2400 m3/h"]
[costs]
electricity = "0.15 EUR/kWh"
feed = "0.5 EUR/kg"
"""
YEAR = """
[weather]
file = "w.csv"
[weather.units]
temperature = "degC"
relative_humidity = "%"
"""
SITES = ("north.toml", "south.toml", "west.toml", "isle.toml")
COMMANDS: dict[str, tuple[str, ...]] = {  # what writes, and the files it writes
    "predict mill.toml --json a.json": ("a.json",),
    "settings mill.toml --json a.json": ("a.json",),
    "size to-buy.toml --json a.json": ("a.json",),
    f"seasons {' '.join(SITES)} --jobs 2 --json y.jsonl --csv h.csv --resume kept": ("y.jsonl", "h.csv"),
    "seasons mill.toml --direct --csv h.csv --chart c.csv": ("h.csv", "c.csv"),
    "fit mill.toml --trials t.csv -o m.toml --json a.json": ("m.toml", "a.json"),
    "report mill.toml -o r.html": ("r.html",),
    "card mill.toml -o c.pdf": ("c.pdf",),
    "materials pig-pellets --plot m.png": ("m.png",),
    "validation --json v.json": ("v.json",),
    "plan farm.toml --json a.json --plot p.png --along l.png": ("a.json", "p.png", "l.png"),
    "new n.toml": ("n.toml",),
}


def prepared(folder: Path, good: str) -> None:
    folder.mkdir()
    hours = range(30)
    rows = [f"2023-07-{1 + h // 24:02d}T{h % 24:02d}:00,{20 + h % 7},{60 + h % 24}" for h in hours]
    (folder / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *rows]))
    (folder / "mill.toml").write_text(good + OPENED + YEAR, encoding="utf-8")
    shutil.copy(ROOT / "scenarios" / "farm-line.toml", folder / "farm.toml")
    (folder / "to-buy.toml").write_text(f"{good}[sizing]\n", encoding="utf-8")
    for k, name in enumerate(SITES):
        (folder / name).write_text((good + YEAR).replace('"14 %"', f'"{13.5 + k / 2} %"'), encoding="utf-8")
    trials = ("cooler.airflow [m3/h],measured.moisture [%]", "1500,12.3", "1900,12.0", "1200,12.6")
    (folder / "t.csv").write_text("\n".join(trials))


def started(folder: Path, command: str) -> subprocess.Popen[bytes]:
    with (folder / ERR).open("wb") as err:
        return subprocess.Popen(
            [sys.executable, "-m", "coolsim.cli", *command.split()],
            cwd=folder,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdout=subprocess.DEVNULL,
            stderr=err,
            start_new_session=True,
        )


class Undisturbed:
    """What each command writes where nobody disturbs it, and how long it takes; run when first asked for."""

    def __init__(self, place: Path, good: str) -> None:
        self.place, self.good = place, good
        self.known: dict[str, tuple[float, dict[str, bytes]]] = {}

    def of(self, command: str) -> tuple[float, dict[str, bytes]]:
        if command not in self.known:
            folder = self.place / f"whole-{len(self.known)}"
            prepared(folder, self.good)
            begun = time.perf_counter()
            process = started(folder, command)
            assert process.wait() in (0, 3), (command, (folder / ERR).read_text())
            seconds = time.perf_counter() - begun
            self.known[command] = seconds, {n: (folder / n).read_bytes() for n in COMMANDS[command]}
        return self.known[command]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory, good: str) -> Undisturbed:
    return Undisturbed(tmp_path_factory.mktemp("undisturbed"), good)


def blocks(text: bytes) -> dict[bytes, bytes]:
    """The parts of a file of sites, by the site: lines of JSON, or rows of CSV."""
    found: dict[bytes, bytes] = collections.defaultdict(bytes)
    for line in text.splitlines(keepends=True):
        site = re.search(rb'"scenario": "([^"]*)"|^([^,]*),', line)
        found[site[1] or site[2] if site else b"none"] += line
    return found


def is_whole(found: bytes, whole: bytes, name: str) -> bool:
    """Whether a file is what an undisturbed run writes; one that grows, with any of its sites in any order."""
    if found == whole:
        return True
    if name not in ("y.jsonl", "h.csv", "c.csv") or not found.endswith(b"\n"):
        return False
    ours, all_of_them = blocks(found), blocks(whole)
    order = b"".join(ours.values()) == found  # no site is torn apart by another
    return order and all(all_of_them.get(site) == text for site, text in ours.items())


OURS = re.compile(r'File "[^"]*/coolsim/')  # a frame of a traceback that should not be there


def test_what_counts_as_whole() -> None:
    """The judge itself: by hand, three sites of two rows."""
    a, b, c = (f"{s},1\n{s},2\n".encode() for s in "abc")
    whole = b"scenario,x\n" + a + b + c
    for found in (whole, b"scenario,x\n" + c + a, b"scenario,x\n" + b):
        assert is_whole(found, whole, "h.csv")
    for found in (
        whole[:-1],
        whole[:-4],
        b"scenario,x\na,1\nb,1\na,2\nb,2\n",
        b"scenario,x\na,1\na,3\n",
        b"",
        OLD,
    ):
        assert not is_whole(found, whole, "h.csv")
    assert not is_whole(a, whole, "a.json")


@dataclass(frozen=True)
class Trial:
    """A signal sent at a moment of a command, and what became of it."""

    number: signal.Signals
    status: int
    err: str
    left: dict[int, str]  # processes, two seconds later
    words: str


def trial(folder: Path, command: str, seconds: float, draw: random.Random) -> Trial:
    number = draw.choice([signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
    whom = "process" if number == signal.SIGKILL else draw.choice(["process", "group"])
    moment = draw.uniform(0.0, 1.05 * seconds)
    process = started(folder, command)
    time.sleep(moment)
    if process.poll() is None:
        (os.kill if whom == "process" else os.killpg)(process.pid, number)
    left = left_after(process.pid, IN_TIME)
    words = f"{command}: {number.name} to the {whom} after {moment:.3f} of {seconds:.3f} s"
    return Trial(number, process.wait(), (folder / ERR).read_text(), left, words)


def check_files(folder: Path, command: str, whole: dict[str, bytes], old: bool) -> Iterator[str]:
    """Say what each file is, and fail where it is none of absent, old and whole."""
    for name in COMMANDS[command]:
        path = folder / name
        if not path.exists():
            assert not old, f"{name} was there"
            yield "absent"
        elif path.read_bytes() == OLD:
            assert old
            yield "old"
        else:
            assert is_whole(path.read_bytes(), whole[name], name), f"{name} is neither old nor whole"
            yield "whole"


@pytest.mark.thorough
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
def test_the_campaign(tmp_path: Path, undisturbed: Undisturbed, good: str) -> None:
    draw, count = random.Random(SEED), collections.Counter[str]()
    commands = list(COMMANDS)
    for k in range(SIGNALS):
        command, folder = commands[k % len(commands)], tmp_path / str(k)
        seconds, whole = undisturbed.of(command)
        prepared(folder, good)
        old = draw.random() < 0.5 and not command.startswith("new")  # which never overwrites
        for name in COMMANDS[command] if old else ():
            (folder / name).write_bytes(OLD)
        found = trial(folder, command, seconds, draw)
        assert not found.left, (found.words, found.left)
        count.update([found.number.name, *check_files(folder, command, whole, old)])
        count[told(found)] += 1
        if found.number == signal.SIGKILL:
            count["hidden files after kill -9"] += len(hidden(folder))
            files.check([files.Output("-o", str(folder / "x"))])  # as the next run does
            if (folder / "kept").exists():
                files.check([files.Output("--resume", str(folder / "kept"), folder=True)])
        assert not hidden(folder), found.words
        for kept in (folder / "kept").glob("*"):
            with np.load(kept) as held:
                assert held.files
        shutil.rmtree(folder)
    print(f"\n{SIGNALS} signals, seed {SEED}: {dict(count)}")


def told(found: Trial) -> str:
    """Say how a command ended; fails where that is none of the ways there are."""
    if found.status in (0, 3):
        assert not found.err, found
        return "ended before"
    if found.number == signal.SIGKILL:
        assert found.status == -signal.SIGKILL, found
        return "status -9"
    if found.status == STATUS[found.number]:
        assert found.err == "coolsim: stopped\n", found
        return f"status {found.status}"
    assert found.status in (-found.number, 1) and not OURS.search(found.err), found
    return "while Python started or ended"  # and hears signals itself, as it does by default


def hidden(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.name.startswith(".coolsim-")]


@pytest.mark.thorough
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked up in /proc")
def test_workers_of_a_killed_run_end_without_a_word(tmp_path: Path, good: str) -> None:
    """The trackers of their libraries would warn of what they tidy up; processes: ours, two workers, a tracker."""
    folder = tmp_path / "killed"
    prepared(folder, good)
    process = started(folder, next(command for command in COMMANDS if "--jobs 2" in command))
    until = time.monotonic() + 60
    while len(of_session(process.pid)) < 4 and time.monotonic() < until:
        time.sleep(0.02)
    time.sleep(2)  # so that workers have begun
    process.kill()
    assert not left_after(process.pid, IN_TIME)
    process.wait()
    assert (folder / ERR).read_text() == ""


# -- in the midst of writing

WRITERS = {
    "write": """
        for k in itertools.count(1):
            files.write("it", f"{k % 10}" * 400_000, "-o")
            print(flush=True)
    """,
    "grow": """
        growing = files.Growing("it", "-o")
        for k in itertools.count(1):
            growing.add(f"{k % 10}" * 100_000)
            print(flush=True)
    """,
}


@pytest.mark.parametrize("name", WRITERS)
def test_a_writer_that_does_nothing_else_is_killed(tmp_path: Path, name: str) -> None:
    """So that signals do meet a file that is being written: it holds whole pieces, one or as many as there were."""
    draw, size = random.Random(SEED), {"write": 400_000, "grow": 100_000}[name]
    program = f"import itertools\nfrom coolsim.support import files\n{textwrap.dedent(WRITERS[name])}"
    for k in range(max(8, SIGNALS // 4)):
        folder = tmp_path / str(k)
        folder.mkdir()
        kill(program, folder, draw.uniform(0.0, 0.1))
        found = (folder / "it").read_bytes()
        pieces = [found[at : at + size] for at in range(0, len(found), size)]
        assert pieces and (name == "grow" or len(pieces) == 1)
        assert all(piece == piece[:1] * size for piece in pieces)
        files.check([files.Output("-o", str(folder / "it"))])
        assert [path.name for path in folder.iterdir()] == ["it"] and (folder / "it").stat().st_nlink == 1
        shutil.rmtree(folder)
