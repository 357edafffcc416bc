"""The pictures of a report, in one table, as SVG that stands inside a page with its text as text."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from coolsim.output import plots
from coolsim.output.page import Page
from coolsim.output.report.answers import Answers
from coolsim.scenario import units as u


@dataclass(frozen=True)
class Picture:
    """A picture: its name, in words what it shows, what it is drawn from, and how."""

    name: str
    title: str
    words: str
    applies: Callable[[Answers], bool]
    draw: Callable[[Any, str], Any]  # of Answers to which it applies
    place: str = "why"  # the section in which it stands
    size: tuple[float, float] = (
        5.6,
        3.7,
    )  # in: words are read on a telephone, two stand side by side on a desk
    whole: bool = False  # as wide as the page


@dataclass(frozen=True)
class Drawn:
    """A picture as it stands in the page."""

    name: str
    title: str
    words: str
    svg: Markup
    place: str
    whole: bool


def _cooler(a: Answers) -> bool:
    return a.result.energy is None


def _cooler_that_stands(a: Answers) -> bool:
    """Of one that is to be bought nobody asks why the first guess does what it does."""
    return _cooler(a) and not a.case.sizing


def _currency(a: Answers) -> str:
    return a.case.costs.currency or ""


PICTURES: tuple[Picture, ...] = (
    Picture(
        "drawn",
        "What to buy, drawn to scale",
        "With its measures, its bed at its deepest, and its fans.",
        lambda a: a.size is not None and a.size.met,
        lambda a, units: plots.to_buy(a.size, units=units),
        "answer",
    ),
    Picture(
        "strategies",
        "Ways to run the year",
        "How the hours of each way end, and what it costs.",
        lambda a: a.seasons is not None,
        lambda a, units: plots.strategies(a.seasons),
        "answer",
        (5.6, 5.0),
    ),
    Picture(
        "levers",
        "Each thing alone",
        "Each thing alone from end to end of its range, the rest as it is today. Filled bars may be set, hatched "
        "ones change by themselves.",
        lambda a: a.levers is not None,
        lambda a, units: plots.levers(a.levers, units=units),
        "levers",
        (8.0, 0.0),
        True,
    ),
    Picture(
        "map",
        "The two that move it most",
        "The rest as it is to be set. Where the map is hatched, a limit or wish other than the moisture is broken.",
        lambda a: a.map is not None,
        lambda a, units: plots.lever_map(a.map, units=units),
        "levers",
        (7.4, 3.8),
        True,
    ),
    Picture(
        "shift",
        "A shift of the line",
        "When each machine runs: batches as bars, hatched what runs all the time, pale the breaks.",
        lambda a: a.plan is not None,
        lambda a, units: plots.shift(a.plan, units=units),
        "plan",
    ),
    Picture(
        "along",
        "Along the line",
        "Moisture of what passes, and its mass as a share of the mash, from place to place.",
        lambda a: a.plan is not None,
        lambda a, units: plots.along_the_line(a.plan, units=units),
        "plan",
    ),
    Picture(
        "curve",
        "What a larger floor saves",
        "Energy and running cost per tonne over the floor area; the floor that is taken is marked.",
        lambda a: a.size is not None and a.size.met,
        lambda a, units: plots.size_curve(a.size, currency=_currency(a), units=units),
        "size",
        (5.6, 5.0),
    ),
    Picture(
        "calendar",
        "The year at today's settings",
        "Exit moisture in every hour in which the machine runs.",
        lambda a: a.seasons is not None,
        lambda a, units: plots.calendar(a.seasons, units=units),
        "year",
        (8.0, 3.2),
        True,
    ),
    Picture(
        "between",
        "Between pellets",
        "Pellets in the order of their moisture, and of their temperature: the middle 80 % of them, their mean, "
        "and the tenth that is the wettest or the warmest.",
        lambda a: a.result.between_pellets is not None,
        lambda a, units: plots.between_pellets(a.result, a.case, units=units),
        "exit",
        (5.6, 4.2),
    ),
    Picture(
        "fan",
        "The fan and what it works against",
        "The fan's curve, what bed and duct ask of it, and where both meet.",
        lambda a: a.sweep is not None,
        lambda a, units: plots.fan_curve(a.result, a.case, a.sweep, units=units),
        "exit",
        (5.6, 4.2),
    ),
    Picture(
        "bed",
        "Through the bed, as the scenario stands",
        "Temperatures, moisture and the humidity of the air, from the top of the bed, where the pellets enter, to "
        "its bottom, where the air does.",
        _cooler,
        lambda a, units: plots.bed(a.result, case=a.case, units=units),
        size=(7.6, 4.0),
        whole=True,
    ),
    Picture(
        "pellet",
        "Inside a pellet, as the scenario stands",
        "Moisture from the centre of a pellet to its surface, at several depths of the bed.",
        _cooler_that_stands,
        lambda a, units: plots.pellet(a.result, a.case, units=units),
    ),
    Picture(
        "air",
        "The air on its way through the bed",
        "Its path on a psychrometric chart of the site's pressure.",
        _cooler_that_stands,
        lambda a, units: plots.psychrometric(a.result, a.case, units=units),
    ),
    Picture(
        "course",
        "The course of drying",
        "Moisture of the bed and of its outer layers, and temperatures.",
        lambda a: a.result.history is not None and a.case.cooler.arrangement != "belt",
        lambda a, units: plots.drying_curve(a.result, case=a.case, units=units),
        size=(5.6, 4.6),
    ),
    Picture(
        "layers",
        "Layer by layer",
        "Moisture over the height of the bed as time passes.",
        lambda a: a.result.layers is not None,
        lambda a, units: plots.drying_layers(a.result, units=units),
    ),
    Picture(
        "zones",
        "Along the belt",
        "Temperatures and moistures through the zones; arrows show the way of the air.",
        lambda a: a.result.layers is not None and a.case.cooler.arrangement == "belt",
        lambda a, units: plots.belt_zones(a.result, a.case, units=units),
        size=(5.6, 4.6),
    ),
    Picture(
        "balance",
        "Where water and heat go",
        "The widths are the streams; heat counts from the air outside.",
        _cooler_that_stands,
        lambda a, units: plots.balance(a.result, a.case, units=units),
        size=(5.6, 4.6),
    ),
)


def drawn(
    answers: Answers, units: str, already: Mapping[str, Drawn] = MappingProxyType({})
) -> Iterator[Drawn]:
    """Draw every picture that applies to what was answered, but those that were drawn `already`, by name."""
    import matplotlib

    looks: Any = {"svg.fonttype": "none", "svg.hashsalt": "coolsim", "figure.max_open_warning": 0}
    looks |= {"figure.facecolor": "none", "axes.facecolor": "none"}  # the page shows through
    with matplotlib.rc_context(looks):
        for name, picture, of in _pictured(answers):
            if name in already:
                yield already[name]
            elif picture.applies(of):
                words = f"{picture.words} {_numbers(picture.name, of, units)}".strip()
                title = f"{of.name}: {picture.title}" if of.name else picture.title
                svg = _inlined(_svg(picture.draw(of, units), picture.size), name, title, words)
                yield Drawn(name, title, picture.words, svg, picture.place, picture.whole)


OF_MACHINES = ("exit", "why")  # places of pictures that are of each machine of a line


def _pictured(answers: Answers) -> Iterator[tuple[str, Picture, Answers]]:
    """Every picture that may apply, its name, and what it is of: of a line some are of each of its machines."""
    for picture in PICTURES:
        if picture.place not in OF_MACHINES or not answers.machines:
            yield picture.name, picture, answers
    for k, machine in enumerate(answers.machines, 1):
        for picture in PICTURES:
            if picture.place in OF_MACHINES:
                yield f"{picture.name}-{k}", picture, machine


def _numbers(name: str, answers: Answers, units: str) -> str:
    """Who cannot see a picture hears between which numbers its curve runs."""
    p = answers.result.kept_profile
    if name == "bed":
        pellets, air = (
            [Page(units=units).number(T[end], u.TEMPERATURE, 0) for end in ends]
            for T, ends in ((p.pellet_temperature, (0, -1)), (p.air_temperature, (-1, 0)))
        )
        return f"Pellets from {' to '.join(pellets)}; air from {' to '.join(air)}."
    if name == "map" and answers.map is not None:
        M = answers.map.moisture_wb * u.shown(1.0, u.FRACTION, "%")
        return f"Exit moisture lies between {np.nanmin(M):.1f} and {np.nanmax(M):.1f} %."
    return ""


def _svg(axes: Any, size: tuple[float, float]) -> str:
    import matplotlib.pyplot as plt
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    figure = np.ravel(axes)[0].figure
    figure.set_size_inches(size[0], size[1] or figure.get_figheight())
    stream = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}  # the same bytes each time
    with warnings.catch_warnings():  # text stays text: the browser has fonts of its own
        warnings.filterwarnings("ignore", "Glyph .* missing")
        FigureCanvasSVG(figure).print_svg(
            stream, metadata=nothing
        )  # savefig draws all twice: a third more time
    plt.close(figure)
    return stream.getvalue()


def _inlined(svg: str, name: str, title: str, words: str) -> Markup:
    """Return an SVG for the inside of a page: ids of its own, a role, a title and a description."""
    svg = svg[svg.index("<svg") :]
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', svg))  # others only name a group, some of them twice
    svg = re.sub(r' id="([^"]*)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r'(href="#|url\(#)', rf"\g<1>{name}-", svg)
    svg = re.sub(r"(?<=\d\.\d{3})\d+", "", svg)  # a thousandth of a point is finer than any printer
    root, body = svg.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', root)
    assert box is not None
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {box.group()} '
        f'role="img" aria-labelledby="{name}-title {name}-words">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-words">{escape(words)}</desc>'
    )
    return Markup(opening + body)
