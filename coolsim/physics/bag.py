"""A closed bag: the air between evened-out pellets, what may condense on its film, and how the feed keeps.

The gas stands at a_w(X, T) p_sat(T). Moisture X in kg per kg dry solid, temperatures in °C; scalars or arrays.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from coolsim.physics import air
from coolsim.physics.roots import bracketed_root
from coolsim.physics.sorption import Isotherm, water_activity
from coolsim.support.fields import Number

HEADSPACE = 0.3  # m³ of gas above the pellets per m³ that they take: a sewn or sealed bag; assumed
MIGRATION = 0.015  # kg of water that may come to each m² of cold film over days; model of ours, order only
MOULDS_POSSIBLE = 0.61  # water activity from which moulds are possible (seen; references of the model page)
MOULDS_ACTIVE = 0.70  # … from which they are active (seen)
HIGHEST_PRESSURE = 1e6  # Pa, above any vapour pressure of pellets
COLDEST, HOTTEST = -60.0, 120.0  # °C, between which roots are looked for


def vapour_pressure(isotherm: Isotherm, moisture: Number, temperature: Number) -> Number:
    """Vapour pressure [Pa] of the gas between pellets."""
    return water_activity(isotherm, moisture, temperature) * air.saturation_pressure(temperature)


def dew_point(vapour_pressure: Number) -> Number:
    """Dew point [°C] of a gas of a vapour pressure [Pa], the frost point below 0.01 °C: a colder film gets wet.

    >>> round(float(dew_point(0.60 * air.saturation_pressure(35.0))), 2)  # model page: 26.07
    26.07
    """
    anywhere = HIGHEST_PRESSURE  # it does not count: the vapour's own does
    ratio = air.humidity_ratio(np.minimum(vapour_pressure, 0.999 * anywhere), anywhere)
    return air.dew_point(ratio, anywhere)


def warmest_pellet(isotherm: Isotherm, moisture: Number, coldest: Number) -> Number:
    """Warmest temperature [°C] at which pellets of a moisture may be bagged if the film gets as cold as `coldest`.

    The root of dew_point(a_w(X, T) p_sat(T)) = T_coldest; nan where none is found between −60 and 120 °C.
    """
    X, film = np.broadcast_arrays(np.asarray(moisture, float), np.asarray(coldest, float))
    limit = air.weather_saturation_pressure(film)

    def surplus(T: Any) -> Any:
        return np.log(vapour_pressure(isotherm, X, T) / limit)

    return bracketed_root(surplus, np.full(X.shape, COLDEST), np.full(X.shape, HOTTEST))[()]


def gas_volume(mass: Number, bulk_density: Number, void_fraction: Number) -> Number:
    """Gas [m³] in a bag of `mass` [kg]: between the pellets, and the headspace above them (assumed)."""
    return mass / bulk_density * (void_fraction + HEADSPACE)


def gas_condensate(vapour_pressure: Number, temperature: Number, coldest: Number, volume: Number) -> Number:
    """Water [kg] that the gas of a bag sets free as it cools from `temperature` to a film as cold as `coldest`.

    Only what the gas itself holds: pellets go on giving water to it (`MIGRATION`). Ideal gas.
    """
    R, K = air.GAS_CONSTANT_WATER, air.ZERO_CELSIUS
    film = np.asarray(coldest, float)
    held = air.weather_saturation_pressure(film)
    density = vapour_pressure / (R * (temperature + K)) - held / (R * (film + K))
    return np.maximum(density, 0.0) * volume


def store_activity(isotherm: Isotherm, moisture: Number, temperature: Number) -> Number:
    """Water activity [-] in a store: the humidity that the pellets keep around them, over ice below freezing."""
    T = np.asarray(temperature, float)
    return vapour_pressure(isotherm, moisture, T) / air.weather_saturation_pressure(T)
