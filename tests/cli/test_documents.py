"""The documents say what the code does: commands run, scenarios answer."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import matplotlib.pyplot as plt
import pytest
from cli.test_dryers import REFUSED

import coolsim
from coolsim.physics import materials
from coolsim.studies.settings.find import check

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SCENARIOS = sorted((ROOT / "scenarios").glob("*.toml"))
each_scenario = pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)


def fenced(text: str, language: str) -> list[str]:
    """Return the fenced blocks of a language."""
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


# -- README


def test_readme_opens_with_the_person_then_installs_answers_and_tests() -> None:
    title, opening, *_ = README.split("\n\n")
    assert title == "# coolsim" and opening.startswith("You ")
    first, second, *_ = fenced(README, "sh")
    assert first.count("\n") == second.count("\n") == 1  # one line each
    assert "venv" in first and "pip install" in first and "coolsim predict scenarios/" in first
    assert second.rstrip().endswith("python -m pytest")
    for scenario in re.findall(r"scenarios/\S+", README):
        assert (ROOT / scenario).is_file()


def test_ci_runs_what_the_readme_calls_the_tests() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert script.rstrip().splitlines()[-2:] == ["step python -m pytest", "step python -m pytest -m thorough"]


def test_quick_start_runs(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    quick_start = README[README.index("## Quick start") :]
    commands = [shlex.split(line, comments=True) for line in fenced(quick_start, "sh")[0].splitlines()]
    commands = [command for command in commands if command[0] == "coolsim"]
    assert {command[1] for command in commands} == {"new", "check", "predict", "materials", "explain"}
    for command in commands:
        outcome = run(*command[1:])
        assert (outcome.status, outcome.err) == (0, ""), command
    assert (tmp_path / "answer.json").is_file()
    first, pictures = fenced(quick_start, "python")
    names: dict[str, Any] = {}
    exec(compile(first, "README.md", "exec"), names)
    plt.switch_backend("agg")
    exec(compile(pictures, "README.md", "exec"), names)
    plt.close("all")
    moisture, temperature = (float(word) for word in capsys.readouterr().out.split())
    assert 0.1 < moisture < 0.16 and 15 < temperature < 60  # of the scenario that `coolsim new` writes


def test_what_the_readme_says_of_settings_is_what_is_printed(
    run: Run, monkeypatch: pytest.MonkeyPatch, search: SimpleNamespace
) -> None:
    section = README[README.index("## What to set now") :].split("\n## ")[0]
    monkeypatch.chdir(ROOT)
    for line in fenced(section, "sh")[0].splitlines():
        command, *arguments = shlex.split(line, comments=True)
        assert command == "coolsim" and arguments[0] == "settings"
        outcome = run(*arguments)
        assert (outcome.status, outcome.err) == (3, "")  # the stand-in's answer is out of reach
    printed = " ".join(outcome.out.split())
    for words in re.findall(r"\*\*([^*]+)\*\*", section):
        assert words in printed, words


def test_what_the_readme_says_of_pictures_is_what_they_return_and_refuse() -> None:
    """Names of pictures that return several axes, by their annotations; of those that a dryer is refused by."""
    section = " ".join(README[README.index("## Pictures") :].split("\n## ")[0].split())
    several = re.search(r"which it returns \(([^)]*)\)", section)
    of_coolers = re.search(r"(`bed`, [^.]*) are of counter-flow coolers only", section)
    assert several is not None and of_coolers is not None
    pictures = {name: getattr(coolsim.plots, name) for name in coolsim.plots.__all__}
    lists = {name for name, draw in pictures.items() if draw.__annotations__["return"] == "list[Axes]"}
    assert {*re.findall(r"`(\w+)`", several[1])} == lists
    assert {*re.findall(r"`(\w+)`", of_coolers[1])} == {*REFUSED} & {*pictures}


def test_readme_names_every_default_material() -> None:
    for name in materials.names():
        assert f"`{name}`" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_and_paths_exist(text: str) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", text):
        assert link.startswith("http") or (ROOT / link).exists(), link
    for path in re.findall(r"`((?:tests|coolsim|scenarios)/[\w./-]+\.(?:py|toml))`", text):
        assert (ROOT / path).is_file(), path


# -- scenarios


@each_scenario
def test_scenarios_are_read_and_answered(run: Run, path: Path) -> None:
    for command in ("check", "predict"):
        outcome = run(command, str(path))
        assert (outcome.status, outcome.err) == (0, "")
        assert outcome.out.startswith(tomllib.loads(path.read_text(encoding="utf-8"))["title"])
        assert "danger:" not in outcome.out


def test_the_good_day_meets_every_wish_without_a_warning(run: Run) -> None:
    outcome = run("predict", str(ROOT / "scenarios" / "humid-delta.toml"))
    assert not re.search(r"^(danger|check):|not met", outcome.out, re.MULTILINE)
    result = coolsim.predict(coolsim.load(ROOT / "scenarios" / "humid-delta.toml"))
    assert 0.115 < result.pellets_out.moisture_wb < 0.120  # what the scenario is there to show


def test_the_wet_day_misses_its_moisture_and_says_so(run: Run) -> None:
    outcome = run("predict", str(ROOT / "scenarios" / "humid-delta-wet.toml"))
    assert re.search(r"^moisture .*not met: \d\.\d\d points wetter(;|$)", outcome.out, re.MULTILINE)
    good, wet = (
        tomllib.loads((ROOT / "scenarios" / f"{name}.toml").read_text(encoding="utf-8"))
        for name in ("humid-delta", "humid-delta-wet")
    )
    del good["title"], wet["title"], good["feed"]["moisture"], wet["feed"]["moisture"]
    assert good == wet  # only the feed's moisture differs


@each_scenario
def test_scenarios_have_what_settings_need(path: Path) -> None:
    case = coolsim.load(path)
    if case.cooler.arrangement == "counter-flow":  # settings of dryers are not searched yet
        check(case)
