"""The library of materials: complete, sourced, and as its formulas say."""

import tomllib

import numpy as np
import pytest

from coolsim.physics import materials, sorption
from coolsim.support.errors import InputError

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
    # dry c_p "near 1800" (computed elsewhere): within 6 %
    assert material.specific_heat == pytest.approx(1800, rel=0.06)
    known = material.provenance["conductivity"]  # within the middle half of its range
    assert abs(material.conductivity - 0.5 * (known.low + known.high)) < 0.25 * (known.high - known.low)


def test_conductivity_of_pig_pellets_by_hand():
    # Choi & Okos at 60 °C, 14 % wet basis: solid .33936 W/(m K) and 1398.0 kg/m³; pellet 640/(1 − .47) = 1207.55,
    # so pores .13623; air .02877 (Sutherland).
    # Maxwell: .33936 (.70749 − .27246 · .31059)/(.70749 + .13623 · .31059)
    assert materials.load_material("pig-pellets").conductivity == pytest.approx(0.2819, abs=1e-4)


def test_specific_heat_of_pig_pellets_by_hand():
    # Choi & Okos at 60 °C, kJ/(kg K): protein 2.07601, fat 2.05531, carbohydrate 1.64517, fibre 1.93899,
    # ash 1.19272 → .18, .04, .65, .05, .08 → 1.71760
    assert materials.load_material("pig-pellets").specific_heat == pytest.approx(1717.6, abs=0.1)


PUBLISHED = {  # m²/s: pig, calf, Wang et al. 2024; abalone feed, Vega-Gálvez et al. 2011 (abstracts seen)
    "pig-pellets": (1.86e-10, 2.75e-9),
    "calf-pellets": (3.32e-10, 3.87e-9),
    "marine-pellets": (0.84e-10, 1.94e-10),
}


@each
def test_diffusivity_is_the_geometric_mean_of_what_is_published_or_says_that_it_is_judged(name):
    """Twice or half of it is neither; and the range holds all that is published of such feeds."""
    material = materials.load_material(name)
    known, value = material.provenance["diffusivity"], material.diffusivity.value
    low, high = PUBLISHED.get(name, (known.low, known.high))
    assert known.low <= low and high <= known.high
    assert value == pytest.approx(np.sqrt(low * high), rel=0.05)
    assert (name in PUBLISHED) is not ("judged" in known.source)


def test_what_did_not_expand_may_be_as_slow_as_published():
    # down to 5e-11 m²/s: abalone feed .84e-10 at the least, pasta 2.4e-11
    for name in ("marine-pellets", "sinking-fish-feed"):
        assert materials.load_material(name).provenance["diffusivity"].low <= 5e-11


@each
def test_void_fraction_is_that_of_published_beds(name):
    """Mahapatra et al. 2010 (abstract seen): 1 − 547.72/1101.74 = .503; Yazdanpanah et al. 2010 by Ergun: .465."""
    material = materials.load_material(name)
    known = material.provenance["void_fraction"]
    assert 0.45 <= material.void_fraction <= 0.503 and known.low <= 0.465 < 0.4999 <= known.high


def test_unknown_name_is_an_input_error_with_the_nearest_names():
    with pytest.raises(InputError) as error:
        materials.load_material("pig-pelets")
    assert "pig-pelets" in str(error.value) and "pig-pellets" in error.value.faults[0].allowed
    with pytest.raises(InputError, match="marine-pellets"):
        materials.load_material("zzz")
