"""A sheet to write trials on by hand: the columns that `coolsim fit` reads, with room for a shift's trials."""

from __future__ import annotations

from typing import Any

from coolsim.case.case import Case
from coolsim.output import fonts, paper
from coolsim.output.page import Page, pretty
from coolsim.output.paper import MARGIN, PALE, PAPERS, POINT
from coolsim.scenario.trial_sheet import columns
from coolsim.support.visible import one_line

ROWS = 10  # trials on a sheet
HEAD, TITLES, FOOT = 24.0, 22.0, 34.0  # mm: title, names of the columns, words below
WIDER = {"note": 2.0, "date": 1.3, "trial": 0.8}  # of the others' width
WORDS = (
    "A trial: set the machine, wait twice the time in the bed (a batch: to its end), then write all of a row "
    "within a few minutes. Sample the pellets as they leave, at several places, and mix; close the sample "
    "air-tight. Take feed and exit with the same moisture meter, and check it against an oven.",
    "Three trials as unlike as you may run them (much and little air, deep and shallow, moist and dry feed) tell "
    "most. `coolsim new trials.csv` writes a file with these columns; type them in, and `coolsim fit SCENARIO "
    "--trials trials.csv -o mine.toml` makes a material of your own. An empty cell takes the scenario's value.",
)


def trial_sheet(case: Case, page: Page, size: str) -> Any:
    """Return the sheet, on paper of that size."""
    wide, high = PAPERS[size]
    found, asked = paper.sheet(wide, high), columns(case, page.units)
    title = paper.shortened(
        fonts.drawable(f"Trials: {one_line(case.title) or 'our machine'}"), (wide - 2 * MARGIN) / POINT, 17
    )
    paper.write(
        found, MARGIN, MARGIN + 1, title, 17, weight="bold", va="top", family=fonts.families(title)[0]
    )
    text = "one row for each trial; the same columns as in the file that `coolsim fit` reads"
    paper.write(found, MARGIN, MARGIN + 12, text, 11, va="top")
    shares = [WIDER.get(column.heading, 1.0) for column in asked]
    top, room = MARGIN + HEAD, wide - 2 * MARGIN
    row = (high - MARGIN - FOOT - top - TITLES) / ROWS
    x = MARGIN
    for column, share in zip(asked, shares):
        across = share / sum(shares) * room
        paper.box(found, x, top, across, TITLES, PALE)
        lines = column.label.split(" ")
        for k, word in enumerate([*lines, f"[{pretty(column.unit)}]" if column.unit else ""]):
            step = TITLES / (len(lines) + 2)
            y = top + (k + 1) * step
            paper.fitted(found, x + across / 2, y, word, 8.5, 0.92 * across, ha="center")
        for k in range(ROWS):
            paper.box(found, x, top + TITLES + k * row, across, row)
        x += across
    paper.paragraphs(found, list(WORDS), high - MARGIN - FOOT + 4, 9.5, wide, "normal")
    return found
