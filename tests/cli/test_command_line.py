"""Commands and their exit statuses: 0 answered, 2 wrong input, 4 not computed, 1 our bug, 130 stopped."""

import dataclasses
import json
import os
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from coolsim.case.result import Result
from coolsim.support.errors import CoolsimError, NotConverged

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]
COMMANDS = ("predict", "settings", "check", "materials", "explain", "new")


def process(*arguments: str, **more: Any) -> subprocess.CompletedProcess[bytes]:
    """Run the command line in a process of its own."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)} | more.pop("env", {})
    environment.pop("PYTHONUNBUFFERED", None)  # with it, nothing is left to flush at exit
    return subprocess.run(
        [sys.executable, "-m", "coolsim.cli", *arguments], cwd=ROOT, env=environment, check=False, **more
    )


def test_predict_prints_the_answer_first(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    outcome = run("predict", str(scenario))
    assert (outcome.status, outcome.err) == (0, "")
    title, _, header, moisture, temperature, *_ = outcome.out.splitlines()
    assert title == "A mill of our own"
    assert "solved to" in header and "your inputs leave open" in header
    assert "12.75 %" in moisture and "0.008 points" in moisture and "12.28 – 13.11 %" in moisture
    assert "38.2 °C" in temperature and "37.1 – 39.4 °C" in temperature


def test_set_reaches_the_solver(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    outcome = run(
        "predict",
        str(scenario),
        "--set",
        "feed.moisture_dry_basis=25 %",
        "--set",
        'cooler.airflow="1800 m3/h"',
        "--set",
        "target.maximum_water_activity=0.7",
        "--set",
        'limits.airflow=["900 m3/h", "1800 m3/h"]',
    )
    assert outcome.status == 0
    (case,) = solver.asked
    assert case.feed.moisture == pytest.approx(0.2)
    assert case.cooler.airflow == pytest.approx(0.5)
    assert case.target.maximum_water_activity == 0.7
    assert case.limits.airflow == (0.25, 0.5)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("feed.moistur=15 %", "did you mean feed.moisture?"),
        ("feed.moisture", "key=value"),
        ("feed.moisture=", "key=value"),
        ("feed.moisture=15", "unit is missing"),
        ("target.maximum_water_activity=0.7 %", "bare number"),
        ("limits.airflow=[1", "a pair"),
    ],
)
def test_wrong_settings(run: Run, scenario: Path, solver: SimpleNamespace, setting: str, words: str) -> None:
    outcome = run("predict", str(scenario), "--set", setting, "--set", "nonsense")
    assert outcome.status == 2 and outcome.out == "" and solver.asked == []
    assert words in outcome.err and "--set: nonsense" in outcome.err  # both in one message


def test_json_to_a_file(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    target = scenario.parent / "answer.json"
    target.write_text("old")
    outcome = run("predict", str(scenario), "--json", str(target))
    assert outcome.status == 0 and "12.75 %" in outcome.out
    document = json.loads(target.read_text(encoding="utf-8"))
    assert document["pellets_out"]["moisture_wb"] == 0.1275
    assert document["scenario"] == str(scenario)
    assert sorted(path.name for path in scenario.parent.iterdir()) == ["answer.json", "mill.toml"]


def test_json_to_standard_output_stands_alone(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    outcome = run("predict", str(scenario), "--json", "-", "--units", "us")
    assert outcome.status == 0 and outcome.err == ""
    assert json.loads(outcome.out)["pellets_out"]["temperature_C"] == 38.25


def test_json_through_a_link_and_to_a_device(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    link = scenario.parent / "link.json"
    link.symlink_to(scenario.parent / "behind.json")
    assert run("predict", str(scenario), "--json", str(link)).status == 0
    assert link.is_symlink() and json.loads((scenario.parent / "behind.json").read_text())
    assert run("predict", str(scenario), "--json", os.devnull).status == 0
    assert Path(os.devnull).is_char_device()


@pytest.mark.parametrize("target", ["gone/answer.json", ".", "mill.toml/answer.json"])
def test_json_that_cannot_be_written_is_said_before_solving(
    run: Run, scenario: Path, solver: SimpleNamespace, target: str
) -> None:
    outcome = run("predict", str(scenario), "--json", str(scenario.parent / target))
    assert outcome.status == 2 and "--json" in outcome.err and outcome.out == ""
    assert solver.asked == []
    assert list(scenario.parent.iterdir()) == [scenario]


def test_a_write_that_fails_half_way_leaves_the_old_file(
    run: Run, scenario: Path, solver: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    target = scenario.parent / "answer.json"
    target.write_text("old")
    monkeypatch.setattr(os, "fsync", full)
    outcome = run("predict", str(scenario), "--json", str(target))
    assert outcome.status == 4 and "No space left" in outcome.err and "12.75 %" in outcome.out
    assert target.read_text() == "old"
    assert sorted(path.name for path in scenario.parent.iterdir()) == ["answer.json", "mill.toml"]


def test_a_failed_computation_is_status_4_without_json(
    run: Run, scenario: Path, solver: SimpleNamespace, answer: Result
) -> None:
    target = scenario.parent / "answer.json"
    solver.answer = NotConverged("the energy equation stalled at 0.12 m", (0,), answer)
    outcome = run("predict", str(scenario), "--json", str(target))
    assert outcome.status == 4 and outcome.out == "" and not target.exists()
    assert "stalled at 0.12 m" in outcome.err and "12.75 %" in outcome.err and "not an answer" in outcome.err
    out = dataclasses.replace(answer.pellets_out, moisture_wb=np.array([0.2, 0.1, 0.3]))
    out = dataclasses.replace(out, temperature=np.array([20.0, 41.0, 30.0]))
    many = dataclasses.replace(answer, pellets_out=out)
    solver.answer = NotConverged("one of three stalled", np.array([1]), many)
    outcome = run("predict", str(scenario))
    assert outcome.status == 4 and "10.00 %" in outcome.err and "41.0 °C" in outcome.err
    solver.answer = NotConverged("no reason at all")
    assert run("predict", str(scenario), "--json", "-").out == ""


def test_ctrl_c_is_status_130(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    solver.answer = KeyboardInterrupt()
    outcome = run("predict", str(scenario), "--json", str(scenario.parent / "answer.json"))
    assert (outcome.status, outcome.out) == (130, "") and "Traceback" not in outcome.err
    assert list(scenario.parent.iterdir()) == [scenario]


def test_ctrl_c_that_a_library_made_another_error_of_is_status_130_too(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def swallowing() -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise TypeError("cannot load") from None

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background none is heard
    try:
        monkeypatch.setattr("coolsim.cli.shared.case_of", lambda *_, **__: swallowing())
        outcome = run("predict", "mill.toml")
        assert (outcome.status, outcome.out) == (130, "") and outcome.err == "coolsim: stopped\n"
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        monkeypatch.setattr("coolsim.cli.shared.case_of", lambda *_, **__: signal.raise_signal(signal.SIGINT))
        assert run("predict", "mill.toml").status == 130
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_bug_of_ours_is_status_1_and_one_line(
    run: Run, scenario: Path, solver: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("COOLSIM_TRACEBACK", raising=False)
    solver.answer = ZeroDivisionError("on\ntwo lines")
    outcome = run("predict", str(scenario))
    assert outcome.status == 1 and outcome.err.count("\n") == 1
    assert "report" in outcome.err and "ZeroDivisionError: on two lines" in outcome.err
    monkeypatch.setenv("COOLSIM_TRACEBACK", "1")
    assert "Traceback" in run("predict", str(scenario)).err


def test_another_error_on_purpose_is_status_2(run: Run, scenario: Path, solver: SimpleNamespace) -> None:
    solver.answer = CoolsimError("not today")
    outcome = run("predict", str(scenario))
    assert outcome.status == 2 and outcome.err == "coolsim: not today\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ("predikt",),
        ("predict",),
        ("predict", "a.toml", "b.toml"),
        ("predict", "a.toml", "--jason", "x"),
        ("predict", "a.toml", "--units", "imperial"),
        ("materials", "pig-pelets"),
        (),
    ],
)
def test_wrong_command_lines_are_status_2(run: Run, arguments: tuple[str, ...]) -> None:
    outcome = run(*arguments)
    assert outcome.status == 2 and "Traceback" not in outcome.err


def test_check_says_what_was_understood_without_solving(
    run: Run, scenario: Path, solver: SimpleNamespace
) -> None:
    outcome = run("check", str(scenario), "--set", "air.dew_point=20 degC", "--units", "us")
    assert outcome.status == 0 and solver.asked == []
    assert "feed.temperature = 179.6 degF   (typed 82 degC)" in outcome.out
    assert "(typed dew_point 20 degC)" in outcome.out
    assert "cooler.arrangement = counter-flow" in outcome.out


def test_materials_are_listed_and_each_number_has_a_source_or_is_assumed(run: Run) -> None:
    from coolsim.physics.materials import names

    listed = run("materials")
    assert listed.status == 0
    assert [line.split()[0] for line in listed.out.splitlines() if line[0] != " "] == names()
    for name in names():
        outcome = run("materials", name)
        assert outcome.status == 0
        title, *blocks = outcome.out.strip().split("\n\n")
        assert title.startswith(name) and len(blocks) >= 9
        for block in blocks:
            assert re.search(r"^    (source|assumed): \S", block, re.MULTILINE), block


def test_new_writes_a_scenario_that_runs_and_never_overwrites(
    run: Run, tmp_path: Path, solver: SimpleNamespace
) -> None:
    path = tmp_path / "mine.toml"
    assert run("new", str(path)).status == 0
    assert run("predict", str(path)).status == 0 and len(solver.asked) == 1
    path.write_text("precious")
    outcome = run("new", str(path))
    assert outcome.status == 2 and "exists" in outcome.err and path.read_text() == "precious"
    (tmp_path / "dangling.toml").symlink_to(tmp_path / "elsewhere.toml")
    assert run("new", str(tmp_path / "dangling.toml")).status == 2
    assert not (tmp_path / "elsewhere.toml").exists()
    assert run("new", str(tmp_path / "gone" / "mine.toml")).status == 2
    assert not (tmp_path / "gone").exists()


def test_version(run: Run) -> None:
    outcome = run("--version")
    assert outcome.status == 0 and re.fullmatch(r"coolsim \d+\.\d+\.\d+\S*\n", outcome.out)


@pytest.mark.parametrize("command", COMMANDS)
def test_each_help_shows_an_example_that_runs(
    run: Run,
    command: str,
    solver: SimpleNamespace,
    search: SimpleNamespace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    outcome = run(command, "--help")
    assert outcome.status == 0
    met = dataclasses.replace(search.found.answer, met=True)
    search.found = dataclasses.replace(search.found, answer=met)
    example = re.search(r"Example:\n\s+coolsim (.*)\n", outcome.out)
    assert example is not None
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    assert run(*shlex.split(example[1])).status == 0


def test_help_lists_the_commands(run: Run) -> None:
    outcome = run("--help")
    assert outcome.status == 0
    for command in COMMANDS:
        assert f"\n  {command} " in outcome.out


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['coolsim', '--help']\n"
        "from coolsim import cli\n"
        "try: cli.main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pint', 'rich', 'matplotlib', 'pandas'} & set(sys.modules)\n"
        "sys.exit(sorted(heavy) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_closed_pipe_and_a_full_disk() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = process("materials", "pig-pellets", stdout=writer, stderr=subprocess.PIPE)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")
    if Path("/dev/full").exists():
        with open("/dev/full", "wb") as full:  # noqa: PTH123
            done = process("materials", "pig-pellets", stdout=full, stderr=subprocess.PIPE)
        assert done.returncode == 4 and done.stderr.count(b"\n") == 1


def test_piped_ascii_output_has_no_colour_and_no_other_characters() -> None:
    done = process(
        "materials", "pig-pellets", capture_output=True, env={"PYTHONIOENCODING": "ascii", "COLUMNS": "40"}
    )
    assert done.returncode == 0 and b"degC" in done.stdout and b"\x1b" not in done.stdout
    assert max(map(len, done.stdout.decode("ascii").splitlines())) <= 40


def test_messages_in_ascii() -> None:
    done = process("check", "für-später.toml", capture_output=True, env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 2 and b"no such file" in done.stderr and done.stderr.isascii()
