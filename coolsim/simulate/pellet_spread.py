"""What the mean hides: how unlike the pellets are that leave together, and the tenths by which they are judged.

Shares are of dry solid, and each pellet counts as evened out inside. Pellets of one bag even out between each other
within hours to days; layers that are bagged apart never do.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from coolsim.case.result import BetweenPellets, InStore, Result, WarmestTenth, WettestTenth
from coolsim.physics import sorption
from coolsim.physics.sorption import Isotherm
from coolsim.support.fields import Array

TENTH = 0.1


def between_pellets(
    isotherm: Isotherm, moisture: Array, temperature: Array, solid: Array, evened_temperature: Array
) -> BetweenPellets:
    """From samples of the pellets that leave: mean moisture [kg/kg dry] and temperature [°C], (samples, cases).

    `solid` is the dry solid that each sample stands for, in any unit. The water activity is that of the wettest
    tenth at the temperature that all pellets share once in a bag [°C], (cases,).
    """
    X, of_moisture = _sorted(moisture, solid)
    T, of_temperature = _sorted(temperature, solid)
    driest, wettest = (_quantile(X, of_moisture, share) for share in (TENTH, 1 - TENTH))
    ends = [_quantile(T, of_temperature, share) for share in (TENTH, 1 - TENTH)]
    X_tenth = _highest_tenth(X, of_moisture)
    return BetweenPellets(
        np.stack([driest / (1 + driest), wettest / (1 + wettest)], axis=-1),
        np.stack(ends, axis=-1),
        _deviation(X / (1 + X), of_moisture),
        WettestTenth(X_tenth / (1 + X_tenth), sorption.water_activity(isotherm, X_tenth, evened_temperature)),
        WarmestTenth(_highest_tenth(T, of_temperature)),
    )


def in_store(
    isotherm: Isotherm, temperature: Array, moisture: Array, between: BetweenPellets | None, apart: bool
) -> InStore:
    """Water activity of a mean moisture [kg/kg dry], and of the wettest tenth, in a store [°C], each (cases,).

    apart: layers may be bagged apart, and so the wettest tenth decides.
    """
    of_mean = sorption.water_activity(isotherm, moisture, temperature)
    wet = None if between is None else between.wettest_tenth.moisture_wb
    of_tenth = of_mean if wet is None else sorption.water_activity(isotherm, wet / (1 - wet), temperature)
    return InStore(temperature, of_tenth if apart else of_mean, of_mean, of_tenth)


def joined(parts: Sequence[BetweenPellets]) -> BetweenPellets:
    """Those of several blocks of cases as those of all."""

    def together(read: Callable[[BetweenPellets], Any]) -> Array:
        return np.concatenate([read(part) for part in parts])

    tenth = WettestTenth(
        together(lambda p: p.wettest_tenth.moisture_wb), together(lambda p: p.wettest_tenth.water_activity)
    )
    warmest = WarmestTenth(together(lambda p: p.warmest_tenth.temperature))
    return BetweenPellets(
        together(lambda p: p.moisture_wb),
        together(lambda p: p.temperature),
        together(lambda p: p.deviation_wb),
        tenth,
        warmest,
    )


def with_equal_pellets(result: Result) -> Result:
    """A result of many cases whose pellets are alike, as one beside others whose pellets are not."""
    if result.between_pellets is not None:
        return result
    M, T = np.asarray(result.pellets_out.moisture_wb), np.asarray(result.pellets_out.temperature)
    tenth = WettestTenth(M, np.asarray(result.after_equalising.water_activity))
    both = np.stack([M, M], axis=-1), np.stack([T, T], axis=-1)
    alike = BetweenPellets(*both, np.zeros_like(M), tenth, WarmestTenth(T))
    return dataclasses.replace(result, between_pellets=alike)


def _sorted(values: Array, solid: Array) -> tuple[Array, Array]:
    """Samples (samples, cases) from the lowest on, and the share of the dry solid that each is."""
    order = np.argsort(values, axis=0)
    share = np.take_along_axis(np.broadcast_to(solid, values.shape), order, 0)
    return np.take_along_axis(values, order, 0), share / share.sum(axis=0)


def _deviation(x: Array, share: Array) -> Array:
    """Standard deviation of samples (samples, cases)."""
    mean = (share * x).sum(axis=0)
    return np.sqrt((share * (x - mean) ** 2).sum(axis=0))


def _highest_tenth(x: Array, share: Array) -> Array:
    """Mean of the highest tenth of sorted samples; the one at its edge counts with the part that is in it."""
    inside = np.clip(np.cumsum(share, axis=0) - (1 - TENTH), 0.0, share)
    return (inside * x).sum(axis=0) / inside.sum(axis=0)


def _quantile(x: Array, share: Array, at: float) -> Array:
    """Value of sorted samples below which a share of the dry solid lies, linear between their middles."""
    middle = np.cumsum(share, axis=0) - 0.5 * share
    k = np.clip((middle < at).sum(axis=0), 1, len(x) - 1)[None]
    (m_0, m_1), (x_0, x_1) = ([np.take_along_axis(f, i, 0)[0] for i in (k - 1, k)] for f in (middle, x))
    return x_0 + (x_1 - x_0) * np.clip((at - m_0) / (m_1 - m_0), 0.0, 1.0)
