"""What is no case at the door of a public function is refused in words, with what to do first."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

import coolsim
from coolsim.support.errors import InputError

SCENARIO = Path(__file__).parents[2] / "scenarios/humid-delta.toml"
ONE = ["find_settings", "reachable", "seasons", "size", "uncertainty", "fit", "replace"]
SEVERAL = ["predict", "sensitivities"]
MORE = {"fit": ("trials.csv",), "replace": ({"feed.moisture": "14 %"},)}


@pytest.fixture(scope="module")
def case():
    return coolsim.load(SCENARIO)


@pytest.mark.parametrize("name", ONE + SEVERAL)
@pytest.mark.parametrize("keyword", [True, False])
def test_a_file_name_is_no_case(name, keyword):
    function, more = getattr(coolsim, name), MORE.get(name, ())
    with pytest.raises(InputError) as refused:
        if keyword:
            function(case="joe.toml", **dict(zip(("trials",) if name == "fit" else ("changes",), more)))
        else:
            function("joe.toml", *more)
    assert str(refused.value) == (
        'case: found "joe.toml"; needs a case, which is read first: case = coolsim.load("joe.toml")'
    )


@pytest.mark.parametrize("name", ONE)
def test_several_cases_where_one_is_asked_for(case, name):
    with pytest.raises(InputError, match="found an object of type list; needs a case"):
        getattr(coolsim, name)([case], *MORE.get(name, ()))


@pytest.mark.parametrize("name", SEVERAL)
def test_every_entry_that_is_no_case_is_named(case, name):
    with pytest.raises(InputError) as refused:
        getattr(coolsim, name)([case, Path("b.toml"), None])
    assert [(fault.key, fault.found) for fault in refused.value.faults] == [
        ("case 1 (from 0)", '"b.toml"'),
        ("case 2 (from 0)", "nothing"),
    ]


def test_an_answer_is_no_case():
    with pytest.raises(InputError, match="found an object of type Air; needs a case"):
        coolsim.predict(coolsim.Air(20.0, 0.5))


@pytest.mark.parametrize(("load", "what"), [("load", "a scenario file"), ("load_weather", "a weather file")])
@pytest.mark.parametrize("given", [{"feed": {}}, None, 3.5])
def test_what_is_no_path_is_no_file(load, what, given):
    with pytest.raises(InputError, match=f"needs the path of {what}, as text or as a Path"):
        getattr(coolsim, load)(given)


def test_functions_stay_what_they_are_called(case):
    """Names, help and pickles of public functions are their own: other processes find them."""
    for name in ONE + SEVERAL:
        function = getattr(coolsim, name)
        assert function.__name__ == name and function.__doc__
        assert pickle.loads(pickle.dumps(function)) is function
    with pytest.raises(TypeError, match="missing 1 required positional argument: 'case'"):
        coolsim.predict()
