"""Random dryers over the whole domain: none fails, balances close, the error estimate holds.

COOLSIM_DRYERS=2000 in the environment runs that many instead of 200.
"""

from __future__ import annotations

import dataclasses
import os

import numpy as np
import pytest
from laws.domain import SORPTION_SETS, sample
from scipy.stats import qmc

from coolsim.inputs import bed_of, gather
from coolsim.model import drying
from coolsim.model.bed import Bed, take
from coolsim.model.deep_bed import Supply
from coolsim.model.drying import Pellet, Phase, Resolution
from coolsim.model.march import Programme
from coolsim.physics import air, packed_bed, pellet

DRYERS = int(os.environ.get("COOLSIM_DRYERS", "200"))
HOTTEST_AIR, LONGEST, MOST_RECIRCULATED = 150.0, 12 * 3600.0, 0.95
# name → (low, high, logarithmic)
RANGES = {
    "moisture": (0.10, 0.35, False),
    "temperature": (5.0, 85.0, False),
    "seconds": (300.0, LONGEST, True),
    "depth": (0.02, 1.0, True),
    "lift_off": (0.05, 1.2, True),
    "heating": (0.0, 1.0, False),  # from outside air to the hottest
    "heater": (0.0, 1.0, False),  # below .1: none; .1 to .2: without a thermostat; above: with one
    "largest_heat": (3e3, 1e6, True),  # J/kg dry air; above 1e5: any
    "recirculation": (-0.4, MOST_RECIRCULATED, False),  # below 0: none
    "reversals": (-18.0, 8.0, False),  # below 0: none
    "from_above": (-2.0, 1.0, False),
    "shrinkage": (-2.0, 1.0, False),
}


def random_dryers(count: int, seed: int, equation: str, mixed: bool) -> tuple[Bed, tuple[Phase, ...], Pellet]:
    """Pellets and weather of laws.domain, in dryers: `count` cases of one form of isotherm."""
    cases = sample(count, seed, equation)
    inputs = gather(cases)
    u = qmc.LatinHypercube(len(RANGES), seed=np.random.default_rng(seed + 1)).random(count).T
    n = {
        name: low * (high / low) ** share if logarithmic else low + share * (high - low)
        for share, (name, (low, high, logarithmic)) in zip(u, RANGES.items())
    }
    X, T, Y, p = (
        n["moisture"] / (1 - n["moisture"]),
        inputs.outside_temperature,
        inputs.humidity_ratio,
        inputs.pressure,
    )
    bed = bed_of(inputs)
    density = air.moist_density(T, Y, p)
    lifts = packed_bed.minimum_fluidisation_velocity(
        2 * bed.radius, inputs.bulk_density, bed.void_fraction, density, air.viscosity(T)
    )
    most = np.where(n["largest_heat"] > 1e5, np.inf, n["largest_heat"])
    aim = np.where(n["heater"] < 0.1, -np.inf, T + n["heating"] * (HOTTEST_AIR - T))
    free = (n["heater"] >= 0.1) & (n["heater"] < 0.2)  # as much as hot, dry pellets bear
    bearable = 1006.0 * (1 - np.maximum(n["recirculation"], 0.0)) * (HOTTEST_AIR - T)
    aim, most = np.where(free, np.inf, aim), np.where(free, np.minimum(most, bearable), most)
    solid = bed.solid_density * (1 + bed.feed_moisture) / (1 + X)
    bed = dataclasses.replace(
        bed, feed_moisture=X, feed_temperature=n["temperature"], depth=n["depth"], solid_density=solid
    )
    fresh = air.enthalpy(T, Y)
    every = np.where(n["reversals"] > 0, n["seconds"] / (1 + np.floor(np.maximum(n["reversals"], 0))), np.inf)
    blown = Phase(
        n["lift_off"] * lifts / inputs.outside_volume,
        Supply(Y, fresh, aim, most, np.maximum(n["recirculation"], 0.0)),
        Programme(n["seconds"], every, n["from_above"] > 0),
    )
    d, l = (np.array([getattr(c.feed, name) for c in cases]) for name in ("diameter", "length"))
    return bed, (blown,), Pellet(pellet.shape_exponent(d, l), np.maximum(n["shrinkage"], 0.0), mixed)


@pytest.mark.parametrize("mixed", [False, True])
@pytest.mark.parametrize("equation", SORPTION_SETS)
def test_random_dryers_never_fail(equation, mixed):
    count = -(-DRYERS // (2 * len(SORPTION_SETS)))
    bed, phases, pellets = random_dryers(count, 300 + len(equation), equation, mixed)
    seen = []
    for s in drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0)):
        assert s.converged.all(), s.index[~s.converged]
        X, T = drying.mean_exit(s)
        assert np.isfinite(X).all() and np.isfinite(T).all()
        assert (X > 0).all() and (X < 2).all()
        water, energy = drying.imbalances(s)
        assert np.abs(water).max() < 1e-8, (s.index[np.abs(water).argmax()], water)
        assert np.abs(energy).max() < 1e-8, (s.index[np.abs(energy).argmax()], energy)
        seen += [*s.index]
    assert sorted(seen) == list(range(count))


def test_many_cases_are_the_same_as_one_by_one():
    bed, phases, pellets = random_dryers(6, 11, "gab", False)
    (together,) = drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0))
    for k in range(6):
        i = np.array([k])
        (alone,) = drying.solve(
            take(bed, i), take(phases, i), take(pellets, i), resolution=Resolution(refinements=0)
        )
        np.testing.assert_allclose(
            [f[0] for f in drying.mean_exit(alone)], [f[k] for f in drying.mean_exit(together)], rtol=1e-6
        )


def test_the_error_estimate_holds():
    """Against twice the cells, shells and steps: nine in ten within their estimates, none far out."""
    off, told = [], []
    for k, equation in enumerate(SORPTION_SETS):
        bed, phases, pellets = random_dryers(5, 500 + k, equation, False)
        (s,) = drying.solve(bed, phases, pellets, resolution=Resolution(refinements=0))
        (finer,) = drying.solve(bed, phases, pellets, resolution=Resolution(16, 24, 0, 0.1))
        X, X_finer = (drying.mean_exit(a)[0] for a in (s, finer))
        off += [*np.abs(X / (1 + X) - X_finer / (1 + X_finer))]
        told += [*s.moisture_error]
    share = np.array(off) / (np.array(told) + 1e-7)
    assert (share < 1).mean() >= 0.9, np.sort(share)[-8:]
    assert share.max() < 6, share.max()
