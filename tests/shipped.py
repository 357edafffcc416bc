"""The shipped scenarios with level beds: they state a judged unevenness, and many tests are of an even bed."""

from __future__ import annotations

from pathlib import Path

import coolsim
from coolsim.case.case import Case, Line

SCENARIOS = Path(__file__).parents[1] / "scenarios"


def level(name: str) -> Case:
    """A shipped scenario whose beds are level and whose pellets pass evenly."""
    return levelled(coolsim.load(SCENARIOS / f"{name}.toml"))


def levelled(case: Case) -> Case:
    """A case whose beds are level and whose pellets pass evenly."""
    line = isinstance(case.cooler, Line)
    machines = [stage.cooler for stage in case.cooler.stages] if line else [case.cooler]
    places = [f"stage.{k}" for k in range(1, len(machines) + 1)] if line else ["cooler"]
    changes = {}
    for place, machine in zip(places, machines):
        if machine.depth_deviation or machine.depth_deviation_length:
            changes[f"{place}.depth_deviation"] = "0 %"
        if getattr(machine, "speed_deviation", None):
            changes[f"{place}.speed_deviation"] = "0 %"
    return coolsim.replace(case, changes)


def level_text(name: str) -> str:
    """The text of a shipped scenario without what it states of its unevenness."""
    lines = (SCENARIOS / f"{name}.toml").read_text(encoding="utf-8").splitlines()
    return "\n".join(x for x in lines if not x.startswith(("depth_deviation", "speed_deviation"))) + "\n"


def shortened(folder: Path) -> None:
    """Put the shipped scenarios into a folder, their years with each third hour: as few as are taken."""
    for file in SCENARIOS.iterdir():
        text = file.read_text(encoding="utf-8")
        if file.name == "monsoon-year.csv":
            lines = text.splitlines(keepends=True)
            text = "".join([*lines[:2], *lines[2::3]])  # below a remark and titles
        (folder / file.name).write_text(text, encoding="utf-8")
