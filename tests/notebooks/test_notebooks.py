"""Every notebook says what it would say if it were run now, shows its pictures, and ends with what to do."""

from __future__ import annotations

import base64
import io
import itertools
import re
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from notebooks.run import FOLDER, GALLERY, executed, notebooks, page, pictures, small, words_of

from coolsim import plots

ROOT = FOLDER.parent
STORIES = [path for path in notebooks() if path.stem != "gallery"]
LARGEST = 1_000_000  # bytes of a story; a code host shows no more than a few of them
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
LAST_DIGITS, SHARE = (
    3.0,
    0.02,
)  # by which numbers may move: of the last digit that is printed, or of the number

each_notebook = pytest.mark.parametrize("path", notebooks(), ids=lambda path: path.stem)
each_story = pytest.mark.parametrize("path", STORIES, ids=lambda path: path.stem)


def read(path: Path) -> Any:
    import nbformat  # here: it takes more than a second to load, and every worker collects this file

    return nbformat.read(path, as_version=4)


def alike(one: str, other: str) -> bool:
    """Whether two texts have the same words, and numbers that differ by no more than machines do."""
    if NUMBER.split(one) != NUMBER.split(other):
        return False
    for a, b in zip(NUMBER.findall(one), NUMBER.findall(other)):
        digits = len(a.partition("e")[0].partition(".")[2])
        if (
            abs(float(a) - float(b)) > max(LAST_DIGITS * 10.0**-digits, SHARE * abs(float(a)))
            and "e-" not in a
        ):
            return False
    return True


def checked(path: Path) -> Any:
    """Run a notebook and hold what it answers against what is kept; returns it."""
    kept, now = read(path), executed(path)
    said = [o.text for c in now.cells for o in c.get("outputs", []) if o.get("name") == "stderr"]
    assert said == []  # no warning
    for (cell, old), (other, new) in itertools.zip_longest(
        words_of(kept), words_of(now), fillvalue=(None, "")
    ):
        assert cell == other, "run: python tests/notebooks/run.py"
        assert alike(old, new), f"cell {cell} of {path.name}: run python tests/notebooks/run.py {path.stem}"
    return now


def test_the_notebooks_are_found() -> None:
    names = {path.stem for path in STORIES}
    assert names >= {"first_prediction", "how_much_to_trust", "moisture_curves", "small_line"}
    assert not list(FOLDER.glob("*.py"))


def test_numbers_may_move_by_what_is_rounded() -> None:
    assert alike("exit 11.58 % at 34.8 °C", "exit 11.57 % at 34.9 °C")
    assert not alike("exit 11.58 %", "exit 12.08 %")
    assert not alike("exit 11.58 %", "entry 11.58 %")


@each_notebook
def test_what_is_kept_is_whole(path: Path) -> None:
    """Every cell was run, in order, without an error or a warning, and pictures are there to be seen."""
    import nbformat

    notebook = read(path)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    outputs = [output for cell in code for output in cell.outputs]
    assert all(output.output_type != "error" and output.get("name") != "stderr" for output in outputs)
    shown = [o.data["image/png"] for o in outputs if "image/png" in o.get("data", {})]
    assert len(shown) >= 2
    assert all(base64.b64decode(picture)[:4] == b"\x89PNG" for picture in shown)
    assert path.stat().st_size < (3 if path.stem == "gallery" else 1) * LARGEST
    text = path.read_text(encoding="utf-8")
    assert str(ROOT) not in text and "/home/" not in text and "/tmp/" not in text


@each_story
def test_notebook_tells_a_story_and_says_what_to_do(path: Path) -> None:
    cells = read(path).cells
    words = [cell.source for cell in cells if cell.cell_type == "markdown"]
    assert words[0].startswith("# ") and cells[0].cell_type == "markdown"
    assert cells[-1].source.startswith("## What to do") or "\n## What to do" in cells[-1].source
    assert len(" ".join(words).split()) > 200
    named = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"notebooks/{path.name}" in named


@pytest.mark.thorough
@each_notebook
def test_notebook_says_what_it_would_say_now(path: Path) -> None:
    now = checked(path)
    if path.stem == "gallery":
        assert page(now) == (GALLERY / "README.md").read_text(encoding="utf-8")
        for name, _, _, picture in pictures(now):
            old = matplotlib.image.imread(GALLERY / f"{name}.png")
            new = matplotlib.image.imread(io.BytesIO(small(picture)))
            assert abs(old.shape[0] / new.shape[0] - 1) < 0.05  # another matplotlib may set words otherwise
            if old.shape == new.shape:  # a moved curve of 2 px differs by about 0.003
                assert np.abs(old - new).mean() < 0.01, "run: python tests/notebooks/run.py gallery"


def test_gallery_shows_every_picture_with_its_code() -> None:
    notebook, words = read(FOLDER / "gallery.ipynb"), (GALLERY / "README.md").read_text(encoding="utf-8")
    shown = {name: code for name, _, code, _ in pictures(notebook)}
    assert set(shown) == set(plots.__all__) == {path.stem for path in GALLERY.glob("*.png")}
    for name, code in shown.items():
        assert f".{'plot' if name == 'sweep' else name}(" in code
        assert f'<img src="{name}.png"' in words and f"]({name}.png)" in words
        assert (GALLERY / f"{name}.png").stat().st_size < 100_000
    assert words == page(notebook)
    assert "notebooks/gallery/README.md" in (ROOT / "README.md").read_text(encoding="utf-8")
