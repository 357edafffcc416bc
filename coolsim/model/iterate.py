"""What Newton's method works on at the points of any bed: the variables, and how far one step may move them.

Limits act entry by entry: holding back a whole step for the sake of one dry cell stops all others.
"""

from __future__ import annotations

import numpy as np

from coolsim.support.fields import Array

XS, TS, TP, TA, HUMIDITY = range(5)  # point variables, each at two stages
LEAST_MOISTURE_KEPT = 0.2  # share of a moisture that one step may leave, so that it stays positive
LARGEST_MOISTURE = 2.0  # kg/kg dry
LARGEST_TEMPERATURE_STEP = 30.0  # K
LOWEST_TEMPERATURE = -80.0  # °C; evaporation into dry air can cool below both streams
MOISTURE_SCALE, TEMPERATURE_SCALE = 0.1, 50.0  # kg/kg and K that a step size of one stands for
POINT_SCALES = np.array([MOISTURE_SCALE, *3 * (TEMPERATURE_SCALE,), MOISTURE_SCALE])[:, None, None]


def largest(step: Array) -> Array:
    """Largest change of each case, (B,) from (…, …, B); in two parts, as numpy is slow at narrow rows."""
    return np.abs(step).max(axis=0).reshape(-1, step.shape[-1]).max(axis=0)


def moved(
    points: Array, step: Array, wettest: Array | float, hottest: Array | float, humidity: tuple[float, float]
) -> Array:
    """Point variables after a step, each held where it may be: a surface's moisture, temperatures, humidity."""
    new, temperatures = points + step, slice(TS, TA + 1)
    new[:, XS] = within(new[:, XS], LEAST_MOISTURE_KEPT * points[:, XS], wettest)
    dT = within(step[:, temperatures], -LARGEST_TEMPERATURE_STEP, LARGEST_TEMPERATURE_STEP)
    new[:, temperatures] = within(points[:, temperatures] + dT, LOWEST_TEMPERATURE, hottest)
    new[:, HUMIDITY] = within(new[:, HUMIDITY], *humidity)
    return new


def within(x: Array, low: Array | float, high: Array | float) -> Array:
    return np.minimum(np.maximum(x, low), high)
