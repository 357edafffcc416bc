"""Run the notebooks anew and keep what they answer, so that a code host shows it.

    python tests/notebooks/run.py [NAME ...]

rewrites notebooks/*.ipynb, or those that are named; of the gallery also its folder of small pictures and a page.
"""

from __future__ import annotations

import base64
import io
import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "notebooks"
GALLERY = FOLDER / "gallery"
LONGEST = 120.0  # s, of one cell
SMALL = 480  # pixels, of a small picture
COLUMNS = 3
PAGE = """\
# Gallery

Every picture of `coolsim.plots`, drawn by [gallery.ipynb](../gallery.ipynb), where they stand in full size. The
lines below each follow those before it, from these on:
"""


def notebooks() -> list[Path]:
    """Every notebook, by name."""
    return sorted(FOLDER.glob("*.ipynb"))


def executed(path: Path) -> Any:
    """A notebook with what its cells answer now, in a fresh process, run in its folder."""
    import nbformat  # here: it takes more than a second to load, and tests load this module to collect
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    os.environ.pop("MPLBACKEND", None)  # commands run in this process may have set it
    resources = {"metadata": {"path": str(FOLDER)}}
    client = NotebookClient(
        notebook,
        timeout=LONGEST,
        kernel_name="python3",
        resources=resources,
        record_timing=False,
        coalesce_streams=True,
    )
    client.execute()  # raises what a cell raises
    return _plain(notebook)


def _plain(notebook: Any) -> Any:
    """Without what changes from machine to machine."""
    from nbformat import from_dict

    notebook.metadata = from_dict(
        {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        }
    )
    for cell in notebook.cells:
        cell.metadata = from_dict({})
        for output in cell.get("outputs", []):
            output.pop("metadata", None)
            if output.output_type in ("display_data", "execute_result"):
                output.metadata = from_dict({})
                if "image/png" in output.data:
                    output.data.pop("text/plain", None)  # "<Figure size …>"
        if cell.get("outputs"):
            # nothing, and a bar that is gone
            cell.outputs = [o for o in cell.outputs if o.get("data", True) not in ({}, {"text/plain": ""})]
    return notebook


def pictures(notebook: Any) -> Iterator[tuple[str, str, str, bytes]]:
    """Of the gallery: name, words, the last cell's code and the picture."""
    name = words = ""
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            name, _, words = cell.source.removeprefix("## ").partition("\n\n")
        for output in cell.get("outputs", []):
            if "image/png" in output.get("data", {}):
                yield name, words, cell.source, base64.b64decode(output.data["image/png"])


def page(notebook: Any) -> str:
    """The page of small pictures: all side by side, then each name with its words and its code."""
    shown = list(pictures(notebook))
    rows = [shown[k : k + COLUMNS] for k in range(0, len(shown), COLUMNS)]
    cells = "\n".join(
        "<tr>"
        + "".join(f'<td><a href="#{n}"><img src="{n}.png" alt="{n}" width="240"></a></td>' for n, *_ in row)
        + "</tr>"
        for row in rows
    )
    each = (
        f"## {name}\n\n{words}\n\n![{words}]({name}.png)\n\n```python\n{code.rstrip(';')}\n```\n"
        for name, words, code, _ in shown
    )
    first = next(cell.source for cell in notebook.cells if cell.cell_type == "code")
    return "\n".join([PAGE, f"```python\n{first}\n```\n", f"<table>\n{cells}\n</table>\n", *each])


def small(picture: bytes) -> bytes:
    """A picture as wide as a thumbnail, in 64 colours."""
    from PIL import Image

    image = Image.open(io.BytesIO(picture)).convert("RGB")
    image = image.resize((SMALL, round(image.height * SMALL / image.width)), Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    image.quantize(64, dither=Image.Dither.NONE).save(stream, "png", optimize=True)
    return stream.getvalue()


def words_of(notebook: Any) -> list[tuple[int, str]]:
    """What the cells of a notebook say, each with its number: printed text, answers, tables."""
    found = []
    for number, cell in enumerate(notebook.cells):
        texts = []
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            text = output.get("text") or data.get("text/html") or data.get("text/plain") or ""
            texts.append(re.sub(r"<[^>]*>", " ", re.sub(r"<style.*?</style>", " ", text, flags=re.S)))
        found.append((number, " ".join(" ".join(texts).split())))
    return found


def main(names: list[str]) -> None:
    """Run notebooks and keep them."""
    import nbformat

    for path in notebooks():
        if names and path.stem not in names:
            continue
        notebook = executed(path)
        nbformat.write(notebook, path)
        print(path.name)
        if path.stem == "gallery":
            GALLERY.mkdir(exist_ok=True)
            for old in GALLERY.glob("*.png"):
                old.unlink()
            for name, _, _, picture in pictures(notebook):
                (GALLERY / f"{name}.png").write_bytes(small(picture))
            (GALLERY / "README.md").write_text(page(notebook), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
