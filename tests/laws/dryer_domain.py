"""Random dryers: seeded Latin hypercubes over the whole domain that coolsim answers for; no expected values.

COOLSIM_DRYERS=2000 in the environment tries that many batches, and a quarter as many belts.
"""

from __future__ import annotations

import dataclasses
import os

import numpy as np
from laws.domain import sample
from scipy.stats import qmc

from coolsim.model.bed import Bed
from coolsim.model.dryer import Supply
from coolsim.model.drying import Pellet, Phase
from coolsim.model.march import Programme
from coolsim.physics import air, packed_bed, pellet
from coolsim.simulate.inputs import Inputs, bed_of, gather
from coolsim.support.fields import Array

DRYERS = int(os.environ.get("COOLSIM_DRYERS", "120"))
HOTTEST_AIR, LONGEST, MOST_RECIRCULATED = 150.0, 12 * 3600.0, 0.95
MOST_ZONES = 5
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
    """Pellets and weather of laws.domain, in batch dryers: `count` cases of one form of isotherm."""
    bed, inputs, n, shape = _laid(count, seed, equation)
    every = np.where(n["reversals"] > 0, n["seconds"] / (1 + np.floor(np.maximum(n["reversals"], 0))), np.inf)
    blown = _blown(n, inputs, bed, Programme(n["seconds"], every, n["from_above"] > 0))
    return bed, (blown,), dataclasses.replace(shape, mixed=mixed)


def random_belts(count: int, seed: int, equation: str, zones: int) -> tuple[Bed, tuple[Phase, ...], Pellet]:
    """As `random_dryers`, on belts: each zone has its own airflow, heater, recirculation and direction."""
    bed, inputs, n, shape = _laid(count, seed, equation)
    rng = np.random.default_rng(seed + 2)
    shares = rng.dirichlet(np.full(zones, 2.0), count).T
    phases = []
    for k in range(zones):
        own = _numbers(count, seed + 10 + k)
        programme = Programme(shares[k] * n["seconds"], np.full(count, np.inf), own["from_above"] > 0)
        phases.append(_blown(own, inputs, bed, programme))
    return bed, tuple(phases), shape


def _numbers(count: int, seed: int) -> dict[str, Array]:
    u = qmc.LatinHypercube(len(RANGES), seed=np.random.default_rng(seed)).random(count).T
    return {
        name: low * (high / low) ** share if logarithmic else low + share * (high - low)
        for share, (name, (low, high, logarithmic)) in zip(u, RANGES.items())
    }


def _laid(count: int, seed: int, equation: str) -> tuple[Bed, Inputs, dict[str, Array], Pellet]:
    cases = sample(count, seed, equation)
    inputs, n = gather(cases), _numbers(count, seed + 1)
    X = n["moisture"] / (1 - n["moisture"])
    bed = bed_of(inputs)
    bed = dataclasses.replace(
        bed, feed_moisture_db=X, feed_temperature=n["temperature"], depth=n["depth"],
        solid_density=bed.solid_density * (1 + bed.feed_moisture_db) / (1 + X),
    )  # fmt: skip
    d, l = (np.array([getattr(c.feed, name) for c in cases]) for name in ("diameter", "length"))
    return bed, inputs, n, Pellet(pellet.shape_exponent(d, l), np.maximum(n["shrinkage"], 0.0))


def _blown(n: dict[str, Array], inputs: Inputs, bed: Bed, programme: Programme) -> Phase:
    T, Y, p = inputs.outside_temperature, inputs.humidity_ratio, inputs.pressure
    lifts = packed_bed.minimum_fluidisation_velocity(
        2 * bed.radius, inputs.bulk_density, bed.void_fraction, air.moist_density(T, Y, p), air.viscosity(T)
    )
    back = np.maximum(n["recirculation"], 0.0)
    most = np.where(n["largest_heat"] > 1e5, np.inf, n["largest_heat"])
    aim = np.where(n["heater"] < 0.1, -np.inf, T + n["heating"] * (HOTTEST_AIR - T))
    free = (n["heater"] >= 0.1) & (n["heater"] < 0.2)  # no hotter than the hottest, once nothing evaporates
    bearable = 1006.0 * (1 - back) * (HOTTEST_AIR - T)
    aim, most = np.where(free, np.inf, aim), np.where(free, np.minimum(most, bearable), most)
    supply = Supply(Y, air.enthalpy(T, Y), aim, most, back)
    return Phase(n["lift_off"] * lifts / inputs.outside_volume, supply, programme)
