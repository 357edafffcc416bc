"""What holds for every picture: units on axes, nothing solved, any axis, readable in grey, no words on words."""

from __future__ import annotations

import importlib
import itertools
from collections.abc import Iterator
from typing import Any

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text
from output.pictures import PICTURES, answer, case, curves, grid, sweep

import coolsim
from coolsim import plots
from coolsim.case.quantities import LIMITED
from coolsim.output.plots import maps, style
from coolsim.simulate.requirements import SWEATING

each_picture = pytest.mark.parametrize("name", PICTURES)
OF_A_YEAR = [
    name for name in PICTURES if name.startswith(("calendar", "strategies"))
]  # seconds, and no lines


@pytest.fixture(autouse=True)
def canvas() -> Iterator[None]:
    plt.switch_backend("agg")
    yield
    plt.close("all")


def drawn(name: str, **how: Any) -> list[Axes]:
    return list(np.ravel(PICTURES[name][1](**how)))


@pytest.mark.thorough
@each_picture
@pytest.mark.parametrize("units", ["si", "us"])
def test_every_axis_has_its_unit(name: str, units: str) -> None:
    ours, theirs = {"°C", "m³/h", "Pa", "m", "mm", "m²", "kg/h", "kW", "g/kg dry air"}, set()
    if units == "us":
        ours, theirs = {"°F", "cfm", "inH2O", "in", "ft²", "lb/h", "kBTU/h", "grain/lb dry air"}, ours
    ours.add("kg/(kg h) dry solid" if units == "si" else "lb/(lb h) dry solid")
    if units == "us":
        ours.add("ft")
    both = {"-", "min", "%", "% wet basis", "h", "kWh/t", "USD", "USD/t"}
    # what stands along the bottom needs no unit: months, strategies, places; nor what stands up a shift: steps
    named = ("calendar", "strategies", "along the line")
    if name == "to buy":  # a drawing has measures and no axes
        return
    for axis in drawn(name, units=units):
        shared = axis is not axis.figure.axes[-1] and len(axis.figure.axes) > 1
        labels = [axis.get_title(loc="left")] if name.startswith("balance") else [axis.get_ylabel()]
        labels = [] if name == "shift" else labels
        if name.startswith(("levers", "bed")):  # side by side: what stands up has names
            labels, shared = [], False
        if not shared and not name.startswith("balance"):
            labels += [] if name.startswith(named) else [axis.get_xlabel()]
        for label in labels:
            assert label.endswith("]"), label
            unit = label[label.index("[") + 1 : -1]
            assert unit in ours | both and unit not in theirs, label


def test_units_are_named() -> None:
    with pytest.raises(ValueError, match=r"'metric'; allowed: .si. .*.us. "):
        plots.bed(answer(), units="metric")


@pytest.mark.thorough
@each_picture
def test_nothing_is_solved(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    PICTURES[name][1]()  # the answers are predicted by now

    def solved(*args: Any, **more: Any) -> None:
        raise AssertionError("a picture solved a bed")

    places = (
        ("simulate.prediction", "_solved"),
        ("simulate.chunks", "solve"),
        ("model.solve", "solve"),
        ("model.drying", "solve"),
    )
    for module, function in places:
        monkeypatch.setattr(importlib.import_module(f"coolsim.{module}"), function, solved)
    drawn(name)
    with pytest.raises(AssertionError, match="solved a bed"):
        coolsim.predict(case())


@pytest.mark.thorough
@each_picture
def test_draws_on_the_axes_it_is_given(name: str) -> None:
    count = PICTURES[name][0]
    figure = Figure()
    given = [figure.add_subplot(count, 1, i + 1) for i in range(count)]
    returned = drawn(name, ax=given[0] if count == 1 else given)
    assert all(a is b for a, b in zip(returned, given, strict=True))
    assert plt.get_fignums() == []  # nothing else was opened
    assert len(drawn(name)) == count and len(plt.get_fignums()) == 1
    with pytest.raises(ValueError, match=r"ax takes (one|2|3) matplotlib ax"):
        drawn(name, ax=[*given, given[0]])


@pytest.mark.thorough
@each_picture
@pytest.mark.parametrize("units", ["si", "us"])
def test_no_words_are_cut_or_on_others(name: str, units: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a desk and in a notebook; what is laid out anew when it is drawn, is."""
    figure = drawn(name, units=units)[0].figure
    assert isinstance(figure, Figure)
    figure.set_dpi(100)
    for size in ((12.0, 8.0), (6.0, 4.0)):
        figure.set_size_inches(*size)
        boxes = words(figure, monkeypatch)
        assert len(boxes) > 6
        for text, box in boxes:
            assert min(box.x0, box.y0) > -0.5, text
            assert box.x1 < 100 * size[0] + 0.5 and box.y1 < 100 * size[1] + 0.5, text
        for (one, a), (other, b) in itertools.combinations(boxes, 2):
            width = min(a.x1, b.x1) - max(a.x0, b.x0)
            height = min(a.y1, b.y1) - max(a.y0, b.y0)
            assert min(width, height) <= 1.0, (size, one, other)  # a pixel of empty margin may be shared


def words(figure: Figure, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, Any]]:
    """Return the words that are really drawn (no ticks beyond the ends of an axis), with their boxes."""
    figure.canvas.draw()  # the layout settles
    found: dict[int, Text] = {}
    draw = Text.draw

    def noted(text: Text, renderer: Any) -> None:
        found[id(text)] = text
        draw(text, renderer)

    with monkeypatch.context() as patch:
        patch.setattr(Text, "draw", noted)
        figure.canvas.draw()
    shown = [t for t in found.values() if t.get_visible() and t.get_text().strip()]
    return [(t.get_text(), Text.get_window_extent(t)) for t in shown]


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[pytest.mark.thorough] * (n in OF_A_YEAR)) for n in PICTURES]
)
def test_lines_differ_by_more_than_colour(name: str) -> None:
    for axis in drawn(name):
        key = axis.get_legend()
        handles = [] if key is None else key.get_lines()
        looks = [(str(h.get_linestyle()), dashes(h), h.get_marker(), h.get_linewidth()) for h in handles]
        for (a, one), (b, other) in itertools.combinations(zip(handles, looks), 2):
            assert one != other, (a.get_label(), b.get_label())


def dashes(line: Any) -> str:
    return str(line._unscaled_dash_pattern)


def test_bands_of_the_flow_diagram_differ_by_more_than_colour() -> None:
    for axis in drawn("balance, heated"):
        leaving = [p for p in axis.patches if p.get_gid() and p.get_path().vertices[0, 0] == 1.0]
        hatches = [patch.get_hatch() for patch in leaving]
        assert len(set(hatches)) == len(hatches) >= 3


# ---- Colours -------------------------------------------------------------------------------------------

# Machado, Oliveira & Fernandes 2009 (doi 10.1109/TVCG.2009.113), severity 1, on linear RGB; seen in several
# public programs that cite it, all alike.
VISION = {
    "all cones": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
PALETTE = (style.PLUM, style.BROWN, style.VIOLET, style.TEAL, style.ORANGE)
# IEC 61966-2-1 (sRGB) and CIE 15 (Lab, white D65); memory, high
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: Any) -> Any:
    c = np.array(to_rgb(colour))
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb: Any) -> Any:
    x = TO_XYZ @ np.clip(rgb, 0, 1) / TO_XYZ.sum(axis=1)
    f = np.where(x > 216 / 24389, np.cbrt(x), (24389 / 27 * x + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("vision", VISION)
def test_colours_stay_apart_for_every_eye(vision: str) -> None:
    colours = [lab(np.array(VISION[vision]) @ linear(c)) for c in PALETTE]
    apart = [np.linalg.norm(a - b) for a, b in itertools.combinations(colours, 2)]
    assert min(apart) > 25  # 2.3 is just noticeable side by side (Mahy et al. 1994; memory, medium)


def test_colours_stay_apart_in_grey_and_on_white() -> None:
    lightness = np.sort([lab(linear(c))[0] for c in PALETTE])
    assert np.diff(lightness).min() >= 8.5
    luminance = [TO_XYZ[1] @ linear(c) for c in (*PALETTE, style.FAINT)]
    assert 1.05 / (max(luminance) + 0.05) >= 3.0  # WCAG 2.1, 1.4.11: graphics


def test_wetter_is_darker_all_the_way() -> None:
    lightness = [lab(linear(style.MOISTURES(x)))[0] for x in np.linspace(0, 1, 30)]
    assert np.diff(lightness).max() < 0


# ---- What cannot be drawn ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "draw",
    [
        lambda: plots.bed(grid()),
        lambda: plots.pellet(grid(), case()),
        lambda: plots.psychrometric(grid(), case()),
        lambda: plots.balance(grid(), case()),
        lambda: plots.moisture_map(grid(), case(), chosen=grid()),
        lambda: plots.fan_curve(grid(), case("monsoon-night"), sweep()),
    ],
)
def test_many_cases_are_refused_where_one_is_shown(draw: Any) -> None:
    with pytest.raises(ValueError, match=r"shows one case|of one case|operating point shows|chosen settings"):
        draw()


def test_what_else_is_refused_says_what_is_allowed() -> None:
    with pytest.raises(ValueError, match='over is \'width\'; allowed: "depth" or "time"'):
        plots.bed(answer(), over="width")
    with pytest.raises(ValueError, match=r"from 0 to 0\.55 m"):
        plots.pellet(answer(), case(), depths=[0.1, 0.6])
    with pytest.raises(ValueError, match=r"from 0 to 0\.55 m"):
        plots.pellet(answer(), case(), depths=[])
    with pytest.raises(ValueError, match="7 curves; at most 6"):
        plots.pellet(answer(), case(), depths=[0.0, 0.002, 0.01, 0.03, 0.1, 0.3, 0.55])
    with pytest.raises(ValueError, match="8 names for 9 cases"):
        plots.dwell(curves()[0], curves()[1][:-1])
    with pytest.raises(ValueError, match="4 cases with 4 airflows and 1 times in the bed"):
        plots.moisture_map(sweep(), case("monsoon-night"))
    with pytest.raises(ValueError, match="sweep holds one airflow"):
        plots.fan_curve(answer("monsoon-night"), case("monsoon-night"), answer("monsoon-night"))
    with pytest.raises(coolsim.InputError, match=r"fan: found no \[fan\] table; this picture needs"):
        plots.fan_curve(answer(), case(), sweep())


@pytest.mark.thorough
def test_matplotlib_is_left_as_it_was() -> None:
    before = dict(matplotlib.rcParams)
    for name in PICTURES:
        drawn(name)
        plt.close("all")
    assert dict(matplotlib.rcParams) == before


def test_a_map_has_a_look_for_every_limit_and_no_two_alike() -> None:
    """Of the one table of limits; told apart by their dashes and marks where colours are grey."""
    assert set(maps._LOOKS) == {q.name for q, _ in LIMITED} | {SWEATING}
    assert len({(str(dash), mark) for _, dash, mark in maps._LOOKS.values()}) == len(maps._LOOKS)
    assert len({mark for _, _, mark in maps._LOOKS.values()}) == len(maps._LOOKS)
