"""Answers in a notebook: short as a repr, printed tables as HTML, numbers with units as a frame."""

from __future__ import annotations

import dataclasses
import functools
import html
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import coolsim
from coolsim.case.case import Case
from coolsim.case.streams import Air
from coolsim.output import explain, tables
from coolsim.output import fits as printed_fit
from coolsim.output import plans as printed_plan
from coolsim.output import sizes as printed_size
from coolsim.output.page import Page
from coolsim.physics.materials import Material
from coolsim.scenario.weather import Weather
from coolsim.studies.settings.answer import SettingsAnswer
from coolsim.support.display import Displayed
from coolsim.support.errors import InputError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
LINES = 12  # of a repr, at most


@functools.cache
def case(name: str) -> Any:
    return coolsim.load(SCENARIOS / f"{name}.toml")


@functools.cache
def buyer() -> Case:
    """Who wants a cooler for one weather."""
    three = case("cooler-to-buy")
    return dataclasses.replace(
        three, sizing=dataclasses.replace(three.sizing, weather=three.sizing.weather[:1])
    )


def two_airs() -> Air:
    return Air(temperature=np.array([20.0, 30.0]), relative_humidity=0.8, pressure=101_325.0)


ANSWERS: dict[str, Callable[[], Any]] = {
    "case": lambda: case("humid-delta"),
    "cooler": lambda: coolsim.predict(case("humid-delta")),
    "batch": lambda: coolsim.predict(case("evening-batch")),
    "line": lambda: coolsim.predict(case("dryer-then-cooler")),
    "stage": lambda: coolsim.predict(case("dryer-then-cooler")).stages[0],
    "many": lambda: coolsim.predict(case("humid-delta"), air=two_airs()),
    "profile": lambda: coolsim.predict(case("humid-delta")).profile,
    "history": lambda: coolsim.predict(case("evening-batch")).history,
    "sensitivities": lambda: coolsim.sensitivities(case("humid-delta")),
    "levers": lambda: coolsim.levers(case("humid-delta")),
    "material": lambda: coolsim.load_material("pig-pellets"),
    "plan": lambda: coolsim.plan(case("farm-line")),
    "fit": lambda: coolsim.fit(case("humid-delta"), SCENARIOS / "delta-trials.csv"),
}
LONG: dict[str, Callable[[], Any]] = {
    "settings": lambda: coolsim.find_settings(case("monsoon-night")),
    "weathers": lambda: coolsim.find_settings(case("monsoon-night"), air=two_airs()),
    "reached": lambda: answer("settings").driest,
    "size": lambda: coolsim.size(buyer()),
    "served": lambda: answer("size").served[0],
    "year": lambda: coolsim.seasons(case("monsoon-year"), chart=False),
    "weather": lambda: answer("year").weather,
    "uncertainty": lambda: coolsim.uncertainty(case("humid-delta"), samples=64),
}
each = pytest.mark.parametrize(
    "name", [*ANSWERS, *(pytest.param(n, marks=pytest.mark.thorough) for n in LONG)]
)


@functools.cache
def answer(name: str) -> Any:
    return (ANSWERS | LONG)[name]()


def words(markup: str) -> list[str]:
    return html.unescape(re.sub("<[^>]*>", " ", markup)).split()


@each
def test_repr_is_short_and_begins_as_the_print_does(name: str) -> None:
    shown = repr(answer(name)).split("\n")
    assert 2 <= len(shown) <= LINES
    assert "object at 0x" not in shown[0] and "cannot be shown" not in shown[0]
    whole = answer(name).summary().rstrip("\n").split("\n")
    same = shown if len(whole) <= LINES else shown[:-1]
    assert whole[: len(same)] == same
    assert all(len(line) <= 80 for line in shown)


@each
def test_a_notebook_shows_the_words_of_the_print(name: str) -> None:
    """On a page as wide as that of a notebook, where nothing is shortened."""
    if name == "levers":
        return  # bars of characters, where there are no pictures
    printed = answer(name).summary(width=1000)
    assert sorted(words(answer(name)._repr_html_())) == sorted(printed.split())


def test_summary_is_what_the_commands_print() -> None:
    page = Page(80)
    us = Page(60, units="us")
    one = case("humid-delta")
    assert answer("cooler").summary() == tables.predicted(one, answer("cooler"), page)
    assert answer("cooler").summary(units="us", width=60) == tables.predicted(one, answer("cooler"), us)
    assert "degF" not in answer("cooler").summary() and "°F" in answer("cooler").summary("us")
    assert answer("case").summary() == tables.understood(one, page)
    assert answer("plan").summary() == printed_plan.planned(answer("plan"), page)
    assert answer("fit").summary() == printed_fit.fitted(one, answer("fit"), page)


@pytest.mark.thorough
def test_what_is_set_stands_in_a_frame() -> None:
    chosen = answer("settings").to_frame()
    assert list(chosen["to"]) == [c.to for c in answer("settings").chosen]
    assert list(chosen["unit"]) == ["-", "m"]  # a share of the fan's speed, and a depth


@pytest.mark.thorough
def test_summary_of_a_size_is_what_its_command_prints() -> None:
    assert answer("size").summary() == printed_size.sized(buyer(), answer("size"), Page(80))


def test_units_that_there_are_not_are_refused() -> None:
    with pytest.raises(InputError, match=r'units: found .metric.; needs "si" or "us"'):
        answer("cooler").summary(units="metric")


@each
def test_frames_have_units(name: str) -> None:
    frame = answer(name).to_frame()
    assert len(frame) >= 1 and list(frame.attrs["units"]) == list(frame.columns)
    assert list(frame[frame.columns[0]].attrs["units"]) == list(frame.columns)


def test_columns_are_what_python_calls_them() -> None:
    result = answer("cooler")
    frame = result.to_frame()
    assert len(frame) == 1
    assert frame["pellets_out.moisture_wb"][0] == result.pellets_out.moisture_wb
    assert frame.attrs["units"]["pellets_out.moisture_wb"] == "kg/kg wet"
    assert frame.attrs["units"]["bed.pressure_drop"] == "Pa"
    many = answer("many").to_frame()
    assert len(many) == 2
    np.testing.assert_array_equal(many["bed.lift_off"], answer("many").bed.lift_off)
    line = answer("line")
    stage = line.to_frame()["stages.0.pellets_out.temperature"]
    assert stage[0] == line.stages[0].result.pellets_out.temperature


def test_tables_by_name() -> None:
    history = answer("batch").history
    frame = answer("batch").to_frame("history")
    np.testing.assert_array_equal(frame["moisture_wb"], history.moisture_wb)
    layers = answer("batch").layers
    long = answer("batch").to_frame("layers")
    assert len(long) == layers.time.size * layers.height.size
    at = (long["time"] == layers.time[3]) & (long["height"] == layers.height[2])
    assert long["moisture_wb"][at].item() == layers.moisture_wb[3, 2]
    steps = answer("plan").to_frame()
    assert list(steps["name"]) == [e.name for e in answer("plan").equipment]
    readings = answer("fit").to_frame("readings")
    assert list(readings["measured"]) == [r.measured for r in answer("fit").readings]


def test_a_table_that_there_is_not_is_answered_with_those_that_there_are() -> None:
    with pytest.raises(InputError, match='table: found "exits"; Result has: exit, profile, history, layers'):
        answer("cooler").to_frame("exits")
    with pytest.raises(InputError, match='table: found "history"; this answer has none'):
        answer("cooler").to_frame("history")
    with pytest.raises(InputError, match='table: found "profile"; this answer has none'):
        answer("many").to_frame("profile")


def test_without_pandas_words_say_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ImportError, match=r"to_frame needs pandas, .*pip install 'coolsim\[notebooks\]'"):
        answer("cooler").to_frame()


def test_a_repr_raises_nothing() -> None:
    """Half an answer is looked at when something went wrong: a second error would hide the first."""
    broken = dataclasses.replace(answer("cooler"), pellets_out=None)
    assert repr(broken).startswith("<Result, which cannot be shown: AttributeError")


def test_an_answer_knows_what_was_asked() -> None:
    one = case("humid-delta")
    assert answer("cooler").case is one
    assert coolsim.predict([one, one]).case == (one, one)
    assert answer("many").case.air.temperature.tolist() == [20.0, 30.0]


def test_no_answer_writes_out_all_that_it_holds() -> None:
    """A data class makes a repr of its own, of thousands of characters, unless told not to."""
    for _, kind in explain.classes():
        if issubclass(kind, Displayed):
            assert kind.__repr__ is Displayed.__repr__, kind
    kinds = (Case, Material, Weather, SettingsAnswer, *(type(answer(name)) for name in ANSWERS))
    assert all(issubclass(kind, Displayed) for kind in kinds)
