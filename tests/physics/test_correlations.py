"""The [correlation] of a material file: read as it stands, and every fault of it said, with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from coolsim.physics.material_files import read_material
from coolsim.support.errors import Fault, InputError

MATERIAL = """\
[isotherm]
equation = "modified-oswin"
constants = {{ A = 12.0, B = -0.02, C = 3.0 }}
[isotherm_scale]
value = 1.0
low = 0.98
high = 1.02
[diffusivity]
value = 6e-10
at = 60.0
low = 5e-10
high = 8e-10
[activation_energy]
value = 26000.0
[specific_heat]
value = 1750.0
low = 1700.0
high = 1800.0
[conductivity]
value = 0.2
[bulk_density]
value = 600.0
[void_fraction]
value = 0.4
[correlation]
names = {names}
matrix = {matrix}
"""
LINE = MATERIAL.splitlines().index("names = {names}") + 1
PAIR = '["diffusivity", "isotherm_scale"]'


def read(tmp_path: Path, names: str, matrix: str):
    path = tmp_path / "mine.toml"
    path.write_text(MATERIAL.format(names=names, matrix=matrix), encoding="utf-8")
    return read_material(path)


def faults(tmp_path: Path, names: str, matrix: str) -> list[Fault]:
    with pytest.raises(InputError) as raised:
        read(tmp_path, names, matrix)
    return raised.value.faults


def test_it_is_read_as_it_stands(tmp_path: Path) -> None:
    known = read(tmp_path, PAIR, "[[1, -0.9], [-0.9, 1.0]]").correlation
    assert known is not None
    assert known.names == ("diffusivity", "isotherm_scale")
    assert known.matrix == ((1.0, -0.9), (-0.9, 1.0))


def test_without_one_all_err_by_themselves(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(MATERIAL.split("[correlation]")[0].format(), encoding="utf-8")
    assert read_material(path).correlation is None


@pytest.mark.parametrize(
    ("matrix", "found"),
    [
        ("[[1, -0.9], [-0.8, 1]]", "-0.9 for diffusivity with isotherm_scale, -0.8 the other way round"),
        ("[[1, 1.2], [1.2, 1]]", "1.2 for diffusivity with isotherm_scale"),
        ("[[1, -1.0], [-1.0, 1]]", "-1.0 for diffusivity with isotherm_scale"),
        ("[[1, nan], [nan, 1]]", "nan for diffusivity with isotherm_scale"),
        ('[[1, "0.5"], ["0.5", 1]]', "'0.5' for diffusivity with isotherm_scale"),
        ("[[0.9, 0.5], [0.5, 1]]", "0.9 for diffusivity with itself"),
        ("[[1, 0.5], [0.5]]", "2 rows of 1 or 2"),
        ("[[1, 0.5]]", "1 rows of 2"),
        ("0.5", "0.5"),
        ("[[1, true], [true, 1]]", "True for diffusivity with isotherm_scale"),
        ("[[1, 0.9999999], [0.9999999, 1]]", "not positive definite"),
    ],
)
def test_a_matrix_that_cannot_be(tmp_path: Path, matrix: str, found: str) -> None:
    for fault in faults(tmp_path, PAIR, matrix):
        assert fault.key == "correlation.matrix"
        assert fault.where.endswith(f"mine.toml:{LINE + 1}")
    assert found in faults(tmp_path, PAIR, matrix)[0].found


def test_three_numbers_that_cannot_go_together(tmp_path: Path) -> None:
    """a with b and b with c at 0.9 leave a with c at 2 · 0.81 − 1 = 0.62 at least; at −0.5 no three numbers are."""
    names = '["diffusivity", "isotherm_scale", "specific_heat"]'
    (fault,) = faults(tmp_path, names, "[[1, 0.9, -0.5], [0.9, 1, 0.9], [-0.5, 0.9, 1]]")
    assert "positive definite" in fault.found and "nearer to 0" in fault.allowed
    assert read(tmp_path, names, "[[1, 0.9, 0.63], [0.9, 1, 0.9], [0.63, 0.9, 1]]").correlation is not None


@pytest.mark.parametrize(
    ("names", "found"),
    [
        ('["diffusivity", "density"]', '"density"'),
        ('["diffusivity", "conductivity"]', '"conductivity"'),  # it has no range in this file
        ('["diffusivity", "diffusivity"]', '"diffusivity" twice'),
        ('["diffusivity"]', "['diffusivity']"),
        ('"diffusivity"', "'diffusivity'"),
        ("[1, 2]", "[1, 2]"),
    ],
)
def test_names_that_cannot_be(tmp_path: Path, names: str, found: str) -> None:
    first = faults(tmp_path, names, "[[1, 0.5], [0.5, 1]]")[0]
    assert (first.key, first.found) == ("correlation.names", found)
    assert first.where.endswith(f"mine.toml:{LINE}")
    assert "twice" in found or "isotherm_scale, diffusivity, specific_heat" in first.allowed


def test_what_is_missing_is_said_at_the_table(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(MATERIAL.split("names =")[0].format(), encoding="utf-8")
    with pytest.raises(InputError) as raised:
        read_material(path)
    (fault,) = raised.value.faults
    assert (fault.key, fault.found) == ("correlation.names", "nothing")
    assert fault.where.endswith(f"mine.toml:{LINE - 1}")


def test_its_faults_come_with_those_of_the_numbers(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    text = MATERIAL.format(names=PAIR, matrix="[[1, 2], [2, 1]]").replace("value = 1750.0", "value = 1650.0")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as raised:
        read_material(path)
    keys = [fault.key for fault in raised.value.faults]
    assert "specific_heat.value" in keys and "correlation.matrix" in keys
    assert "1700 to 1800" in raised.value.faults[keys.index("specific_heat.value")].allowed
