"""One file that needs nothing beside itself, and may load nothing: page, looks, program and numbers."""

from __future__ import annotations

import base64
import hashlib
import json
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from coolsim.output.explore.data import page_data
from coolsim.output.page import Page
from coolsim.studies.explore.charted import Chart
from coolsim.visible import visible


def document(chart: Chart, version: str, units: str = "si", scenario: str = "", bought: Any = None) -> str:
    """Return the page as HTML; `units` are "si" or "us", `scenario` the name of its file."""
    loader = PackageLoader("coolsim.output.explore", "")
    environment = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    style, program = (loader.get_source(environment, name)[0] for name in ("explore.css", "explore.js"))
    page = Page(units=units)
    title = visible(chart.case.title or "Explore")
    data = page_data(chart, page, scenario, title, version) | {"buy": bought}
    style, program = f"\n{style}", f"\n{program}"
    return environment.get_template("explore.html").render(
        title=title,
        version=version,
        style=Markup(style),
        program=Markup(program),
        data=Markup(_inert(data)),
        allowed=_allowed(style, program),
        bought=bought is not None,
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
