"""Before the cooler: recipe, steam, die."""

import numpy as np
import pytest

from coolsim.physics import air, conditioning, pellet
from coolsim.physics.materials import load_material
from coolsim.physics.sorption import Isotherm, bound_water_heat

CORN = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), fat=0.04)  # ASABE D245, seen
P = 101_325.0


def enthalpy(c_d, X, T):
    return pellet.enthalpy(c_d, X, T, bound_water_heat(CORN, X))


def test_mass_balance_of_a_recipe():
    # by hand: .5 · 13 + .3 · 10 + .2 · 4 = 10.3 %
    moisture = conditioning.mixed_moisture(np.array([0.5, 0.3, 0.2]), np.array([0.13, 0.10, 0.04]))
    assert moisture == pytest.approx(0.103, rel=1e-12)


def test_free_steam_of_the_model_page():
    # model page §11 (computed): .12 moisture, dry c_p 1.8, c_w 4.186, h_s 2675.5, 36.2 → 87.8 °C: .0466 kg per
    # kg of mash, moisture .1592. By hand: c = .88 · 1.8 + .12 · 4.186 = 2.08632; 2.08632 · 51.6/(2675.5 − 367.5308)
    steam = conditioning.free_steam(2086.32, 36.2, 87.8, 2675.5e3)
    assert steam == pytest.approx(107654.1 / 2307969.2, rel=1e-6)  # .04664
    assert (0.12 + steam) / (1 + steam) == pytest.approx(0.1592, abs=5e-5)


def test_steam_with_bound_water_is_in_the_plausible_band():
    """Kansas Agric. Exp. Stn. Res. Rep. 6(10), 2020 (abstract seen) measured 4.2 points on such a rise.

    Its initial moisture was not seen: a band of plausibility, 3.2–4.3 points, not a check.
    """
    h = conditioning.steam_enthalpy(P, 1.0)
    for c_d, quality in ((1800.0, 1.0), (1500.0, 1.0), (1800.0, 0.9), (1500.0, 0.9)):
        X = 0.12 / 0.88
        h = conditioning.steam_enthalpy(P, quality)
        wetter = X + conditioning.steam_taken(CORN, c_d, X, 36.2, 87.8, h)
        points = 100 * (wetter / (1 + wetter) - 0.12)
        print(f"dry c_p {c_d:.0f}, quality {quality}: {points:.2f} points, measured 4.2: {points - 4.2:+.2f}")
        assert 3.1 < points < 4.3
    X = 0.12 / 0.88  # model page: 3.66 with dry steam of 2675.5 kJ/kg and dry c_p 1.8 (computed)
    wetter = X + conditioning.steam_taken(CORN, 1800.0, X, 36.2, 87.8, 2675.5e3)
    assert 100 * (wetter / (1 + wetter) - 0.12) == pytest.approx(3.66, abs=0.01)


def test_enthalpy_closes():
    """H before + steam + water = H after, to rounding, for arrays of mash."""
    X, T = np.array([0.11, 0.14, 0.2]), np.array([15.0, 30.0, 45.0])
    h, w, h_w = conditioning.steam_enthalpy(2.5 * P, 0.95), 0.02, air.HEAT_CAPACITY_WATER * 60.0
    m = conditioning.steam_taken(CORN, 1750.0, X, T, 82.0, h, w, h_w)
    before = enthalpy(1750.0, X, T) + w * h_w + m * h
    assert before == pytest.approx(enthalpy(1750.0, X + w + m, 82.0), rel=1e-11)
    assert (m > 0).all()


def test_water_that_is_hotter_than_needed_takes_no_steam():
    """Less steam the hotter the water; below zero where the water alone is too much (the reader objects)."""
    few, none = (
        conditioning.steam_taken(CORN, 1800.0, 0.13, 25.0, T, 2.68e6, 0.3, 4186 * 95.0) for T in (80.0, 40.0)
    )
    assert few > 0 > none


def test_water_alone_mixes():
    # free water changes the temperature as heat capacities mix; binding it warms, by less than 12 K. By hand:
    # (2086.32 · 25 + .1 · 4186 · 60)/(2086.32 + 418.6) = 30.85
    T = conditioning.wetted(CORN, 1800.0, 0.12 / 0.88, 25.0, 0.1 / 0.88, 4186.0 * 60.0)
    plain = (2086.32 * 25 + 0.1 * 4186 * 60) / (2086.32 + 418.6)
    assert plain < T < plain + 12.0
    # and the enthalpy closes
    before = enthalpy(1800.0, 0.12 / 0.88, 25.0) + 0.1 / 0.88 * 4186.0 * 60.0
    assert enthalpy(1800.0, 0.22 / 0.88, T) == pytest.approx(before, rel=1e-12)


def test_die():
    # model page §11: 15 kWh/t whole would be about 25 K. By hand: 54 kJ/(.845 · 1.8 + .155 · 4.186) = 24.9
    X = 0.155 / 0.845
    rise = conditioning.warmed(CORN, 1800.0, X, 80.0, 54e3) - 80.0
    assert rise == pytest.approx(54e3 / (0.845 * 1800 + 0.155 * 4186), rel=1e-9)
    assert rise == pytest.approx(25.0, abs=0.4)


def test_boiling_and_flash_behind_a_die():
    """Model page §6: pig feed at 14–17 % boils at 102–104 °C and loses .35–.38 point for each 5 K beyond."""
    pig = load_material("pig-pellets")
    for wet in (0.14, 0.17):
        X, points = wet / (1 - wet), []
        for T in (106.0, 111.0):
            left, boiling = pellet.flash(pig.isotherm, pig.specific_heat, X, T, P)
            assert 101.8 < boiling < 104.4
            points.append(100 * (wet - left / (1 + left)))
        assert 0.33 < points[1] - points[0] < 0.40
