"""`coolsim explain`: every key, quantity, field and equation can be asked for, as the tables have it."""

from __future__ import annotations

import dataclasses

import pytest
from typer.testing import CliRunner

from coolsim.case.quantities import QUANTITIES
from coolsim.cli import app
from coolsim.output import explain
from coolsim.output.page import Page
from coolsim.scenario import schema

PAGE = Page()


def run(*words):
    done = CliRunner().invoke(app, ["explain", *words])
    return done.exit_code, done.output


@pytest.mark.thorough
@pytest.mark.parametrize("place", schema.TABLES)
def test_every_key_is_explained(place):
    for name, key in schema.TABLES[place].keys.items():
        text = explain.explained(f"{place}.{name}", PAGE)
        words = " ".join(text.split())
        assert text.startswith(f"{place}.{name} (key)")
        assert " ".join(key.meaning.split()) in words and " ".join(key.example.split())[:40] in words


@pytest.mark.parametrize("name", QUANTITIES)
def test_every_quantity_is_explained(name):
    assert f"{name} (quantity)" in explain.explained(name, PAGE)
    assert f"{name} (quantity)" in explain.explained(QUANTITIES[name].label, PAGE)


def test_a_limit_says_what_it_bounds() -> None:
    status, text = run("limits.maximum_lift_off")
    assert status == 0 and "bounds       air speed, share of lifting speed" in text


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("limits.maximum_lift_off", "70 % is kept"),
        ("limits.maximum_exhaust_relative_humidity", "110 % is kept"),
        ("target.maximum_water_activity", "0.70 is kept"),
        ("limits.minimum_residence_time", "8 min"),
        ("limits.minimum_depth_in_deviations", "5 are kept"),
    ],
)
def test_what_is_kept_though_nobody_types_it_is_told(key, words):
    assert f"if left out  {words}" in explain.explained(key, PAGE)


def test_an_equation_tells_its_source():
    for name, source in (("ergun", "Ergun, Chem. Eng. Prog. 48 (1952) 89"), ("wakao nusselt", "Wakao")):
        assert source in " ".join(explain.explained(name, PAGE).split())


def test_units_that_are_asked_for():
    _, text = run("cooler.bed_depth", "--units", "us")
    assert "unit" in text and " in to 315 in" in text  # 8 m by hand: 8 / 0.0254 = 314.96
    _, text = run("target.moisture", "--units", "us")
    assert "%" in text


def test_what_is_unknown_is_told_with_what_is_near():
    status, text = run("aiflow")
    assert status == 2 and "did you mean airflow" in text and "lists all names" in text
    status, text = run("x" * 5000)
    assert status == 2 and len(text) < 400


def test_the_list_has_every_key_and_fits_a_narrow_terminal():
    text = explain.listed(PAGE)
    for _, name, _ in schema.walk():
        assert f"  {name}:" in text, name
    assert max(map(len, explain.listed(Page(width=50)).splitlines())) <= 50


def test_every_public_field_says_its_unit_and_meaning():
    found = dict(explain.classes())
    for label, thing in found.items():
        for field in dataclasses.fields(thing):
            assert field.metadata.get("unit") and field.metadata.get("meaning"), (label, field.name)
    assert {
        "Feed",
        "Air",
        "Cooler",
        "Case",
        "Result",
        "Profile",
        "SettingsAnswer",
        "Cost",
        "SizeAnswer",
    } <= found.keys()


def test_every_equation_says_what_it_is():
    for entry in explain._equations():
        assert len(entry.meaning) > 20, entry.name
