"""Scenarios to edit, of dryers and lines: they run as they are, and what they invite people to do works."""

from __future__ import annotations

import re

import pytest

import coolsim
from coolsim.case.case import TABLES
from coolsim.scenario import loads, schema, template
from coolsim.studies import prerequisites as of_settings
from coolsim.studies.sizing import find as of_sizes

DRYERS = ("batch", "belt")
# what says the same as a line before it, and what needs a file
OTHERS = (
    "moisture_dry_basis", "wet_bulb", "dew_point", "humidity_ratio", "pressure", "batch_mass", "residence_time",
    "floor_area = \"18", "floor_area = \"8 m2\"                   # take", "air_ratio", "fan_speed", "rated_",
    "speed", "bulk_density", "void_fraction", "inlet_air_temperature = \"35",
)  # fmt: skip


def uncommented(text: str, *tables: str) -> str:
    """The template with each of these tables, and every optional line of those that are there, without its #."""
    lines, inside = [], True
    for line in text.splitlines()[2:]:
        bare = line.removeprefix("# ")
        if match := re.match(r"\[\[?([a-z_.]+)\]", bare):
            inside = not line.startswith("#") or match[1] in tables
        lines.append(bare if inside and not bare.startswith(OTHERS) else line)
    return "\n".join(lines)


@pytest.mark.parametrize("arrangement", [*DRYERS, "line"])
def test_a_template_runs_and_nothing_is_amiss_with_it(run, tmp_path, arrangement):
    path = tmp_path / "mine.toml"
    done = run("new", str(path), "--arrangement", arrangement)
    assert done.status == 0 and f"try: coolsim predict {path}" in done.out
    case = coolsim.load(path)
    assert case.cooler.arrangement == arrangement
    result = coolsim.predict(case)
    assert {warning.level for warning in result.warnings} == {"note"}
    # the target that it offers, behind a #, is met
    wanted = loads(uncommented(path.read_text(encoding="utf-8"), "target")).target
    out = result.pellets_out
    assert out.moisture_wb < wanted.moisture + wanted.tolerance
    assert out.temperature < case.air.temperature + wanted.maximum_above_ambient


@pytest.mark.parametrize("arrangement", schema.ARRANGEMENTS)
def test_every_key_of_a_machine_stands_in_its_template(arrangement):
    machine = template(arrangement).partition("[cooler]")[2]
    for key in schema.ARRANGEMENTS[arrangement]:
        found = r"\[\[cooler\.zone\]\]" if key == "zone" else f"(# )?{key} = "
        assert re.search(rf"(?m)^{found}", machine), key
    foreign = {key for keys in schema.ARRANGEMENTS.values() for key in keys} - {
        *schema.ARRANGEMENTS[arrangement]
    }
    machine = machine.partition("\n\n")[0]
    assert not [key for key in foreign if re.search(rf"(?m)^(# )?{key} = ", machine)]


@pytest.mark.parametrize("arrangement", DRYERS)
def test_what_stands_behind_a_cross_is_right_for_settings_and_a_size(arrangement):
    tables = {"schedule", "target", "limits", "costs", "fan", "sizing", "sizing.product", "sizing.weather"}
    case = loads(uncommented(template(arrangement), *tables - {"sizing.weather"}))
    there = {name for name in TABLES if getattr(case, name)}
    assert there | {"schedule"} == tables - {"sizing.product", "sizing.weather"}
    assert ("schedule" in there) == (arrangement == "batch")
    of_settings.check(case)
    # a size reads no ranges of these so far
    own = ("cooling_time = [", "reverse_every = [")
    text = "\n".join(line for line in template(arrangement).splitlines() if not line[2:].startswith(own))
    of_sizes.check(loads(uncommented(text, *tables - {"sizing.weather"})))


def test_what_stands_behind_a_cross_is_right_for_a_size_of_a_line():
    tables = ("target", "costs", "sizing", "sizing.product", "sizing.weather")
    text = uncommented(template("line"), *tables).replace("percentile", "# percentile")
    case = loads(text.replace('floor_area = "3 m2"', '# floor_area = "3 m2"'))
    of_sizes.check(case)
    assert case.sizing.stage == case.cooler.stages[-1].name


def test_what_stands_behind_a_cross_is_right_for_settings_of_a_line():
    case = loads(uncommented(template("line"), "target", "costs", "stage.limits", "stage.fan", "stage.duct"))
    of_settings.check(case)
    assert [bool(stage.limits) for stage in case.cooler.stages] == [True, True]
    assert case.cooler.stages[1].fan and case.cooler.stages[1].duct


def test_a_template_of_something_else_is_refused(run, tmp_path):
    done = run("new", str(tmp_path / "mine.toml"), "--arrangement", "drum")
    assert done.status == 2 and "drum" in done.err and not (tmp_path / "mine.toml").exists()


@pytest.mark.parametrize("arrangement", DRYERS)
def test_a_template_of_a_dryer_speaks_of_a_dryer(arrangement):
    assert "the cooler" not in template(arrangement).replace("the cooler or dryer", "")


@pytest.mark.parametrize("arrangement", ["counter-flow", *DRYERS, "line"])
def test_a_whole_line_is_planned_as_it_is(run, tmp_path, arrangement):
    path = tmp_path / "mine.toml"
    done = run("new", str(path), "--arrangement", arrangement, "--whole-line")
    assert done.status == 0 and f"try: coolsim plan {path}" in done.out
    case = coolsim.load(path)
    assert case.cooler.arrangement == arrangement and len(case.equipment) >= 4
    plan = coolsim.plan(case)
    assert plan.bottleneck in ("press", "extruder") and plan.shift.bags > 50
    assert [state.place for state in plan.before][:3] == ["mash", "conditioned", "die"]
    assert plan.shift.left_in_line < 0.2 * plan.shift.input
    # what stands behind a # is right too
    text = path.read_text(encoding="utf-8")
    loads(uncommented(text, "recipe", "coating", "target", "costs"))
    for key in ("sampled_at", "no_sweating", "breaks"):
        assert re.search(rf"(?m)^# {key} = ", text), key
    # each key of the tables around the machine stands in one of its templates
    for table in ("conditioning", "die", "way", "coating", "bag", "shift"):
        for key in schema.TABLES[table].keys:
            assert re.search(rf"(?m)^(# )?{key} = ", text[text.index(f"[{table}]") :]), key


def test_a_machine_alone_has_no_line_around_it():
    for arrangement in ("counter-flow", *DRYERS, "line"):
        text = template(arrangement)
        assert "equipment" not in text and "sampled_at" not in text and "no_sweating" not in text
