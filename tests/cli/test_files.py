"""What commands write: never onto what they read, whole or not at all, with links, modes and names respected.

Links, modes and errors are those of POSIX.1-2017 (open, rename, link, chmod): names of at most 255 bytes
(NAME_MAX), a loop of links is ELOOP, a rename parts hard links and takes the mode of the new file.
"""

from __future__ import annotations

import csv
import io
import json
import os
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import coolsim
from coolsim.support import files

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
NOBODY = 65534
WEATHER = '\n[weather]\nfile = "w.csv"\n[weather.units]\ntemperature = "degC"\nrelative_humidity = "%"\n'
HOURS = [f"2023-07-01T{h:02d}:00,{20 + h / 4},70\n" for h in range(24)]
DAY = "time,temperature,relative_humidity\n" + "".join(HOURS)
MATERIAL = """
isotherm = { equation = "modified-chung-pfost", constants = { A = 312.3, B = 0.16958, C = 30.205 } }
isotherm_scale = { value = 1.0 }
diffusivity = { value = 7e-10, at = 60.0 }
activation_energy = { value = 26420.0 }
specific_heat = { value = 1800.0 }
conductivity = { value = 0.25 }
bulk_density = { value = 620.0 }
void_fraction = { value = 0.42 }
"""


@pytest.fixture
def mill(tmp_path: Path, good: str) -> Path:
    """A scenario with a weather file and a material file of its own."""
    (tmp_path / "w.csv").write_text(DAY)
    (tmp_path / "mine.toml").write_text(MATERIAL)
    path = tmp_path / "mill.toml"
    path.write_text(good.replace('"pig-pellets"', '"mine.toml"') + WEATHER, encoding="utf-8")
    return path


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


# -- outputs against inputs and each other


@pytest.mark.parametrize(
    ("words", "option"),
    [
        (("predict", "mill.toml", "--json", "mill.toml"), "--json"),
        (("predict", "mill.toml", "--json", "./gone/../mill.toml"), "--json"),
        (("predict", "mill.toml", "--json", "mine.toml"), "--json"),
        (("predict", "mill.toml", "--json", "soft.toml"), "--json"),
        (("predict", "mill.toml", "--json", "hard.toml"), "--json"),
        (("settings", "mill.toml", "--json", "mill.toml"), "--json"),
        (("size", "mill.toml", "--json", "mine.toml"), "--json"),
        (("seasons", "mill.toml", "--csv", "w.csv"), "--csv"),
        (("seasons", "mill.toml", "--json", "w.csv", "--chart", "mill.toml"), "--chart"),
        (("fit", "mill.toml", "--trials", "t.csv", "-o", "t.csv"), "-o"),
        (("fit", "mill.toml", "--trials", "t.csv", "-o", "mine.toml"), "-o"),
        (("fit", "mill.toml", "--trials", "t.csv", "--json", "mill.toml"), "--json"),
        (("report", "page.html", "-o", "page.html"), "-o"),
        (("card", "page.pdf", "-o", "page.pdf"), "-o"),
        (("materials", "mine.toml", "--plot", "mine.svg"), "--plot"),
        (("plan", "mill.toml", "--plot", "mine.svg"), "--plot"),
        (("plan", "mill.toml", "--json", "a.json", "--along", "mine.svg"), "--along"),
    ],
)
def test_an_output_that_is_an_input_is_refused(
    run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], option: str
) -> None:
    folder = mill.parent
    (folder / "t.csv").write_text("measured.moisture [%]\n12\n")
    (folder / "soft.toml").symlink_to("mill.toml")
    (folder / "mine.svg").symlink_to("mine.toml")
    os.link(folder / "mill.toml", folder / "hard.toml")
    for name in ("page.html", "page.pdf"):
        (folder / name).write_bytes(mill.read_bytes())
    (folder / "gone").mkdir()
    before = contents(folder)
    monkeypatch.chdir(folder)
    done = run(*words)
    assert done.status == 2 and done.out == ""
    assert any(option in line and "which is" in line for line in done.err.splitlines()), done.err
    assert contents(folder) == before


def test_an_input_named_with_an_override_counts(
    run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(mill.parent)
    (mill.parent / "other.csv").write_text(DAY)
    done = run("seasons", "mill.toml", "--set", "weather.file=other.csv", "--csv", "other.csv")
    assert done.status == 2 and "weather.file" in done.err and (mill.parent / "other.csv").read_text() == DAY
    done = run("seasons", "mill.toml", "--set", "weather.file=other.csv", "--csv", "w.csv")
    assert done.status == 0  # which is read by nobody this time


def test_two_outputs_of_one_name_are_refused(run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(mill.parent)
    (mill.parent / "link.csv").symlink_to("years.csv")
    before = contents(mill.parent)
    for csv_file in ("years.csv", "./years.csv", "link.csv"):
        done = run("seasons", "mill.toml", "--json", "years.csv", "--csv", csv_file)
        assert done.status == 2 and "--csv" in done.err and "--json" in done.err and done.out == ""
    assert contents(mill.parent) == before
    assert run("seasons", "mill.toml", "--json", os.devnull, "--csv", os.devnull).status == 0


def test_all_faults_come_at_once(run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(mill.parent)
    done = run("predict", "mill.toml", "--json", "mill.toml", "--set", "feed.moisture=140 %")
    assert done.status == 2 and "2 faults" in done.err and "--json" in done.err and "140 %" in done.err


def test_standard_output_is_no_file(run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(mill.parent)
    for words in (
        ("seasons", "mill.toml", "--csv", "-"),
        ("seasons", "mill.toml", "--chart", "-"),
        ("report", "mill.toml", "-o", "-"),
        ("card", "mill.toml", "-o", "-"),
        ("new", "-"),
    ):
        done = run(*words)
        assert done.status == 2 and "standard output" in done.err and not Path("-").exists()


# -- modes, links, names


def test_the_mode_of_a_file_is_kept(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    target = scenario.parent / "answer.json"
    for mode in (0o600, 0o640, 0o664):
        target.write_text("old")
        target.chmod(mode)
        assert run("predict", str(scenario), "--json", str(target)).status == 0
        assert stat.S_IMODE(target.stat().st_mode) == mode and json.loads(target.read_text())
    target.unlink()
    before = os.umask(0o027)
    try:
        assert run("predict", str(scenario), "--json", str(target)).status == 0
    finally:
        os.umask(before)
    assert stat.S_IMODE(target.stat().st_mode) == 0o640


def test_both_names_of_a_file_have_what_is_written(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    one, other = scenario.parent / "one.json", scenario.parent / "other.json"
    for old in ("old", "old " * 10_000):  # shorter and longer than what is written
        one.write_text(old)
        other.unlink(missing_ok=True)
        os.link(one, other)
        assert run("predict", str(scenario), "--json", str(one)).status == 0
        assert one.samefile(other) and json.loads(other.read_text())["scenario"] == str(scenario)


def test_both_names_of_a_year_have_what_is_written(run: Run, mill: Path) -> None:
    one, other = mill.parent / "one.csv", mill.parent / "other.csv"
    one.write_text("old\n" * 9999)
    os.link(one, other)
    assert run("seasons", str(mill), str(mill), "--csv", str(one)).status == 0
    rows = list(csv.DictReader(io.StringIO(other.read_text())))
    assert one.samefile(other) and len(rows) == 48


@pytest.mark.parametrize("length", [240, 255])
def test_the_longest_name_there_is(run: Run, scenario: Path, solver: SimpleNamespace, length: int) -> None:
    target = scenario.parent / ("n" * (length - 5) + ".json")
    assert run("predict", str(scenario), "--json", str(target)).status == 0
    assert json.loads(target.read_text())


def refused(run: Run, scenario: Path, solver: SimpleNamespace, target: Path | str) -> str:
    """What is said, before anything is solved, of a place where nothing can be written."""
    done = run("predict", str(scenario), "--json", str(target))
    assert done.status == 2 and done.out == "" and solver.asked == [] and "bug" not in done.err
    assert "--json" in done.err and done.err.count("\n") == 1
    return str(done.err)


def test_places_that_cannot_be_are_told_before_solving(
    run: Run, scenario: Path, solver: SimpleNamespace
) -> None:
    folder = scenario.parent
    assert "too long" in refused(run, scenario, solver, folder / ("n" * 256))
    (folder / "loop").symlink_to("pool")
    (folder / "pool").symlink_to("loop")
    assert "link" in refused(run, scenario, solver, folder / "loop")
    assert "link" in refused(run, scenario, solver, folder / "loop" / "answer.json")
    assert "folder" in refused(run, scenario, solver, "")
    assert "a folder" in refused(run, scenario, solver, f"{folder}/gone/") and not (folder / "gone").exists()
    (folder / "dangling").symlink_to(folder / "gone" / "answer.json")
    assert "does not exist" in refused(run, scenario, solver, folder / "dangling")
    assert "Bad file descriptor" in refused(run, scenario, solver, "/dev/fd/999")


@pytest.mark.skipif(not hasattr(os, "seteuid") or os.getuid() != 0, reason="only root becomes somebody else")
@pytest.mark.parametrize(("name", "mode"), [("dark", 0o600), ("frozen", 0o500), ("closed", 0o000)])
def test_folders_without_rights_are_told_before_solving(
    run: Run, scenario: Path, solver: SimpleNamespace, name: str, mode: int
) -> None:
    """Without x no name in a folder can be looked up, without w there is no new one; root may do everything."""
    refused(run, scenario, solver, scenario.parent / "gone" / "a.json")  # all that is needed is loaded
    with tempfile.TemporaryDirectory() as place:
        home = Path(place)
        home.chmod(0o755)
        mill = home / "mill.toml"
        mill.write_bytes(scenario.read_bytes())
        (home / name).mkdir()
        os.chown(home / name, NOBODY, NOBODY)
        (home / name).chmod(mode)
        os.seteuid(NOBODY)
        try:
            said = refused(run, mill, solver, home / name / "a.json")
            with pytest.raises(coolsim.InputError) as resumed:
                files.check([files.Output("--resume", str(home / name), folder=True)])
        finally:
            os.seteuid(0)
    assert "Permission denied" in said
    assert "--resume" in str(resumed.value) and "Permission denied" in str(resumed.value)


@pytest.mark.thorough
def test_names_that_are_not_utf8(mill: Path) -> None:
    """Bytes that are no UTF-8 are valid names (POSIX); they are shown escaped and can be read and written."""
    folder = os.fsencode(mill.parent)
    named = os.path.join(folder, b"m\xfchle.toml")  # noqa: PTH118
    text = mill.read_text(encoding="utf-8").replace('title = "A mill of our own"\n', "")
    with open(named, "w", encoding="utf-8") as file:  # noqa: PTH123
        file.write(text)
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}

    def run(*words: bytes) -> subprocess.CompletedProcess[bytes]:
        command = [os.fsencode(sys.executable), b"-m", b"coolsim.cli", *words]
        return subprocess.run(command, cwd=folder, env=environment, capture_output=True, check=False)

    done = run(b"predict", named, b"--json", b"\xe9.json")
    assert (done.returncode, done.stderr) == (0, b"") and b"m\\xfchle" in done.stdout
    with open(os.path.join(folder, b"\xe9.json"), "rb") as written:  # noqa: PTH118, PTH123
        document = json.loads(written.read().decode("utf-8"))
    assert os.fsencode(document["scenario"]) == named
    assert os.fsencode(json.loads(run(b"predict", named, b"--json", b"-").stdout)["scenario"]) == named
    done = run(b"seasons", named, b"--csv", b"\xe9.csv", b"--json", b"y.json", b"--resume", b"k\xe9pt")
    assert (done.returncode, done.stderr) == (0, b"")
    with open(os.path.join(folder, b"\xe9.csv"), encoding="utf-8") as rows:  # noqa: PTH118, PTH123
        assert "m\\xfchle.toml" in next(csv.DictReader(rows))["scenario"]
    assert run(b"check", b"\xff.toml").returncode == 2
    (mill.parent / os.fsdecode(b"m\xefne.toml")).write_text(MATERIAL)
    done = run(b"predict", named, b"--set", b"feed.material=m\xefne.toml", b"--json", b"a.json")
    assert (done.returncode, done.stderr) == (0, b""), done.stderr
    done = run(b"predict", named, b"--set", b"feed.material=m\xefne.toml", b"--json", b"m\xefne.toml")
    assert done.returncode == 2 and b"feed.material" in done.stderr
    done = run(b"report", named, b"-o", b"\xe9.html", b"--set", b"weather.file=gone.csv")
    assert done.returncode == 2 and b"gone.csv" in done.stderr and b"bug" not in done.stderr
    (mill.parent / "plain.toml").write_text(text.partition("[target]")[0], encoding="utf-8")
    done = run(b"report", b"plain.toml", b"-o", b"\xe9.html")
    assert (done.returncode, done.stdout) == (0, b"wrote \\xe9.html\n")


# -- temporary names


def test_what_a_killed_run_left_is_swept_and_what_lives_is_not(
    run: Run, scenario: Path, solver: SimpleNamespace
) -> None:
    """A killed process holds no lock any more (flock(2)); process numbers are the same in two containers."""
    fcntl = pytest.importorskip("fcntl")
    folder = scenario.parent
    left, lives, mine = (folder / f".coolsim-{c * 16}.part" for c in "abc")
    left.write_text("half a")
    lives.write_text("half b")
    mine = folder / ".coolsim-notes.part"
    mine.write_text("of somebody else")
    with lives.open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert run("predict", str(scenario), "--json", str(folder / "a.json")).status == 0
    assert not left.exists() and lives.exists() and mine.exists()


def test_the_same_process_number_is_no_trouble(
    run: Run, scenario: Path, solver: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = scenario.parent / "a.json"
    (scenario.parent / f".a.json.{os.getpid()}.part").write_text("of another container")
    assert run("predict", str(scenario), "--json", str(target)).status == 0 and json.loads(target.read_text())


# -- the year's table grows


def test_a_year_is_appended_per_site(run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of n sites of s bytes 2 n s are written: rewriting them each time takes s (1 + 2 + … + n), for 12 6.5 n s."""
    seen: list[int] = []
    target = mill.parent / "hours.csv"

    def emit(text: str | bytes) -> bool:
        if text:
            seen.append(len(list(csv.DictReader(io.StringIO(target.read_text())))))
        return True

    def written() -> int:
        """What this process has written so far [bytes] (proc(5), wchar)."""
        lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
        return int(lines["wchar"])

    if not Path("/proc/self/io").exists():
        pytest.skip("no /proc/self/io")
    monkeypatch.setattr("coolsim.cli.shared.emit", emit)
    assert run("seasons", str(mill), "--csv", str(target)).status == 0  # all that is needed is loaded
    seen.clear()
    before = written()
    assert run("seasons", *[str(mill)] * 12, "--csv", str(target)).status == 0
    assert seen == [24 * k for k in range(1, 13)]  # each was there when it was told of
    assert written() - before < 2.5 * target.stat().st_size
    assert target.stat().st_nlink == 1
    assert sorted(p.name for p in mill.parent.iterdir()) == ["hours.csv", "mill.toml", "mine.toml", "w.csv"]


def test_a_disk_that_fills_leaves_the_sites_before(
    run: Run, mill: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    real, calls = os.fsync, []

    def full(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 3:
            raise OSError(28, "No space left on device")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    target = tmp_path / "hours.csv"
    done = run("seasons", *[str(mill)] * 4, "--csv", str(target))
    assert done.status == 4 and "No space left" in done.err and "--csv" in done.err
    assert len(list(csv.DictReader(io.StringIO(target.read_text())))) == 48
    assert sorted(p.name for p in tmp_path.iterdir()) == ["hours.csv", "mill.toml", "mine.toml", "w.csv"]
