"""The gas of a closed bag, its dew point, and the feed in store."""

import numpy as np
import pytest

from coolsim.physics import air, bag
from coolsim.physics.materials import load_material
from coolsim.physics.sorption import Isotherm, water_activity

CORN = Isotherm("modified-chung-pfost", (312.3, 0.16958, 30.205), fat=0.04)  # ASABE D245, seen


@pytest.mark.parametrize(
    "activity, temperature, dew_point",
    [(0.60, 35.0, 26.07), (0.65, 35.0, 27.43), (0.60, 40.0, 30.74), (0.65, 30.0, 22.70)],
)
def test_dew_points_of_the_model_page(activity, temperature, dew_point):
    # model page §12 (computed, a_w fixed)
    assert bag.dew_point(activity * air.saturation_pressure(temperature)) == pytest.approx(
        dew_point, abs=0.02
    )


def test_dew_point_of_a_frosty_store():
    # ASHRAE table 3 (seen second-hand): over ice at −10 °C 259.9 Pa
    assert bag.dew_point(259.9) == pytest.approx(-10.0, abs=0.01)


def test_warmest_pellet_is_where_the_gas_meets_the_film():
    moisture, film = np.array([0.12, 0.14, 0.16]), np.array([20.0, 10.0, 2.0])
    T = bag.warmest_pellet(CORN, moisture, film)
    assert bag.dew_point(bag.vapour_pressure(CORN, moisture, T)) == pytest.approx(film, abs=1e-6)
    # with a_w fixed at what it is there: model page says that a_w(X, T) inside the root moves it by .5–2 K
    held = bag.dew_point(water_activity(CORN, moisture, film + 8) * air.saturation_pressure(T))
    assert np.abs(held - film).max() < 2.0


def test_what_the_gas_can_set_free():
    # by hand: .6 · 5628 Pa at 35 °C, 1228 Pa at 10 °C: (3377/308.15 − 1228/283.15)/461.5 = .01435 kg/m³ in .03 m³
    freed = bag.gas_condensate(0.6 * air.saturation_pressure(35.0), 35.0, 10.0, 0.03)
    assert freed == pytest.approx(0.4305e-3, rel=2e-3)
    assert bag.gas_condensate(500.0, 20.0, 20.0, 0.03) == 0.0
    # model page §12: the gas of a 25 kg bag holds about .5 g
    volume = bag.gas_volume(25.0, 640.0, 0.42)
    held = 0.6 * air.saturation_pressure(35.0) / (461.5 * 308.15) * volume
    assert 0.4e-3 < held < 0.8e-3


def test_activity_in_store():
    pig = load_material("pig-pellets")
    assert bag.store_activity(pig.isotherm, 0.136, 25.0) == pytest.approx(
        water_activity(pig.isotherm, 0.136, 25.0), rel=1e-12
    )
    # ASHRAE eq. 5 and 6: over liquid 286.5 Pa, over ice 259.9 Pa at −10 °C: a ratio of 1.1025 (memory, high)
    share = bag.store_activity(pig.isotherm, 0.136, -10.0) / water_activity(pig.isotherm, 0.136, -10.0)
    assert share == pytest.approx(1.1025, abs=2e-3)
