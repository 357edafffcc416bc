"""The library of materials: complete, sourced, and as its formulas say."""

import tomllib

import numpy as np
import pytest

from coolsim.errors import InputError
from coolsim.physics import materials, sorption

VARIED = {
    "diffusivity": lambda m: m.diffusivity.value,
    "activation_energy": lambda m: m.diffusivity.activation_energy,
    "isotherm_scale": lambda m: m.isotherm.scale,
    "specific_heat": lambda m: m.specific_heat,
    "conductivity": lambda m: m.conductivity,
    "bulk_density": lambda m: m.bulk_density,
    "void_fraction": lambda m: m.void_fraction,
}
each = pytest.mark.parametrize("name", materials.names())


def test_names():
    assert materials.names() == [
        "calf-pellets",
        "floating-fish-feed",
        "marine-pellets",
        "pig-pellets",
        "poultry-pellets",
        "sinking-fish-feed",
    ]


@each
def test_every_number_says_where_it_comes_from(name):
    table = tomllib.loads((materials.DATA / f"{name}.toml").read_text(encoding="utf-8"))
    for key, part in table.items():
        if key != "description":
            assert part["source"] and isinstance(part["assumed"], bool), key
            assert ("assumed" in part["source"]) <= part["assumed"], key
            marks = ("seen", "memory", "computed", "judgement", "assumed")
            assert any(mark in part["source"] for mark in marks), key


@each
def test_every_varied_number_lies_within_its_range(name):
    material = materials.load_material(name)
    for key, value in VARIED.items():
        provenance = material.provenance[key]
        assert provenance.low is not None and provenance.high is not None, key
        assert provenance.low < value(material) < provenance.high, key


@each
def test_composition_adds_up_and_fat_does_not_sorb(name):
    material = materials.load_material(name)
    assert sum(material.composition.values()) == pytest.approx(1, rel=1e-12)
    assert material.isotherm.fat == material.composition["fat"]
    a_w = sorption.water_activity(material.isotherm, 0.12, 25.0)
    assert 0.3 < a_w < 0.75  # a feed of 10.7 % wet basis stores, and is not bone dry


@each
def test_thermal_numbers_are_of_a_dry_feed(name):
    material = materials.load_material(name)
    # dry c_p "near 1800" (computed elsewhere): within 6 %; k near .3 for a pore-free solid at 14 %
    assert material.specific_heat == pytest.approx(1800, rel=0.06)
    assert material.conductivity == pytest.approx(0.33, rel=0.06)


def test_specific_heat_of_pig_pellets_by_hand():
    # Choi & Okos at 60 °C, kJ/(kg K): protein 2.07601, fat 2.05531, carbohydrate 1.64517, fibre 1.93899,
    # ash 1.19272 → .18, .04, .65, .05, .08 → 1.71760
    assert materials.load_material("pig-pellets").specific_heat == pytest.approx(1717.6, abs=0.1)


@pytest.mark.parametrize(
    "name, low, high", [("pig-pellets", 1.86e-10, 2.75e-9), ("calf-pellets", 3.32e-10, 3.87e-9)]
)
def test_diffusivity_is_the_geometric_mean_of_the_published_range(name, low, high):
    # Wang et al. 2024 (abstract seen); the file gives one or two digits: 4 %
    assert materials.load_material(name).diffusivity.value == pytest.approx(np.sqrt(low * high), rel=0.04)


def test_unknown_name_is_an_input_error_with_the_nearest_names():
    with pytest.raises(InputError) as error:
        materials.load_material("pig-pelets")
    assert "pig-pelets" in str(error.value) and "pig-pellets" in error.value.faults[0].allowed
    with pytest.raises(InputError, match="marine-pellets"):
        materials.load_material("zzz")
