"""Standard output and error closed, full or left by their reader: the right status, files written, no traceback.

`>&-` closes a stream (POSIX shell); /dev/full refuses every byte with ENOSPC (full(4)); a reader that leaves is
EPIPE.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CLI = f"{sys.executable} -m coolsim.cli"
NO_BUG = re.compile(rb"Traceback|bug of ours|Exception ignored")


@pytest.fixture
def mill(tmp_path: Path, good: str) -> Path:
    path = tmp_path / "mill.toml"
    path.write_text(good, encoding="utf-8")
    (tmp_path / "wrong.toml").write_text(good.replace('"14 %"', '"140 %"'), encoding="utf-8")
    return tmp_path


def shell(folder: Path, line: str, **more: str) -> tuple[int, bytes, bytes]:
    """Run a line of shell; a pipe's status is that of coolsim."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)} | more
    environment.pop("PYTHONUNBUFFERED", None)
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line.replace('coolsim ', f'{CLI} ')}"],
        cwd=folder,
        env=environment,
        capture_output=True,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("command", "where", "status"),
    [
        ("check mill.toml", ">&-", 0),  # nobody listens, and said so
        ("check mill.toml", "2>&-", 0),
        ("check mill.toml", "<&- >&- 2>&-", 0),
        pytest.param("check mill.toml", ">/dev/full", 4, marks=needs_full),
        pytest.param("check mill.toml", "2>/dev/full", 0, marks=needs_full),
        pytest.param("check mill.toml", ">/dev/full 2>/dev/full", 4, marks=needs_full),
        ("check mill.toml", "| true", 0),
        # which end before there is a command, one as the other
        ("--help", ">&- 2>&-", 0),
        pytest.param("--help", ">/dev/full", 4, marks=needs_full),
        ("--help", "| true", 0),
        ("--version", ">&- 2>&-", 0),
        pytest.param("--version", ">/dev/full", 4, marks=needs_full),
        ("--version", "| true", 0),
    ],
)
def test_streams_that_take_nothing(mill: Path, command: str, where: str, status: int) -> None:
    if where == "| true":
        command = f"({command})".replace("(", "( sleep 0.2; coolsim ")
        found, _, err = shell(mill, f"{command} | true")
    else:
        found, _, err = shell(mill, f"coolsim {command} {where}")
    assert found == status and not NO_BUG.search(err), err
    told = where == ">/dev/full"
    assert (
        (err.count(b"\n") == 1 and b"standard output" in err and b"No space left" in err) if told else not err
    )


@pytest.mark.thorough
@pytest.mark.parametrize("where", [">&-", "2>&-", ">&- 2>&-", "| true", "> /dev/full", "2> /dev/full"])
def test_files_are_written_all_the_same(mill: Path, where: str) -> None:
    status, _, err = shell(mill, f"coolsim predict mill.toml --json a.json {where}")
    assert status == (4 if where == "> /dev/full" else 0) and not NO_BUG.search(err)
    assert json.loads((mill / "a.json").read_text())["title"] == "A mill of our own"


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("command", "where"),
    [
        *(("check wrong.toml", where) for where in (">&-", "2>&-", "2>/dev/full", ">&- 2>&-", ">/dev/full")),
        ("predict --no-such-option", "2>/dev/full"),
        ("predict --no-such-option", "2>&-"),
        ("check gone.toml", "2>&1 | true"),
    ],
)
def test_wrong_input_stays_status_2(mill: Path, command: str, where: str) -> None:
    status, _, err = shell(mill, f"coolsim {command} {where}")
    assert status == 2 and not NO_BUG.search(err)


def test_json_to_a_reader_that_left(mill: Path) -> None:
    status, _, err = shell(mill, "coolsim predict mill.toml --json - | true")
    assert (status, err) == (0, b"")
    left = "mkfifo pipe; (head -c 1 pipe > /dev/null &); "
    status, _, err = shell(mill, f"{left}coolsim predict mill.toml --json pipe")
    assert (status, err) == (0, b"")


@needs_full
def test_a_device_that_is_full(mill: Path) -> None:
    status, out, err = shell(mill, "coolsim predict mill.toml --json /dev/full")
    assert status == 4 and b"No space left" in err and b"exit moisture" in out  # which is not lost


def test_the_file_that_standard_output_goes_to(mill: Path) -> None:
    """/dev/stdout may be a file: what is printed and what is written both stand in it."""
    status, _, err = shell(mill, "coolsim predict mill.toml --json /dev/stdout > both.txt")
    assert (status, err) == (0, b"")
    text = (mill / "both.txt").read_text()
    assert '"pellets_out"' in text and "exit moisture" in text


def test_a_pipe_that_does_not_wait(mill: Path) -> None:
    """Whoever started us may have made the pipe non-blocking (O_NONBLOCK): a slow reader is waited for."""
    code = textwrap.dedent(
        """
        import os, subprocess, sys, time
        reader, writer = os.pipe()
        os.set_blocking(writer, False)
        program = "from coolsim.cli.shared import app, command, emit\\n" \\
            "@command('much')\\ndef much() -> None:\\n    emit('x' * 300_000)\\n" \\
            "from coolsim.cli import main; main()"
        child = subprocess.Popen([sys.executable, "-c", program, "much"], stdout=writer)
        os.close(writer)
        time.sleep(2)
        found = 0
        while piece := os.read(reader, 10_000):
            found += len(piece)
        print(child.wait(), found)
        """
    )
    (mill / "slow.py").write_text(code)
    status, out, err = shell(mill, f"{sys.executable} slow.py")
    assert (status, out, err) == (0, b"0 300000\n", b"")


@pytest.mark.thorough
@pytest.mark.parametrize("command", ["report", "card"])
def test_a_misspelt_backend_of_matplotlib(mill: Path, command: str) -> None:
    """MPLBACKEND is read while matplotlib is loaded, and an unknown one is an error there."""
    ending, hours = {"report": "html", "card": "pdf"}[command], range(24)
    rows = [f"2023-07-01T{h:02d}:00,{20 + h / 4},70" for h in hours]
    (mill / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *rows]))
    year = '[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
    opened = '[limits]\nairflow = ["900 m3/h", "2400 m3/h"]\n[costs]\nelectricity = "0.15 /kWh"\n'
    with (mill / "mill.toml").open("a") as file:
        file.write(opened + year if command == "card" else "")
    status, _, err = shell(mill, f"coolsim {command} mill.toml -o it.{ending}", MPLBACKEND="no-such")
    assert (status, err) == (0, b"") and (mill / f"it.{ending}").stat().st_size > 10_000
