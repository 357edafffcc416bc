"""The documents say what the code does: commands run, scenarios answer."""

from __future__ import annotations

import ast
import re
import shlex
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import FrameType, SimpleNamespace
from typing import Any

import matplotlib.pyplot as plt
import pytest
from cli.test_dryers import REFUSED
from shipped import level_text, shortened

import coolsim
from coolsim.output import tables
from coolsim.output.page import Page
from coolsim.physics import materials
from coolsim.scenario import load_with, units
from coolsim.simulate.prediction import predict
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


@pytest.mark.parametrize("way", ["I run a batch dryer", "I set or buy a cooler"])
def test_the_ways_in_begin_with_what_runs(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    """Its own scenario is written, read and answered; what is shipped is answered in other tests."""
    monkeypatch.chdir(tmp_path)
    section = README[README.index(f"### {way}") :].split("\n### ")[0]
    commands = [shlex.split(line, comments=True) for line in fenced(section, "sh")[0].splitlines()]
    own = [command for command in commands if "scenarios/" not in " ".join(command)]
    assert {command[1] for command in own} >= {"new", "predict"}
    for command in own:
        outcome = run(*command[1:])
        assert (outcome.status, outcome.err) == (0, ""), command


@pytest.mark.thorough
def test_every_command_of_the_readme_runs(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the scenarios as shipped, but for even beds and years of each third hour, which take half the time."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "scenarios").mkdir()
    shortened(tmp_path / "scenarios")
    for path in SCENARIOS:
        (tmp_path / "scenarios" / path.name).write_text(level_text(path.stem), encoding="utf-8")
    section = README[README.index("## Three ways in") :].split("\n## ")[0]
    lines = [line for block in fenced(section, "sh") for line in block.splitlines()]
    lines += re.findall(r"`(coolsim fit [^`]+)`", section)
    assert len(lines) > 10
    for line in lines:
        command = shlex.split(line, comments=True)
        assert command[0] == "coolsim"
        outcome = run(*command[1:])
        assert outcome.status == 0, (line, outcome.err)


def test_the_python_of_the_readme_runs(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("new", "mill.toml").status == 0
    first, pictures = fenced(README, "python")
    names: dict[str, Any] = {}
    exec(compile(first, "README.md", "exec"), names)
    plt.switch_backend("agg")
    exec(compile(pictures, "README.md", "exec"), names)
    plt.close("all")
    moisture, temperature = (float(word) for word in capsys.readouterr().out.split()[-2:])
    assert 0.1 < moisture < 0.16 and 15 < temperature < 60  # of the scenario that `coolsim new` writes


def test_what_the_help_says_of_settings_is_what_is_printed(
    run: Run, monkeypatch: pytest.MonkeyPatch, search: SimpleNamespace
) -> None:
    monkeypatch.chdir(ROOT)
    told = " ".join(run("settings", "--help").out.split()).partition("Options:")[0]
    outcome = run("settings", "scenarios/monsoon-night.toml")
    assert (outcome.status, outcome.err) == (3, "")  # the stand-in's answer is out of reach
    printed = " ".join(outcome.out.split())
    quoted = re.findall(r'"([A-Z][A-Za-z ]+)"', told)
    assert len(quoted) >= 6
    for words in quoted:
        assert words in printed, words


def test_what_is_said_of_pictures_is_what_they_return_and_refuse() -> None:
    """Names of pictures that return several axes, by their annotations; of those that a dryer is refused by."""
    section = " ".join((coolsim.plots.__doc__ or "").split())
    several = re.search(r"a list, which is returned: ([^.]*)\.", section)
    of_coolers = re.search(r"Of a counter-flow cooler only: ([^;]*);", section)
    assert several is not None and of_coolers is not None
    pictures = {name: getattr(coolsim.plots, name) for name in coolsim.plots.__all__}
    lists = {name for name, draw in pictures.items() if draw.__annotations__["return"] == "list[Axes]"}
    assert {*re.findall(r"`(\w+)`", several[1])} == lists
    assert {*re.findall(r"`(\w+)`", of_coolers[1])} == {*REFUSED} & {*pictures}


def test_documents_are_as_short_as_they_are_promised() -> None:
    assert len(README.encode()) <= 12_000
    assert len(DEVELOPERS.encode()) <= 20_000


def test_readme_names_every_default_material() -> None:
    for name in materials.names():
        assert f"`{name}`" in README


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_and_paths_exist(text: str) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", text):
        assert link.startswith("http") or (ROOT / link).exists(), link
    for path in re.findall(r"`((?:tests|coolsim|scenarios)/[\w./-]+\.(?:py|toml))`", text):
        assert (ROOT / path).is_file(), path


def test_what_developers_are_sent_to_is_there() -> None:
    """Every `file.py: name` stands at the top of that file; every file of the map in its room."""
    places = re.findall(r"`([\w/]+\.py): (\w+)`", DEVELOPERS)
    assert len(places) > 20
    for file, name in places:
        body = ast.parse((ROOT / "coolsim" / file).read_text(encoding="utf-8")).body
        targets = [target for node in body if isinstance(node, ast.Assign) for target in node.targets]
        names = {node.name for node in body if isinstance(node, ast.FunctionDef | ast.ClassDef)}
        assert name in names | {target.id for target in targets if isinstance(target, ast.Name)}, (file, name)
    rooms = re.findall(r"^\| `(\w+)/` \| (.*) \|$", DEVELOPERS, re.MULTILINE)
    assert {room for room, _ in rooms} >= {
        "cli",
        "output",
        "studies",
        "machines",
        "scenario",
        "simulate",
        "case",
        "model",
    }
    for room, held in rooms:
        for file in re.findall(r"`([\w/]+\.py)`", held):
            assert [*(ROOT / "coolsim" / room).rglob(file)], (room, file)


def test_a_value_goes_the_way_that_developers_are_told() -> None:
    """Each function of the walk is called, and the first and last number are those that it quotes."""
    walk = DEVELOPERS[DEVELOPERS.index("## A value on its way") :].split("\n**", 1)[0]
    steps = re.findall(r"`([\w/]+)\.py: ([a-z]\w+)`", walk)
    of_dryers = {("model/drying", "solve")}
    by_hand = {("cli/questions", "predict"), ("scenario/edit", "load_with"), ("output/tables", "answer")}
    called: set[tuple[str, str]] = set()

    def seen(frame: FrameType, event: str, _: Any) -> None:
        if event == "call":
            called.add((Path(frame.f_code.co_filename).with_suffix("").as_posix(), frame.f_code.co_name))

    path = ROOT / "scenarios" / "humid-delta.toml"
    units.read.cache_clear()
    sys.setprofile(seen)
    try:
        case = load_with(path, [])
        answered = tables.answer(predict(case), Page())
    finally:
        sys.setprofile(None)
    for file, name in {*steps} - of_dryers - by_hand:
        assert any(place.endswith(f"coolsim/{file}") and name == function for place, function in called), (
            file,
            name,
        )
    assert f'"{100 * case.feed.moisture:g} %"' in walk
    printed = re.search(r"prints ([\d.]+ %)", walk)
    assert printed is not None and printed[1] in answered


# -- scenarios


@pytest.mark.thorough
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
