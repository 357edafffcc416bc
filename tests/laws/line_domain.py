"""Random lines, a dryer and then a cooler: seeded, over the domains of both; no expected values.

COOLSIM_LINES=1000 in the environment tries that many.
"""

from __future__ import annotations

import dataclasses
import os

import numpy as np
from laws.domain import sample
from laws.dryer_domain import HOTTEST_AIR, MOST_RECIRCULATED
from scipy.stats import qmc

from coolsim.case.case import Batch, Belt, Case, Cooler, Line, Stage, Zone
from coolsim.physics import air, packed_bed, pellet

LINES = int(os.environ.get("COOLSIM_LINES", "100"))
MOST_ZONES = 3
# name → (low, high, logarithmic)
RANGES = {
    "moisture": (0.10, 0.35, False),
    "temperature": (5.0, 85.0, False),
    "seconds": (300.0, 12 * 3600.0, True),
    "depth": (0.02, 1.0, True),
    "stand_by": (-1800.0, 7200.0, False),  # below 0: none
    "kind": (0.0, 2.0, False),  # below 1: a batch; above: a belt
    "zones": (1.0, MOST_ZONES + 1.0, False),
    "shrinkage": (-1.0, 1.0, False),
    "turned": (-3.0, 1.0, False),  # above 0: a batch that is turned over
    "reversals": (-6.0, 6.0, False),  # below 0: none
}
# of a batch, and of each zone of a belt
BLOWN = {
    "lift_off": (0.05, 1.2, True),
    "heating": (
        -0.2,
        1.0,
        False,
    ),  # from outside air to the hottest; below 0: none (a batch: next to none)
    "recirculation": (-0.4, MOST_RECIRCULATED, False),  # below 0: none
    "down": (-1.0, 1.0, False),
}
LEAST_HEATING = 0.1  # K, of a batch without heater


def random_lines(count: int, seed: int) -> list[Case]:
    """`count` lines of a dryer and a cooler, in every form of isotherm."""
    coolers, rng = sample(count, seed), np.random.default_rng(seed + 1)
    own = _drawn(RANGES, count, rng)
    blown = [_drawn(BLOWN, count, rng) for _ in range(MOST_ZONES)]
    return [_line(case, n, [b[k] for b in blown]) for k, (case, n) in enumerate(zip(coolers, own))]


def _drawn(
    ranges: dict[str, tuple[float, float, bool]], count: int, rng: np.random.Generator
) -> list[dict[str, float]]:
    points = qmc.LatinHypercube(len(ranges), seed=rng).random(count)
    return [
        {
            name: low * (high / low) ** share if logarithmic else low + share * (high - low)
            for share, (name, (low, high, logarithmic)) in zip(point, ranges.items())
        }
        for point in points
    ]


def _line(case: Case, n: dict[str, float], blown: list[dict[str, float]]) -> Case:
    """The dryer makes what the cooler of the sample is laid out for, but for what the pellets are like."""
    assert isinstance(case.cooler, Cooler)
    feed = dataclasses.replace(case.feed, moisture=n["moisture"], temperature=n["temperature"])
    case = dataclasses.replace(case, feed=feed)
    dryer = _batch(case, n, blown[0]) if n["kind"] < 1 else _belt(case, n, blown[: int(n["zones"])])
    stages = (Stage("dryer", dryer), Stage("cooler", case.cooler, stand_by=max(n["stand_by"], 0.0)))
    return dataclasses.replace(case, cooler=Line(stages))


def _batch(case: Case, n: dict[str, float], b: dict[str, float]) -> Batch:
    turned, times = n["turned"] > 0, int(max(n["reversals"], 0.0))
    return Batch(
        floor_area=1.0,
        bed_depth=n["depth"],
        duration=n["seconds"],
        airflow=_airflow(case, b["lift_off"]),
        inlet_air_temperature=max(_heated(case, b), case.air.temperature + LEAST_HEATING),
        recirculation=max(b["recirculation"], 0.0),
        air_direction="down" if b["down"] > 0 else "up",
        reverse_every=n["seconds"] / (times + 1) if times and not turned else None,
        mixing="continuous" if turned else "none",
        shrinkage=max(n["shrinkage"], 0.0),
    )


def _belt(case: Case, n: dict[str, float], blown: list[dict[str, float]]) -> Belt:
    speed = case.feed.throughput / (case.feed.bulk_density * n["depth"])  # of a belt a metre wide
    length = speed * n["seconds"] / len(blown)
    zones = []
    for b in blown:
        heated = b["heating"] > 0
        zones.append(
            Zone(
                length,
                _airflow(case, b["lift_off"]) * length,
                _heated(case, b) if heated else None,
                max(b["recirculation"], 0.0) if heated else 0.0,
                "down" if b["down"] > 0 else "up",
            )
        )
    return Belt(1.0, n["depth"], tuple(zones), max(n["shrinkage"], 0.0))


def _heated(case: Case, b: dict[str, float]) -> float:
    return case.air.temperature + max(b["heating"], 0.0) * (HOTTEST_AIR - case.air.temperature)


def _airflow(case: Case, lift_off: float) -> float:
    """m³/s of outside air through a square metre, as a share of what would lift the feed."""
    T, RH, p, feed = case.air.temperature, case.air.relative_humidity, case.air.pressure, case.feed
    Y = air.humidity_ratio_from_relative_humidity(T, RH, p)
    d_p = 2 * pellet.equivalent_sphere_radius(feed.diameter, feed.length)
    density = air.moist_density(T, Y, p)
    return lift_off * float(
        packed_bed.minimum_fluidisation_velocity(
            d_p, feed.bulk_density, feed.void_fraction, density, air.viscosity(T)
        )
    )
