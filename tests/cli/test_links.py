"""A file with several names (hard links): each of them holds the old content or the new, and in the end the new.

POSIX.1-2017: a rename replaces one name at once and leaves the others with what they had (rename); a write may end
after some of its bytes (write). So a whole file under every name takes a rename of each, and finding them all.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from cli.killed import kill

from coolsim.support import files
from coolsim.support.errors import InputError, NotWritten

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
SEED = 182


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """Two names of one file, in one folder."""
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_text("old")
    os.link(one, other)
    return one, other


def test_a_write_that_fails_leaves_all_names_with_the_old(
    pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills, or is torn off, when half of it is written: ENOSPC and EIO of write(2)."""

    def fill(file: Any, data: bytes) -> None:
        file.write(data[:2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "_fill", fill)
    with pytest.raises(NotWritten, match="No space left"):
        files.write(pair[0], "new and longer", "-o")
    with pytest.raises(NotWritten, match="No space left"):
        files.Growing(str(pair[0]), "-o").add("new and longer")
    assert [path.read_text() for path in pair] == ["old", "old"]


def test_a_file_that_grows_grows_under_all_its_names(pair: tuple[Path, Path]) -> None:
    growing = files.Growing(str(pair[0]), "-o")
    for k, piece in enumerate("abc", 1):
        growing.add(piece)
        assert {path.read_text() for path in pair} == {"abc"[:k]} and pair[0].samefile(pair[1])
    growing.close()
    assert sorted(path.name for path in pair[0].parent.iterdir()) == ["one", "other"]
    assert pair[0].stat().st_nlink == 2


def test_a_link_to_one_of_two_names(pair: tuple[Path, Path]) -> None:
    soft = pair[0].with_name("soft")
    soft.symlink_to("other")
    files.write(soft, "new", "-o")
    assert soft.is_symlink() and [path.read_text() for path in pair] == ["new", "new"]


def test_the_mode_of_all_names_is_kept(pair: tuple[Path, Path]) -> None:
    pair[0].chmod(0o640)
    files.write(pair[0], "new", "-o")
    assert pair[1].stat().st_mode & 0o777 == 0o640


def test_names_in_other_folders_are_told_before_anything_is_computed(
    run: Run, scenario: Path, solver: SimpleNamespace
) -> None:
    """They cannot be found, and so not be replaced: half a file under them is worse than another name."""
    elsewhere = scenario.parent / "backup"
    elsewhere.mkdir()
    target = scenario.parent / "a.json"
    target.write_text("old")
    os.link(target, elsewhere / "a.json")
    done = run("predict", str(scenario), "--json", str(target))
    assert done.status == 2 and solver.asked == [] and done.out == ""
    assert "--json" in done.err and "in another folder" in done.err and "remove this one first" in done.err
    assert target.read_text() == (elsewhere / "a.json").read_text() == "old"
    with pytest.raises(InputError, match="in another folder"):
        files.check([files.Output("-o", str(target))])
    for write in (
        lambda: files.write(target, "new", "-o"),
        lambda: files.Growing(str(target), "-o").add("n"),
    ):
        with pytest.raises(NotWritten, match="in another folder"):  # that came while it was computed
            write()
    assert target.read_text() == (elsewhere / "a.json").read_text() == "old"


@pytest.mark.thorough
@pytest.mark.parametrize("writer", ["files.write('one', s, '-o')", "files.Growing('one', '-o').add(s)"])
def test_no_name_is_ever_half_where_the_writer_is_killed(tmp_path: Path, writer: str) -> None:
    """kill -9 at random moments: a write in place was cut short."""
    draw, size = random.Random(SEED), 3_000_000
    program = (
        "import itertools\nfrom coolsim.support import files\n"
        f"for k in itertools.count(1):\n    s = str(k % 10) * {size}\n    {writer}\n    print(flush=True)\n"
    )
    for k in range(12):
        folder = tmp_path / str(k)
        folder.mkdir()
        (folder / "one").write_text("0" * size)
        os.link(folder / "one", folder / "other")
        kill(program, folder, draw.uniform(0.0, 0.05))
        for name in ("one", "other"):
            found = (folder / name).read_text()
            assert len(found) == size and len(set(found)) == 1, (k, name, len(found), set(found))
