"""The gallery shows every picture there is, and its one command draws it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest

from coolsim import plots

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "notebooks" / "gallery"
LARGEST = 100_000  # bytes


def test_gallery_shows_every_picture() -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    shown = {path.stem for path in FOLDER.glob("*.png")}
    assert shown == set(plots.__all__)
    for name in shown:
        assert f"]({name}.png)" in page
        assert (FOLDER / f"{name}.png").stat().st_size < LARGEST
    assert "notebooks/gallery/README.md" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.thorough
def test_one_command_draws_it(tmp_path: Path) -> None:
    command = [sys.executable, "-W", "error", "notebooks/gallery.py", str(tmp_path / "gallery")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=300)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert (tmp_path / "gallery" / "README.md").read_text(encoding="utf-8") == (
        FOLDER / "README.md"
    ).read_text(encoding="utf-8")
    for stored in FOLDER.glob("*.png"):
        old, new = (matplotlib.image.imread(p) for p in (stored, tmp_path / "gallery" / stored.name))
        assert abs(old.shape[1] / new.shape[1] - 1) < 0.05  # another matplotlib may set words otherwise
        if old.shape == new.shape:  # a moved curve of 2 px differs by about 0.003
            assert np.abs(old - new).mean() < 0.001, "run: python notebooks/gallery.py"
