"""`import coolsim`: quick, light, and coolsim.predict is the function whatever was imported before."""

import subprocess
import sys
from pathlib import Path

import pytest

import coolsim

ROOT = Path(__file__).parents[2]


def python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_import_is_quick_and_light() -> None:
    code = (
        "import sys, time; start = time.perf_counter(); import coolsim\n"
        "took = time.perf_counter() - start\n"
        "print(took, *({'matplotlib', 'pandas'} & set(sys.modules)))"
    )
    took, *heavy = min((python(code).split() for _ in range(3)), key=lambda words: float(words[0]))
    assert float(took) < 0.5 and heavy == []


def test_reading_a_scenario_pulls_in_neither_matplotlib_nor_pandas() -> None:
    code = (
        "import sys, coolsim; coolsim.load('scenarios/humid-delta.toml')\n"
        "print(*({'matplotlib', 'pandas', 'typer'} & set(sys.modules)))"
    )
    assert python(code) == ""


STAND_IN = """
import sys, importlib.abc, importlib.machinery
class Loader(importlib.abc.Loader):
    def exec_module(self, module): module.predict = lambda case: f"answer to {case}"
class Finder(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == "coolsim.predict": return importlib.machinery.ModuleSpec(name, Loader())
sys.meta_path.insert(0, Finder())  # the import system's own way, so that it sets the package's attribute
"""


@pytest.mark.parametrize(
    "before",
    [
        "",
        "import coolsim.predict",
        "from coolsim.predict import predict",
        "import importlib; importlib.import_module('coolsim.predict')",
        "coolsim.predict; import coolsim.predict",
    ],
)
def test_predict_is_the_function(before: str) -> None:
    code = f"{STAND_IN}\nimport coolsim\n{before}\nprint(coolsim.predict('this'))"
    assert python(code) == "answer to this"


def test_public_names() -> None:
    lazy = set(coolsim.__all__) - {"predict"}
    for name in lazy:
        assert getattr(coolsim, name) is not None
    assert set(coolsim.__all__) <= set(dir(coolsim))
    assert 10 <= len(coolsim.__all__) <= 28
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = coolsim.nonsense
