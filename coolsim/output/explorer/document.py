"""One file that needs nothing beside itself, and may load nothing: page, looks, program and numbers."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import math
import os
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from coolsim.case.argument_checks import path_of, takes_a_case
from coolsim.case.case import Case
from coolsim.output.explorer.data import page_data
from coolsim.output.explorer.sizes import bought_data
from coolsim.output.page import Page
from coolsim.output.report.markup import html_page
from coolsim.output.sizes import sized
from coolsim.scenario import files_of
from coolsim.studies.maps.outcome_map import Chart, charted
from coolsim.studies.sizing.answer import SizeAnswer
from coolsim.studies.sizing.find import check, size
from coolsim.support import files
from coolsim.support.errors import Fault, InputError
from coolsim.support.fields import documented
from coolsim.support.progress import Progress, tells
from coolsim.support.visible import visible
from coolsim.support.workers import background_process


@dataclass(frozen=True)
class Explored:
    """A page, and how far off its map is."""

    html: str = documented("-", "the file")
    states: int = documented("-", "predictions that the map was held against")
    moisture: float = documented("kg/kg wet", "how far off it was on them, at most")
    temperature: float = documented("K", "likewise")
    met: bool = documented("-", "whether a size serves, where one was asked for", default=True)

    def off(self, units: str = "si") -> str:
        """The errors in words, rounded up: none looks smaller than it is."""
        degrees, unit = (1.8 * self.temperature, "°F") if units == "us" else (self.temperature, "K")
        points, degrees = (math.ceil(100 * x) / 100 for x in (100 * self.moisture, degrees))
        return f"{points:.2f} points and {degrees:.2f} {unit}"


@takes_a_case
@tells
def explore(
    case: Case,
    path: str | os.PathLike[str] | None = None,
    *,
    units: str = "si",
    progress: Progress = None,
) -> Explored:
    """A page that answers while sliders move, as one offline HTML file; written to `path` where that is given.

    units: "si" or "us". progress: who hears how far it is, as `coolsim.support.progress` says. Needs no table of
    the scenario; [limits] open what may be set, [target] says whether it will do, [costs] what it costs,
    [sizing] what to buy. Raises InputError, and NotConverged where no map is good enough: then nothing is
    written.
    """
    if units not in ("si", "us"):
        raise InputError([Fault("", "units", repr(units), 'needs "si" or "us"')])
    if path is not None:
        name = path_of(path, "path", "the file to write")
        files.check([files.Output("path", name, (".html", ".htm"))], files_of(case))
    source = getattr(case.source, "name", "")
    page = explored(case, units=units, scenario=source)
    if path is not None:
        files.write(path_of(path, "path", "the file to write"), page.html, "path")
    return page


def explored(case: Case, *, units: str = "si", scenario: str = "") -> Explored:
    """The page of a case; `scenario` is the name of its file."""
    with ExitStack() as stack:
        answer = (
            stack.enter_context(background_process())(partial(size, uncertainty=True), case)
            if _to_buy(case)
            else None
        )
        chart = charted(case)
        found = None if answer is None else answer()
    html = document(chart, version("coolsim"), units, scenario, found)
    largest = chart.missed.largest
    met = found is None or found.met
    return Explored(html, chart.missed.states, largest["moisture"], largest["temperature"], met)


def _to_buy(case: Case) -> bool:
    """Whether the scenario asks what to buy, and can be asked: else the page has no such part."""
    if not case.sizing or case.target.moisture is None:
        return False
    check(case)
    return True


def document(
    chart: Chart,
    program_version: str,
    units: str = "si",
    scenario: str = "",
    bought: SizeAnswer | None = None,
) -> str:
    """Return the page as HTML; `units` are "si" or "us", `scenario` the name of its file."""
    loader = PackageLoader("coolsim.output.explorer", "")
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style, program = (loader.get_source(environment, name)[0] for name in ("explore.css", "explore.js"))
    page = Page(units=units)
    title = visible(chart.case.title or "Explore")
    buy = None if bought is None or not bought.met else bought_data(chart.case, bought, page)
    data = page_data(chart, page, scenario, title) | {"buy": buy}
    untitled = dataclasses.replace(chart.case, title="")
    style, program = f"\n{style}", f"\n{program}"
    return environment.get_template("explore.html").render(
        title=title,
        version=program_version,
        style=Markup(style),
        program=Markup(program),
        data=Markup(_inert(data)),
        allowed=_allowed(style, program),
        bought=bought is not None,
        no_size="" if bought is None or bought.met else Markup(sized(untitled, bought, html_page(units))),
    )


def _inert(data: Any) -> str:
    """JSON that ends no element of HTML."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _allowed(style: str, program: str) -> str:
    """The policy of the page: its own style and program by their hashes, and nothing else from anywhere."""
    a, b = (_hash(text) for text in (style, program))
    return f"default-src 'none'; style-src {a}; script-src {b}; img-src data:; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
