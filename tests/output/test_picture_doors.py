"""Pictures ask what they are given as every public function does: a case that cannot be is refused, in words."""

from __future__ import annotations

import dataclasses
import inspect
import time
from typing import Any

import numpy as np
import pytest
from output.pictures import answer, case, curves, grid

import coolsim
from coolsim import plots
from coolsim.support.fields import with_number

PICTURES = [getattr(plots, name) for name in plots.__all__]
OF_A_CASE = [p for p in PICTURES if "case" in inspect.signature(p).parameters]


def refused(picture: Any, *args: Any, **kwargs: Any) -> list[coolsim.support.errors.Fault]:
    begin = time.process_time()
    with pytest.raises(coolsim.InputError) as wrong:
        picture(*args, **kwargs)
    assert time.process_time() - begin < 0.1
    return wrong.value.faults


def given(picture: Any, **instead: Any) -> dict[str, Any]:
    """What a picture asks for, each thing right, but for some."""
    right = {"result": answer(), "case": case(), "sweep": grid(), "curves": curves()[1]}
    return {n: right[n] for n in inspect.signature(picture).parameters if n in right} | instead


@pytest.mark.parametrize("picture", OF_A_CASE, ids=lambda p: p.__name__)
def test_a_case_that_cannot_be(picture: Any) -> None:
    wrong = with_number(with_number(case(), "feed.moisture", 15.5), "air.pressure", float("nan"))
    first, second = refused(picture, **given(picture, case=wrong))
    assert (first.key, first.found) == ("feed.moisture", "15.5") and "did you mean 0.155?" in first.allowed
    assert (second.key, second.found) == ("air.pressure", "nan") and "45000 to 110000 Pa" in second.allowed
    (fault,) = refused(picture, **given(picture, case=dataclasses.replace(case(), feed=None)))
    assert (fault.key, fault.found) == ("feed", "nothing")
    (fault,) = refused(picture, **given(picture, case="mill.toml"))
    assert (fault.key, fault.found) == ("case", '"mill.toml"') and "coolsim.load(" in fault.allowed


@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.__name__)
def test_what_is_no_answer_is_refused(picture: Any) -> None:
    """The first thing that each asks for; a case is the usual slip, and nothing what a failed call left behind."""
    first, *_ = inspect.signature(picture).parameters
    for value, found in ((case(), "an object of type Case"), (None, "nothing"), (3.0, "3.0")):
        (fault,) = refused(picture, **given(picture, **{first: value}))
        assert (fault.key, fault.found) == (first, found)
        assert fault.allowed.startswith("needs ") and "coolsim." in fault.allowed


def test_arguments_by_place_and_second_answers() -> None:
    swapped = refused(plots.balance, case(), answer())
    assert [(f.key, f.found) for f in swapped] == [
        ("result", "an object of type Case"),
        ("case", "an object of type Result"),
    ]
    (fault,) = refused(plots.fan_curve, answer(), case(), [answer()])
    assert fault.key == "sweep"
    (fault,) = refused(plots.moisture_map, grid(), case(), chosen=case())
    assert fault.key == "chosen"
    assert len(plots.dwell(*curves(), case=None)) == 2  # which may be left out
    with pytest.raises(TypeError, match="argument"):  # in Python's words
        plots.balance(answer())


def test_arrays_stand_where_a_picture_shows_many() -> None:
    many = with_number(case(), "cooler.bed_depth", np.array([0.4, 0.5, 0.6]))
    (fault,) = refused(plots.balance, answer(), many)
    assert (fault.key, fault.found) == ("cooler.bed_depth", "an array of 3")
    assert "case by case" in fault.allowed
    assert len(plots.dwell(*curves(), case=many)) == 2
    air = dataclasses.replace(case(), air=dataclasses.replace(case().air, temperature=np.array([20.0, 30.0])))
    (fault,) = refused(plots.balance, answer(), air)
    assert fault.key == "air.temperature" and "`air` only" not in fault.allowed
