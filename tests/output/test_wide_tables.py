"""Wide tables on a screen of 80 columns: still tables, with the columns that matter most; on a wide page all."""

from __future__ import annotations

import pytest

from coolsim.output.page import Page, grid

TITLES = ["product", "exit", "airflow", "bed", "load", "cost"]
ROWS = [("floating, rains", "11.50 %", "2220 m³/h", "40.0 cm", "91 %", "0.0669")]
# by hand: 15 + 7 + 9 + 7 + 4 + 6 letters, and two spaces between each two columns
WHOLE = 15 + 7 + 9 + 7 + 4 + 6 + 5 * 2


@pytest.mark.parametrize(
    ("width", "shown"),
    [
        (WHOLE, ["product", "exit", "airflow", "bed", "load", "cost"]),
        (WHOLE - 1, ["product", "exit", "airflow", "bed", "cost"]),
        (15 + 6 + 7 + 9 + 3 * 2, ["product", "exit", "airflow", "cost"]),
        (15 + 6 + 7 + 2 * 2, ["product", "exit", "cost"]),
    ],
)
def test_the_columns_that_matter_most_stay_in_their_order(width: int, shown: list[str]) -> None:
    lines = grid(TITLES, ROWS, Page(width=width), first=[5, 1]).splitlines()
    assert lines[0].split() == shown
    assert max(map(len, lines)) <= width
    left = [title for title in TITLES if title not in shown]
    said = " ".join(" ".join(lines[2:]).split())
    assert said == (f"Left out, --wide prints it: {', '.join(left)}." if left else "")


def test_a_wide_page_has_all_columns() -> None:
    lines = grid(TITLES, ROWS, Page(width=40, wide=True), first=[5]).splitlines()
    assert lines[0].split() == TITLES and len(lines) == 2


def test_with_room_for_two_columns_rows_become_lines() -> None:
    text = grid(TITLES, ROWS, Page(width=30), first=[5])
    assert "floating, rains: exit 11.50 %," in " ".join(text.split())


def test_a_table_whose_columns_all_matter_is_whole_or_lines() -> None:
    assert grid(TITLES, ROWS, Page(width=WHOLE)).splitlines()[0].split() == TITLES
    assert "Left out" not in grid(TITLES, ROWS, Page(width=WHOLE - 1))


def test_titles_stand_in_several_lines_where_that_makes_room() -> None:
    titles, rows = ["floor", "deepest bed", "cost/short ton, mean"], [("1.54 m²", "44.3 cm", "0.119")]
    # by hand: 7 + 7 + 10 letters ("deepest", "cost/short"), and two spaces between each two columns
    lines = grid(titles, rows, Page(width=7 + 7 + 10 + 4), first=[]).splitlines()
    assert lines == [
        "         deepest  cost/short",
        "floor        bed   ton, mean",
        "1.54 m²  44.3 cm       0.119",
    ]
    whole = grid(titles, rows, Page(width=7 + 11 + 20 + 4), first=[]).splitlines()
    assert whole[0].split("  ")[-1] == "cost/short ton, mean"


def test_a_row_that_only_names_what_follows_has_no_colon_in_lines() -> None:
    rows = [("floating", "", ""), ("  rains", "11.50 %", "0.0669")]
    text = grid(["product", "exit moisture", "cost"], rows, Page(width=18))
    assert "floating\n" in text and "rains: exit" in text
