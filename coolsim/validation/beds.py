"""Beds: pressure drop of pellets and of grain, and what lifts a published cooler."""

from __future__ import annotations

import itertools

from coolsim.physics import packed_bed
from coolsim.physics.materials import load_material
from coolsim.scenario import units as u
from coolsim.validation.comparison import Comparison, Computed, Measure, compared

_GRADIENT = Measure(u.PRESSURE_GRADIENT, 1, us_digits=4)
_AIR = (1.2, 1.81e-5)  # kg/m³, Pa s: a laboratory at 20 °C
# Hukill and Ives' a, b of ASABE D272 (seen); d_p = 6 V/S [mm] and void fraction as common tables have them (memory)
_GRAINS = {
    "corn": (2.07e4, 30.4, 6.5, (0.38, 0.44)),
    "wheat": (2.70e4, 8.77, 3.6, (0.38, 0.44)),
    "soybean": (1.02e4, 16.0, 6.8, (0.34, 0.40)),
}


def equal_sphere(diameter: float, length: float) -> float:
    """Return d_p = 6 V/S of a cylinder, in its own unit."""
    return 3 * diameter * length / (diameter + 2 * length)


def gradient(velocity: float, d_p: float, void: float) -> float:
    """Return Ergun's pressure gradient [Pa/m] at room temperature."""
    return float(packed_bed.ergun_gradient(velocity, d_p, void, *_AIR))


def beds() -> list[Comparison]:
    """Return the comparisons of pressure drops."""
    return [*_wood(), *(_grain(name) for name in _GRAINS)]


def _wood() -> list[Comparison]:
    feed = load_material("pig-pellets")
    known = feed.provenance["void_fraction"]
    assert known.low is not None and known.high is not None
    rows = []
    for velocity, measured in ((0.357, 271.0), (0.004, 1.9)):
        ends = itertools.product((6.0, 12.0), (known.low, known.high))
        band = [gradient(velocity, equal_sphere(6.0, length) / 1e3, void) for length, void in ends]
        middle = gradient(velocity, equal_sphere(6.0, 9.0) / 1e3, feed.void_fraction)
        rows.append(
            compared(
                f"wood pellets' pressure drop at {velocity:g} m/s",
                source="Yazdanpanah et al. 2010, Bioresour. Technol. 101:5565 (abstract seen)",
                measured_in_words=f"{measured:g} Pa/m, clean pellets of 6 × 6–12 mm",
                measured=(measured, measured),
                assumed="9 mm long, the default void fraction of pressed feeds; band: 6–12 mm, the range of the "
                "void fraction, which was chosen with an eye on what Ergun needs here",
                computed=Computed.over(band, middle),
                measure=_GRADIENT,
                independent=False,
            )
        )
    return rows


def _grain(name: str) -> Comparison:
    a, b, d_p, voids = _GRAINS[name]
    measured = float(packed_bed.hukill_ives_gradient(0.2, a, b))
    return compared(
        f"{name}'s pressure drop at 0.2 m/s",
        source="ASABE D272, loose fill (constants seen)",
        measured_in_words=f"{measured:.0f} Pa/m",
        measured=(measured, measured),
        assumed=f"Ergun's spheres of {d_p:g} mm with {100 * voids[0]:.0f}–{100 * voids[1]:.0f} % voids (memory): "
        "kernels are no spheres",
        computed=Computed.over([gradient(0.2, d_p / 1e3, void) for void in voids]),
        measure=_GRADIENT,
    )
