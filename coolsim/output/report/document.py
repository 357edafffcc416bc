"""The report: what was answered, in the order of the question, as one page that needs nothing beside itself.

First the verdict and what answers the question: what to buy, the ways to run a year, a shift, or what to set. Then
what moves the exit, the rest of that answer, how the pellets leave as the scenario stands, and last why.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from markupsafe import Markup

from coolsim.case.case import Case
from coolsim.case.result import Warning
from coolsim.output import (
    headline,
    lever_tables,
    library,
    lines,
    plans,
    settings,
    sizes,
    tables,
    verdicts,
    years,
)
from coolsim.output.finishing import finishing
from coolsim.output.headline import Headline
from coolsim.output.page import Page, table
from coolsim.output.report.answers import Answers
from coolsim.output.report.markup import environment, html_page
from coolsim.output.report.pictures import Drawn, drawn
from coolsim.scenario import inputs, typed_as
from coolsim.scenario import units as u
from coolsim.simulate.cautions import is_urgent
from coolsim.simulate.requirements import verdicts_of
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.support.visible import visible


@dataclass(frozen=True)
class Section:
    """A question and its answer, as HTML, with its pictures."""

    name: str
    title: str
    body: Markup
    pictures: tuple[Drawn, ...] = ()


def report(
    answers: Answers, version: str, units: str = "si", already: Mapping[str, Drawn] = MappingProxyType({})
) -> str:
    """Return the report as HTML; `units` are "si" or "us". already: pictures that are drawn, by name."""
    page, case = html_page(units), answers.case
    loader = environment()
    style, _, _ = loader.loader.get_source(loader, "report.css")  # type: ignore[union-attr]
    pictures = list(drawn(answers, units, already))
    sections = [
        dataclasses.replace(section, pictures=tuple(p for p in pictures if p.place == section.name))
        for section in _sections(answers, page)
    ]
    return loader.get_template("report.html").render(
        title=visible(case.title or "Report"),
        version=version,
        style=Markup(style),
        asked=_asked(case, page),
        verdict=_verdict(answers, page),
        first=sections[0],
        sections=[s for s in sections[1:] if s.body or s.pictures],
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


# -- what is read first


def _verdict(answers: Answers, page: Page) -> Headline:
    """The verdict on what is asked: a size, a year, or how the pellets leave."""
    if answers.size is not None:
        return headline.of_size(answers.size, page)
    if answers.seasons is not None:
        return headline.of_year(answers.seasons)
    result = answers.result
    found = answers.verdicts or verdicts_of(answers.case, result)
    today = headline.of_state(result.pellets_out, found, result.warnings, answers.chance, page)
    if answers.advice is None:
        return today
    more = headline.of_advice(answers.advice.answer, answers.case)
    return dataclasses.replace(today, sentence=f"{today.sentence} {more}")


def _sections(answers: Answers, page: Page) -> Iterator[Section]:
    """The first answers the question; the others follow in the order in which they are wanted."""
    yield _first(answers, page)
    if answers.levers is not None:
        yield Section(
            "levers", "What moves the exit, and how far?", _html(lever_tables.numbers(answers.levers, page))
        )
    yield from _rest(answers, page)
    title = "The first guess, as the scenario stands" if answers.size else "How do the pellets leave today?"
    yield Section("exit", title, _html(_exit(answers, page)))
    yield Section("notes", "What to know of these numbers", _html(_notes(answers, page)))
    yield Section("why", "Why: pellets, air, water and heat", _html(_numbers(answers, page)))


def _first(answers: Answers, page: Page) -> Section:
    dangers = _told(_dangers(answers), page)
    if answers.size is not None:
        body = sizes.to_buy(answers.case, answers.size, page)
        return Section("answer", "What to buy", _html(dangers, body))
    if answers.seasons is not None:
        body = years.side_by_side(answers.seasons, page)
        return Section("answer", "The year, by how it is run", _html(dangers, body))
    if answers.plan is not None:
        return Section("answer", "A shift of the line", _html(dangers, plans.of_the_line(answers.plan, page)))
    if answers.advice is not None:
        return Section("answer", _what_to_set(answers.advice.answer), _html(dangers, _to_set(answers, page)))
    return Section("answer", "How the pellets leave", _html(dangers, tables.answer(answers.result, page)))


def _what_to_set(answer: SettingsAnswer) -> str:
    if not answer.met:
        return "The nearest settings: none keep everything"
    return (
        "The cheapest settings, not likely enough to rely on" if settings.unlikely(answer) else "What to set"
    )


def _to_set(answers: Answers, page: Page) -> str:
    assert answers.advice is not None
    answer = answers.advice.answer
    sure = answer.met and (answer.chance is None or answer.chance >= verdicts.LIKELY)
    text = settings.to_set(answers.case, answer, page)
    return f'<div class="{"sure" if sure else "unsure"}">{text}</div>'


def _rest(answers: Answers, page: Page) -> Iterator[Section]:
    """What was asked besides, and the rest of what was answered first."""
    case = answers.case
    if answers.size is not None:
        yield Section("size", "Why so large?", _html(sizes.why_so_large(case, answers.size, page)))
    if answers.seasons is not None:
        yield Section("year", "Through the year", _html(years.hour_by_hour(answers.seasons, page)))
    if answers.plan is not None:
        of_plan = "" if answers.seasons is None else plans.of_the_line(answers.plan, page)
        yield Section("plan", "Through the shift", _html(of_plan))
    if answers.advice is not None:
        first = answers.plan is None and answers.seasons is None
        parts = ["" if first else _to_set(answers, page), tables.answer(answers.advice.answer.result, page)]
        parts += [settings.what_it_gives(case, answers.advice, page)]
        parts += [settings.one_step(answers.advice.answer, page)]
        title = "What do these settings give?" if first else "What to set in the weather of [air]?"
        yield Section("settings", title, _html(*parts))


def _exit(answers: Answers, page: Page) -> str:
    case, result = answers.case, answers.result
    names = [run.name for run in result.stages]
    parts = [tables.answer(result, page)]
    parts += [verdicts.verdict_tables(answers.verdicts or verdicts_of(case, result), page, names)]
    parts += [lines.stages(result, page)] if result.stages else []
    parts += [lines.schedule(result.schedule, page)] if result.schedule and not result.stages else []
    return "".join([*parts, finishing(case, result, page)])


def _numbers(answers: Answers, page: Page) -> str:
    """All numbers of each machine, its course, and what does not balance."""
    machines = answers.machines or (answers,)
    groups = [
        tables.group(f"{machine.name}: {title}" if machine.name else title, rows, page)
        for machine in machines
        for title, rows in tables.details(machine.case, machine.result, page).items()
    ]
    course = [tables.course(m.case, m.result, page) for m in machines if m.result.history is not None]
    details = "".join([*groups, tables.balances(answers.result, page)])
    return f'<div class="details">{details}</div>{"".join(course)}'


# -- each note once


def _warnings(answers: Answers) -> Iterator[Warning]:
    """What to look at: of the answer first, then of how the scenario stands."""
    if answers.size is not None:
        yield from answers.size.warnings
    if answers.advice is not None:
        yield from answers.advice.answer.result.warnings
    if answers.plan is not None:
        yield from answers.plan.warnings
    yield from answers.result.warnings


def _once(warnings: Iterable[Warning]) -> list[Warning]:
    """Those that say something new: the same words with other numbers do not."""
    found: dict[str, Warning] = {}
    for warning in warnings:
        found.setdefault(re.sub(r"[-−]?\d+([.,]\d+)?", "#", warning.text), warning)
    return list(found.values())


def _dangers(answers: Answers) -> list[Warning]:
    """What must be read before all numbers, of what stands and of what is advised."""
    return _once(w for w in _warnings(answers) if is_urgent(w) or w.level == "danger")


def _notes(answers: Answers, page: Page) -> str:
    first = {w.text for w in _dangers(answers)}
    others = [w for w in _once(_warnings(answers)) if w.text not in first]
    ranked = sorted(others, key=lambda w: tables.LEVELS.index(w.level))
    year = "" if answers.seasons is None else years.notes(answers.seasons, page)
    unasked = "".join(f"<p>{Markup.escape(why)}</p>\n" for why in answers.unasked)
    solved = environment().get_template("accuracies.html").render()
    return solved + _told(ranked, page) + year + unasked


def _told(warnings: Sequence[Warning], page: Page) -> str:
    return "".join(tables.warning_text(w, page) for w in warnings)


def _html(*parts: str) -> Markup:
    return Markup("".join(parts))


def _inputs(case: Case, page: Page) -> str:
    """Return every input but the material's, which stand with their sources."""
    rows = []
    for key, text in inputs(case, page.units, digits=6).items():
        if not key.startswith("material."):
            typed = typed_as(case, key)
            same = not typed or typed.replace(" ", "") == text.replace(" ", "")
            rows.append((key, text if same else f"{text} (typed {typed})"))
    return table([("input", "read as"), *rows], page)
