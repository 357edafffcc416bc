"""Reads a report as a browser's tree would: elements, ids, texts and tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "img", "path", "use"}


@dataclass
class Read(HTMLParser):
    """What stands in a page."""

    tags: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    pointers: list[str] = field(default_factory=list)  # every address that an element names
    rows: list[tuple[str, list[str]]] = field(default_factory=list)  # (section, cells)
    headings: list[str] = field(default_factory=list)
    svg_texts: list[str] = field(default_factory=list)
    _open: list[str] = field(default_factory=list)
    _section: str = ""

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append(tag)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.pointers += [given[name] or "" for name in ("href", "src", "xlink:href") if name in given]
        self._section = (given.get("id") or "") if tag == "section" else self._section
        if tag == "tr":
            self.rows.append((self._section, []))
        if tag in ("td", "th"):
            self.rows[-1][1].append("")
        if tag == "h1":
            self.headings.append("")
        if tag == "text":
            self.svg_texts.append("")
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while tag in self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if {"td", "th"} & set(self._open[-1:]):
            self.rows[-1][1][-1] += data
        if "h1" in self._open:
            self.headings[-1] += data
        if "text" in self._open:
            self.svg_texts[-1] += data

    def row(self, section: str, label: str) -> list[str]:
        """Return the cells behind the first row of a section that begins with a label."""
        return next(cells[1:] for where, cells in self.rows if where == section and cells[0] == label)


def read(html: str) -> Read:
    page = Read()
    page.feed(html)
    return page
