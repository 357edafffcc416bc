"""What public functions are given beside a case: of another kind, it is refused at once, by name and in words."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shipped import level

import coolsim
from coolsim.simulate.prediction import Resolution
from coolsim.support.errors import Fault

ROOT = Path(__file__).parents[2]
YEAR = ROOT / "scenarios" / "monsoon-year.csv"
UNITS = {"temperature": "degC", "relative_humidity": "%"}


@pytest.fixture(scope="module")
def case() -> coolsim.Case:
    return level("humid-delta")


@pytest.fixture(autouse=True, scope="module")
def loaded() -> None:
    """What is loaded when first used is no part of the tenth of a second."""
    for name in coolsim.__all__:
        getattr(coolsim, name)
    coolsim.load_weather(YEAR, UNITS)


def refused(ask: Callable[[], Any]) -> Fault:
    begin = time.process_time()
    with pytest.raises(coolsim.InputError) as wrong:
        ask()
    assert time.process_time() - begin < 0.1
    (fault,) = wrong.value.faults
    return fault


@pytest.mark.parametrize(
    ("units", "found"),
    [
        (3, "3"),
        ("degC", '"degC"'),
        (["degC"], '["degC"]'),
        ({"temperature": 3}, '"temperature" = 3'),
        ({3: "degC"}, '3 = "degC"'),
        ({"temperature": None}, '"temperature" = nothing'),
        ({"temperature": np.array([1])}, '"temperature" = an object of type ndarray'),
    ],
)
def test_units_of_a_weather_file(units: Any, found: str) -> None:
    fault = refused(lambda: coolsim.load_weather(YEAR, units))
    assert (fault.key, fault.found) == ("units", found) and '{"temperature": "degC"}' in fault.allowed


@pytest.mark.parametrize(
    ("pressure", "found", "allowed"),
    [
        (float("nan"), "nan", "45000 to 110000 Pa"),
        (101.3, "101.3", "did you mean 101300?"),
        (None, "nothing", "needs a number"),
        ("x", '"x"', "needs a number"),
        (np.array([1e5, 1e5]), "an array of 2", "no array"),
    ],
)
def test_the_pressure_of_a_site(pressure: Any, found: str, allowed: str) -> None:
    fault = refused(lambda: coolsim.load_weather(YEAR, UNITS, pressure=pressure))
    assert (fault.key, fault.found) == ("pressure", found) and allowed in fault.allowed


@pytest.mark.parametrize(
    ("function", "name", "value", "words"),
    [
        ("predict", "resolution", None, "needs a Resolution"),
        ("sensitivities", "resolution", (16, 12), "needs a Resolution"),
        ("find_settings", "chance", "90 %", "such as 0.9"),
        ("find_settings", "chance", True, "such as 0.9"),
        ("find_settings", "chance", 10**400, "such as 0.9"),
        ("uncertainty", "samples", "many", "whole number"),
        ("uncertainty", "samples", 512.0, "whole number"),
        ("predict", "band", "x", "True or False"),
        ("predict", "band", np.array([0.1, 0.2]), "True or False"),
        ("predict", "profile", 3, "True, False or None"),
        ("find_settings", "on_dial", None, "True or False"),
        ("find_settings", "uncertainty", 1, "True or False"),
        ("seasons", "direct", [], "True or False"),
        ("seasons", "chart", "c.csv", "True or False"),
        ("uncertainty", "seed", -1, "whole number from 0 on"),
        ("uncertainty", "seed", None, "whole number from 0 on"),
        ("sensitivities", "by", 3, "a list of names"),
        ("sensitivities", "by", [3], "a list of names"),
        ("seasons", "weather", "w.csv", "coolsim.load_weather("),
        ("seasons", "weather", 3, "coolsim.load_weather("),
    ],
)
def test_arguments_of_another_kind(
    case: coolsim.Case, function: str, name: str, value: Any, words: str
) -> None:
    fault = refused(lambda: getattr(coolsim, function)(case, **{name: value}))
    assert fault.key == name and words in fault.allowed


@pytest.mark.parametrize("free", [3, None, "diffusivity", [3]])
def test_names_of_what_is_fitted(case: coolsim.Case, free: Any) -> None:
    fault = refused(lambda: coolsim.fit(case, ROOT / "scenarios" / "delta-trials.csv", free))
    assert fault.key == "free" and "a list of names" in fault.allowed


def test_whether_ranges_count_in_a_fit(case: coolsim.Case) -> None:
    fault = refused(lambda: coolsim.fit(case, ROOT / "scenarios" / "delta-trials.csv", priors=0.5))
    assert (fault.key, fault.allowed) == ("priors", "needs True or False")


@pytest.mark.parametrize("function", ["predict", "sensitivities"])
def test_no_case_at_all(function: str) -> None:
    fault = refused(lambda: getattr(coolsim, function)([]))
    assert (fault.key, fault.found) == ("case", "an empty list")


@pytest.mark.parametrize(
    ("mesh", "key"),
    [
        (Resolution(0, 6), "cells"),
        (Resolution(-1, 6), "cells"),
        (Resolution(2.5, 6), "cells"),  # type: ignore[arg-type]
        (Resolution(8, 10**6), "shells"),
        (Resolution(8, 6, refinements=-1), "refinements"),
    ],
)
def test_meshes_that_cannot_be(case: coolsim.Case, mesh: Resolution, key: str) -> None:
    assert refused(lambda: coolsim.predict(case, resolution=mesh)).key == f"resolution.{key}"


@pytest.mark.parametrize(
    ("field", "value", "found"),
    [
        ("temperature", np.full(8760, np.nan), "nan (entry 0 of 8760, from 0)"),
        ("relative_humidity", np.full(8760, 85.0), "85 (entry 0 of 8760, from 0)"),
        ("pressure", np.zeros(8760), "0 (entry 0 of 8760, from 0)"),
        ("temperature", "x", '"x"'),
        ("temperature", np.zeros(3), "an array of shape (3,)"),
        ("pressure", 1e5, "an array of shape ()"),
        ("time", None, "nothing"),
        ("time", np.arange(8760.0), "an object of type ndarray"),
    ],
)
def test_weather_that_was_changed_in_python(field: str, value: Any, found: str) -> None:
    year = level("monsoon-year")
    weather = dataclasses.replace(coolsim.load_weather(YEAR, UNITS), **{field: value})
    fault = refused(lambda: coolsim.seasons(year, weather=weather))
    assert (fault.key, fault.found) == (f"weather.{field}", found)


@pytest.mark.parametrize("name", [None, 3, [1], b"pig-pellets"])
def test_names_of_materials(name: Any) -> None:
    fault = refused(lambda: coolsim.load_material(name))
    assert fault.key == "name" and "coolsim materials" in fault.allowed


def test_what_is_right_passes(case: coolsim.Case) -> None:
    assert coolsim.predict(case, resolution=Resolution(8, 6)).pellets_out.moisture_wb > 0
    assert coolsim.sensitivities(case, "airflow") and coolsim.sensitivities(case, ["airflow"])
    assert len(coolsim.load_weather(YEAR, UNITS, pressure=np.float32(1e5)))  # type: ignore[arg-type]
