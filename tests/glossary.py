"""The glossary of DEVELOPERS.md, made from the data classes' own metadata.

    python tests/glossary.py --write

puts it between its two marks; tests/cli/test_documents.py holds it complete and equal.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import sys
from collections.abc import Iterator
from pathlib import Path

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
START, END = "<!-- glossary: made by `python tests/glossary.py --write` -->", "<!-- end of the glossary -->"
MODULES = (
    "case",
    "around",
    "result",
    "balance",
    "physics.correlations",
    "physics.materials",
    "physics.pellet",
    "physics.sorption",
    "physics.isotherm_fit",
    "validation.comparison",
    "equipment.fan",
    "equipment.duct",
    "equipment.operating_point",
    "quantities",
    "requirements",
    "costs",
    "machines.base",
    "machines.plant",
    "machines.dryers",
    "studies.settings.answer",
    "studies.settings.coolers",
    "studies.settings.advice",
    "studies.sensitivity",
    "studies.uncertainty",
    "studies.sizing.answer",
    "scenario.weather.record",
    "scenario.trials",
    "studies.fit.answer",
    "studies.plan.answer",
    "studies.seasons.study",
    "studies.seasons.sure",
    "studies.seasons.hours",
    "studies.seasons.chart",
)
# what a search hands to itself; nobody is given one
INSIDE = (
    *("Outcome", "Weighed", "Tried", "Lever", "Unknown", "Sampled", "Quantity", "Bounds", "Constraint"),
    *("Setting", "Appraisal", "Spent", "Dryer", "Answers"),
    *("Measure", "Computed"),
)


def classes() -> Iterator[tuple[str, type]]:
    """Yield (module, class) for every public data class, in the order of the files."""
    for name in MODULES:
        module = importlib.import_module(f"coolsim.{name}")
        for label, thing in vars(module).items():
            own = inspect.isclass(thing) and thing.__module__ == module.__name__
            if own and dataclasses.is_dataclass(thing) and not label.startswith("_") and label not in INSIDE:
                yield name, thing


def glossary() -> str:
    """Return the glossary as Markdown."""
    blocks = []
    for module, thing in classes():
        lines = [f"### {thing.__name__} (`coolsim.{module}`)", ""]
        lines += [(thing.__doc__ or "").strip().splitlines()[0], ""]
        lines += ["| name | symbol | unit | meaning |", "|---|---|---|---|"]
        for field in dataclasses.fields(thing):
            known = field.metadata
            written = f" (JSON: `{known['json']}`)" if known["json"] else ""
            cells = f"`{field.name}`", known["symbol"], known["unit"], known["meaning"] + written
            lines.append(f"| {' | '.join(cells)} |")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def stored(page: str) -> str:
    """Return the glossary that stands in the text of DEVELOPERS.md."""
    return page.partition(START)[2].partition(END)[0].strip()


def main() -> None:
    """Print the glossary, or write it into DEVELOPERS.md."""
    if sys.argv[1:] != ["--write"]:
        print(glossary())
        return
    before, start, rest = PAGE.read_text(encoding="utf-8").partition(START)
    _, end, after = rest.partition(END)
    if not (start and end):
        sys.exit(f"{PAGE.name} lacks the marks of the glossary")
    PAGE.write_text(f"{before}{START}\n\n{glossary()}\n\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
