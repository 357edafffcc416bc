"""HTML in place of text: the same tables and paragraphs that a terminal shows, as marked-up ones.

Whoever writes an answer as text writes it as HTML too, by the page it is given; no number is formatted twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from coolsim.output.page import Page

WIDE = 1000  # columns: a browser scrolls or wraps what is wide
_CLASSES = {"bold": "strong", "bold red": "danger", "yellow": "check"}  # by the style on a terminal


@cache
def environment() -> Environment:
    """Return the templates; whatever is put into them is escaped."""
    loader = PackageLoader("coolsim.output.report", "")
    return Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )


class Html:
    """Writes tables and paragraphs as HTML."""

    def table(self, rows: Sequence[tuple[str, ...]], right: Sequence[int]) -> str:
        """Return a table whose first row holds its name and the titles of its columns."""
        used = [k for k, column in enumerate(zip(*rows)) if k == 0 or any(column)]
        titles, *body = [tuple(row[k] for k in used) for row in rows]
        flush = {n for n, k in enumerate(used) if k in set(right)}
        return environment().get_template("table.html").render(titles=titles, rows=body, right=flush)

    def paragraph(self, text: str, style: str) -> str:
        if not text.strip():
            return ""
        template = environment().from_string('<p{% if look %} class="{{ look }}"{% endif %}>{{ text }}</p>\n')
        return template.render(text=text, look=_CLASSES.get(style, ""))


def html_page(units: str) -> Page:
    """Return the page that answers write HTML on."""
    return Page(width=WIDE, units=units, writer=Html())
