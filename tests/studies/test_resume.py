"""`--resume`: what is kept is plain data, found again only for the same question and the same code, and told of."""

from __future__ import annotations

import dataclasses
import os
import pickle
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coolsim.case.case import Case
from coolsim.scenario import load_with
from coolsim.studies.years import Seasons, finished_sites, seasons_of, sites
from coolsim.support import files
from coolsim.support.errors import InputError, NotWritten

pytestmark = pytest.mark.thorough

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"
Mill = Callable[[str], Case]


@pytest.fixture
def mill(tmp_path: Path) -> Mill:
    """Reads a scenario of those that come along, in half a day of weather."""
    hours = [f"2023-07-01T{h:02d}:00,{22 + 5 * np.sin(h / 4):.1f},{60 + h}" for h in range(12)]
    (tmp_path / "w.csv").write_text("\n".join(["time,temperature,relative_humidity", *hours]))
    level = ["cooler.depth_deviation=0 %"]
    return lambda name: load_with(SCENARIOS / f"{name}.toml", [*in_weather(tmp_path), *level])


def in_weather(folder: Path) -> list[str]:
    units = ["weather.units.temperature=degC", "weather.units.relative_humidity=%"]
    return [f"weather.file={folder / 'w.csv'}", *units]


def same(one: Any, other: Any, path: str = "") -> None:
    """Assert that two answers are alike in every field, to the last bit."""
    assert type(one) is type(other), path
    if dataclasses.is_dataclass(one):
        for f in dataclasses.fields(one):
            same(getattr(one, f.name), getattr(other, f.name), f"{path}.{f.name}")
    elif isinstance(one, tuple):
        assert len(one) == len(other), path
        for k, (a, b) in enumerate(zip(one, other)):
            same(a, b, f"{path}.{k}")
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, path
        np.testing.assert_array_equal(one, other, err_msg=path)
    else:
        assert one == other or (one != one and other != other), path


def once(case: Case, folder: Path, chart: bool = False) -> Seasons:
    ((_, found),) = seasons_of([case], resume=folder, chart=chart)
    return found


@pytest.mark.parametrize("name", ["humid-delta", "monsoon-year", "batch-year"])
def test_what_is_kept_comes_back_whole(
    mill: Mill, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Coolers without and with a chart, and a dryer: arrays, flags, what is not known and what is not there."""
    case = mill(name)
    first = once(case, tmp_path / "kept", chart=True)

    def never(*_: Any) -> Any:
        raise AssertionError("it was run again")

    monkeypatch.setattr(sites, "strategies_of", never)
    same(once(case, tmp_path / "kept", chart=True), first)


def test_nothing_in_the_folder_is_a_pickle(mill: Mill, tmp_path: Path) -> None:
    once(mill("humid-delta"), tmp_path / "kept")
    (kept,) = (tmp_path / "kept").iterdir()
    with np.load(kept, allow_pickle=False) as held:  # raises where an array holds objects
        assert len([held[name].shape for name in held.files]) > 20


class Mine:
    """Makes a file where it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.touch, (self.path,)


@pytest.mark.parametrize(
    "planted",
    ["pickle", "objects", "damaged", "cut", "empty", "other arrays", "a folder", "a pipe", "a link",
     "a link to nowhere", "a second name"],
)  # fmt: skip
def test_nothing_in_the_folder_is_executed_or_trusted(
    mill: Mill, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, planted: str
) -> None:
    case, folder, touched = mill("humid-delta"), tmp_path / "kept", tmp_path / "touched"
    first = once(case, folder)
    (kept,) = folder.iterdir()
    data = kept.read_bytes()
    if planted == "pickle":
        kept.write_bytes(pickle.dumps(Mine(touched)))
    elif planted == "objects":
        with kept.open("wb") as file:
            np.savez(file, rest=np.array([Mine(touched)], dtype=object))
    elif planted == "damaged":
        kept.write_bytes(data[: len(data) // 2] + b"\xff" * 64 + data[len(data) // 2 + 64 :])
    elif planted == "cut":
        kept.write_bytes(data[: len(data) // 2])
    elif planted == "empty":
        kept.write_bytes(b"")
    elif planted == "other arrays":
        with np.load(kept) as held:
            arrays = {name: held[name][:5] if held[name].ndim else held[name] for name in held.files}
        with kept.open("wb") as file:
            np.savez(file, **arrays)
    elif planted == "a pipe":
        kept.unlink()
        os.mkfifo(kept)
    elif planted == "a link":
        kept.unlink()
        touched.with_name("mine").write_text("precious")
        kept.symlink_to(touched.with_name("mine"))
    elif planted == "a link to nowhere":
        kept.unlink()
        kept.symlink_to(touched)
    elif planted == "a second name":
        touched.with_name("mine").write_text("precious")
        kept.unlink()
        os.link(touched.with_name("mine"), kept)
    else:
        kept.unlink()
        kept.mkdir()
        monkeypatch.setattr(sites, "strategies_of", lambda *_: pytest.fail("it was run"))
        with pytest.raises(InputError, match=r"--resume: found .*\.npz, a folder"):
            once(case, folder)
        return
    same(once(case, folder), first)
    assert not touched.exists()
    assert kept.read_bytes() == data and kept.lstat().st_nlink == 1 and not kept.is_symlink()  # kept anew
    mine = touched.with_name("mine")
    assert not mine.exists() or mine.read_text() == "precious"


def test_changed_code_gives_no_old_answer(mill: Mill, tmp_path: Path) -> None:
    """A copy of the package, in which the mean exit becomes a degree warmer."""
    mill("humid-delta")
    copy, weather = tmp_path / "copy", in_weather(tmp_path)
    shutil.copytree(ROOT / "coolsim", copy / "coolsim", ignore=shutil.ignore_patterns("__pycache__"))

    def mean() -> str:
        code = (
            "import sys, coolsim; from coolsim.studies.years import seasons_of\n"
            "from coolsim.scenario import load_with\n"
            "((_, found),) = seasons_of([load_with(sys.argv[1], sys.argv[3:])], resume=sys.argv[2], chart=False)\n"
            "print(coolsim.__file__, found.strategies[0].total.temperature)"
        )
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                code,
                str(SCENARIOS / "humid-delta.toml"),
                str(tmp_path / "kept"),
                *weather,
            ],
            env=os.environ | {"PYTHONPATH": str(copy)},
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.startswith(str(copy))
        return done.stdout.split()[-1]

    before = mean()
    assert mean() == before and len(list((tmp_path / "kept").iterdir())) == 1
    changed = copy / "coolsim" / "studies" / "years" / "hours.py"
    text = changed.read_text(encoding="utf-8")
    line = "        temperature=mean(hours.outcome.temperature),"
    assert line in text
    changed.write_text(text.replace(line, line.replace("mean(", "1 + mean(")), encoding="utf-8")
    assert float(mean()) == pytest.approx(float(before) + 1, abs=1e-9)
    assert len(list((tmp_path / "kept").iterdir())) == 2


def test_a_folder_that_cannot_be_is_told_before_computing(
    mill: Mill, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case = mill("humid-delta")
    monkeypatch.setattr(sites, "strategies_of", lambda *_: pytest.fail("it was run"))
    (tmp_path / "file").write_text("")
    (tmp_path / "dangling").symlink_to(tmp_path / "gone")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for path, words in (
        (tmp_path / "file", "no folder"),
        (tmp_path / "file" / "below", "Not a directory"),
        (tmp_path / "dangling", "leads nowhere"),
        (tmp_path / "loop", "leads nowhere"),
        (tmp_path / ("n" * 256), "too long"),
        (Path(os.devnull), "no folder"),
        ("-", "standard output"),
    ):
        with pytest.raises(InputError, match=words) as refused:
            next(seasons_of([case], resume=path))
        assert "--resume" in str(refused.value)
    assert not (tmp_path / "gone").exists() and not Path("-").exists()


def test_a_disk_that_fills_is_told(mill: Mill, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NotWritten, match=r"--resume.*No space left"):
        once(mill("humid-delta"), tmp_path / "kept")
    assert not list((tmp_path / "kept").iterdir())


def test_a_folder_is_not_made_where_something_else_is_wrong(tmp_path: Path) -> None:
    files.check([files.Output("--resume", str(tmp_path / "a" / "b"), folder=True)])
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_made(mill: Mill, tmp_path: Path) -> None:
    once(mill("humid-delta"), tmp_path / "a" / "b")
    (kept,) = (tmp_path / "a" / "b").iterdir()
    assert kept.suffix == ".npz" and kept.stem.isalnum() and finished_sites.code()
