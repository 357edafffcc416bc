"""Every notebook runs from top to bottom, in its folder, without a warning, and ends with what to do."""

from __future__ import annotations

import time
from pathlib import Path

import jupytext
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(path for path in FOLDER.glob("*.py") if "# %%" in path.read_text(encoding="utf-8"))
LONGEST = 60.0  # s, each; and four minutes for all of them in CI

each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def test_the_notebooks_are_found() -> None:
    assert {path.stem for path in NOTEBOOKS} >= {"first_prediction", "how_much_to_trust", "moisture_curves"}


@pytest.mark.thorough
@each_notebook
def test_notebook_runs(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MPLBACKEND", raising=False)  # commands run in this process before set it
    notebook = jupytext.read(path)
    client = NotebookClient(
        notebook, timeout=LONGEST, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    )
    start = time.perf_counter()
    client.execute()  # raises what a cell raises
    assert time.perf_counter() - start < LONGEST
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    said = [output.text for output in outputs if output.get("name") == "stderr"]
    assert said == []  # no warning
    assert sum("image/png" in output.get("data", {}) for output in outputs) >= 2


@each_notebook
def test_notebook_tells_a_story_and_says_what_to_do(path: Path) -> None:
    cells = jupytext.read(path).cells
    words = [cell.source for cell in cells if cell.cell_type == "markdown"]
    assert words[0].startswith("# ") and cells[0].cell_type == "markdown"
    assert cells[-1].source.startswith("## What to do") or "\n## What to do" in cells[-1].source
    assert len(" ".join(words).split()) > 200
