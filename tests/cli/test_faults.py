"""Everything that can be wrong with a scenario: said at its line, with what was found and what is allowed."""

import dataclasses
import datetime
import pickle
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coolsim.scenario import load, loads
from coolsim.scenario.build import case_from
from coolsim.scenario.schema import TABLES, walk
from coolsim.scenario.source import frozen, parse, thawed
from coolsim.support.errors import Fault, InputError, NotConverged


def faults_of(text: str) -> list[Fault]:
    with pytest.raises(InputError) as wrong:
        loads(text, "mill.toml")
    return wrong.value.faults


def changed(text: str, key: str, line: str) -> str:
    """Return the scenario with the line of `key` replaced (or, for a new key, put below its table)."""
    table, name = key.rsplit(".", 1)
    pattern = rf"(\[{re.escape(table)}\]\n(?:(?!\[).*\n)*?){name} = .*\n"
    if re.search(pattern, text):
        return re.sub(pattern, lambda m: m[1] + line + "\n", text)
    if f"[{table}]\n" in text:
        return text.replace(f"[{table}]\n", f"[{table}]\n{line}\n")
    return f"{text}[{table}]\n{line}\n"


WRONG = [
    ("feed.material", 'material = "pig-pelets"', 'did you mean "pig-pellets"'),
    ("feed.material", 'material = "custom"', "[material] table"),
    ("feed.diameter", "diameter = 4", "with its unit in quotes"),
    ("feed.diameter", 'diameter = "4 kg"', "a length"),
    ("feed.diameter", 'diameter = "4 m"', "0.3 mm to 60 mm"),
    ("feed.diameter", "", "needed"),
    ("feed.throughput", 'throughput = "1 200 kg/h"', "without spaces"),
    ("feed.throughput", 'throughput = "2 ton/h"', "t/h or short_ton/h"),
    ("feed.throughput", 'throughput = "-5 t/h"', "allowed is"),
    ("feed.throughput", "throughput = true", "unit in quotes"),
    ("feed.throughput", "throughput = 1999-12-31", "unit in quotes"),
    ("feed.temperature", 'temperature = "185 degC"', "was it meant as degF?"),
    ("feed.temperature", 'temperature = "185 F"', "did you mean degF?"),
    ("feed.moisture", 'moisture = "100 %"', "0.1 % to 65 %"),
    ("feed.moisture", "moisture = 0.14", 'did you mean "14 %"'),
    ("feed.moisture", 'moisture = "16 % db"', "only the %"),
    ("feed.void_fraction", 'void_fraction = "120 %"', "15 % to 80 %"),
    ("feed.void_fraction", "void_fraction = 1.2", "unit in quotes"),
    ("feed.diametr", 'diametr = "4 mm"', "did you mean diameter?"),
    ("feed.airflow", 'airflow = "4 m3/h"', "[cooler]"),
    ("air.temperature", 'temperature = "88 degC"', "was it meant as degF?"),
    ("air.relative_humidity", 'relative_humidity = "140 %"', "0 % to 100 %"),
    ("air.relative_humidity", 'relative_humidity = "80 %RH"', "a fraction"),
    ("air.relative_humidity", "", "exactly one"),
    ("air.wet_bulb", 'wet_bulb = "25 degC"', "give one of"),
    ("air.pressure", 'pressure = "1 Pa"', "45 kPa to 110 kPa"),
    ("cooler.bed_depth", 'bed_depth = "-0.8 m"', "check the unit"),
    ("cooler.bed_depth", 'bed_depth = "800 m"', "check the unit"),
    ("cooler.bed_depth", "", "exactly one"),
    ("cooler.residence_time", 'residence_time = "12 min"', "give one of"),
    ("cooler.airflow", "", "exactly one"),
    ("cooler.air_ratio", 'air_ratio = "1.2 kg/kg"', "give one of"),
    ("cooler.arrangement", 'arrangement = "cross-flow"', "not available yet"),
    ("cooler.inlet_air_temperature", 'inlet_air_temperature = "20 degC"', "31 degC"),
    ("material", "[material]", "custom"),
    ("target.maximum_water_activity", 'maximum_water_activity = "0.65"', "without quotes"),
    ("target.maximum_water_activity", "maximum_water_activity = 1.2", "0.01 to 1"),
    ("target.maximum_water_activity", "maximum_water_activity = nan", "finite"),
    ("target.maximum_water_activity", f"maximum_water_activity = 1{'0' * 400}", "finite"),
    ("target.maximum_above_ambient", 'maximum_above_ambient = "6 m"', "a temperature difference"),
    ("limits.airflow", 'airflow = ["9 m3/h", "3 m3/h"]', "the first is above the second"),
    ("limits.airflow", 'airflow = "9 m3/h"', "a pair"),
    ("costs.electricity", 'electricity = "0.15 kWh"', "a price of energy"),
    ("fan.speed", 'speed = "80 %"', "give one of"),
    ("fan.position", 'position = "sideways"', '"draw-through", "blow-through"'),
    ("fan.rated_flow", 'rated_flow = "6000 m3/h"', "fan.rated_pressure"),
    ("fan.curve", 'curve = [["0 m3/h", "2 kPa"], ["1 m3/h", "1 kPa", "60 %"]]', "all of two entries"),
    ("fan.curve", 'curve = [["9 m3/h", "2 kPa"], ["1 m3/h", "1 kPa"]]', "each airflow above"),
    ("fan.curve", 'curve = [["9 m3/h", "2 kPa"], ["9 m3/h", "1 kPa"]]', "each airflow above"),
    ("fan.curve", 'curve = [["0 m3/h", "1 kPa"], ["9 m3/h", "2 kPa"]]', "falls towards the last"),
    ("fan.curve", 'curve = [["0 m3/h", "2 kPa"]]', "two or more"),
    ("duct.pressure_loss", 'pressure_loss = ["1500 m3/h", "250 Pa"]', "a pressure"),
    ("weather.operating_hours", 'operating_hours = ["06:00", "26:00"]', "times of day"),
]


@pytest.mark.parametrize(("key", "line", "allowed"), WRONG)
def test_each_fault_names_its_line_and_what_is_allowed(good: str, key: str, line: str, allowed: str) -> None:
    text = f"{good}{line}\n" if key == "material" else changed(good, key, line)
    if key == "weather.operating_hours":
        text += 'file = "a.csv"\n'
    (fault,) = faults_of(text)
    assert allowed in fault.allowed
    place = re.fullmatch(r"mill\.toml:(\d+)", fault.where)
    assert place is not None
    at = text.splitlines()[int(place[1]) - 1]
    table = f"[{key.rpartition('.')[0]}]"
    if not line:  # a key that is missing is reported at its table
        assert at == table
    elif "give one of" in allowed:  # two that contradict: at the second in the group's order
        assert at == line or at.startswith(("airflow", "bed_depth"))
    else:
        assert at == line


@pytest.mark.parametrize(
    ("lines", "allowed"),
    [
        ('wet_bulb = "35 degC"', "above the dry bulb"),
        ('dew_point = "31.5 degC"', "above the dry bulb"),
        ('wet_bulb = "2 degC"', "even air without any water"),
        ('humidity_ratio = "40 g/kg"', "can hold"),
    ],
)
def test_air_that_cannot_be(good: str, lines: str, allowed: str) -> None:
    (fault,) = faults_of(changed(good, "air.relative_humidity", lines))
    assert allowed in fault.allowed and "31 degC" in fault.allowed


def test_fan_speed_alone_says_that_it_needs_the_curve(good: str) -> None:
    (fault,) = faults_of(changed(good, "cooler.airflow", "") + '[fan]\nspeed = "80 %"\n')
    assert fault.key == "fan.speed" and "curve" in fault.allowed and "rated_flow" in fault.allowed


def test_a_stage_beside_a_cooler_is_refused(good: str) -> None:
    found = {fault.key: fault.allowed for fault in faults_of(f'{good}[[stage]]\nname = "second"\n')}
    assert "go into a [[stage]]" in found["cooler"] and "two or more" in found["stage"]


def test_one_currency_in_the_file(good: str) -> None:
    (fault,) = faults_of(f'{good}[costs]\nelectricity = "0.2 EUR/kWh"\nfeed = "0.5 USD/kg"\n')
    assert fault.key == "costs.feed" and "EUR" in fault.allowed


def test_no_table_at_all_is_one_fault_per_table() -> None:
    assert [fault.key for fault in faults_of('title = "nothing"')] == ["feed", "air", "cooler"]


CUSTOM = """\
[material]
specific_heat = "1800 J/(kg K)"
conductivity = "0.20 W/(m K)"
bulk_density = "560 kg/m3"
void_fraction = "42 %"
[material.sorption]
equation = "modified-oswin"
A = 15.303
B = -0.10184
C = 3.0358
[material.diffusivity]
value = "8e-10 m2/s"
at = "60 degC"
activation_energy = "26 kJ/mol"
moisture_slope = 2
at_moisture = "20 %"
"""


def test_custom_material_is_read(good: str) -> None:
    case = loads(changed(good, "feed.material", 'material = "custom"') + CUSTOM, "mill.toml")
    material = case.material
    assert material.isotherm.constants == (15.303, -0.10184, 3.0358)
    assert material.diffusivity.at_moisture == pytest.approx(0.25)  # 20 % wet basis is 20 to 80
    assert material.diffusivity.activation_energy == 26000.0
    assert case.feed.bulk_density == 560.0
    for origin in material.provenance.values():
        assert "mill.toml" in origin.source and not origin.assumed


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("C = 3.0358\n", "", "material.sorption.C", "A, B, C"),
        ("C = 3.0358\n", "C = 3.0358\nD = 1\n", "material.sorption.D", "A, B, C only"),
        ("C = 3.0358", 'C = "3 %"', "material.sorption.C", "bare number"),
        ("modified-oswin", "modified-oswinn", "material.sorption.equation", "did you mean modified-oswin?"),
        ('conductivity = "0.20 W/(m K)"\n', "", "material.conductivity", "needed"),
        ('at_moisture = "20 %"\n', "", "material.diffusivity.at_moisture", "moisture_slope needs it"),
        ('at = "60 degC"\n', "", "material.diffusivity.at", "needed"),
        (CUSTOM[CUSTOM.index("[material.d") :], "", "material.diffusivity", "a custom material needs"),
    ],
)
def test_custom_material_wrong(good: str, old: str, new: str, key: str, allowed: str) -> None:
    text = changed(good, "feed.material", 'material = "custom"') + CUSTOM
    assert old in text
    (fault,) = faults_of(text.replace(old, new))
    assert fault.key == key and allowed in fault.allowed


MANY = """\
[feed]
material = "pig-pelets"
diametr = "4 mm"
length = 4
throughput = "1 200 kg/h"
temperature = "185 degC"
moisture = "100 %"
void_fraction = "120 %"
[air]
temperature = "20 degC"
wet_bulb = "25 degC"
[cooler]
floor_area = "0.5 kg"
bed_depth = "-0.8 m"
airflow = "0.4"
air_ratio = "1 kg/kg"
[target]
maximum_water_activity = "65 %"
[colour]
"""


def test_all_faults_come_in_one_message_in_the_order_of_the_file(
    tmp_path: Path, run: Callable[..., Any]
) -> None:
    path = tmp_path / "many.toml"
    path.write_text(MANY)
    outcome = run("predict", str(path), "--json", str(tmp_path / "out.json"))
    assert outcome.status == 2 and outcome.out == ""
    assert "Traceback" not in outcome.err
    lines = [int(line) for line in re.findall(r"many\.toml:(\d+): ", outcome.err)]
    # diameter is missing (line 1), airflow is wrong (15) and in a group with air_ratio (16)
    assert lines == [1, 2, 3, 4, 5, 6, 7, 8, 11, 13, 14, 15, 16, 18, 19]
    assert sorted(tmp_path.iterdir()) == [path]  # nothing was written


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"  \n\n", "empty"),
        (b'title = "caf\xe9"\n', "UTF-8"),
        (b"\xff\xfe[\x00f\x00", "UTF-8"),
        (b'[feed]\ndiameter = 4 mm"\n', "broken TOML"),
        (b"[feed]\n[feed]\n", "broken TOML"),
        (b"x = " + b"[" * 5000, "nested too deeply"),
        (b"x = " + b"9" * 5000, "broken TOML"),
        (b"#" * 1_000_001, "bytes"),
    ],
)
def test_files_that_are_no_scenario(
    tmp_path: Path, run: Callable[..., Any], content: bytes, words: str
) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes(content)
    outcome = run("check", str(path))
    assert outcome.status == 2 and outcome.out == ""
    assert words in outcome.err and "mill.toml" in outcome.err and "Traceback" not in outcome.err


def test_broken_toml_says_the_line(good: str) -> None:
    (fault,) = faults_of(good.replace('moisture = "14 %"', 'moisture = "14 %'))
    line = next(n for n, text in enumerate(good.splitlines(), 1) if text.startswith("moisture"))
    assert fault.where == f"mill.toml:{line}"


def test_paths_that_cannot_be_read(tmp_path: Path, run: Callable[..., Any]) -> None:
    (tmp_path / "dangling.toml").symlink_to(tmp_path / "gone.toml")
    (tmp_path / "loop.toml").symlink_to(tmp_path / "loop.toml")
    for name, words in (
        ("missing.toml", "no such file"),
        ("dangling.toml", "no such file"),
        ("loop.toml", "cannot be read"),
        (".", "a folder"),
        ("a\0b", "cannot be read"),
        ("n" * 5000, "cannot be read"),
    ):
        outcome = run("predict", f"{tmp_path}/{name}")
        assert outcome.status == 2 and words in outcome.err, name


def test_a_byte_order_mark_and_windows_lines_are_no_fault(tmp_path: Path, good: str) -> None:
    path = tmp_path / "mill.toml"
    path.write_bytes(b"\xef\xbb\xbf" + good.replace("\n", "\r\n").encode())
    assert load(path).feed.moisture == pytest.approx(0.14)


def test_control_characters_do_not_reach_the_terminal(good: str) -> None:
    text = changed(good, "feed.material", 'material = "\\u001b[31mred\\u009b"')
    message = str(faults_of(text)[0])
    assert "\x1b" not in message and "\x9b" not in message


def test_lines_are_found_beside_lists_over_several_lines_and_strings(good: str) -> None:
    text = (
        'title = """\n[air]\ntemperature = 5\n"""\n'  # text that looks like a table
        '[limits]\nairflow = [\n  "1 m3/h", # ]\n  "2 m3/h",\n]\n'
        'feed.x = 1\n"bed_depth" = 3\n'
    )
    places = {fault.key: fault.where for fault in faults_of(text)}
    assert places["limits.bed_depth"] == "mill.toml:11"
    assert places["air"] == "mill.toml"


NASTY = (
    True, 0, -1, 10**400, float("nan"), float("inf"), "", " ", "x", "%", "1", "1 m", "-1e9 %", "é" * 300,
    [], [1], [[]], [[], []], [["1 m3/h", "1 Pa"], 3], {}, {"a": {}}, [{}], datetime.date(2000, 1, 1),
)  # fmt: skip


@pytest.mark.parametrize("key", [*(f"{table}.{name}" for table, name, _ in walk()), "title", *TABLES])
def test_no_value_of_any_kind_is_a_bug_of_ours(good: str, key: str) -> None:
    """Whatever stands at a key, the answer is a case or faults, never another exception."""
    before = parse(good, "mill.toml")
    for value in NASTY:
        typed = thawed(before.typed)
        *tables, name = key.split(".")
        inner = typed
        for table in tables:
            inner = inner.setdefault(table, {})
        inner[name] = value
        if key.startswith("material"):
            typed["feed"]["material"] = "custom"
        try:
            case_from(dataclasses.replace(before, typed=frozen(typed)))
        except InputError as wrong:
            assert all(fault.key and fault.found and fault.allowed for fault in wrong.faults)
            # other faults may follow from this one, but it must be among them
            assert any(fault.key.startswith(key.split(".")[0]) for fault in wrong.faults)


def test_errors_come_whole_out_of_another_process():
    """Sites of a year run in processes of their own, whose errors travel as pickles."""
    fault = Fault("line 3", "feed.moisture", "140 %", "0 to 60 %")
    wrong = pickle.loads(pickle.dumps(InputError([fault])))
    assert wrong.faults == [fault] and str(wrong) == str(fault)
    lost = pickle.loads(pickle.dumps(NotConverged("too steep", [3], "best")))
    assert (str(lost), lost.reason, lost.failed, lost.best) == ("too steep", "too steep", [3], "best")
