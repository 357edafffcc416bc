"""The report: what was answered, laid out as one page that needs nothing beside itself."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from markupsafe import Markup

from coolsim.case import Case
from coolsim.output import (
    library,
    lines,
    plan,
    seasons,
    settings,
    size,
    tables,
    verdicts,
)
from coolsim.output.finishing import finishing
from coolsim.output.page import Page, table
from coolsim.output.report.answers import Answers
from coolsim.output.report.markup import environment, html_page
from coolsim.output.report.pictures import Drawn, drawn
from coolsim.requirements import verdicts_of
from coolsim.result import Result
from coolsim.scenario import inputs, typed_as
from coolsim.scenario import units as u
from coolsim.visible import visible


@dataclass(frozen=True)
class Section:
    """A question and its answer, as HTML."""

    name: str
    title: str
    body: Markup


def report(
    answers: Answers, version: str, units: str = "si", already: Mapping[str, Drawn] = MappingProxyType({})
) -> str:
    """Return the report as HTML; `units` are "si" or "us". already: pictures that are drawn, by name."""
    page, case = html_page(units), answers.case
    loader = environment()
    style, _, _ = loader.loader.get_source(loader, "report.css")  # type: ignore[union-attr]
    details = (
        tables.group(f"{machine.name}: {title}" if machine.name else title, rows, page)
        for machine in answers.machines or (answers,)
        for title, rows in tables.details(machine.case, machine.result, page).items()
    )
    return loader.get_template("report.html").render(
        title=visible(case.title or "Report"),
        version=version,
        style=Markup(style),
        asked=_asked(case, page),
        sections=list(_sections(answers, page)),
        unasked=answers.unasked,
        pictures=list(drawn(answers, units, already)),
        details=Markup("".join(details) + tables.balances(answers.result, page)),
        inputs=Markup(_inputs(case, page)),
        material=Markup(library.material(case.material, page)),
        dryer=any(machine.result.energy is not None for machine in (answers, *answers.machines)),
    )


def _asked(case: Case, page: Page) -> str:
    """Return in a sentence what comes into the bed, and into what air."""
    feed, air = case.feed, case.air
    unit, digits = ("in", 2) if page.units == "us" else ("mm", 1)
    d, length = (page.number(x, u.LENGTH, digits, unit) for x in (feed.diameter, feed.length))
    return (
        f"{case.material.name}, {d} × {length}, arrive at {page.number(feed.temperature, u.TEMPERATURE, 1)} with "
        f"{page.number(feed.moisture, u.FRACTION, 2)} moisture (wet basis). The air outside has "
        f"{page.number(air.temperature, u.TEMPERATURE, 1)} and "
        f"{page.number(air.relative_humidity, u.FRACTION, 0)} relative humidity."
    )


def _sections(answers: Answers, page: Page) -> Iterator[Section]:
    case, result = answers.case, answers.result
    untitled = dataclasses.replace(case, title="")  # the page has the title already
    found = {
        "exit": ("How do the pellets leave, as the scenario stands?", _exit(case, result, page)),
    }
    if answers.plan is not None:
        found["plan"] = ("What does a shift of the line give?", plan.of_the_line(answers.plan, page))
    if answers.advice is not None:
        found["settings"] = ("What should be set?", settings.advised(untitled, answers.advice, page))
    if answers.size is not None:
        what = "cooler" if answers.size.arrangement == "counter-flow" else "dryer"
        found["size"] = (f"How large a {what}, and which fan?", size.sized(untitled, answers.size, page))
    if answers.seasons is not None:
        year = dataclasses.replace(answers.seasons, case=untitled)
        found["year"] = ("What does a year of weather bring?", seasons.year(year, page))
    for name, (title, body) in found.items():
        yield Section(name, title, Markup(body))


def _exit(case: Case, result: Result, page: Page) -> str:
    parts = [tables.first(result, page), tables.answer(result, page)]
    parts += [tables.warnings(result, page, tables.LEVELS[:1])]
    names = [run.name for run in result.stages]
    parts += [verdicts.told(verdicts_of(case, result), page, names)]
    parts += [lines.stages(result, page)] if result.stages else []
    parts += [lines.schedule(result.schedule, page)] if result.schedule and not result.stages else []
    parts += [finishing(case, result, page)]
    parts += [tables.course(case, result, page)] if result.history is not None else []
    return "".join([*parts, tables.warnings(result, page, tables.LEVELS[1:])])


def _inputs(case: Case, page: Page) -> str:
    """Return every input but the material's, which stand with their sources."""
    rows = []
    for key, text in inputs(case, page.units, digits=6).items():
        if not key.startswith("material."):
            typed = typed_as(case, key)
            rows.append((key, text, "" if typed.replace(" ", "") == text.replace(" ", "") else typed))
    return table([("input", "read as", "typed"), *rows], page)
