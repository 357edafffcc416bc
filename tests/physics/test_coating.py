"""Oil, water and powder on dried pellets."""

import numpy as np
import pytest

from coolsim.physics import air, coating, pellet
from coolsim.physics.coating import Coat
from coolsim.physics.materials import load_material
from coolsim.physics.sorption import Isotherm, bound_water_heat, water_activity

CORN = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), fat=0.04)  # ASABE D245, seen


def test_oil_thins_moisture():
    # issue: oil of 5 % on 12 % gives 11.43 %: .12/1.05
    assert coating.moisture_after(Coat(oil=0.05), 0.12) == pytest.approx(0.12 / 1.05, rel=1e-14)
    assert 100 * coating.moisture_after(Coat(oil=0.05), 0.12) == pytest.approx(11.43, abs=0.005)
    assert coating.sorbing_moisture(Coat(oil=0.05), 0.12 / 0.88) == 0.12 / 0.88  # and so the same a_w


def test_a_target_is_solved_backwards():
    # model page §12: 12 % with 25 % of oil is 15 % before
    assert coating.moisture_before(Coat(oil=0.25), 0.12) == pytest.approx(0.15, rel=1e-14)
    # … at an a_w of .73–.78 (there; which feed and temperature it does not say): the shipped fish feeds at 25–60 °C
    for name in ("floating-fish-feed", "sinking-fish-feed", "marine-pellets"):
        isotherm = load_material(name).isotherm
        assert 0.71 < water_activity(isotherm, 0.15 / 0.85, 25.0) < 0.79
        assert 0.71 < water_activity(isotherm, 0.15 / 0.85, 40.0) < 0.84


@pytest.mark.parametrize(
    "coat", [Coat(oil=0.05), Coat(water=0.03, powder=0.01), Coat(0.2, 0.02, 0.03, 60, 15, 5)]
)
def test_there_and_back(coat):
    wet = np.linspace(0.06, 0.2, 8)
    assert coating.moisture_before(coat, coating.moisture_after(coat, wet)) == pytest.approx(wet, rel=1e-13)
    X = wet / (1 - wet)
    after = coating.sorbing_moisture(coat, X)
    assert coating.sorbing_moisture_before(coat, after) == pytest.approx(X, rel=1e-13)
    # of the whole: water over all of it, as the wet basis has it
    mass = (1 + X) * (1 + coat.oil + coat.water + coat.powder)
    assert after / mass == pytest.approx(coating.moisture_after(coat, wet), rel=1e-13)
    T = coating.temperature_after(coat, CORN, 1800.0, X, 31.0)
    assert coating.temperature_before(coat, CORN, 1800.0, X, T) == pytest.approx(31.0, abs=1e-9)


def test_enthalpies_add():
    coat, X, T, c_d = Coat(0.08, 0.02, 0.01, 55.0, 18.0, 21.0), 0.11, 33.0, 1800.0
    wet, after = 1 + X, X + 0.02 * (1 + X)
    before = pellet.enthalpy(c_d, X, T, bound_water_heat(CORN, X)) + wet * (
        0.08 * coating.OIL_CAPACITY * 55.0 + 0.02 * air.HEAT_CAPACITY_WATER * 18.0 + 0.01 * c_d * 21.0
    )
    T_after = coating.temperature_after(coat, CORN, c_d, X, T)
    behind = pellet.enthalpy(c_d, after, T_after, bound_water_heat(CORN, after))
    behind += wet * (0.08 * coating.OIL_CAPACITY + 0.01 * c_d) * T_after
    assert behind == pytest.approx(before, rel=1e-12)


def test_oil_alone_mixes_as_two_heat_capacities():
    # Choi & Okos, fat at 40 °C: 1984.2 + 1.4733 · 40 − 4.8008e-3 · 1600 = 2035.451
    assert pytest.approx(2035.4507, rel=1e-6) == coating.OIL_CAPACITY
    X, c_d = 0.10 / 0.90, 1800.0
    pellets, oil = 0.9 * c_d + 0.1 * 4186.0, 0.1 * coating.OIL_CAPACITY  # per kg wet
    mixed = (pellets * 30.0 + oil * 60.0) / (pellets + oil)
    coat = Coat(oil=0.1, oil_temperature=60.0)
    assert coating.temperature_after(coat, CORN, c_d, X, 30.0) == pytest.approx(mixed, abs=1e-9)
