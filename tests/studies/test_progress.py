"""How far questions are: told to a function, drawn as a bar, and only by what counts outermost."""

from __future__ import annotations

import inspect
import itertools
import sys
import types
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import level
from studies.test_dryer_seasons import weather_of

import coolsim
from coolsim.output.report.answers import ask
from coolsim.studies.maps import outcome_map
from coolsim.studies.maps.outcome_map import Effort
from coolsim.support import progress
from coolsim.support.errors import InputError
from coolsim.support.progress import each, heard, in_steps, tells

LONG = ("sweep", "seasons", "find_settings", "size", "fit", "explore")
Told = list[tuple[int, int, str]]


def listening() -> tuple[Told, Any]:
    told: Told = []
    return told, lambda *one: told.append(one)


@tells
def inner(count: int, progress: progress.Progress = None) -> None:
    for _ in each(range(count), "inner"):
        pass


@tells
def outer(progress: progress.Progress = None) -> None:
    with in_steps(2) as step:
        step("first")
        inner(3)
        step("second")
    inner(1)


def test_done_and_of_how_many_are_told() -> None:
    told, tell = listening()
    inner(2, progress=tell)
    assert told == [(0, 2, "inner"), (1, 2, "inner"), (2, 2, "inner")]


def test_of_what_counts_within_what_counts_only_the_outer_is_heard() -> None:
    told, tell = listening()
    outer(progress=tell)
    assert told == [(0, 2, "first"), (1, 2, "second"), (2, 2, "second"), (0, 1, "inner"), (1, 1, "inner")]


def test_nobody_hears_what_is_counted_outside_of_a_question() -> None:
    told, tell = listening()
    with heard(tell):
        pass
    inner.__wrapped__(2)  # type: ignore[attr-defined]
    assert told == []


def test_what_the_function_raises_ends_the_question_and_leaves_nothing_behind() -> None:
    def stop(done: int, of: int, what: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        inner(2, progress=stop)
    told, tell = listening()
    inner(1, progress=tell)
    assert told == [(0, 1, "inner"), (1, 1, "inner")]


@pytest.mark.parametrize("name", LONG)
def test_every_long_question_takes_it_by_the_same_name(name: str) -> None:
    door = getattr(coolsim, name)
    assert inspect.signature(door).parameters["progress"].default is None
    assert "progress: who hears how far it is, as `coolsim.support.progress`" in " ".join(
        door.__doc__.split()
    )


def test_what_can_hear_nothing_is_refused() -> None:
    with pytest.raises(InputError, match=r"progress.*needs a function of \(done, of, what\)"):
        coolsim.sweep(level("humid-delta"), {"cooler.airflow": ["900 m3/h"]}, progress="loud")


@pytest.mark.thorough
def test_a_year_tells_of_its_boxes() -> None:
    told, tell = listening()
    weather = weather_of(np.array([20.0, 21.0, 30.0, 31.0]), np.array([0.5, 0.6, 0.8, 0.9]))
    coolsim.seasons(level("monsoon-year"), weather=weather, progress=tell)
    boxes = [(done, of) for done, of, what in told if what == "settings of the boxes"]
    count = boxes[0][1]
    assert count > 1 and boxes[: count + 1] == [(k, count) for k in range(count + 1)]


# -- bars


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """What time it is, for bars."""
    now = [0.0]
    monkeypatch.setattr(progress, "time", types.SimpleNamespace(monotonic=lambda: now[0]))
    return now


def test_a_bar_stands_only_where_it_takes_long(clock: list[float], capsys: pytest.CaptureFixture) -> None:
    with heard(True), in_steps(40) as step:
        step("points", 10)
        assert capsys.readouterr().err == ""
        clock[0] = 2.0
        step("points", 10)
    err = capsys.readouterr().err
    assert "points: 10 of 40" in err and "\x1b[2K" in err  # and it was taken away


def test_no_bar_stands_where_nobody_sees_it(clock: list[float], capsys: pytest.CaptureFixture) -> None:
    clock[0] = -9.0
    with heard(None), in_steps(4) as step:
        clock[0] = 9.0
        step("points")
    assert capsys.readouterr() == ("", "")


def test_a_notebook_shows_it_in_its_cell(clock: list[float], monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[str] = []

    def display(data: dict[str, str], **how: Any) -> Any:
        shown.append(data["text/plain"])
        return types.SimpleNamespace(update=lambda data, **how: shown.append(data["text/plain"]))

    inside = types.SimpleNamespace(get_ipython=lambda: types.SimpleNamespace(kernel="some"))
    monkeypatch.setitem(sys.modules, "IPython", inside)
    monkeypatch.setitem(sys.modules, "IPython.display", types.SimpleNamespace(display=display))
    with heard(None), in_steps(4) as step:
        clock[0] = 9.0
        step("points", 3)
        step("points")
    assert [text[:14] for text in shown[:3]] == [f"points: {done} of 4" for done in (0, 3, 4)]
    assert "━" in shown[1] and shown[-1] == ""


# -- every long question


SCENARIOS = Path(__file__).parents[2] / "scenarios"
QUICK = Effort((400,), (20,), 20, 60, 1.0, 100.0, 1.0)
ASKED: dict[str, Any] = {
    "settings": lambda how: coolsim.find_settings(level("monsoon-night"), chance=0.8, **how),
    "size": lambda how: coolsim.size(coolsim.load(SCENARIOS / "cooler-to-buy.toml"), uncertainty=True, **how),
    "fit": lambda how: coolsim.fit(level("humid-delta"), SCENARIOS / "delta-trials.csv", **how),
    "page": lambda how: coolsim.explore(level("humid-delta"), **how),
    "report": lambda how: asked_of_a_report(**how),
}


def asked_of_a_report(progress: progress.Progress) -> None:
    with heard(progress):
        ask(level("monsoon-night"))


@pytest.mark.thorough
@pytest.mark.parametrize("name", ASKED)
def test_every_long_question_tells_how_far_it_is(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """From nothing to all, one after the other, of each thing that is counted."""
    monkeypatch.setattr(outcome_map, "effort_of", lambda case: QUICK)
    told, tell = listening()
    ASKED[name]({"progress": tell})
    assert len(told) > 2 and all(what for _, _, what in told)
    counts = [(done, of) for done, of, _ in told]
    assert counts[0][0] == 0 and counts[-1][0] == counts[-1][1]
    for (done, of), (later, its) in itertools.pairwise(counts):
        assert later >= done if its == of else later == 0 and done == of, counts
