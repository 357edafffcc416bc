"""Materials of one's own: copies lose nothing, compositions count, points become isotherms, nonsense is refused."""

from __future__ import annotations

import dataclasses
import re
import shutil
from pathlib import Path

import pytest

import coolsim
from coolsim import cli
from coolsim.physics import materials, sorption
from coolsim.scenario import loads
from coolsim.support.errors import InputError

SCENARIO = """
[feed]
material = "custom"
diameter = "4 mm"
length = "10 mm"
throughput = "1200 kg/h"
temperature = "82 degC"
moisture = "14 %"
[air]
temperature = "31 degC"
relative_humidity = "80 %"
[cooler]
floor_area = "0.5 m2"
bed_depth = "0.8 m"
airflow = "1500 m3/h"
[material]
specific_heat = "1750 J/(kg K)"
conductivity = "0.2 W/(m K)"
bulk_density = "640 kg/m3"
void_fraction = "47 %"
[material.diffusivity]
value = "6e-10 m2/s"
at = "60 degC"
activation_energy = "26 kJ/mol"
"""
CORN = """
[material.sorption]
equation = "modified-chung-pfost"
A = 312.3
B = 0.16958
C = 30.205
"""
COMPOSITION = """
[material.composition]
protein = "18 %"
fat = "4 %"
carbohydrate = "65 %"
fibre = "5 %"
ash = "8 %"
"""
# Moisture of corn at 25 °C: % wet basis by modified Chung-Pfost (ASABE D245, computed elsewhere, two decimals)
POINTS = "".join(
    f"""
[[material.sorption.point]]
temperature = "25 degC"
water_activity = {a_w}
moisture = "{M} %"
"""
    for a_w, M in ((0.3, 8.36), (0.5, 11.02), (0.65, 13.18), (0.7, 14.01), (0.8, 16.01))
)


def faults_of(text: str) -> str:
    with pytest.raises(InputError) as error:
        loads(text, "mill.toml")
    return str(error.value)


# ---- Files --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", materials.names())
def test_a_copied_default_is_the_default(name: str, tmp_path: Path) -> None:
    """To the last bit: its fat counts in the isotherm, its thermal numbers follow from its composition."""
    copy = tmp_path / f"{name}.toml"
    shutil.copy(materials.DATA / f"{name}.toml", copy)
    assert coolsim.load_material(str(copy)) == coolsim.load_material(name)


def test_a_copied_default_answers_as_the_default_does(tmp_path: Path) -> None:
    shutil.copy(materials.DATA / "pig-pellets.toml", tmp_path / "mine.toml")
    text = SCENARIO[: SCENARIO.index("[material]")]
    for name in ("pig-pellets", "mine.toml"):
        (tmp_path / f"{name}.scenario").write_text(text.replace('"custom"', f'"{name}"'), encoding="utf-8")
    ours, theirs = (
        coolsim.predict(coolsim.load(tmp_path / f"{n}.scenario")) for n in ("pig-pellets", "mine.toml")
    )
    assert ours.pellets_out == theirs.pellets_out and ours.after_equalising == theirs.after_equalising


@pytest.mark.parametrize(
    "old, new, said",
    [
        ("fat = 0.04", "fat = 0.14", "add up to 1.1"),
        ("fat = 0.04", "fats = 0.04", "composition.dry"),
        (
            'equation = "modified-chung-pfost"',
            'equation = "modified-chung-pfost"\nfat = 0.05',
            "isotherm.fat",
        ),
        ("A = 312.3", "A = 0.0", "holds no water"),
        ("B = 0.16958", "B = -0.16958", "falls as moisture rises"),
        ("[void_fraction]", "[voids]", "unknown name"),
        ("at_moisture = 0.14", "at_moistur = 0.14", "conductivity.at_moistur"),
        ("dry = {", "wet = {", "composition"),
    ],
)
def test_what_would_be_lost_is_refused(old: str, new: str, said: str, tmp_path: Path) -> None:
    text = (materials.DATA / "pig-pellets.toml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "mine.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(said)):
        coolsim.load_material(str(tmp_path / "mine.toml"))


# ---- Scenarios ------------------------------------------------------------------------------------------------


def test_fat_of_a_composition_counts_in_the_isotherm() -> None:
    """Water activity by hand: M % of fat-free solid is 100 X/(1 − fat)."""
    bare, fatty = (loads(SCENARIO + CORN + more, "mill.toml").material for more in ("", COMPOSITION))
    assert (bare.isotherm.fat, fatty.isotherm.fat) == (0.0, 0.04) and fatty.composition["ash"] == 0.08
    X = 0.14
    assert sorption.water_activity(fatty.isotherm, X, 25.0) == pytest.approx(
        float(sorption.water_activity(bare.isotherm, X / 0.96, 25.0)), rel=1e-12
    )
    typed = loads(SCENARIO + CORN + 'fat = "4 %"\n', "mill.toml").material
    assert typed.isotherm == fatty.isotherm


def test_faults_of_compositions_and_constants_all_at_once() -> None:
    said = faults_of(SCENARIO + CORN.replace("A = 312.3", "A = 0") + COMPOSITION.replace('"65 %"', '"75 %"'))
    assert "add up to 110 %" in said and "holds no water" in said
    said = faults_of(SCENARIO + CORN + 'fat = "9 %"\n' + COMPOSITION)
    assert "material.sorption.fat" in said and "has 4 %" in said
    assert "did you mean" in faults_of(SCENARIO + CORN + COMPOSITION.replace("protein", "protien"))


@pytest.mark.parametrize(
    "old, new, said",
    [
        ("B = 0.16958", "B = 1e6", "holds no water"),
        ("B = 0.16958", "B = -0.16958", "falls as moisture rises"),
        ("A = 312.3", "A = 1e9", "never reaches 0.9"),
    ],
)
def test_isotherms_without_meaning_are_refused_in_words(old: str, new: str, said: str) -> None:
    words = faults_of(SCENARIO + CORN.replace(old, new))
    assert said in words and "mill.toml:" in words and "check the constants" in words


def test_points_become_an_isotherm(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Points of corn give corn, and `check` shows what is left of each."""
    case = loads(SCENARIO + POINTS, "mill.toml")
    isotherm = case.material.isotherm
    assert isotherm.equation == "modified-chung-pfost" and len(case.material.sorption_points) == 5
    X = float(sorption.equilibrium_moisture(isotherm, 0.65, 25.0))
    assert pytest.approx(13.18, abs=0.02) == 100 * X / (1 + X)
    (tmp_path / "mill.toml").write_text(SCENARIO + POINTS, encoding="utf-8")
    for units, warm in (("si", "25.0 °C"), ("us", "77.0 °F")):
        with pytest.raises(SystemExit) as status:
            cli.app(["check", str(tmp_path / "mill.toml"), "--units", units], prog_name="coolsim")
        out = capfd.readouterr().out
        assert status.value.code == 0 and out.count(warm) == 5
        assert re.search(r"0\.65 +15\.18 % +15\.1\d % +[+−]0\.0\d points", out)  # 13.18 % wet is 15.18 % dry
        assert "scatter (rms)" in out and "one temperature" in " ".join(out.split())
    result = coolsim.predict(case)
    named = dataclasses.replace(case.material.isotherm)
    assert named == isotherm and 0.05 < result.pellets_out.moisture_wb < 0.14


@pytest.mark.parametrize(
    "text, said",
    [
        (POINTS + CORN.replace("[material.sorption]\n", ""), "both"),
        (POINTS[: POINTS.index("[[", POINTS.index("0.5"))], "2 points"),
        (POINTS.replace('moisture = "11.02 %"', ""), "exactly one is needed"),
        (POINTS.replace("0.65", "65"), "0.01 to 0.98"),
        (POINTS.replace('"8.36 %"', '"8.36"'), "material.sorption.point.1.moisture"),
        (POINTS.replace("water_activity = 0.8", "water_activty = 0.8"), "did you mean water_activity"),
    ],
)
def test_faults_of_points(text: str, said: str) -> None:
    if "equation" in text:
        text = CORN + text.replace(CORN.replace("[material.sorption]\n", ""), "")
    assert said in faults_of(SCENARIO + text)
