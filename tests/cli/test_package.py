"""`import coolsim`: quick, light, and its public names are what they say, whatever was imported before."""

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


def test_a_module_never_hides_a_public_function() -> None:
    """Importing a module sets its name in the package: `coolsim.predict` would be a module for who comes later.

    So nothing but rooms is directly under the package, and no module anywhere has a public function's name.
    """
    package = Path(coolsim.__file__).parent
    assert {path.name for path in package.iterdir() if path.suffix} <= {"__init__.py", "py.typed"}
    modules = {path.stem for path in package.rglob("*.py")} | {
        path.parent.name for path in package.rglob("__init__.py")
    }
    functions = {name for name in coolsim.__all__ if name.islower()} - {"plots", "__version__"}
    assert modules.isdisjoint(functions), modules & functions


def test_rooms_load_nothing_by_themselves() -> None:
    rooms = "coolsim.case, coolsim.simulate, coolsim.support, coolsim.studies, coolsim.output"
    assert python(f"import sys, {rooms}\nprint('numpy' in sys.modules)") == "False"


def test_public_names() -> None:
    for name in coolsim.__all__:
        assert getattr(coolsim, name) is not None
    assert set(coolsim.__all__) <= set(dir(coolsim))
    assert 10 <= len(coolsim.__all__) <= 28
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = coolsim.nonsense
