"""What `coolsim settings` refuses, all of it at once, with a line to type."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cli.mills import mill

Run = Callable[..., Any]


def faults(run: Run, path: Path, text: str) -> list[str]:
    path.write_text(text, encoding="utf-8")
    target = path.with_name("out.json")
    outcome = run("settings", str(path), "--json", str(target))
    assert outcome.status == 2 and outcome.out == "" and not target.exists()
    assert "Traceback" not in outcome.err
    return [line for line in outcome.err.splitlines() if "found " in line]


def test_all_missing_tables_are_named_at_once_with_a_line_to_type(
    run: Run, scenario: Path, good: str
) -> None:
    bare = good[: good.index("[target]")]
    target, costs, limits = faults(run, scenario, bare)
    assert "target.moisture: found no [target] table; settings need it: below [target], such as" in target
    assert target.endswith('moisture = "12 %"')
    assert "costs.electricity: found no [costs] table" in costs and 'electricity = "0.15 /kWh"' in costs
    assert "limits: found no [limits] table" in limits and 'airflow = ["2500 m3/h", "9000 m3/h"]' in limits
    lines = faults(
        run, scenario, bare + '[target]\nmaximum_above_ambient = "6 K"\n[limits]\nmaximum_lift_off = "90 %"\n'
    )
    assert [line.split("; ")[0].rpartition("/")[2] for line in lines] == [
        f"mill.toml:{bare.count(chr(10)) + 1}: target.moisture: found nothing",
        "mill.toml: costs.electricity: found no [costs] table",
        f"mill.toml:{bare.count(chr(10)) + 3}: limits: found no range of what may be set",
    ]


def test_a_fan_speed_needs_a_fan_and_is_named_with_the_rest(run: Run, scenario: Path, good: str) -> None:
    costs, fan = faults(run, scenario, good + '[limits]\nfan_speed = ["40 %", "100 %"]\n')
    assert "costs.electricity" in costs and "fan: found no [fan] table" in fan and "rated_flow" in fan
    lines = faults(
        run, scenario, good + '[limits]\nfan_speed = ["40 %", "100 %"]\n[fan]\nefficiency = "60 %"\n'
    )
    assert len(lines) == 2 and "fan.curve: found none of curve or rated_flow" in lines[1]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('["40 %", "100 %"]', '["90 %", "40 %"]', "limits.fan_speed: found"),
        ('"0.15 EUR/kWh"', '"-0.15 EUR/kWh"', "costs.electricity: found"),
        ('"12.4 %"', '"0.2 %"', "target.moisture: found 0.20 %"),
    ],
)
def test_contradictions_are_faults(
    run: Run, scenario: Path, good: str, old: str, new: str, words: str
) -> None:
    text = mill(good, "12.4 %")
    assert old in text
    (line,) = faults(run, scenario, text.replace(old, new))
    assert words in line and "mill.toml:" in line


def test_a_target_below_any_air_says_what_can_be_had(run: Run, scenario: Path, good: str) -> None:
    (line,) = faults(run, scenario, mill(good, "0.2 %"))
    assert "at best" in line and "limits.inlet_air_temperature" in line
